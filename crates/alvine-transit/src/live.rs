//! The live filter: the phases while a recording is still being made, row by row, in memory that does not grow.
//!
//! It is the forward half of [`segment`](crate::segment()), over the same stages, durations and evidence. A bin's evidence is final once
//! its track has had its last word and the windows of its rhythm are complete, which takes up to seven minutes; until then it counts
//! with what is known of it, on a copy of the filter, and again when it is final:
//!
//! ```text
//! α(t) ∝ e(t) Σ α(t − 1) a      final bins, once each
//! p(now) from α by the bins not yet final, with e of what is known so far: the place without lag, no rhythm where no window reaches
//! ```
//!
//! # Where it differs from the finished recording's posterior
//!
//! - It knows nothing of the future, so that each answer is what a reader could have said then.
//! - The share of sites that usually hear inside is the median so far.
//! - The step between rows, which sets the width of bins and the windows, is that of the first minute.
//!
//! Neighbouring bins share evidence, which is weighed down for it as in the finished recording's posterior (see the evidence's own
//! modules). Half and twice the weight of places and twice that of rhythms were tried on simulated studies of other seeds than those
//! reported; none calibrated both probabilities better on both radios.
//!
//! Where nothing has been heard for [`SignalEnd::GONE_AFTER_S`], the answer stays that of the last instant at which it was heard.
//! The same rows give the same answers, so that a filter that was lost is made anew by feeding it the rows again.

mod arrival;
mod gathering;
mod row;

use std::collections::VecDeque;

use alvine::{LandmarkKind, Part, Phase, ReaderLandmark, Setup, median};
use thiserror::Error;

use crate::bins::{Bin, width_s};
use crate::chain::{Chain, scale};
use crate::evidence::rhythm::{LiveRhythms, Word};
use crate::evidence::{Kinds, Speech, UsualShare};
use crate::segment::{Given, SegmentError, SegmentOptions, SignalEnd, chain, check_order};
use crate::stage::{Stage, opened_by, stages};
use arrival::Ahead;
pub use arrival::NextLandmark;
use gathering::Gathered;
pub use row::LiveRow;
use row::{Held, LastHeard};

/// Why a row was not taken; it changes nothing.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LiveError {
    /// A row of another layout.
    #[error("a row of {found} levels; expected {expected}, one a site")]
    WrongWidth {
        /// How many levels came.
        found: usize,
        /// How many sites there are.
        expected: usize,
    },
    /// A clock that stands still, steps back or is no number.
    #[error("a row at {time_s} s after one at {previous_s} s; expected times that increase")]
    TimeNotIncreasing {
        /// The row's time.
        time_s: f64,
        /// That of the row before.
        previous_s: f64,
    },
    /// A leap of the clock beyond any examination.
    #[error(
        "a row at {time_s} s, {leap_s} s after the one before; expected less than {most_s} s: the phases are not followed beyond"
    )]
    Leap {
        /// The row's time.
        time_s: f64,
        /// How far the clock leapt, s.
        leap_s: f64,
        /// The longest leap that is followed, s.
        most_s: f64,
    },
}

/// The longest leap of the clock that is followed, s: two days.
const MOST_LEAP_S: f64 = 172_800.0;
/// The step between rows is told from at least so many rows over at least so long, s, and from so many at most.
const WARM_ROWS: (usize, usize) = (4, 4096);
const WARM_S: f64 = 60.0;
/// No track comes so long after a bin's end, s: longer than a stream's lag.
const TRACK_WAIT_S: f64 = 300.0;

/// Where the capsule is likely to be along the gut, at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct LivePhases {
    /// The instant, s: the last row's, or the last at which the capsule was heard where it is gone.
    pub time_s: f64,
    /// The probability of each stage, in order: phase, part, probability.
    pub stages: Vec<(Phase, Option<Part>, f64)>,
    /// The probability that each landmark that opens a stage has been passed, in order.
    pub passed: Vec<(LandmarkKind, f64)>,
    /// The next landmark: the first that has rather not been passed. `None` beyond the ileocaecal valve, and while a landmark that
    /// was told lies ahead.
    pub next: Option<NextLandmark>,
}

