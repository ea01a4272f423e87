//! The streaming twin: the same model as [`super::Trajectory`], one row of readings at a time, for live use.
//!
//! A window holds the knots of the last few minutes. Whenever a block of readings ends, its knot joins the window and the
//! whole window is refined, as the batch refines the whole recording; knots older than the lag leave it, marginalised into a
//! Gaussian on the first knot that stays, linearised once. Within a block each row refines the newest knot alone, given
//! what all before it told:
//!
//! ```text
//! −ln p(x_j … x_k | all) ≈ ½ (x_j − m)ᵀ Λ (x_j − m) + Σ readings of j … k + Σ moves      window
//! −ln p(x_k, x_n | all)  ≈ ½ (x_k − m')ᵀ Λ' (x_k − m') + readings so far of n + move k → n      newest knot n
//! ```
//!
//! So there are two answers at each row: the place now, from everything so far (lag zero), and the places one lag ago, which
//! have seen what came after them. Cells run forward beside the window; where they and the window are far apart, the window's
//! own readings decide, with the past set aside, whether the capsule was lost, and it is taken up again where they say.
//!
//! Memory is that of the rows and knots of one lag, however long the stream.

mod head;
mod state;
#[cfg(test)]
mod tests;
mod window;

use thiserror::Error;

pub use state::{StateError, StreamingState};

use super::cells::Forward;
use super::instants::{Covariances, Interpolation};
use super::knots::{Gathering, Knots};
use super::objective::BIAS;
use super::options::TrajectoryOptions;
use super::tridiagonal::Chain;
use super::{Remarks, away_s, heard, knot_flags};
use crate::fix::PositionPrior;
use crate::recording::{POSSIBLE_DBM, RecordingError};
use crate::setup::Setup;
use crate::track::{Flags, TrackPoint};
use state::Block;
use window::Closed;

/// How a stream is estimated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StreamingOptions {
    /// The model, the same as the batch's.
    pub trajectory: TrajectoryOptions,
    /// How long after an instant its last word is said, s; the block that is open makes it up to two
    /// [`TrajectoryOptions::knot_s`] more.
    pub lag_s: f64,
}

impl Default for StreamingOptions {
    /// The default model and three minutes.
    fn default() -> Self {
        Self {
            trajectory: TrajectoryOptions::default(),
            lag_s: 180.0,
        }
    }
}

/// Why a stream cannot begin, or why a row was refused. A refused row changes nothing but [`StreamingCounts::refused`].
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum StreamingError {
    /// An option outside its range, or not a number.
    #[error("streaming option {what} is {found}; expected {expected}")]
    ImpossibleOption {
        /// Which option.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
    /// A row of another layout.
    #[error("row {}: {found} levels for a layout of {expected} sites", row + 1)]
    WrongWidth {
        /// Index of the row among all that were offered.
        row: u64,
        /// How many levels came.
        found: usize,
        /// How many sites there are.
        expected: usize,
    },
    /// A clock that stands still or steps back, or a level that no receiver reports; rows are counted among all offered.
    #[error(transparent)]
    Row(#[from] RecordingError),
    /// More rows in one block than any receiver sends; memory must stay bounded.
    #[error("row {}: more than {most} rows within {knot_s} s", row + 1)]
    TooManyRows {
        /// Index of the row among all that were offered.
        row: u64,
        /// How many a block may hold.
        most: u64,
        /// Length of a block, s.
        knot_s: f64,
    },
}

/// What has been counted since the stream began.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct StreamingCounts {
    /// Rows taken.
    pub rows: u64,
    /// Rows refused.
    pub refused: u64,
    /// Rows in which no site heard the capsule.
    pub silent: u64,
    /// Knots made.
    pub knots: u64,
    /// How often the capsule was found to be elsewhere, and taken up again there.
    pub restarts: u64,
    /// How often a window was left before it settled.
    pub unsettled: u64,
}

/// What one row tells.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Live {
    /// The place now, from all rows so far; `None` where nothing has been heard for too long.
    pub now: Option<TrackPoint>,
    /// The last word on earlier rows, oldest first; they arrive a block at a time.
    pub lagged: Vec<TrackPoint>,
}

