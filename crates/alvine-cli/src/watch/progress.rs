//! How far along the gut the capsule is: the probabilities of its phase at the last instant, from the recording so far.
//!
//! Every few minutes the recording so far is segmented as a finished one would be; at its last instant that posterior knows
//! nothing of the future. Of the rows, one every two seconds is kept, for two days at most: what is kept does not grow beyond, and
//! the noise from sample to sample stays what the segmentation expects.

use alvine::{Instants, LandmarkKind, Phase, ReaderLandmark, Recording, Trajectory};
use alvine_study::{LiveRow, LiveStudy};
use alvine_transit::{Passage, segment, usual_gut};
use ndarray::Array2;

/// From one row that is kept to the next, s.
const STEP_S: f64 = 2.0;
/// No more rows are kept: two days.
const MOST_ROWS: usize = 86_400;
/// From one look to the next in the first hours, in which the capsule may linger in the stomach, s ...
const EARLY_S: f64 = 300.0;
/// ... and after so long, s ...
const LATE_AFTER_S: f64 = 3.0 * 3600.0;
/// ... s.
const LATE_S: f64 = 600.0;

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

    /// Takes the next instant.
    pub fn step(&mut self, row: &LiveRow) {
        let is_due = self.time_s.last().is_none_or(|last_s| row.time_s - last_s >= STEP_S);
        if is_due && self.time_s.len() < MOST_ROWS {
            self.time_s.push(row.time_s);
            self.levels_dbm.extend_from_slice(&row.rssi_dbm);
        }
        let began_s = self.time_s.first().copied().unwrap_or(row.time_s);
        let next_s = *self.next_look_s.get_or_insert(began_s + EARLY_S);
        if row.time_s >= next_s {
            let every_s = if row.time_s - began_s < LATE_AFTER_S {
                EARLY_S
            } else {
                LATE_S
            };
            self.next_look_s = Some(row.time_s + every_s);
            self.look(row.time_s);
        }
    }

    fn look(&mut self, now_s: f64) {
        // Where nothing can be said this time, what was said last stands.
        let Some(passage) = self.passage(now_s) else { return };
        let phase = |phase| passage.phase_probability(phase, now_s);
        let (small_bowel, colon) = (phase(Phase::SmallBowel), phase(Phase::Colon));
        self.left_stomach = Some(small_bowel + colon);
        self.reached_colon = Some(colon);
    }

    fn passage(&self, now_s: f64) -> Option<Passage> {
        let setup = &self.live.setup;
        let levels_dbm =
            Array2::from_shape_vec((self.time_s.len(), setup.layout.len()), self.levels_dbm.clone()).ok()?;
        let recording = Recording::new(self.time_s.clone(), levels_dbm).ok()?;
        let swallowed = self.live.swallowed_s.filter(|&swallowed_s| swallowed_s <= now_s);
        let given: Vec<ReaderLandmark> = swallowed
            .map(|time_s| ReaderLandmark {
                kind: LandmarkKind::Swallow,
                time_s,
                spread_s: None,
            })
            .into_iter()
            .collect();
        let gut = usual_gut(&setup.torso);
        let trajectory = Trajectory::default();
        let mut passes = trajectory.begin(setup, &recording, &[]).ok()?;
        let track = passes.track(&|_| gut, Instants::Knots);
        segment(setup, &recording, &track, &given).ok()
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