impl LivePhases {
    /// The probability of a phase.
    #[must_use]
    pub fn phase(&self, phase: Phase) -> f64 {
        let of = self.stages.iter().filter(|stage| stage.0 == phase);
        of.map(|stage| stage.2).sum::<f64>().clamp(0.0, 1.0)
    }

    /// The probability that a landmark has been passed; 0 for expulsion, of which the filter knows nothing.
    #[must_use]
    pub fn has_passed(&self, kind: LandmarkKind) -> f64 {
        let of = self.passed.iter().find(|passed| passed.0 == kind);
        of.map_or(0.0, |passed| passed.1)
    }

    /// The probability that the capsule has left the stomach, even if it slipped back for a moment.
    #[must_use]
    pub fn left_stomach(&self) -> f64 {
        self.has_passed(LandmarkKind::Pylorus)
    }

    /// The probability that the capsule has reached the colon.
    #[must_use]
    pub fn reached_colon(&self) -> f64 {
        self.has_passed(LandmarkKind::IleocaecalValve)
    }
}

/// The filter of one recording.
///
/// # Examples
///
/// ```
/// # use alvine::{NoiseModel, Receiver, Setup, Torso};
/// use alvine_transit::{LiveRow, LiveSegmenter, SegmentOptions};
/// # let torso = Torso::new(330.0, 230.0)?;
/// # let setup = Setup::default_eight(torso, NoiseModel::new(4.0, 2.0)?, Receiver::new(-100.0, None, None)?);
/// let mut live = LiveSegmenter::new(&setup, &[], SegmentOptions::default())?;
/// for second in 0..3600 {
///     live.take(&LiveRow::of_levels(f64::from(second), &[-70.0; 8]))?;
/// }
/// let phases = live.phases().unwrap();
/// assert!((0.0..=1.0).contains(&phases.left_stomach()));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug)]
pub struct LiveSegmenter {
    setup: Setup,
    given: Vec<ReaderLandmark>,
    options: SegmentOptions,
    last_s: f64,
    warming: Vec<Held>,
    filter: Option<Filter>,
}

impl LiveSegmenter {
    /// A filter that has heard nothing yet, and knows the landmarks that were given.
    ///
    /// # Errors
    ///
    /// [`SegmentError`] when the given landmarks contradict each other.
    pub fn new(setup: &Setup, given: &[ReaderLandmark], options: SegmentOptions) -> Result<Self, SegmentError> {
        check_order(given)?;
        Ok(Self {
            setup: setup.clone(),
            given: given.to_vec(),
            options,
            last_s: f64::NEG_INFINITY,
            warming: Vec::new(),
            filter: None,
        })
    }

    /// Takes the next row.
    ///
    /// # Errors
    ///
    /// [`LiveError`] where the row is refused; the filter goes on with the next one.
    pub fn take(&mut self, row: &LiveRow<'_>) -> Result<(), LiveError> {
        self.check(row)?;
        self.last_s = row.time_s;
        if let Some(filter) = &mut self.filter {
            filter.take(&self.setup, row);
            return Ok(());
        }
        self.warming.push(Held::of(row));
        let (rows, warm_s) = (self.warming.len(), row.time_s - self.warming[0].time_s);
        if rows >= WARM_ROWS.0 && warm_s >= WARM_S || rows >= WARM_ROWS.1 {
            let warming = std::mem::take(&mut self.warming);
            let mut filter = Filter::new(&self.setup, &self.given, &self.options, &warming);
            for held in &warming {
                filter.take(&self.setup, &held.row());
            }
            self.filter = Some(filter);
        }
        Ok(())
    }

    fn check(&self, row: &LiveRow<'_>) -> Result<(), LiveError> {
        let (time_s, previous_s, expected) = (row.time_s, self.last_s, self.setup.layout.len());
        if row.levels_dbm.len() != expected {
            return Err(LiveError::WrongWidth {
                found: row.levels_dbm.len(),
                expected,
            });
        }
        if !time_s.is_finite() || time_s <= previous_s {
            return Err(LiveError::TimeNotIncreasing { time_s, previous_s });
        }
        let leap_s = time_s - previous_s;
        if leap_s.is_finite() && leap_s > MOST_LEAP_S {
            return Err(LiveError::Leap {
                time_s,
                leap_s,
                most_s: MOST_LEAP_S,
            });
        }
        Ok(())
    }