/// The fixed-lag estimator of one stream.
///
/// # Examples
///
/// ```
/// use alvine::trajectory::{StreamingOptions, StreamingTrajectory};
/// use alvine::{NoiseModel, Position, Receiver, Setup, Torso};
///
/// let torso = Torso::new(330.0, 230.0)?;
/// let setup = Setup::default_eight(torso, NoiseModel::new(4.0, 2.0)?, Receiver::new(-100.0, None, None)?);
/// let place_mm = Position::new(-30.0, 90.0, 100.0);
/// let levels: Vec<f32> = (0..8).map(|site| setup.median_dbm(&place_mm, site) as f32).collect();
///
/// let mut stream = StreamingTrajectory::new(setup, StreamingOptions::default())?;
/// let mut now = None;
/// for second in 0..60 {
///     now = stream.take(f64::from(second), &levels)?.now;
/// }
/// assert!((now.unwrap().position_mm - place_mm).norm() < 30.0);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone)]
pub struct StreamingTrajectory {
    setup: Setup,
    options: StreamingOptions,
    search: Forward,
    chain: Chain,
    state: StreamingState,
}

/// Rows that one block may hold.
const MOST_ROWS: u64 = 65_536;

impl StreamingTrajectory {
    /// A stream that has heard nothing yet.
    ///
    /// # Errors
    ///
    /// [`StreamingError::ImpossibleOption`] unless 0.1 ≤ knot spacing ≤ lag ≤ 3600 s.
    pub fn new(setup: Setup, options: StreamingOptions) -> Result<Self, StreamingError> {
        let impossible = |what, found, expected| StreamingError::ImpossibleOption { what, found, expected };
        if !(0.1..=3600.0).contains(&options.lag_s) {
            return Err(impossible("lag_s", options.lag_s, "0.1 to 3600 s"));
        }
        let knot_s = options.trajectory.knot_s;
        if !(0.1..=options.lag_s).contains(&knot_s) {
            return Err(impossible("knot_s", knot_s, "0.1 s to the lag"));
        }
        let size = BIAS + setup.layout.len();
        let search = Forward::new(&setup, &options.trajectory);
        let state = StreamingState::new(setup.layout.len(), search.len(), search.spacing_mm());
        Ok(Self {
            setup,
            options,
            search,
            chain: Chain::new(size),
            state,
        })
    }

    /// A stream that goes on where [`StreamingTrajectory::state`] was taken, bit for bit. Setup and options must be those of then.
    ///
    /// # Errors
    ///
    /// As [`StreamingTrajectory::new`]; [`StateError`] where the state is not one of such a stream.
    pub fn resume(setup: Setup, options: StreamingOptions, state: StreamingState) -> Result<Self, ResumeError> {
        let mut stream = Self::new(setup, options)?;
        state.check(
            stream.setup.layout.len(),
            stream.search.len(),
            stream.search.spacing_mm(),
        )?;
        stream.state = state;
        Ok(stream)
    }

    /// Everything that must be kept to go on after a stop.
    #[must_use]
    pub fn state(&self) -> StreamingState {
        self.state.clone()
    }

    /// What has been counted so far.
    #[must_use]
    pub const fn counts(&self) -> StreamingCounts {
        self.state.counts
    }

    /// What is known beforehand of the place from the next block on: where the gut, or the part of it that the capsule is in,
    /// usually lies. `None` where only the torso bounds it.
    pub fn set_place(&mut self, place: Option<PositionPrior>) {
        self.state.place = place;
    }

    /// Leaves a site out, or takes it in again, from the next row on. A site that the layout does not have changes nothing.
    pub fn leave_out(&mut self, site: usize, out: bool) {
        if let Some(left_out) = self.state.left_out.get_mut(site) {
            *left_out = out;
        }
    }

    /// Takes one row: seconds since the recording began, and one level a site, dBm, NaN where no packet came.
    ///
    /// # Errors
    ///
    /// [`StreamingError`] when the row is refused; the stream can go on with the next one.
    pub fn take(&mut self, time_s: f64, levels_dbm: &[f32]) -> Result<Live, StreamingError> {
        if let Err(refusal) = self.check(time_s, levels_dbm) {
            self.state.counts.refused += 1;
            return Err(refusal);
        }
        let mut live = Live::default();
        let index = self.block_index(time_s);
        if self.state.block.as_ref().is_some_and(|block| block.index != index) {
            self.close(self.options.lag_s, &mut live.lagged);
        }
        let remarks = self.gather(index, time_s, levels_dbm);
        live.now = self.now(&remarks);
        Ok(live)
    }

    /// Ends the stream: the last word on all rows that have not had theirs.
    #[must_use]
    pub fn finish(mut self) -> Vec<TrackPoint> {
        let mut lagged = Vec::new();
        self.close(f64::NEG_INFINITY, &mut lagged);
        lagged
    }

    fn block_index(&self, time_s: f64) -> f64 {
        (time_s / self.options.trajectory.knot_s).floor()
    }

