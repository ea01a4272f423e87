//! A row as the live filter takes it, and when the capsule was heard last.

use alvine::{Setup, TrackPoint};

/// One instant, and what the streaming trajectory tells at it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LiveRow<'a> {
    /// Seconds since the recording began.
    pub time_s: f64,
    /// One level a site, dBm; NaN where no packet came.
    pub levels_dbm: &'a [f32],
    /// The place now, where it is known.
    pub now: Option<&'a TrackPoint>,
    /// The last word on places of earlier rows, which has come by now; each is told once.
    pub lagged: &'a [TrackPoint],
}

impl<'a> LiveRow<'a> {
    /// A row without a place.
    #[must_use]
    pub const fn of_levels(time_s: f64, levels_dbm: &'a [f32]) -> Self {
        Self {
            time_s,
            levels_dbm,
            now: None,
            lagged: &[],
        }
    }
}

/// A row that is kept until the step between rows is known.
#[derive(Debug, Clone)]
pub(super) struct Held {
    pub time_s: f64,
    levels_dbm: Vec<f32>,
    now: Option<TrackPoint>,
    lagged: Vec<TrackPoint>,
}

impl Held {
    pub fn of(row: &LiveRow<'_>) -> Self {
        Self {
            time_s: row.time_s,
            levels_dbm: row.levels_dbm.to_vec(),
            now: row.now.copied(),
            lagged: row.lagged.to_vec(),
        }
    }

    pub fn row(&self) -> LiveRow<'_> {
        LiveRow {
            time_s: self.time_s,
            levels_dbm: &self.levels_dbm,
            now: self.now.as_ref(),
            lagged: &self.lagged,
        }
    }
}

/// The last instant with at least two sites hearing, which two others within the minute before confirm, as a stray packet does not
/// count; where only one site ever heard, that one does.
#[derive(Debug, Clone)]
pub(super) struct LastHeard {
    /// Which sites ever heard.
    ever: Vec<bool>,
    /// The last two instants that may confirm, s.
    before_s: [f64; 2],
    time_s: f64,
}

impl LastHeard {
    pub fn new(sites: usize) -> Self {
        Self {
            ever: vec![false; sites],
            before_s: [f64::NEG_INFINITY; 2],
            time_s: f64::NEG_INFINITY,
        }
    }

    pub fn take(&mut self, setup: &Setup, row: &LiveRow<'_>) {
        const WITHIN_S: f64 = 60.0;
        for (ever, &level) in self.ever.iter_mut().zip(row.levels_dbm) {
            *ever |= setup.receiver.read(level).is_heard();
        }
        let fewest = self.ever.iter().filter(|&&ever| ever).count().clamp(1, 2);
        if setup.receiver.heard_sites(row.levels_dbm) < fewest {
            return;
        }
        if row.time_s - self.before_s[0] <= WITHIN_S {
            self.time_s = row.time_s;
        }
        self.before_s = [self.before_s[1], row.time_s];
    }

    /// When, s; −∞ where it never was.
    pub const fn time_s(&self) -> f64 {
        self.time_s
    }
}
