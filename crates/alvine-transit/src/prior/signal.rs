//! Rhythms from studies in which a reader gave the landmarks.
//!
//! The quickness at which the rhythm is strongest: the stomach's between cardia and pylorus, the small bowel's in three spans between
//! pylorus and valve, shared out as the prior's medians share them out. A band is moved to w times the mean of the studies' and 1 − w
//! times its middle, and is made as wide as holds 90 % of studies if that is wider: how it changes within a person is in its width.
//!
//! # Why not usual places
//!
//! A track that was drawn towards the default places would teach them back, and one that follows from the signal alone has errors of its
//! own: on two groups of 40 simulated studies with a realistic radio its mean places between the true landmarks lay 4 to 26 mm from the
//! truth, 9 to 22 mm too near to the front in the small bowel and 16 to 26 mm too low in the stomach; the 90 % intervals by the scatter from
//! study to study held 7 of 12. 26 fresh studies told with such places came out worse (pylorus 4.2 instead of 3.0 min in the median, valve 22.0
//! instead of 18.8, place 46.2 instead of 45.6 mm). Its spreads are no better: with the variance that its covariance states deducted,
//! they scattered by less than nothing in depth.
//!
//! # What it is worth
//!
//! Learned from three groups of 40 such studies at 1 Hz (`cargo run --release -p alvine-benches --bin learned_priors -- realistic 3 40000
//! 26`) the stomach's 3.00 cycles a minute came out at 3.00, 3.00 and 3.01; the interval is finer than the lines of the spectrum, 0.125 apart,
//! and so too sure. 26 fresh studies came out no better: median errors of the pylorus 5.4 instead of 3.9 min, of the valve 11.8 instead of
//! 12.4, one wrongly told with either. On a realistic radio the small bowel's rhythm was seen in so short a span in few studies: none in the
//! jejunum, 5 to 7 in the ileum.
//!
//! The weight of five studies for what was expected before is common practice, no source; Student's quantile by the expansion of
//! M. Abramowitz and I. Stegun, 26.7.5, from memory.

use alvine::{LandmarkKind, Recording, Setup};

use super::learn::{ReadPassage, Whole};
use super::{Prior, Sourced};
use crate::evidence::rhythm::{Band, peaks};

/// What was expected before weighs as much as this many studies.
const DEFAULT_WEIGHS: f64 = 5.0;
/// With fewer studies nothing is learned.
const FEWEST: usize = 5;
/// Bands are sought a third of a cycle beyond, as the default ones.
const BEYOND_PER_MINUTE: f64 = 1.0 / 3.0;

/// What the signal of one study says of rhythms, where its reader says which part it was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadSignal {
    peaks_per_minute: [Option<f64>; 4],
}

impl ReadSignal {
    /// Listens to a study between the landmarks that its reader gave.
    #[must_use]
    pub fn new(setup: &Setup, recording: &Recording, read: &ReadPassage, prior: &Prior) -> Self {
        let spans_s = bands_s(read.span_s(Whole::Stomach), read.span_s(Whole::SmallBowel), prior);
        Self {
            peaks_per_minute: peaks(setup, recording, &spans_s, &prior.ranges()),
        }
    }
}

/// The span of each band: the small bowel's shared out by the prior's medians.
fn bands_s(stomach: Option<[f64; 2]>, small_bowel: Option<[f64; 2]>, prior: &Prior) -> [Option<[f64; 2]>; 4] {
    let median_s = |stage: usize| prior.stages[stage].duration.value.median_s();
    let jejunum_s = median_s(3) + median_s(4);
    let [to_ileum_s, to_terminal_s, whole_s] = [
        jejunum_s,
        jejunum_s + median_s(5),
        jejunum_s + median_s(5) + median_s(6),
    ];
    let share = |from: f64, to: f64| {
        let [from_s, to_s] = small_bowel?;
        let at = |sum_s: f64| from_s + (to_s - from_s) * sum_s / whole_s;
        Some([at(from), at(to)])
    };
    [
        stomach,
        share(0.0, to_ileum_s),
        share(to_ileum_s, to_terminal_s),
        share(to_terminal_s, whole_s),
    ]
}

/// A mean over studies with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Learned {
    /// The mean.
    pub value: f64,
    /// Its 90 % interval.
    pub interval90: [f64; 2],
    /// Standard deviation from study to study.
    pub spread: f64,
}

impl Learned {
    /// `None` of too few.
    fn of(values: &[f64]) -> Option<Self> {
        if values.len() < FEWEST {
            return None;
        }
        let n = values.len() as f64;
        let value = values.iter().sum::<f64>() / n;
        let variance = values.iter().map(|one| (one - value).powi(2)).sum::<f64>() / (n - 1.0);
        let half = students_95(n - 1.0) * (variance / n).sqrt();
        Some(Self {
            value,
            interval90: [value - half, value + half],
            spread: variance.sqrt(),
        })
    }
}

