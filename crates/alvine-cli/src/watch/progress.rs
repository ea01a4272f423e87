//! How far along the gut the capsule is: the live filter of phases, fed row by row.
//!
//! It takes every row, as a rhythm is seen the better the more there are, and the places of the stream, both that of now and the last
//! word that comes some minutes later; what it keeps does not grow.

use alvine::{LandmarkKind, ReaderLandmark};
use alvine_study::{LiveRow, LiveStudy};
use alvine_transit::{LivePhases, LiveSegmenter, NextLandmark, Prior, SegmentError, SegmentOptions};

use super::place::Told;

/// From one look to the next, s: the shortest bin of the filter.
const LOOK_EVERY_S: f64 = 10.0;

/// The probabilities so far.
#[derive(Debug)]
pub struct Progress {
    filter: LiveSegmenter,
    next_look_s: f64,
    phases: Option<LivePhases>,
}

impl Progress {
    pub fn new(live: &LiveStudy, prior: Prior) -> Result<Self, SegmentError> {
        let swallow = live.swallowed_s.map(|time_s| ReaderLandmark {
            kind: LandmarkKind::Swallow,
            time_s,
            spread_s: None,
        });
        let options = SegmentOptions {
            prior,
            ..SegmentOptions::default()
        };
        Ok(Self {
            filter: LiveSegmenter::new(&live.setup, swallow.as_slice(), options)?,
            next_look_s: f64::NEG_INFINITY,
            phases: None,
        })
    }

    /// Takes the next instant, and what the stream told at it; true where it looked how far the capsule is.
    pub fn step(&mut self, row: &LiveRow, told: &Told) -> bool {
        let row = alvine_transit::LiveRow {
            time_s: row.time_s,
            levels_dbm: &row.rssi_dbm,
            now: told.now.as_ref(),
            lagged: &told.lagged,
        };
        // Beyond a leap of days nothing can be said that was not said before.
        let is_due = self.filter.take(&row).is_ok() && row.time_s >= self.next_look_s;
        if is_due {
            self.next_look_s = row.time_s + LOOK_EVERY_S;
            // Where nothing can be said this time, what was said last stands.
            self.phases = self.filter.phases().or_else(|| self.phases.take());
        }
        is_due
    }

    /// The probability that it has left the stomach; `None` where nothing can be said yet.
    pub fn left_stomach(&self) -> Option<f64> {
        self.phases.as_ref().map(LivePhases::left_stomach)
    }

    /// The probability that it has reached the colon; `None` where nothing can be said yet.
    pub fn reached_colon(&self) -> Option<f64> {
        self.phases.as_ref().map(LivePhases::reached_colon)
    }

    /// The next landmark, and the instant from which its time counts, s.
    pub fn next_landmark(&self) -> Option<(f64, NextLandmark)> {
        let phases = self.phases.as_ref()?;
        Some((phases.time_s, phases.next?))
    }
}
