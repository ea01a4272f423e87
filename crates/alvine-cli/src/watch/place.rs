//! Where the capsule is likely to be: a fix from levels of the last seconds.

use alvine::fix::FixWorkspace;
use alvine::{FixError, FixOptions, FixSolver, Reading, Setup};
use alvine_study::LiveRow;

/// Memory of the levels, s.
const MEMORY_S: f64 = 30.0;
/// From one fix to the next, s.
const EVERY_S: f64 = 5.0;

/// The last fix, and what the next one will rest on.
#[derive(Debug)]
pub struct Place<'a> {
    setup: &'a Setup,
    solver: FixSolver<'a>,
    work: FixWorkspace,
    /// Mean levels, dBm; NaN before a site reported any.
    levels_dbm: Vec<f64>,
    previous_s: Option<f64>,
    next_s: f64,
    place_mm: Option<[f64; 3]>,
    spread_mm: Option<f64>,
    expected_dbm: Vec<f64>,
}

impl<'a> Place<'a> {
    pub fn new(setup: &'a Setup) -> Result<Self, FixError> {
        let solver = FixSolver::new(setup, FixOptions::default())?;
        Ok(Self {
            work: solver.workspace(),
            solver,
            levels_dbm: vec![f64::NAN; setup.layout.len()],
            previous_s: None,
            next_s: f64::NEG_INFINITY,
            place_mm: None,
            spread_mm: None,
            expected_dbm: Vec::new(),
            setup,
        })
    }

    /// Takes the next instant.
    pub fn step(&mut self, row: &LiveRow) {
        let step_s = self
            .previous_s
            .replace(row.time_s)
            .map_or(f64::INFINITY, |previous_s| row.time_s - previous_s);
        let gain = 1.0 - (-step_s / MEMORY_S).exp();
        for (mean_dbm, &level) in self.levels_dbm.iter_mut().zip(&row.rssi_dbm) {
            let level_dbm = match self.setup.receiver.read(level) {
                Reading::Heard(dbm) | Reading::BelowFloor(dbm) | Reading::Saturated(dbm) => dbm,
                Reading::Missing => continue,
            };
            *mean_dbm = if mean_dbm.is_nan() {
                level_dbm
            } else {
                *mean_dbm + gain * (level_dbm - *mean_dbm)
            };
        }
        if row.time_s >= self.next_s {
            self.next_s = row.time_s + EVERY_S;
            self.fix();
        }
    }

    fn fix(&mut self) {
        let levels = self.levels_dbm.iter().map(|&level_dbm| level_dbm as f32);
        let Some(fix) = self.solver.fix_with(levels, &mut self.work) else {
            return;
        };
        let place = fix.position_mm;
        self.place_mm = Some([place.x, place.y, place.z]);
        self.spread_mm = fix.covariance_mm2().map(|covariance_mm2| covariance_mm2.trace().sqrt());
        let sites = 0..self.setup.layout.len();
        self.expected_dbm = sites.map(|site| self.setup.median_dbm(&place, site)).collect();
    }

    /// Where, mm.
    pub fn place_mm(&self) -> Option<[f64; 3]> {
        self.place_mm
    }

    /// Root-mean-square error of that in space, mm.
    pub fn spread_mm(&self) -> Option<f64> {
        self.spread_mm
    }

    /// The levels that are expected of a capsule there, dBm; `None` before there was a fix.
    pub fn expected_dbm(&self) -> Option<&[f64]> {
        (!self.expected_dbm.is_empty()).then_some(&self.expected_dbm)
    }
}