    /// Where the capsule is likely to be now; `None` in the first minute, and where the landmarks that were given leave no room.
    #[must_use]
    pub fn phases(&self) -> Option<LivePhases> {
        self.filter.as_ref()?.phases()
    }
}

/// The filter, once the step between rows is known.
#[derive(Debug)]
struct Filter {
    stages: Vec<Stage>,
    chain: Chain,
    speech: Speech,
    rhythms: Option<LiveRhythms>,
    given: Vec<Given>,
    ahead: Ahead,
    start_s: f64,
    width_s: f64,
    now_s: f64,
    /// The track has had its last word until then, s.
    told_until_s: f64,
    usual_share: UsualShare,
    last_heard: LastHeard,
    /// How many bins are final, and the filter after them.
    done: usize,
    after: Option<Vec<f64>>,
    /// The filter after the last bin in which the capsule was heard.
    at_last_heard: Option<Vec<f64>>,
    /// Bins that are not final, the one that is open last.
    pending: VecDeque<Gathered>,
    words: Vec<Word>,
}

impl Filter {
    fn new(setup: &Setup, given: &[ReaderLandmark], options: &SegmentOptions, warming: &[Held]) -> Self {
        let mut steps_s: Vec<f64> = warming.windows(2).map(|pair| pair[1].time_s - pair[0].time_s).collect();
        let (start_s, step_s) = (warming[0].time_s, median(&mut steps_s));
        let width_s = width_s(step_s);
        let stages = stages(&options.prior);
        let Kinds { rhythm, .. } = options.kinds;
        let given_at = |landmark| Given::new(&stages, landmark, start_s, width_s, None);
        Self {
            chain: chain(&stages, width_s),
            speech: Speech::new(&stages, &setup.torso, options.kinds, width_s),
            rhythms: rhythm
                .then(|| LiveRhythms::new(setup.layout.len(), start_s, step_s, width_s, &options.prior.ranges())),
            given: given.iter().filter_map(given_at).collect(),
            ahead: Ahead::default(),
            stages,
            start_s,
            width_s,
            now_s: start_s,
            told_until_s: f64::NEG_INFINITY,
            usual_share: UsualShare::new(),
            last_heard: LastHeard::new(setup.layout.len()),
            done: 0,
            after: None,
            at_last_heard: None,
            pending: VecDeque::new(),
            words: Vec::new(),
        }
    }

    fn index(&self, time_s: f64) -> usize {
        ((time_s - self.start_s) / self.width_s).floor().max(0.0) as usize
    }

    fn begin_s(&self, bin: usize) -> f64 {
        self.start_s + bin as f64 * self.width_s
    }

    fn take(&mut self, setup: &Setup, row: &LiveRow<'_>) {
        self.now_s = row.time_s;
        let bin = self.index(row.time_s);
        while self.done + self.pending.len() <= bin {
            self.pending.push_back(Gathered::default());
        }
        if let Some(open) = self.pending.back_mut() {
            open.take_row(setup, row);
        }
        self.last_heard.take(setup, row);
        for point in row.lagged {
            self.told_until_s = self.told_until_s.max(point.time_s);
            let bin = self.index(point.time_s);
            if let Some(gathered) = bin.checked_sub(self.done).and_then(|at| self.pending.get_mut(at)) {
                gathered.take_lagged(point);
            }
        }
        if let Some(rhythms) = &mut self.rhythms {
            rhythms.take(setup, row.time_s, row.levels_dbm, &mut self.words);
        }
        for word in self.words.drain(..) {
            let first = word.bins.start.saturating_sub(self.done);
            let end = word.bins.end.saturating_sub(self.done).min(self.pending.len());
            let told = self.pending.range_mut(first.min(end)..end);
            told.for_each(|gathered| gathered.rhythm[word.band as usize] += word.ln);
        }
        while self.first_is_final(bin) {
            self.finish_first();
        }
    }

