//! A prior from studies in which a reader gave the landmarks: how long each part took in them.
//!
//! A part lasts from the landmark that opens it to the one that ends it. Where the reader gave the first and no later one, it had not
//! ended when the recording did. A reader who gave nothing says nothing. Small bowel and colon are seen as a whole; the law of their
//! sum is handed down to their stages, whose medians and spreads, and that of their pace, keep their proportions:
//!
//! ```text
//! M = Σ mᵢ exp(sᵢ² / 2),   V = Σ mᵢ² exp(sᵢ²) (exp(sᵢ²) − 1),   t² = ln(1 + V / M²),   m = M exp(−t² / 2),   s² = t² + p²
//! p spread of the pace that the stages share
//! ```
//!
//! Places and chances are kept as they were; rhythms are learned apart, from the signal.
//!
//! # Source
//!
//! The sum of log-normal laws by one of the same mean and variance: L. F. Fenton, IRE Trans. Commun. Syst. 8 (1960) 57, from memory.

use std::ops::Range;

use alvine::{LandmarkKind, ReaderLandmark};

use super::fit::{Fitted, Seen, fit_log_normal};
use super::{Expected, Prior, sourced};
use crate::duration::LogNormal;

/// A part of the passage whose duration is learned as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whole {
    /// From the beginning of the recording to the swallow.
    Outside,
    /// From the swallow to the cardia.
    Oesophagus,
    /// From the cardia, or the swallow where the cardia was not given, to the pylorus.
    Stomach,
    /// From the pylorus to the ileocaecal valve.
    SmallBowel,
    /// From the ileocaecal valve to expulsion.
    Colon,
}

impl Whole {
    /// Each, in order.
    pub const ALL: [Self; 5] = [
        Self::Outside,
        Self::Oesophagus,
        Self::Stomach,
        Self::SmallBowel,
        Self::Colon,
    ];

    /// Its name in files.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Outside => "outside",
            Self::Oesophagus => "oesophagus",
            Self::Stomach => "stomach",
            Self::SmallBowel => "small-bowel",
            Self::Colon => "colon",
        }
    }

    /// Its stages.
    pub(super) const fn stages(self) -> Range<usize> {
        match self {
            Self::Outside => 0..1,
            Self::Oesophagus => 1..2,
            Self::Stomach => 2..3,
            Self::SmallBowel => 3..7,
            Self::Colon => 7..12,
        }
    }
}

/// One study, as a reader saw it.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadPassage {
    /// When the recording begins, s.
    pub start_s: f64,
    /// When it ends, s.
    pub end_s: f64,
    /// When the capsule was swallowed, where that is known, s.
    pub swallowed_s: Option<f64>,
    /// The reader's landmarks.
    pub landmarks: Vec<ReaderLandmark>,
}

impl ReadPassage {
    pub(super) fn time_s(&self, kind: LandmarkKind) -> Option<f64> {
        let given = self.landmarks.iter().find(|landmark| landmark.kind == kind);
        let swallow = self.swallowed_s.filter(|_| kind == LandmarkKind::Swallow);
        given.map(|landmark| landmark.time_s).or(swallow)
    }

    /// How long a part took, if the study tells.
    fn seen(&self, part: Whole) -> Option<Seen> {
        use LandmarkKind::{Cardia, Expulsion, IleocaecalValve, Pylorus, Swallow};
        let (from_s, to) = match part {
            Whole::Outside => (Some(self.start_s), Swallow),
            Whole::Oesophagus => (self.time_s(Swallow), Cardia),
            Whole::Stomach => (self.time_s(Cardia).or(self.time_s(Swallow)), Pylorus),
            Whole::SmallBowel => (self.time_s(Pylorus), IleocaecalValve),
            Whole::Colon => (self.time_s(IleocaecalValve), Expulsion),
        };
        let from_s = from_s?;
        let seen = match self.time_s(to) {
            Some(to_s) => Seen {
                duration_s: to_s - from_s,
                ended: true,
            },
            // Neither a landmark that nobody sees in the images nor one that was left out says that the part went on.
            None if matches!(part, Whole::Outside | Whole::Oesophagus)
                || self.has_later(to)
                || self.landmarks.is_empty() =>
            {
                return None;
            }
            None => Seen {
                duration_s: self.end_s - from_s,
                ended: false,
            },
        };
        (seen.duration_s > 0.0).then_some(seen)
    }

