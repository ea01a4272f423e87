//! How far along the gut the capsule is: the probabilities of its phase at the last instant, from the recording so far.
//!
//! Every few minutes the recording so far is segmented as a finished one would be; at its last instant that posterior knows
//! nothing of the future. Of the rows, one every two seconds is kept, for two days at most: what is kept does not grow beyond, and
//! the noise from sample to sample stays what the segmentation expects. The track lags a few minutes behind, so that the last
//! minutes are told by the signal alone.

use alvine::{LandmarkKind, Phase, ReaderLandmark, Recording, Track};
use alvine_study::{LiveRow, LiveStudy};
use alvine_transit::{Passage, segment};
use ndarray::Array2;

/// From one row that is kept to the next, s.
const STEP_S: f64 = 2.0;
/// No more rows are kept: two days.
const MOST_ROWS: usize = 86_400;
/// From one look to the next, s.
const LOOK_EVERY_S: f64 = 300.0;

/// The probabilities so far.
#[derive(Debug)]
pub struct Progress<'a> {
    live: &'a LiveStudy,
    time_s: Vec<f64>,
    /// Row by row, dBm.
    levels_dbm: Vec<f32>,
    next_look_s: Option<f64>,
    left_stomach: Option<f64>,
    reached_colon: Option<f64>,
}

impl<'a> Progress<'a> {
    pub fn new(live: &'a LiveStudy) -> Self {
        Self {
            live,
            time_s: Vec::new(),
            levels_dbm: Vec::new(),
            next_look_s: None,
            left_stomach: None,
            reached_colon: None,
        }
    }

    /// Takes the next instant; true when it is time to look again.
    pub fn step(&mut self, row: &LiveRow) -> bool {
        let is_due = self.time_s.last().is_none_or(|last_s| row.time_s - last_s >= STEP_S);
        if is_due && self.time_s.len() < MOST_ROWS {
            self.time_s.push(row.time_s);
            self.levels_dbm.extend_from_slice(&row.rssi_dbm);
        }
        let next_s = *self.next_look_s.get_or_insert(row.time_s + LOOK_EVERY_S);
        if row.time_s >= next_s {
            self.next_look_s = Some(row.time_s + LOOK_EVERY_S);
        }
        row.time_s >= next_s
    }

    /// Looks how far it is, given the track so far. Where nothing can be said this time, what was said last stands.
    pub fn look(&mut self, track: &Track, now_s: f64) {
        let Some(passage) = self.passage(track, now_s) else {
            return;
        };
        let phase = |phase| passage.phase_probability(phase, now_s);
        let (small_bowel, colon) = (phase(Phase::SmallBowel), phase(Phase::Colon));
        // Sums of shares, whose last digits may pass 1.
        self.left_stomach = Some((small_bowel + colon).clamp(0.0, 1.0));
        self.reached_colon = Some(colon.clamp(0.0, 1.0));
    }

    fn passage(&self, track: &Track, now_s: f64) -> Option<Passage> {
        let setup = &self.live.setup;
        let shape = (self.time_s.len(), setup.layout.len());
        let levels_dbm = Array2::from_shape_vec(shape, self.levels_dbm.clone()).ok()?;
        let recording = Recording::new(self.time_s.clone(), levels_dbm).ok()?;
        let swallow = ReaderLandmark {
            kind: LandmarkKind::Swallow,
            time_s: self.live.swallowed_s.unwrap_or(f64::INFINITY),
            spread_s: None,
        };
        let given = if swallow.time_s <= now_s {
            vec![swallow]
        } else {
            Vec::new()
        };
        segment(setup, &recording, track, &given).ok()
    }

    /// The probability that it has left the stomach and is in the bowel; `None` where nothing can be said yet.
    pub fn left_stomach(&self) -> Option<f64> {
        self.left_stomach
    }

    /// The probability that it is in the colon; `None` where nothing can be said yet.
    pub fn reached_colon(&self) -> Option<f64> {
        self.reached_colon
    }
}
