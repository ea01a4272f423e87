//! The readings of a calibration as the fit sees them: groups, distances in decibels, levels and limits.

use ndarray::ArrayView2;

use super::{CalibrationError, CalibrationOptions, SiteLevels};
use crate::layout::Layout;
use crate::propagation::NEAREST_MM;
use crate::recording::{POSSIBLE_DBM, Reading, Receiver};
use crate::torso::Position;

/// What is known of a level.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Known {
    /// The level itself.
    Heard,
    /// That it was no higher.
    AtMost,
    /// That it was no lower.
    AtLeast,
}

impl Known {
    /// 1 where the level was no higher than a limit, −1 where it was no lower, nought where it was heard.
    pub const fn side(self) -> f64 {
        match self {
            Known::Heard => 0.0,
            Known::AtMost => 1.0,
            Known::AtLeast => -1.0,
        }
    }
}

/// A reading that says something.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    /// The row it stands in.
    pub row: usize,
    /// The site that read it.
    pub site: usize,
    /// Which level it shares.
    pub group: usize,
    /// How far the transmitter was from the site, mm.
    pub distance_mm: f64,
    /// `10 log₁₀(d / d₀)`.
    pub x_db: f64,
    /// What was read, or the limit in its place, with what is known beforehand taken off, dBm.
    pub level_dbm: f64,
    /// What that is of the level.
    pub known: Known,
    /// What was added to what was read, dB: less the stated gain where levels are common, and a spreading that is
    /// given.
    pub offset_db: f64,
}

/// All readings that say something.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sample {
    /// How many levels there are.
    pub groups: usize,
    /// The readings, row by row.
    pub points: Vec<Point>,
    /// How many of them were heard.
    pub heard: usize,
    /// The levels between which the receiver reports what it hears, dBm.
    pub limits_dbm: (f64, f64),
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
            points: Vec::new(),
            heard: 0,
            limits_dbm: (
                receiver.floor_dbm() + half_step_db(receiver),
                receiver.ceiling_dbm().unwrap_or(f64::INFINITY) - half_step_db(receiver),
            ),
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
            let (dbm, known) = match receiver.read(level_dbm) {
                Reading::Heard(dbm) => (dbm, Known::Heard),
                Reading::BelowFloor(_) => (sample.limits_dbm.0, Known::AtMost),
                Reading::Saturated(_) => (sample.limits_dbm.1, Known::AtLeast),
                Reading::Missing => continue,
            };
            sample.heard += usize::from(known == Known::Heard);
            sample.points.push(Point {
                row,
                site,
                group,
                distance_mm,
                x_db,
                level_dbm: dbm - gain_db,
                known,
                offset_db: -gain_db,
            });
        }
        sample.check_heard(layout)?;
        Ok(sample)
    }

    /// Readings of which only a limit is known.
    pub fn censored(&self) -> usize {
        self.points.len() - self.heard
    }

    /// The same readings with a spreading of a given exponent taken off.
    pub fn less_spreading(&self, exponent: f64) -> Self {
        let mut sample = self.clone();
        for point in &mut sample.points {
            point.level_dbm += exponent * point.x_db;
            point.offset_db += exponent * point.x_db;
        }
        sample
    }

    /// Each level needs a reading that was heard, or it has no most likely value.
    fn check_heard(&self, layout: &Layout) -> Result<(), CalibrationError> {
        let mut heard = vec![false; self.groups];
        for point in &self.points {
            heard[point.group] |= point.known == Known::Heard;
        }
        match heard.iter().position(|heard| !heard) {
            Some(group) if self.groups > 1 => Err(CalibrationError::SiteUnheard {
                site: layout.sites()[group].name.clone(),
            }),
            _ => Ok(()),
        }
    }
}

/// A limit lies half a step of quantisation inside the receiver's, as rounding takes in that much.
fn half_step_db(receiver: &Receiver) -> f64 {
    0.5 * receiver.step_db().unwrap_or(0.0)
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