    fn check(&self, time_s: f64, levels_dbm: &[f32]) -> Result<(), StreamingError> {
        let row = self.state.counts.rows + self.state.counts.refused;
        let index = row as usize;
        let expected = self.setup.layout.len();
        if levels_dbm.len() != expected {
            return Err(StreamingError::WrongWidth {
                row,
                found: levels_dbm.len(),
                expected,
            });
        }
        if !time_s.is_finite() {
            return Err(RecordingError::TimeNotFinite { row: index, time_s }.into());
        }
        if let Some(previous_s) = self.state.last_s.filter(|&last_s| time_s <= last_s) {
            return Err(RecordingError::TimeNotIncreasing {
                row: index,
                previous_s,
                time_s,
            }
            .into());
        }
        let possible = |level: &f32| level.is_nan() || POSSIBLE_DBM.contains(level);
        if let Some(site) = levels_dbm.iter().position(|level| !possible(level)) {
            return Err(RecordingError::ImpossibleLevel {
                row: index,
                site,
                rssi_dbm: levels_dbm[site],
            }
            .into());
        }
        let index = self.block_index(time_s);
        let full = |block: &Block| block.index == index && block.rows >= MOST_ROWS;
        if self.state.block.as_ref().is_some_and(full) {
            return Err(StreamingError::TooManyRows {
                row,
                most: MOST_ROWS,
                knot_s: self.options.trajectory.knot_s,
            });
        }
        Ok(())
    }

    /// Adds a row to the block that is open, and what it tells to the newest knot.
    fn gather(&mut self, index: f64, time_s: f64, levels_dbm: &[f32]) -> Remarks {
        let state = &mut self.state;
        let (sites_used, flags) = heard(&self.setup, levels_dbm.iter().copied(), |site| state.left_out[site]);
        let remarks = Remarks {
            instant: state.counts.rows as usize,
            time_s,
            sites_used,
            flags,
        };
        let sites = levels_dbm.len();
        let block = state.block.get_or_insert_with(|| Block {
            index,
            rows: 0,
            sum_s: 0.0,
            gathered: vec![Gathering::default(); sites],
        });
        block.rows += 1;
        block.sum_s += time_s;
        for (site, &level) in levels_dbm.iter().enumerate() {
            if !state.left_out[site] {
                block.gathered[site].take(self.setup.receiver.read(level));
            }
        }
        let told_something = block.is_heard();
        state.counts.rows += 1;
        state.counts.silent += u64::from(flags.contains(Flags::BRIDGED));
        state.last_s = Some(time_s);
        state.rows.push_back(remarks);
        if told_something {
            self.refine_newest();
        }
        remarks
    }

    fn refine_newest(&mut self) {
        let Some(knots) = self.open_knot() else { return };
        if self.state.head.is_empty() {
            let cells = self.search.len();
            let mut probability = vec![1.0 / cells as f32; cells];
            let start = self.search.take(&self.setup, &knots, 0, None, &mut probability);
            self.state.head.begin(&start.place_mm, BIAS + knots.sites);
            self.state.cells.ambiguous = start.ambiguous;
        }
        let place = self.state.place;
        self.state
            .head
            .take(&self.setup, &self.options.trajectory, &knots, place, &mut self.chain);
    }

    /// The open block as a knot.
    fn open_knot(&mut self) -> Option<Knots> {
        let spread_db = self.setup.noise.sample_db(self.setup.receiver.step_db());
        let block = self.state.block.as_mut()?;
        Some(Knots {
            time_s: vec![block.sum_s / block.rows as f64],
            instants: vec![(0, 1)],
            readings: block.gathered.iter_mut().map(|of| of.reduce(spread_db)).collect(),
            sites: block.gathered.len(),
        })
    }

    fn now(&self, remarks: &Remarks) -> Option<TrackPoint> {
        let newest = self.state.head.newest.as_ref()?;
        let options = &self.options.trajectory;
        if away_s(&[newest.time_s], 0, remarks.time_s, options.knot_s) > options.longest_bridge_s {
            return None;
        }
        let place = newest
            .place_at(remarks.time_s, &options.motion)
            .widened(&newest.lasting_mm2);
        let of_knot = knot_flags(
            self.state.cells.ambiguous,
            newest.least_weight,
            self.state.window.settled,
        );
        let flags = remarks.flags | of_knot;
        Some(Remarks { flags, ..*remarks }.point(&self.setup.space(), &place))
    }