    fn has_later(&self, kind: LandmarkKind) -> bool {
        self.landmarks.iter().any(|landmark| landmark.kind > kind)
    }
}

/// What was learned of a part.
#[derive(Debug, Clone, PartialEq)]
pub struct Lesson {
    /// Which.
    pub part: Whole,
    /// In how many studies it was seen to its end.
    pub ended: usize,
    /// In how many the recording ended before it.
    pub not_ended: usize,
    /// The law of the whole; `None` where too few ended, and what was expected before is kept.
    pub fitted: Option<Fitted>,
}

impl Prior {
    /// This prior with the durations that studies show in place of its own, under another name. Parts that fewer than five studies
    /// show to their end stay as they are; [`Prior::lessons`] says which.
    #[must_use]
    pub fn learn(&self, name: &str, studies: &[ReadPassage]) -> Self {
        let mut learned = self.clone();
        name.clone_into(&mut learned.name);
        learned.lessons = Whole::ALL.map(|part| learned.take(part, studies)).into();
        learned
    }

    fn take(&mut self, part: Whole, studies: &[ReadPassage]) -> Lesson {
        let seen: Vec<Seen> = studies.iter().filter_map(|study| study.seen(part)).collect();
        let ended = seen.iter().filter(|one| one.ended).count();
        let lesson = Lesson {
            part,
            ended,
            not_ended: seen.len() - ended,
            fitted: fit_log_normal(&seen),
        };
        if let Some(fitted) = &lesson.fitted {
            let source = format!(
                "learned from {ended} studies with a reader's landmarks, and {} that did not show its end",
                lesson.not_ended
            );
            let stages = &mut self.stages[part.stages()];
            let shares_pace = part == Whole::Colon && self.colon_pace_ln.value > 0.0;
            let pace_ln = if shares_pace { self.colon_pace_ln.value } else { 0.0 };
            let pace_ln = hand_down(stages, pace_ln, &fitted.law);
            if shares_pace {
                self.colon_pace_ln = sourced(pace_ln, &source);
            }
            for stage in stages {
                stage.duration.source.clone_from(&source);
            }
        }
        lesson
    }
}

/// Gives stages the law of their sum; the spread of their common pace that makes it up with them.
fn hand_down(stages: &mut [Expected], pace_ln: f64, whole: &LogNormal) -> f64 {
    if let [one] = stages {
        one.duration.value = *whole;
        return pace_ln;
    }
    let laws: Vec<LogNormal> = stages.iter().map(|stage| stage.duration.value).collect();
    let widened = |factor: f64| -> Vec<LogNormal> {
        let wider = |law: &LogNormal| LogNormal::new(law.median_s(), factor * law.spread_ln());
        laws.iter().map(wider).collect()
    };
    // The spread of the sum grows with those of its parts.
    let (mut low, mut high) = (0.01, 10.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if sum(&widened(middle)).spread_ln().hypot(middle * pace_ln) < whole.spread_ln() {
            low = middle;
        } else {
            high = middle;
        }
    }
    let wider = widened(low);
    let longer = whole.median_s() / sum(&wider).median_s();
    for (stage, law) in stages.iter_mut().zip(&wider) {
        stage.duration.value = LogNormal::new(longer * law.median_s(), law.spread_ln());
    }
    low * pace_ln
}

