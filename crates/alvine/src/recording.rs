//! The recording: what each site heard at each instant, and what the receiver can hear.

use ndarray::{Array2, ArrayView1, ArrayView2};
use thiserror::Error;

use crate::median::median;

/// What one site reported at one instant, once the receiver's limits are taken into account.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reading {
    /// A level between floor and ceiling, dBm.
    Heard(f64),
    /// At or below the floor: the level was no higher than this, dBm.
    BelowFloor(f64),
    /// At or above the ceiling: the level was no lower than this, dBm.
    Saturated(f64),
    /// No packet came.
    Missing,
}

impl Reading {
    /// Whether the capsule was heard above the floor, in whatever strength.
    #[must_use]
    pub const fn is_heard(&self) -> bool {
        matches!(self, Self::Heard(_) | Self::Saturated(_))
    }
}

/// Why a receiver cannot be as described.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ReceiverError {
    /// A limit that no receiver has, or not a number.
    #[error("receiver {what} is {found}; expected {expected}")]
    ImpossibleValue {
        /// Which value.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
}

/// What the receiver can hear.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Receiver {
    floor_dbm: f64,
    ceiling_dbm: Option<f64>,
    step_db: Option<f64>,
}

impl Receiver {
    /// A receiver with its floor, ceiling (if it saturates) and step of quantisation (if it has one).
    ///
    /// # Errors
    ///
    /// [`ReceiverError::ImpossibleValue`] unless −200 ≤ floor < ceiling ≤ 100 dBm and 0 < step ≤ 20 dB.
    pub fn new(floor_dbm: f64, ceiling_dbm: Option<f64>, step_db: Option<f64>) -> Result<Self, ReceiverError> {
        let impossible = |what, found, expected| ReceiverError::ImpossibleValue { what, found, expected };
        if !(-200.0..=100.0).contains(&floor_dbm) {
            return Err(impossible("floor_dbm", floor_dbm, "−200 to 100 dBm"));
        }
        if let Some(ceiling_dbm) = ceiling_dbm
            && !(ceiling_dbm > floor_dbm && ceiling_dbm <= 100.0)
        {
            return Err(impossible(
                "ceiling_dbm",
                ceiling_dbm,
                "above the floor and at most 100 dBm",
            ));
        }
        if let Some(step_db) = step_db
            && !(step_db > 0.0 && step_db <= 20.0)
        {
            return Err(impossible("step_db", step_db, "above 0 and at most 20 dB"));
        }
        Ok(Self {
            floor_dbm,
            ceiling_dbm,
            step_db,
        })
    }

    /// At or below this nothing usable was heard, dBm.
    #[must_use]
    pub const fn floor_dbm(&self) -> f64 {
        self.floor_dbm
    }

    /// At or above this the receiver saturates, dBm.
    #[must_use]
    pub const fn ceiling_dbm(&self) -> Option<f64> {
        self.ceiling_dbm
    }

    /// The step of quantisation, dB.
    #[must_use]
    pub const fn step_db(&self) -> Option<f64> {
        self.step_db
    }

    /// What a reported level means; NaN is no packet.
    #[must_use]
    pub fn read(&self, rssi_dbm: f32) -> Reading {
        let level_dbm = f64::from(rssi_dbm);
        if level_dbm.is_nan() {
            Reading::Missing
        } else if level_dbm <= self.floor_dbm {
            Reading::BelowFloor(self.floor_dbm)
        } else if let Some(ceiling_dbm) = self.ceiling_dbm
            && level_dbm >= ceiling_dbm
        {
            Reading::Saturated(ceiling_dbm)
        } else {
            Reading::Heard(level_dbm)
        }
    }

    /// How many sites hear the capsule in an instant's levels, dBm.
    #[must_use]
    pub fn heard_sites<'a>(&self, levels_dbm: impl IntoIterator<Item = &'a f32>) -> usize {
        let levels_dbm = levels_dbm.into_iter();
        levels_dbm.filter(|&&level_dbm| self.read(level_dbm).is_heard()).count()
    }
}

/// Why a table of readings is no recording.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum RecordingError {
    /// No instant at all.
    #[error("the recording has no instants")]
    Empty,
    /// As many times as rows are needed.
    #[error("{times} times for {rows} rows of readings")]
    LengthMismatch {
        /// Length of the time column.
        times: usize,
        /// Rows of the table.
        rows: usize,
    },
    /// A time that is not a finite number.
    #[error("instant {}: time is {time_s}; expected a finite number of seconds", row + 1)]
    TimeNotFinite {
        /// Index of the instant.
        row: usize,
        /// What was found.
        time_s: f64,
    },
    /// A clock that stands still or steps back.
    #[error("instant {}: time {time_s} s does not come after {previous_s} s", row + 1)]
    TimeNotIncreasing {
        /// Index of the instant.
        row: usize,
        /// The time before.
        previous_s: f64,
        /// What was found.
        time_s: f64,
    },
    /// A level that no receiver reports.
    #[error("instant {}, site {}: level {rssi_dbm} dBm; expected −200 to 100 dBm, or none", row + 1, site + 1)]
    ImpossibleLevel {
        /// Index of the instant.
        row: usize,
        /// Index of the site.
        site: usize,
        /// What was found.
        rssi_dbm: f32,
    },
}