    /// Ends the open block: its knot joins the window, which is refined; whatever is older than the lag gets its last word.
    fn close(&mut self, lag_s: f64, lagged: &mut Vec<TrackPoint>) {
        let heard = self.state.block.as_ref().is_some_and(Block::is_heard);
        let knot = if heard { self.open_knot() } else { None };
        self.state.block = None;
        if let (Some(knot), Some(newest)) = (&knot, &self.state.head.newest) {
            self.state.counts.knots += 1;
            self.state.window.push(Closed {
                knot,
                row: &newest.row,
                place: self.state.place,
            });
            self.search_cells();
            self.refine_window();
        }
        let until_s = self.state.last_s.unwrap_or(0.0) - lag_s;
        if self.state.window.is_empty() {
            self.state.rows.retain(|row| row.time_s >= until_s);
            return;
        }
        let told = self
            .state
            .window
            .factor(&self.setup, &self.options.trajectory, &mut self.chain);
        let factored = told.is_some();
        if knot.is_some() {
            let newest = factored.then(|| {
                self.state
                    .window
                    .newest(&self.setup, &self.options.trajectory, &self.chain)
            });
            self.state.head.close(self.state.window.newest_row(), told, newest);
        }
        self.say_last_word(until_s, factored, lagged);
    }

    fn refine_window(&mut self) {
        let settled = self
            .state
            .window
            .refine(&self.setup, &self.options.trajectory, &mut self.chain);
        self.state.counts.unsettled += u64::from(!settled);
    }

    /// Runs the cells on where enough has come for a step, and asks them where the capsule is.
    fn search_cells(&mut self) {
        let state = &mut self.state;
        let Some(start) = state.cells.step(
            &mut self.search,
            &self.setup,
            &state.window.knots,
            self.options.trajectory.knot_s,
        ) else {
            return;
        };
        state.window.mark_ambiguous(start.ambiguous);
        let now_s = start.time_s;
        if !self.search.disagrees(&start, &state.window.newest_place()) || now_s < state.cells.not_before_s {
            return;
        }
        let elsewhere = state.window.look_elsewhere(
            &self.setup,
            &self.options.trajectory,
            &state.cells.starts,
            &mut self.chain,
        );
        state.counts.restarts += u64::from(elsewhere);
        state.cells.not_before_s = now_s + 0.5 * self.options.lag_s;
    }

    /// Rows before `until_s` get their points where the window could be `factored`, and knots that only they needed leave it.
    fn say_last_word(&mut self, until_s: f64, factored: bool, lagged: &mut Vec<TrackPoint>) {
        let leaving = self.state.window.older_than(until_s);
        let due = self.state.rows.front().is_some_and(|row| row.time_s < until_s);
        if factored && due {
            self.add_points(until_s, lagged);
        }
        self.state.rows.retain(|row| row.time_s >= until_s);
        for _ in 0..leaving {
            self.state
                .window
                .shift(&self.setup, &self.options.trajectory, &mut self.chain);
            self.state.cells.forget_first();
        }
    }

    /// Points of the rows before `until_s`, from the factored window.
    fn add_points(&mut self, until_s: f64, lagged: &mut Vec<TrackPoint>) {
        let options = &self.options.trajectory;
        let window = &self.state.window;
        let last = window.knots.len() - 1;
        let covariances = Covariances::of(&mut self.chain);
        let objective = window.objective(&self.setup, options);
        let motion_weight: Vec<f64> = (0..last)
            .map(|link| objective.motion_weight(&window.states, link))
            .collect();
        let interpolation = Interpolation {
            time_s: &window.knots.time_s,
            states: &window.states,
            covariances: &covariances,
            motion: &options.motion,
            motion_weight: &motion_weight,
        };
        let mut knot = 0;
        let mut described = None;
        for row in self.state.rows.iter().take_while(|row| row.time_s < until_s) {
            while knot < last && window.knots.time_s[knot + 1] <= row.time_s {
                knot += 1;
            }
            if away_s(&window.knots.time_s, knot, row.time_s, options.knot_s) > options.longest_bridge_s {
                continue;
            }
            let (lasting_mm2, flags) = match described {
                Some((of, lasting_mm2, flags)) if of == knot => (lasting_mm2, flags),
                _ => window.describe(&objective, knot, options),
            };
            described = Some((knot, lasting_mm2, flags));
            let place = interpolation.at(row.time_s, knot).widened(&lasting_mm2);
            let flags = row.flags | flags;
            lagged.push(Remarks { flags, ..*row }.point(&self.setup.space(), &place));
        }
    }
}

/// Why a stream cannot go on from a state.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ResumeError {
    /// The options do not do.
    #[error(transparent)]
    Options(#[from] StreamingError),
    /// The state is not one of such a stream.
    #[error(transparent)]
    State(#[from] StateError),
}
