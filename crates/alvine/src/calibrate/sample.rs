//! The readings of a calibration as the fit sees them: groups, distances in decibels, levels and limits.

use ndarray::ArrayView2;

use super::{CalibrationError, CalibrationOptions, SiteLevels};
use crate::layout::Layout;
use crate::propagation::NEAREST_MM;
use crate::recording::{POSSIBLE_DBM, Reading, Receiver};
use crate::torso::Position;

/// A reading between floor and ceiling.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    /// Which level it shares.
    pub group: usize,
    /// `10 log₁₀(d / d₀)`.
    pub x_db: f64,
    /// What was read, less the stated gain where levels are common, dBm.
    pub level_dbm: f64,
}

/// A reading of which only one limit is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Limit {
    /// The limit, in place of what was read.
    pub at: Point,
    /// 1 where the level was no higher than the limit, −1 where it was no lower.
    pub side: f64,
}

/// All readings that say something.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sample {
    /// How many levels there are.
    pub groups: usize,
    pub heard: Vec<Point>,
    pub limits: Vec<Limit>,
}

impl Sample {
    /// Checks and sorts the readings.
    pub fn new(
        layout: &Layout,
        receiver: &Receiver,
        places_mm: &[Position],
        rssi_dbm: ArrayView2<'_, f32>,
        options: &CalibrationOptions,
    ) -> Result<Self, CalibrationError> {
        check(layout, places_mm, rssi_dbm, options)?;
        let mut sample = Self {
            groups: match options.site_levels {
                SiteLevels::Common => 1,
                SiteLevels::PerSite => layout.len(),
            },
            heard: Vec::new(),
            limits: Vec::new(),
        };
        for ((row, site), &level_dbm) in rssi_dbm.indexed_iter() {
            if !level_dbm.is_nan() && !POSSIBLE_DBM.contains(&level_dbm) {
                return Err(CalibrationError::ImpossibleLevel {
                    row,
                    site,
                    rssi_dbm: level_dbm,
                });
            }
            let antenna = &layout.sites()[site];
            let distance_mm = (places_mm[row] - antenna.position_mm).norm().max(NEAREST_MM);
            let x_db = 10.0 * (distance_mm / options.reference_mm).log10();
            let (group, gain_db) = match options.site_levels {
                SiteLevels::Common => (0, antenna.gain_db),
                SiteLevels::PerSite => (site, 0.0),
            };
            let at = |dbm: f64| Point {
                group,
                x_db,
                level_dbm: dbm - gain_db,
            };
            sample.take(receiver, level_dbm, at);
        }
        sample.check_heard(layout)?;
        Ok(sample)
    }

    /// Sorts one reading. A limit lies half a step of quantisation inside the receiver's, as rounding takes in that much.
    fn take(&mut self, receiver: &Receiver, level_dbm: f32, at: impl Fn(f64) -> Point) {
        let half_step_db = 0.5 * receiver.step_db().unwrap_or(0.0);
        match receiver.read(level_dbm) {
            Reading::Heard(dbm) => self.heard.push(at(dbm)),
            Reading::BelowFloor(dbm) => self.limits.push(Limit {
                at: at(dbm + half_step_db),
                side: 1.0,
            }),
            Reading::Saturated(dbm) => self.limits.push(Limit {
                at: at(dbm - half_step_db),
                side: -1.0,
            }),
            Reading::Missing => {}
        }
    }

    /// Each level needs a reading that was heard, or it has no most likely value.
    fn check_heard(&self, layout: &Layout) -> Result<(), CalibrationError> {
        let mut heard = vec![false; self.groups];
        for point in &self.heard {
            heard[point.group] = true;
        }
        match heard.iter().position(|heard| !heard) {
            Some(group) if self.groups > 1 => Err(CalibrationError::SiteUnheard {
                site: layout.sites()[group].name.clone(),
            }),
            _ => Ok(()),
        }
    }
}

fn check(
    layout: &Layout,
    places_mm: &[Position],
    rssi_dbm: ArrayView2<'_, f32>,
    options: &CalibrationOptions,
) -> Result<(), CalibrationError> {
    if !(1.0..=10_000.0).contains(&options.reference_mm) {
        return Err(CalibrationError::ImpossibleOption {
            what: "reference_mm",
            found: options.reference_mm,
            expected: "1 to 10000 mm",
        });
    }
    if places_mm.len() != rssi_dbm.nrows() {
        return Err(CalibrationError::LengthMismatch {
            places: places_mm.len(),
            rows: rssi_dbm.nrows(),
        });
    }
    if rssi_dbm.ncols() != layout.len() {
        return Err(CalibrationError::OtherLayout {
            found: rssi_dbm.ncols(),
            expected: layout.len(),
        });
    }
    let finite = |place: &Position| place.iter().all(|coordinate| coordinate.is_finite());
    match places_mm.iter().position(|place| !finite(place)) {
        Some(row) => Err(CalibrationError::PlaceNotFinite { row }),
        None => Ok(()),
    }
}
