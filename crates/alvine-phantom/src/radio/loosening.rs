//! An antenna that works loose: from some time on it hears ever more weakly, and it flutters.

use alvine::TrueLoosening;
use rand::Rng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::streams::{Purpose, stream};
use crate::wander::Wander;

/// Flutter of a wholly loose antenna, dB, and how long it keeps its value, s (invented).
const FLUTTER_DB: f64 = 2.5;
const FLUTTER_S: f64 = 4.0;

/// Which antenna works loose, and when.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Loosening {
    /// None does.
    None,
    /// One does: site, time, length and loss are drawn. It begins between a fifth and three fifths of the recording,
    /// grows over 4 to 12 min to 12 to 18 dB, and lasts half an hour to an hour and a half, or to the end if that
    /// comes first (all invented).
    Random,
    /// This one does.
    Fixed {
        /// Index of the site.
        site: usize,
        /// From when, s.
        start_s: f64,
        /// Until when it was refitted, s; beyond the recording's end for never.
        end_s: f64,
        /// How long it takes to work loose, s.
        grows_s: f64,
        /// How much weaker it hears once loose, dB.
        loss_db: f64,
    },
}

/// The loose antenna of one recording.
#[derive(Debug)]
pub(crate) struct LooseAntenna {
    site: usize,
    start_s: f64,
    end_s: f64,
    grows_s: f64,
    loss_db: f64,
    flutter: Wander,
    rng: Xoshiro256PlusPlus,
}

impl LooseAntenna {
    /// The loose antenna that is asked for, if any, in a recording of this length.
    pub(crate) fn new(loosening: &Loosening, sites: usize, duration_s: f64, seed: u64) -> Option<Self> {
        let mut rng = stream(seed, Purpose::Loosening);
        let (site, start_s, end_s, grows_s, loss_db) = match *loosening {
            Loosening::None => return None,
            Loosening::Random => {
                let site = rng.random_range(0..sites);
                let start_s = duration_s * rng.random_range(0.2..0.6);
                let lasting_s = rng.random_range(1800.0..5400.0);
                let grows_s = rng.random_range(240.0..720.0);
                (
                    site,
                    start_s,
                    start_s + lasting_s,
                    grows_s,
                    rng.random_range(12.0..18.0),
                )
            }
            Loosening::Fixed {
                site,
                start_s,
                end_s,
                grows_s,
                loss_db,
            } => (site, start_s, end_s, grows_s, loss_db),
        };
        Some(Self {
            site,
            start_s,
            end_s: end_s.min(duration_s),
            grows_s,
            loss_db,
            flutter: Wander::new(1.0, FLUTTER_S, &mut rng),
            rng,
        })
    }

    /// How much less the site hears at a time, dB, `step_s` after the last call; never less than nothing.
    pub(crate) fn loss_db(&mut self, time_s: f64, step_s: f64) -> f64 {
        let flutter = self.flutter.step(step_s, &mut self.rng);
        if time_s < self.start_s || time_s >= self.end_s {
            return 0.0;
        }
        let looseness = ((time_s - self.start_s) / self.grows_s).min(1.0);
        (looseness * (self.loss_db + FLUTTER_DB * flutter)).max(0.0)
    }

    /// The site's index.
    pub(crate) const fn site(&self) -> usize {
        self.site
    }

    /// What the truth says of it.
    pub(crate) fn truth(&self, name: &str) -> TrueLoosening {
        TrueLoosening {
            site: name.to_owned(),
            start_s: self.start_s,
            end_s: self.end_s,
            loss_db: self.loss_db,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loss_grows_stays_and_ends_with_the_refitting() {
        let fixed = Loosening::Fixed {
            site: 2,
            start_s: 100.0,
            end_s: 5000.0,
            grows_s: 300.0,
            loss_db: 15.0,
        };
        let mut loose = LooseAntenna::new(&fixed, 8, 10_000.0, 1).unwrap();
        assert_eq!(loose.loss_db(99.0, 1.0), 0.0);
        let settled: Vec<f64> = (400..5000)
            .map(|second| loose.loss_db(f64::from(second), 1.0))
            .collect();
        let mean_db = settled.iter().sum::<f64>() / settled.len() as f64;
        // 4600 s of flutter of 4 s correlation are worth about 575 draws of 2.5 dB: sd 0.1 dB; four of them.
        assert!((mean_db - 15.0).abs() < 0.42, "{mean_db}");
        assert_eq!(loose.loss_db(5000.0, 1.0), 0.0);
    }

    #[test]
    fn a_random_loosening_lies_within_the_recording() {
        for seed in 0..100 {
            let truth = LooseAntenna::new(&Loosening::Random, 8, 36_000.0, seed)
                .unwrap()
                .truth("any");
            assert!(0.0 < truth.start_s && truth.start_s < truth.end_s && truth.end_s <= 36_000.0);
        }
    }
}