/// The least and the greatest level that a recording may hold, dBm.
pub const POSSIBLE_DBM: std::ops::RangeInclusive<f32> = -200.0..=100.0;

/// Received signal strength over time: n strictly increasing instants × sites; NaN where no packet came.
#[derive(Debug, Clone)]
pub struct Recording {
    time_s: Vec<f64>,
    rssi_dbm: Array2<f32>,
}

impl Recording {
    /// Checks times (seconds since the recording began, n) and levels (dBm, n × sites) and joins them.
    ///
    /// # Errors
    ///
    /// The first [`RecordingError`] met.
    pub fn new(time_s: Vec<f64>, rssi_dbm: Array2<f32>) -> Result<Self, RecordingError> {
        if time_s.len() != rssi_dbm.nrows() {
            return Err(RecordingError::LengthMismatch {
                times: time_s.len(),
                rows: rssi_dbm.nrows(),
            });
        }
        if time_s.is_empty() {
            return Err(RecordingError::Empty);
        }
        check_time(&time_s)?;
        let rssi_dbm = rssi_dbm.as_standard_layout().into_owned();
        for ((row, site), &level) in rssi_dbm.indexed_iter() {
            if !level.is_nan() && !POSSIBLE_DBM.contains(&level) {
                return Err(RecordingError::ImpossibleLevel {
                    row,
                    site,
                    rssi_dbm: level,
                });
            }
        }
        Ok(Self { time_s, rssi_dbm })
    }

    /// Number of instants, at least one.
    #[must_use]
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    /// Never true: a recording has at least one instant.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.time_s.is_empty()
    }

    /// Number of sites.
    #[must_use]
    pub fn sites(&self) -> usize {
        self.rssi_dbm.ncols()
    }

    /// Seconds since the recording began, strictly increasing.
    #[must_use]
    pub fn time_s(&self) -> &[f64] {
        &self.time_s
    }

    /// Levels, dBm, instants × sites, NaN where no packet came.
    #[must_use]
    pub fn rssi_dbm(&self) -> ArrayView2<'_, f32> {
        self.rssi_dbm.view()
    }

    /// The levels of one instant, one a site.
    ///
    /// # Panics
    ///
    /// When `row` is not below [`Recording::len`].
    #[must_use]
    pub fn row(&self, row: usize) -> ArrayView1<'_, f32> {
        self.rssi_dbm.row(row)
    }

    /// From the first instant to the last, s.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        self.time_s[self.len() - 1] - self.time_s[0]
    }

    /// The median time between instants, s; `None` for a single instant.
    #[must_use]
    pub fn median_step_s(&self) -> Option<f64> {
        let mut steps: Vec<f64> = self.time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
        median(&mut steps)
    }
}

fn check_time(time_s: &[f64]) -> Result<(), RecordingError> {
    let mut previous_s = f64::NEG_INFINITY;
    for (row, &time_s) in time_s.iter().enumerate() {
        if !time_s.is_finite() {
            return Err(RecordingError::TimeNotFinite { row, time_s });
        }
        if time_s <= previous_s {
            return Err(RecordingError::TimeNotIncreasing {
                row,
                previous_s,
                time_s,
            });
        }
        previous_s = time_s;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::array;

    #[test]
    fn the_receiver_tells_floor_ceiling_and_silence_apart() {
        let receiver = Receiver::new(-100.0, Some(-25.0), Some(1.0)).unwrap();
        assert_eq!(receiver.read(-60.0), Reading::Heard(-60.0));
        assert_eq!(receiver.read(-100.0), Reading::BelowFloor(-100.0));
        assert_eq!(receiver.read(-104.0), Reading::BelowFloor(-100.0));
        assert_eq!(receiver.read(-20.0), Reading::Saturated(-25.0));
        assert_eq!(receiver.read(f32::NAN), Reading::Missing);
    }

    #[test]
    fn impossible_receivers_are_refused() {
        assert!(Receiver::new(f64::NAN, None, None).is_err());
        assert!(Receiver::new(-100.0, Some(-100.0), None).is_err());
        assert!(Receiver::new(-100.0, None, Some(0.0)).is_err());
    }

    #[test]
    fn a_clock_that_steps_back_is_refused_with_its_place() {
        let rssi = Array2::from_elem((3, 4), -60.0_f32);
        assert_eq!(
            Recording::new(vec![0.0, 1.0, 1.0], rssi).unwrap_err(),
            RecordingError::TimeNotIncreasing {
                row: 2,
                previous_s: 1.0,
                time_s: 1.0
            }
        );
    }

    #[test]
    fn infinite_levels_are_refused_and_missing_ones_kept() {
        let rssi = array![[-60.0_f32, f32::NAN], [f32::INFINITY, -70.0]];
        assert!(matches!(
            Recording::new(vec![0.0, 1.0], rssi),
            Err(RecordingError::ImpossibleLevel { row: 1, site: 0, .. })
        ));
    }
}
