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
    /// With this chance one does, as [`Loosening::Random`] has it; otherwise none. 0 to 1.
    Sometimes(f64),
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

/// How an antenna works loose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LooseningManner {
    /// Evenly, over the time it takes.
    Ramp,
    /// At once.
    Step,
    /// Quickly at first and ever more slowly: nine tenths of it over the time it takes.
    Creep,
    /// Evenly, but with contact again and again: on and off for 20 s in the mean (invented).
    Intermittent,
    /// One of these, drawn.
    Any,
}

impl LooseningManner {
    /// Every manner.
    pub const ALL: [Self; 5] = [Self::Ramp, Self::Step, Self::Creep, Self::Intermittent, Self::Any];
    const DRAWN: [Self; 4] = [Self::Ramp, Self::Step, Self::Creep, Self::Intermittent];

    /// Its name.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Ramp => "ramp",
            Self::Step => "step",
            Self::Creep => "creep",
            Self::Intermittent => "intermittent",
            Self::Any => "any",
        }
    }

    /// How loose it is, 0 to 1, so long after it began.
    fn looseness(self, since_s: f64, grows_s: f64) -> f64 {
        match self {
            Self::Step => 1.0,
            // e^(−2.303) = 1/10.
            Self::Creep => 1.0 - libm::exp(-std::f64::consts::LN_10 * since_s / grows_s),
            Self::Ramp | Self::Intermittent | Self::Any => (since_s / grows_s).min(1.0),
        }
    }
}

/// Mean length of a contact, and of a loss of contact, of an intermittent antenna, s (invented).
const CONTACT_S: f64 = 20.0;

/// The loose antenna of one recording.
#[derive(Debug)]
pub(crate) struct LooseAntenna {
    site: usize,
    start_s: f64,
    end_s: f64,
    grows_s: f64,
    loss_db: f64,
    manner: LooseningManner,
    has_contact: bool,
    flutter: Wander,
    rng: Xoshiro256PlusPlus,
    manner_rng: Xoshiro256PlusPlus,
}

impl LooseAntenna {
    /// The loose antenna that is asked for, if any, in a recording of this length.
    pub(crate) fn new(
        loosening: &Loosening,
        manner: LooseningManner,
        sites: usize,
        duration_s: f64,
        seed: u64,
    ) -> Option<Self> {
        let mut rng = stream(seed, Purpose::Loosening);
        let mut manner_rng = stream(seed, Purpose::LooseningManner);
        let lot: f64 = manner_rng.random();
        let drawn = LooseningManner::DRAWN[manner_rng.random_range(0..LooseningManner::DRAWN.len())];
        let (site, start_s, end_s, grows_s, loss_db) = match *loosening {
            Loosening::None => return None,
            Loosening::Sometimes(chance) if lot >= chance => return None,
            Loosening::Random | Loosening::Sometimes(_) => {
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
            manner: if manner == LooseningManner::Any { drawn } else { manner },
            has_contact: false,
            flutter: Wander::new(1.0, FLUTTER_S, &mut rng),
            rng,
            manner_rng,
        })
    }

    /// How much less the site hears at a time, dB, `step_s` after the last call; never less than nothing.
    pub(crate) fn loss_db(&mut self, time_s: f64, step_s: f64) -> f64 {
        let flutter = self.flutter.step(step_s, &mut self.rng);
        if time_s < self.start_s || time_s >= self.end_s {
            return 0.0;
        }
        if self.manner == LooseningManner::Intermittent && self.in_contact(step_s) {
            return 0.0;
        }
        let looseness = self.manner.looseness(time_s - self.start_s, self.grows_s);
        (looseness * (self.loss_db + FLUTTER_DB * flutter)).max(0.0)
    }

    /// Whether an intermittent antenna has contact `step_s` later. Contact and loss are alike long, so that over Δ the
    /// state is drawn afresh with the chance `1 − exp(−2Δ / 20 s)`.
    fn in_contact(&mut self, step_s: f64) -> bool {
        let [afresh, side]: [f64; 2] = self.manner_rng.random();
        if afresh < 1.0 - libm::exp(-2.0 * step_s / CONTACT_S) {
            self.has_contact = side < 0.5;
        }
        self.has_contact
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
        let mut loose = LooseAntenna::new(&fixed, LooseningManner::Ramp, 8, 10_000.0, 1).unwrap();
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
            let truth = LooseAntenna::new(&Loosening::Random, LooseningManner::Any, 8, 36_000.0, seed)
                .unwrap()
                .truth("any");
            assert!(0.0 < truth.start_s && truth.start_s < truth.end_s && truth.end_s <= 36_000.0);
        }
    }

    #[test]
    fn each_manner_is_as_loose_as_it_says() {
        let fixed = Loosening::Fixed {
            site: 0,
            start_s: 0.0,
            end_s: 4000.0,
            grows_s: 400.0,
            loss_db: 20.0,
        };
        // The mean of the first 400 s, and of the rest: ramps reach half of it and then all, a creep
        // 1 − 0.9 / ln 10 = 0.609 and then all but little, an intermittent one half of a ramp and then half.
        for (manner, first, rest) in [
            (LooseningManner::Ramp, 10.0, 20.0),
            (LooseningManner::Step, 20.0, 20.0),
            (LooseningManner::Creep, 12.18, 19.8),
            (LooseningManner::Intermittent, 5.0, 10.0),
        ] {
            let mut sums = [0.0; 2];
            for seed in 0..40 {
                let mut loose = LooseAntenna::new(&fixed, manner, 8, 1e4, seed).unwrap();
                for second in 0..4000 {
                    let part = usize::from(second >= 400);
                    sums[part] += loose.loss_db(f64::from(second), 1.0) / 40.0 / [400.0, 3600.0][part];
                }
            }
            // Contacts of 20 s are worth 40 · 400 / 20 = 800 draws of 10 dB over the first part, 0.35 dB; four of them.
            // Neglected: that losses do not go below nothing while they are small.
            assert!((sums[0] - first).abs() < 1.4, "{manner:?} {sums:?}");
            assert!((sums[1] - rest).abs() < 0.5, "{manner:?} {sums:?}");
        }
    }

    #[test]
    fn some_studies_have_a_loose_antenna_and_others_none() {
        let count = (0..400)
            .filter_map(|seed| LooseAntenna::new(&Loosening::Sometimes(0.3), LooseningManner::Any, 8, 1e4, seed))
            .count();
        // Binomial: 120 ± 9.2; four of them.
        assert!(count.abs_diff(120) < 37, "{count}");
    }
}
