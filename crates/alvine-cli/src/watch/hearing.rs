//! How each antenna hears, against how it used to.
//!
//! ```text
//! s ← s + (1 − e^(−Δt/τ)) (x − s)
//! s fast (5 min) and slow (60 min) means of: whether a site heard, 0 or 1; and by how much its level lies above what is expected
//! of a capsule at the place that all sites together make likely, dB
//! ```
//!
//! A site is *silent* when it used to hear and no longer does, while most others do. It is *weak* when its level, against what is
//! expected, lies far below its own slow mean. A capsule that moves changes the expected level too, so that only large and
//! lasting falls are told.

use alvine::{Reading, Setup, median};
use alvine_study::LiveRow;

use super::event::What;

/// Memory of the fast means, s (invented).
const FAST_S: f64 = 300.0;
/// Memory of the slow means, s (invented).
const SLOW_S: f64 = 3600.0;
/// Nothing is told before there was so much to compare with, s (invented).
const WARM_UP_S: f64 = 1800.0;
/// A site that used to hear at this share of the instants ...
const USED_TO: f64 = 0.3;
/// ... and now hears at less than this is silent (both common practice, no source).
const SILENT: f64 = 0.02;
/// A fall that is told as weak, dB (common practice, no source) ...
const WEAK_DB: f64 = 12.0;
/// ... once it has lasted so long, s (invented).
const LASTING_S: f64 = 300.0;
/// A fall of less than this is over, dB (half of the fall; invented).
const RECOVERED_DB: f64 = 6.0;

/// How the antennas hear.
#[derive(Debug)]
pub struct Hearing {
    antennas: Vec<Antenna>,
    /// The fast shares, as they are told.
    shares: Vec<f64>,
    previous_s: Option<f64>,
    began_s: Option<f64>,
}

/// One antenna.
#[derive(Debug, Clone, Default)]
struct Antenna {
    fast_heard: f64,
    slow_heard: f64,
    fast_db: f64,
    slow_db: f64,
    /// Since when it has been far below its slow mean, s.
    low_since_s: Option<f64>,
    state: State,
}

/// What was told last of an antenna.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum State {
    /// All is well.
    #[default]
    Well,
    /// It hears much less than it used to.
    Weak,
    /// It hears nothing.
    Silent,
}

/// A change that is told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    to: State,
    below_db: f64,
}

impl Change {
    /// As an event of a site.
    pub fn told(self, site: String) -> What {
        match self.to {
            State::Well => What::AntennaRecovered { site },
            State::Weak => What::AntennaWeak {
                site,
                below_db: self.below_db,
            },
            State::Silent => What::AntennaSilent { site },
        }
    }
}

impl Hearing {
    /// For so many sites.
    pub fn new(sites: usize) -> Self {
        Self {
            antennas: vec![Antenna::default(); sites],
            shares: vec![0.0; sites],
            previous_s: None,
            began_s: None,
        }
    }

    /// The share of the last minutes at which each site heard the capsule.
    pub fn shares(&self) -> &[f64] {
        &self.shares
    }

    /// What was told last of a site.
    pub fn state(&self, site: usize) -> State {
        self.antennas.get(site).map_or(State::Well, |antenna| antenna.state)
    }

    /// Takes the next instant, and gives the changes that are to be told.
    pub fn step(&mut self, setup: &Setup, row: &LiveRow, expected_dbm: Option<&[f64]>) -> Vec<(usize, Change)> {
        let time_s = row.time_s;
        let step_s = self
            .previous_s
            .replace(time_s)
            .map_or(0.0, |previous_s| time_s - previous_s);
        let began_s = *self.began_s.get_or_insert(time_s);
        // While the means are young they are plain means, so that their beginning at nothing is forgotten at once.
        let gain = |memory_s: f64| {
            let share = 1.0 - (-step_s / memory_s).exp();
            let age_s = time_s - began_s;
            if age_s < memory_s {
                share.max(step_s / age_s.max(step_s).max(f64::MIN_POSITIVE))
            } else {
                share
            }
        };
        let (fast, slow) = (gain(FAST_S), gain(SLOW_S));
        for (site, antenna) in self.antennas.iter_mut().enumerate() {
            let level = row.rssi_dbm.get(site).copied().unwrap_or(f32::NAN);
            let reading = setup.receiver.read(level);
            let heard = f64::from(u8::from(reading.is_heard()));
            antenna.fast_heard += fast * (heard - antenna.fast_heard);
            antenna.slow_heard += slow * (heard - antenna.slow_heard);
            if let (Some(expected_dbm), Reading::Heard(level_dbm)) = (expected_dbm, reading) {
                let above_db = level_dbm - expected_dbm[site];
                antenna.fast_db += fast * (above_db - antenna.fast_db);
                // A weak antenna is held against what it was, and not against its weakness.
                if antenna.state != State::Weak {
                    antenna.slow_db += slow * (above_db - antenna.slow_db);
                }
            }
            self.shares[site] = antenna.fast_heard;
        }
        if time_s - began_s < WARM_UP_S {
            return Vec::new();
        }
        let most_hear = median(&mut self.shares.clone()).is_some_and(|share| share >= USED_TO);
        let changes = self
            .antennas
            .iter_mut()
            .enumerate()
            .filter_map(|(site, antenna)| antenna.judge(time_s, most_hear).map(|change| (site, change)));
        changes.collect()
    }
}