    /// Whether nothing more can come for the first bin that is pending.
    fn first_is_final(&self, open: usize) -> bool {
        let end_s = self.begin_s(self.done + 1);
        let tracked = self.told_until_s >= end_s || self.now_s >= end_s + TRACK_WAIT_S;
        let rhythmic = self
            .rhythms
            .as_ref()
            .is_none_or(|rhythms| rhythms.first_open_bin() > self.done);
        self.done < open && tracked && rhythmic
    }

    fn finish_first(&mut self) {
        let Some(gathered) = self.pending.pop_front() else {
            return;
        };
        let bin = gathered.bin();
        self.usual_share.take(&bin);
        let after = self.step(
            self.after.as_deref(),
            self.done,
            &bin,
            &gathered.rhythm,
            self.usual_share.now(),
        );
        if self.begin_s(self.done) <= self.last_heard.time_s() {
            self.at_last_heard = Some(after.clone());
        }
        self.after = Some(after);
        self.done += 1;
    }

    /// The filter one bin on; all zero where nothing can have happened.
    fn step(&self, before: Option<&[f64]>, index: usize, bin: &Bin, rhythm: &[f64; 4], usual_share: f64) -> Vec<f64> {
        let begin_s = self.begin_s(index);
        let mut allowed = (0, self.stages.len() - 1);
        for given in &self.given {
            given.narrow(index, begin_s, &mut allowed);
        }
        let mut after = vec![0.0; self.chain.states()];
        if allowed.0 > allowed.1 {
            return after;
        }
        let ln = |stage| {
            let of_band = |band| rhythm[band as usize];
            self.speech.ln_likelihood(stage, bin, usual_share, of_band)
        };
        let evidence: Vec<f64> = (0..self.stages.len()).map(ln).collect();
        let mut row = Vec::with_capacity(evidence.len());
        scale(&evidence, allowed, &mut row);
        let reward = |stage| {
            let given = self.given.iter().find(|given| given.stage == stage);
            given.and_then(|given| given.reward(begin_s)).map_or(1.0, f64::exp)
        };
        self.chain.step(before, &mut after, &row, reward, allowed);
        after
    }

    /// The filter after the bins that are not final, with what is known of them.
    fn provisional(&self) -> Option<Vec<f64>> {
        let mut after = self.after.clone();
        let mut usual_share = self.usual_share.clone();
        for (index, gathered) in self.pending.iter().enumerate() {
            let bin = gathered.bin();
            usual_share.take(&bin);
            after = Some(self.step(
                after.as_deref(),
                self.done + index,
                &bin,
                &gathered.rhythm,
                usual_share.now(),
            ));
        }
        after
    }

    fn phases(&self) -> Option<LivePhases> {
        let heard_s = self.last_heard.time_s();
        let end = SignalEnd {
            last_heard_s: heard_s.max(self.start_s),
            recording_end_s: self.now_s,
        };
        let (time_s, now) = match (end.is_gone(), &self.at_last_heard) {
            (true, Some(then)) => (heard_s, then.clone()),
            _ => (self.now_s, self.provisional()?),
        };
        // A sum of zero: the landmarks that were given contradict the recording.
        if now.iter().sum::<f64>() <= 0.0 {
            return None;
        }
        let shares = self.chain.in_stages(&now);
        let furthest = self.chain.furthest(&now);
        let passed: Vec<(LandmarkKind, f64)> = LandmarkKind::ALL
            .iter()
            .filter_map(|&kind| Some((kind, opened_by(&self.stages, kind)?)))
            .map(|(kind, stage)| (kind, furthest[stage..].iter().sum::<f64>().clamp(0.0, 1.0)))
            .collect();
        let told = self.stages.iter().zip(shares);
        Some(LivePhases {
            time_s,
            stages: told.map(|(stage, share)| (stage.phase, stage.part, share)).collect(),
            next: self.next(&passed, &now),
            passed,
        })
    }

    fn next(&self, passed: &[(LandmarkKind, f64)], now: &[f64]) -> Option<NextLandmark> {
        let kind = passed.iter().find(|(_, probability)| *probability < 0.5)?.0;
        let stage = opened_by(&self.stages, kind)?;
        if self.given.iter().any(|given| given.stage >= stage) {
            return None;
        }
        self.ahead.next(kind, stage, &self.chain, self.width_s, now)
    }
}

#[cfg(test)]
mod tests;