/// The 95 % point of Student's law of so many degrees of freedom, four or more, to 0.1 %.
fn students_95(freedom: f64) -> f64 {
    const Z: f64 = 1.644_853_6;
    let (third, fifth, seventh) = (Z.powi(3), Z.powi(5), Z.powi(7));
    Z + (third + Z) / (4.0 * freedom)
        + (5.0 * fifth + 16.0 * third + 3.0 * Z) / (96.0 * freedom.powi(2))
        + (3.0 * seventh + 19.0 * fifth + 17.0 * third - 15.0 * Z) / (384.0 * freedom.powi(3))
}

/// What was learned of a rhythm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RhythmLesson {
    /// Its name in files.
    pub band: &'static str,
    /// In how many studies it was seen.
    pub studies: usize,
    /// Cycles a minute at which it is strongest, before they were drawn to what was expected; `None` of too few studies.
    pub per_minute: Option<Learned>,
}

impl Prior {
    /// This prior with the rhythms moved towards what signals show between readers' landmarks, by how many studies show them. Fewer than
    /// five change nothing; [`Prior::rhythm_lessons`] says so.
    #[must_use]
    pub fn learn_signals(&self, signals: &[ReadSignal]) -> Self {
        let mut learned = self.clone();
        learned.rhythm_lessons = Band::ALL.map(|band| learned.take_rhythm(band, signals)).into();
        learned
    }

    fn take_rhythm(&mut self, band: Band, signals: &[ReadSignal]) -> RhythmLesson {
        let peaks: Vec<f64> = signals
            .iter()
            .filter_map(|signal| signal.peaks_per_minute[band as usize])
            .collect();
        let learned = Learned::of(&peaks);
        if let Some(learned) = &learned {
            let n = peaks.len() as f64;
            let weight = n / (n + DEFAULT_WEIGHS);
            let Sourced { value: range, source } = &mut self.rhythms[band as usize];
            let (middle, half) = (0.5 * (range[0] + range[1]), 0.5 * (range[1] - range[0]));
            let moved = middle + weight * (learned.value - middle);
            let wide =
                half.max(weight * (students_95(n - 1.0) * learned.spread + BEYOND_PER_MINUTE) + (1.0 - weight) * half);
            *range = [moved - wide, moved + wide];
            *source = format!(
                "learned from {} studies between a reader's landmarks, with the weight of five for: {source}",
                peaks.len()
            );
        }
        RhythmLesson {
            band: band.name(),
            studies: peaks.len(),
            per_minute: learned,
        }
    }
}

impl ReadPassage {
    /// From when to when the capsule was in a part, by the reader, s; `None` where the reader did not give its end.
    fn span_s(&self, part: Whole) -> Option<[f64; 2]> {
        use LandmarkKind::{Cardia, IleocaecalValve, Pylorus, Swallow};
        let (from_s, to) = match part {
            Whole::Stomach => (self.time_s(Cardia).or(self.time_s(Swallow)), Pylorus),
            Whole::SmallBowel => (self.time_s(Pylorus), IleocaecalValve),
            Whole::Outside | Whole::Oesophagus | Whole::Colon => return None,
        };
        Some([from_s?, self.time_s(to)?]).filter(|[from_s, to_s]| from_s < to_s)
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Some in which the stomach's rhythm differs a little.
    pub fn signals(count: usize, per_minute: f64) -> Vec<ReadSignal> {
        let each = |index: usize| ReadSignal {
            peaks_per_minute: [Some(per_minute + 0.01 * (index % 3) as f64), None, None, None],
        };
        (0..count).map(each).collect()
    }

    #[test]
    fn few_studies_change_nothing_and_that_is_said() {
        let fasting = Prior::fasting();
        let learned = fasting.learn_signals(&signals(4, 3.4));
        assert_eq!(learned.rhythms, fasting.rhythms);
        let lessons: Vec<(usize, bool)> = learned
            .rhythm_lessons()
            .iter()
            .map(|lesson| (lesson.studies, lesson.per_minute.is_some()))
            .collect();
        assert_eq!(lessons, [(4, false), (0, false), (0, false), (0, false)]);
    }

    #[test]
    fn a_band_follows_the_studies_and_never_narrows() {
        let learned = Prior::fasting().learn_signals(&signals(20, 3.4));
        let [least, greatest] = learned.rhythms[0].value;
        assert!((greatest - least - 1.4).abs() < 1e-9);
        // 20 studies near 3.41 and the weight of five for 3.1.
        assert!((0.5 * (least + greatest) - (3.1 + 0.8 * (3.4095 - 3.1))).abs() < 1e-9);
    }

    #[test]
    fn students_quantile_is_that_of_tables() {
        // SciPy: t.ppf(0.95, [4, 9, 39]).
        for (freedom, expected) in [(4.0, 2.131_847), (9.0, 1.833_113), (39.0, 1.684_875)] {
            assert!((students_95(freedom) / expected - 1.0).abs() < 1e-3, "{freedom}");
        }
    }
}
