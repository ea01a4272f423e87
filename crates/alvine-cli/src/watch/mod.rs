//! Watching an examination while it runs: rows in, state and events out, in memory that does not grow.
//!
//! [`Watcher`] is a function of the rows alone: it knows no clock of its own, so that the same rows give the same events, however
//! often the program that feeds it was stopped in between.

pub mod display;
mod due;
mod event;
mod hearing;
pub mod journal;
mod place;
mod progress;
mod silence;
pub mod source;

use alvine::Setup;
use alvine_study::{LiveRow, LiveStudy};
use alvine_transit::Prior;

pub use due::{Due, NextStep};
pub use event::{EndReason, Event, NextLandmark, What};
pub use hearing::Hearing;
use place::Place;
use progress::Progress;
use silence::{Silence, Sound};

/// From one record of the state to the next, s.
const STATE_EVERY_S: f64 = 60.0;
/// A probability that is told as an event (common practice, no source).
const LIKELY: f64 = 0.9;

/// An examination that is being watched.
#[derive(Debug)]
pub struct Watcher<'a> {
    live: &'a LiveStudy,
    due: Due,
    hearing: Hearing,
    silence: Silence,
    place: Place<'a>,
    progress: Progress,
    /// Time of the last row, s.
    now_s: Option<f64>,
    next_state_s: f64,
    told_left_stomach: bool,
    told_reached_colon: bool,
    ended: bool,
    rows: u64,
    refused: u64,
}

impl<'a> Watcher<'a> {
    /// Begins to watch; `due` are the steps of the day plan, `prior` what is expected of the passage.
    ///
    /// # Errors
    ///
    /// Where no place and no phases can be computed with this setup.
    pub fn new(live: &'a LiveStudy, due: Due, prior: Prior) -> Result<Self, WatchError> {
        let setup: &Setup = &live.setup;
        Ok(Self {
            due,
            hearing: Hearing::new(setup.layout.len()),
            silence: Silence::default(),
            place: Place::new(setup, &prior)?,
            progress: Progress::new(live, prior)?,
            now_s: None,
            next_state_s: f64::NEG_INFINITY,
            told_left_stomach: false,
            told_reached_colon: false,
            ended: false,
            rows: 0,
            refused: 0,
            live,
        })
    }

    /// Takes the next instant, and adds what it brings to the events.
    pub fn row(&mut self, row: &LiveRow, events: &mut Vec<Event>) {
        let time_s = row.time_s;
        let mut tell = |what| events.push(Event { time_s, what });
        if self.now_s.is_none() {
            tell(What::Began {
                study: self.live.id.clone(),
                sites: self.live.setup.layout.names(),
            });
            self.next_state_s = time_s;
        }
        self.now_s = Some(time_s);
        self.rows += 1;
        for step in self.due.until(time_s) {
            tell(What::StepDue {
                id: step.id,
                title: step.title,
            });
        }
        let setup = &self.live.setup;
        let heard = row.rssi_dbm.iter().any(|&level| setup.receiver.read(level).is_heard());
        for sound in self.silence.step(time_s, heard) {
            tell(match sound {
                Sound::Dropout { since_s } => What::Dropout { since_s },
                Sound::Back { silent_s } => {
                    self.ended = false;
                    What::HeardAgain { silent_s }
                }
                Sound::ClockJump { by_s } => What::ClockJump { by_s },
                Sound::Ended { last_heard_s } => {
                    self.ended = true;
                    What::Ended {
                        reason: self.why_ended(last_heard_s),
                        last_heard_s,
                    }
                }
            });
        }
        self.place.step(row);
        let looked = self.progress.step(row, self.place.told());
        let names = |site: usize| setup.layout.sites()[site].name.clone();
        for (site, change) in self.hearing.step(setup, row, self.place.expected_dbm()) {
            tell(change.told(names(site)));
        }
        if looked {
            let is_likely = |probability: &f64| *probability >= LIKELY;
            if let Some(probability) = self.progress.left_stomach().filter(is_likely)
                && !self.told_left_stomach
            {
                self.told_left_stomach = true;
                tell(What::LeftStomach { probability });
            }
            if let Some(probability) = self.progress.reached_colon().filter(is_likely)
                && !self.told_reached_colon
            {
                self.told_reached_colon = true;
                tell(What::ReachedColon { probability });
            }
        }
        if time_s >= self.next_state_s {
            // From the grid of states that began with the first row, so that a late row shifts no later one.
            let missed = ((time_s - self.next_state_s) / STATE_EVERY_S).floor() + 1.0;
            self.next_state_s += missed * STATE_EVERY_S;
            tell(self.state());
        }
    }