impl Antenna {
    fn judge(&mut self, time_s: f64, most_hear: bool) -> Option<Change> {
        let below_db = self.slow_db - self.fast_db;
        if below_db < WEAK_DB {
            self.low_since_s = None;
        } else {
            self.low_since_s.get_or_insert(time_s);
        }
        let is_silent =
            most_hear && self.fast_heard < SILENT && (self.slow_heard >= USED_TO || self.state == State::Silent);
        let is_low = self.low_since_s.is_some_and(|since_s| time_s - since_s >= LASTING_S);
        let to = match self.state {
            _ if is_silent => State::Silent,
            State::Silent if self.fast_heard < USED_TO => State::Silent,
            State::Weak if below_db >= RECOVERED_DB => State::Weak,
            _ if is_low => State::Weak,
            _ => State::Well,
        };
        (to != self.state).then(|| {
            self.state = to;
            Change { to, below_db }
        })
    }
}

#[cfg(test)]
mod tests {
    use alvine::Torso;
    use alvine_study::usual_setup;

    use super::*;

    /// What is told of eight sites that hear −70 dBm for three hours at 1 Hz, but for what `change` makes of it.
    fn told(change: impl Fn(usize, f64) -> f32) -> Vec<(f64, usize, State)> {
        let setup = usual_setup(&Torso::new(330.0, 230.0).unwrap()).unwrap();
        let mut hearing = Hearing::new(8);
        let mut told = Vec::new();
        for second in 0..10_800 {
            let time_s = f64::from(second);
            let row = LiveRow {
                time_s,
                rssi_dbm: (0..8).map(|site| change(site, time_s)).collect(),
            };
            let changes = hearing.step(&setup, &row, Some(&[-72.0; 8]));
            told.extend(changes.into_iter().map(|(site, change)| (time_s, site, change.to)));
        }
        told
    }

    #[test]
    fn nothing_is_told_of_antennas_that_hear_as_they_did() {
        assert!(told(|_, _| -70.0).is_empty());
        // A capsule that moves away from all of them is no antenna's fault.
        assert!(told(|_, time_s| if time_s < 6000.0 { -70.0 } else { f32::NAN }).is_empty());
    }

    #[test]
    fn an_antenna_that_falls_silent_is_told_and_so_is_its_return() {
        let told = told(|site, time_s| {
            if site == 3 && (4000.0..7000.0).contains(&time_s) {
                f32::NAN
            } else {
                -70.0
            }
        });
        let states: Vec<(usize, State)> = told.iter().map(|&(_, site, state)| (site, state)).collect();
        assert_eq!(states, [(3, State::Silent), (3, State::Well)]);
        // The share falls from 1 to a fiftieth in 300 s × ln 50, and is back at 0.3 after 300 s × ln(1 / 0.7).
        assert!(
            (5100.0..5300.0).contains(&told[0].0) && (7050.0..7200.0).contains(&told[1].0),
            "{told:?}"
        );
    }

    #[test]
    fn an_antenna_that_hears_far_less_for_long_is_weak() {
        let told = told(|site, time_s| if site == 5 && time_s > 5000.0 { -92.0 } else { -70.0 });
        assert_eq!(
            told.first().map(|&(_, site, state)| (site, state)),
            Some((5, State::Weak)),
            "{told:?}"
        );
        assert!((5300.0..6500.0).contains(&told[0].0), "{told:?}");
    }
}