/// The law of a sum of independent durations, by its mean and variance.
fn sum(laws: &[LogNormal]) -> LogNormal {
    let (mut mean, mut variance) = (0.0, 0.0);
    for law in laws {
        let square = law.spread_ln() * law.spread_ln();
        mean += law.median_s() * (0.5 * square).exp();
        variance += law.median_s().powi(2) * square.exp() * square.exp_m1();
    }
    let square = (variance / (mean * mean)).ln_1p();
    LogNormal::new(mean * (-0.5 * square).exp(), square.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn study(times: &[(LandmarkKind, f64)], end_s: f64) -> ReadPassage {
        ReadPassage {
            start_s: 0.0,
            end_s,
            swallowed_s: Some(300.0),
            landmarks: times
                .iter()
                .map(|&(kind, time_s)| ReaderLandmark {
                    kind,
                    time_s,
                    spread_s: None,
                })
                .collect(),
        }
    }

    #[test]
    fn what_a_reader_gave_decides_what_ended_and_what_did_not() {
        use LandmarkKind::{IleocaecalValve, Pylorus};
        let both = study(&[(Pylorus, 2000.0), (IleocaecalValve, 9000.0)], 40_000.0);
        let seen = |of: &ReadPassage, part| of.seen(part).map(|seen| (seen.duration_s, seen.ended));
        assert_eq!(seen(&both, Whole::Outside), Some((300.0, true)));
        assert_eq!(seen(&both, Whole::Oesophagus), None);
        assert_eq!(seen(&both, Whole::Stomach), Some((1700.0, true)));
        assert_eq!(seen(&both, Whole::SmallBowel), Some((7000.0, true)));
        assert_eq!(seen(&both, Whole::Colon), Some((31_000.0, false)));
        // One that was left out, a valve without a pylorus, does not say that the capsule was in the stomach until the end.
        let left_out = study(&[(IleocaecalValve, 9000.0)], 40_000.0);
        assert_eq!(seen(&left_out, Whole::Stomach), None);
        assert_eq!(seen(&left_out, Whole::SmallBowel), None);
        // No reader: no word.
        assert_eq!(seen(&study(&[], 40_000.0), Whole::Stomach), None);
    }

    #[test]
    fn the_stages_of_a_whole_sum_up_to_its_law_in_their_old_proportions() {
        let mut prior = Prior::fasting();
        let before = prior.stages.clone();
        let whole = LogNormal::new(15_000.0, 0.45);
        let pace_ln = hand_down(&mut prior.stages[3..7], 0.3, &whole);
        let laws: Vec<LogNormal> = prior.stages[3..7].iter().map(|stage| stage.duration.value).collect();
        let found = sum(&laws);
        assert!((found.median_s() / 15_000.0 - 1.0).abs() < 1e-9);
        assert!((found.spread_ln().hypot(pace_ln) - 0.45).abs() < 1e-9);
        let narrower = prior.stages[4].duration.value.spread_ln() / before[4].duration.value.spread_ln();
        assert!((pace_ln / 0.3 / narrower - 1.0).abs() < 1e-9);
        let ratio = |of: &[Expected]| of[4].duration.value.median_s() / of[5].duration.value.median_s();
        assert!((ratio(&prior.stages) / ratio(&before) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_colon_that_was_learned_has_a_pace_that_was_learned() {
        let studies: Vec<ReadPassage> = (1..=8)
            .map(|index| {
                let expelled_s = 9000.0 + 9000.0 * f64::from(index);
                study(
                    &[
                        (LandmarkKind::IleocaecalValve, 9000.0),
                        (LandmarkKind::Expulsion, expelled_s),
                    ],
                    100_000.0,
                )
            })
            .collect();
        let learned = Prior::fasting().learn("ours", &studies);
        assert!(learned.colon_pace_ln.source.contains("learned from 8 studies"));
        let fitted = learned.lessons()[4].fitted.as_ref().unwrap();
        let laws: Vec<LogNormal> = learned.stages[7..].iter().map(|stage| stage.duration.value).collect();
        let spread_ln = sum(&laws).spread_ln().hypot(learned.colon_pace_ln.value);
        assert!((spread_ln - fitted.law.spread_ln()).abs() < 1e-9);
    }

    #[test]
    fn parts_that_too_few_show_stay_as_they_were_and_that_is_said() {
        let studies: Vec<ReadPassage> = (1..=8)
            .map(|index| study(&[(LandmarkKind::Pylorus, 300.0 + 400.0 * f64::from(index))], 30_000.0))
            .collect();
        let (fasting, learned) = (Prior::fasting(), Prior::fasting().learn("ours", &studies));
        assert_eq!(learned.name(), "ours");
        for lesson in learned.lessons() {
            let expected = match lesson.part {
                Whole::Outside => (8, 0, true),
                Whole::Stomach => (8, 0, true),
                Whole::SmallBowel => (0, 8, false),
                Whole::Oesophagus | Whole::Colon => (0, 0, false),
            };
            assert_eq!(
                (lesson.ended, lesson.not_ended, lesson.fitted.is_some()),
                expected,
                "{lesson:?}"
            );
        }
        assert_eq!(fasting.stages[3..], learned.stages[3..]);
        assert!(learned.stages[2].duration.source.contains("learned from 8 studies"));
    }
}