    /// Says that a row was refused.
    pub fn refused(&mut self, line: usize, why: String) -> Event {
        self.refused += 1;
        Event {
            time_s: self.now_s.unwrap_or(0.0),
            what: What::RowRefused { line, why },
        }
    }

    /// Says that no rows come any more.
    pub fn no_more_rows(&mut self) -> Option<Event> {
        let now_s = self.now_s.filter(|_| !self.ended)?;
        self.ended = true;
        let last_heard_s = self.silence.last_heard_s().unwrap_or(now_s);
        Some(Event {
            time_s: now_s,
            what: What::Ended {
                reason: EndReason::NoRows,
                last_heard_s,
            },
        })
    }

    fn why_ended(&self, last_heard_s: f64) -> EndReason {
        /// Share of the rated life from which an end is put down to the battery (common practice, no source).
        const WORN: f64 = 0.9;
        let battery_s = self.live.setup.transmitter.battery_h().map(|hours| 3600.0 * hours);
        if battery_s.is_some_and(|battery_s| last_heard_s >= WORN * battery_s) {
            EndReason::Battery
        } else if self.progress.reached_colon().is_some_and(|share| share >= 0.5) {
            EndReason::Expelled
        } else {
            EndReason::Silence
        }
    }

    fn state(&self) -> What {
        What::State {
            place_mm: self.place.place_mm(),
            spread_mm: self.place.spread_mm(),
            left_stomach: self.progress.left_stomach(),
            reached_colon: self.progress.reached_colon(),
            next_landmark: self.next_landmark(),
            heard: self.hearing.shares().to_vec(),
        }
    }

    fn next_landmark(&self) -> Option<NextLandmark> {
        let (time_s, next) = self.progress.next_landmark()?;
        Some(NextLandmark::after(time_s, &next))
    }

    /// Time of the last row, s.
    pub fn now_s(&self) -> Option<f64> {
        self.now_s
    }

    /// What a person watching is shown.
    pub fn view(&self) -> View<'_> {
        View {
            live: self.live,
            now_s: self.now_s,
            place_mm: self.place.place_mm(),
            spread_mm: self.place.spread_mm(),
            left_stomach: self.progress.left_stomach(),
            reached_colon: self.progress.reached_colon(),
            next_landmark: self.next_landmark(),
            hearing: &self.hearing,
            last_heard_s: self.silence.last_heard_s(),
            dropouts: self.silence.dropouts(),
            ended: self.ended,
            next: self.now_s.and_then(|now_s| self.due.next_after(now_s)),
            rows: self.rows,
            refused: self.refused,
        }
    }

    /// Whether the examination has ended.
    pub fn has_ended(&self) -> bool {
        self.ended
    }
}

/// What a person watching is shown.
#[derive(Debug)]
pub struct View<'w> {
    /// The study.
    pub live: &'w LiveStudy,
    /// Time of the last row, s.
    pub now_s: Option<f64>,
    /// Where the capsule is likely to be, mm.
    pub place_mm: Option<[f64; 3]>,
    /// Root-mean-square error of that in space, mm.
    pub spread_mm: Option<f64>,
    /// The probability that it has left the stomach.
    pub left_stomach: Option<f64>,
    /// The probability that it has reached the colon.
    pub reached_colon: Option<f64>,
    /// The next landmark, and when it is expected.
    pub next_landmark: Option<NextLandmark>,
    /// How the antennas do.
    pub hearing: &'w Hearing,
    /// When any site heard it last, s.
    pub last_heard_s: Option<f64>,
    /// How many drop-outs there were.
    pub dropouts: u64,
    /// Whether the examination has ended.
    pub ended: bool,
    /// The next step of the day plan.
    pub next: Option<NextStep>,
    /// Rows taken.
    pub rows: u64,
    /// Rows refused.
    pub refused: u64,
}

/// Why an examination cannot be watched.
#[derive(Debug, thiserror::Error)]
pub enum WatchError {
    /// No place can be computed.
    #[error(transparent)]
    Place(#[from] alvine::trajectory::StreamingError),
    /// No phases can be told.
    #[error(transparent)]
    Phases(#[from] alvine_transit::SegmentError),
}
