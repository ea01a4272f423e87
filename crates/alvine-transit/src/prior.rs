//! What is expected of a passage before anything is heard: how long each stage lasts, where it lies, and how fast it contracts.
//!
//! A stomach that fasts and one that was fed differ about eightfold, so that the prior is a choice between two by name, and never a
//! blend. Each number has its source beside it; all of them can be replaced by a file (see [`Prior::from_toml`]), as by one that was
//! learned from studies with a reader's landmarks (see [`Prior::learn`]).

mod file;
mod fit;
mod learn;
mod signal;

use alvine::{PositionPrior, Torso};

use crate::anatomy_density::UsualPlace;
use crate::duration::LogNormal;
use crate::evidence::rhythm::{Band, Ranges};

pub use file::{PriorError, PriorFault};
pub use fit::{Fitted, Seen, fit_log_normal};
pub use learn::{Lesson, ReadPassage, Whole};
pub use signal::{Learned, ReadSignal, RhythmLesson};

/// A value and where it comes from.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Sourced<T> {
    pub value: T,
    pub source: String,
}

/// The chances of a stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Chance {
    /// Probability that the capsule never leaves it.
    pub stays: f64,
    /// Probability that a recording begins in it.
    pub begins: f64,
}

/// What is expected of one stage.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Expected {
    pub duration: Sourced<LogNormal>,
    pub chance: Sourced<Chance>,
    /// `None` outside the body.
    pub place: Option<Sourced<UsualPlace>>,
}

/// What is expected of a passage.
///
/// # Examples
///
/// ```
/// use alvine_transit::Prior;
/// let fed = Prior::fed();
/// assert_eq!(Prior::from_toml(&fed.to_toml())?, fed);
/// # Ok::<(), alvine_transit::PriorError>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Prior {
    name: String,
    /// One a stage, in the stages' order.
    pub(crate) stages: Vec<Expected>,
    /// How the pace of the whole colon differs between people, as the spread of its logarithm; zero for not beyond that of each stage.
    pub(crate) colon_pace_ln: Sourced<f64>,
    /// One a band, in the bands' order: least and greatest cycles a minute.
    pub(crate) rhythms: [Sourced<[f64; 2]>; 4],
    /// What was learned, where it was.
    pub(crate) lessons: Vec<Lesson>,
    pub(crate) rhythm_lessons: Vec<RhythmLesson>,
}

impl Default for Prior {
    fn default() -> Self {
        Self::fasting()
    }
}

const MINUTE_S: f64 = 60.0;
const O_GRADY: &str = "C. O'Grady and others, Endosc. Int. Open 8 (2020): 71 healthy people fasting";
const NOT_READ: &str = "common practice, no source";

impl Prior {
    /// The names of the priors that are built in.
    pub const NAMES: [&'static str; 2] = ["fasting", "fed"];

    /// The prior that is built in by a name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        match name {
            "fasting" => Some(Self::fasting()),
            "fed" => Some(Self::fed()),
            _ => None,
        }
    }

    /// A capsule swallowed fasting, as for an examination of the small bowel: 22 (10 to 48) min in the stomach.
    #[must_use]
    pub fn fasting() -> Self {
        let spread_ln = LogNormal::from_quartiles(10.0, 22.0, 48.0).spread_ln();
        let stomach = sourced(
            LogNormal::new(22.0 * MINUTE_S, spread_ln),
            &format!("{O_GRADY}, median 22 min, quartiles 10 and 48 min"),
        );
        Self::with_stomach("fasting", stomach)
    }

    /// A capsule swallowed with a meal: a median of 2.99 h in the stomach.
    #[must_use]
    pub fn fed() -> Self {
        let stomach = sourced(
            LogNormal::new(2.99 * 60.0 * MINUTE_S, 0.38),
            "S. Rauch and others, J. Crit. Care 27 (2012): computed from the table of 85 volunteers; that the capsule was taken with a \
             meal is from memory",
        );
        Self::with_stomach("fed", stomach)
    }

    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// How long the capsule stays in the stomach.
    #[must_use]
    pub fn stomach(&self) -> LogNormal {
        self.stages[2].duration.value
    }

    /// What was learned from studies, where it was.
    #[must_use]
    pub fn lessons(&self) -> &[Lesson] {
        &self.lessons
    }

    /// What was learned of rhythms, where it was.
    #[must_use]
    pub fn rhythm_lessons(&self) -> &[RhythmLesson] {
        &self.rhythm_lessons
    }

    /// Where a capsule in the gut may be, whatever the part: the mixture of the usual places of stomach, small bowel and colon, each
    /// stage counted alike, matched in mean and covariance.
    #[must_use]
    pub fn usual_gut(&self, torso: &Torso) -> Option<PositionPrior> {
        let places: Vec<_> = self.stages[2..]
            .iter()
            .map(|stage| stage.place.as_ref().map(|place| place.value))
            .collect();
        let shares = std::iter::repeat_n(1.0 / places.len() as f64, places.len());
        crate::anatomy_density::mixture(&places, shares, torso)
    }

    /// Least and greatest cycles a minute of each band.
    pub(crate) fn ranges(&self) -> Ranges {
        Band::ALL.map(|band| self.rhythms[band as usize].value)
    }

    /// The rest is the same whether there was a meal.
    #[rustfmt::skip]
    fn with_stomach(name: &str, stomach: Sourced<LogNormal>) -> Self {
        use UsualPlace as At;
        let small_bowel = format!(
            "{O_GRADY}, small bowel 198.5 (157 to 240.5) min, shared out by textbook, from memory; wider, so that the whole varies by as \
             much of its mean, 0.47, as in patients (mean 282, standard deviation 132 min in 397, K. Tominaga and others, Ann. Transl. \
             Med. 2020)"
        );
        let colon = "median of the whole 21.7 h of 82 volunteers, S. Rauch and others, J. Crit. Care 27 (2012), shared out by common \
                     practice, no source";
        let pace = "the likeliest for those 82 volunteers, of whom 13 % took less than 6.5 h";
        let retained = "1.4 % of 22 840 capsules are retained (Z. Liao and others, Gastrointest. Endosc. 71 (2010)); as much again \
                        outlasts any recording, and how it is shared out: common practice, no source";
        let lies = "midlines of two living people's guts from CT and textbook planes; spreads widened by common practice, no source";
        let stage = |duration: Sourced<LogNormal>, stays, begins, place: Option<UsualPlace>| Expected {
            duration,
            chance: sourced(Chance { stays, begins }, if stays > 0.0 { retained } else { NOT_READ }),
            place: place.map(|place| sourced(place, lies)),
        };
        let lasts = |minutes: f64, spread_ln, source: &str| sourced(LogNormal::new(minutes * MINUTE_S, spread_ln), source);
        let rhythm = |range, source: &str| sourced(range, &format!("{source}, a third of a cycle wider"));
        let kerlin = "Kerlin and Phillips, Gastroenterology 82 (1982) 694";
        Self {
            name: name.to_owned(),
            stages: vec![
                stage(lasts(10.0, 1.5, NOT_READ), 0.0, 0.88, None),
                stage(lasts(8.0 / 60.0, 0.8, "from memory"), 0.0, 0.02, Some(At::OESOPHAGUS)),
                stage(stomach, 0.01, 0.06, Some(At::STOMACH)),
                stage(lasts(6.0, 0.9, &small_bowel), 0.0, 0.01, Some(At::DUODENUM)),
                stage(lasts(76.0, 0.55, &small_bowel), 0.005, 0.01, Some(At::JEJUNUM)),
                stage(lasts(84.0, 0.6, &small_bowel), 0.01, 0.01, Some(At::ILEUM)),
                stage(lasts(30.0, 1.1, &small_bowel), 0.002, 0.002, Some(At::TERMINAL_ILEUM)),
                stage(lasts(105.0, 0.81, colon), 0.0, 0.002, Some(At::CAECUM)),
                stage(lasts(205.0, 0.81, colon), 0.0, 0.002, Some(At::ASCENDING)),
                stage(lasts(255.0, 0.81, colon), 0.0, 0.002, Some(At::TRANSVERSE)),
                stage(lasts(205.0, 0.81, colon), 0.0, 0.002, Some(At::DESCENDING)),
                stage(lasts(260.0, 0.81, colon), 0.0, 0.002, Some(At::RECTOSIGMOID)),
            ],
            colon_pace_ln: sourced(0.85, pace),
            rhythms: [
                rhythm([2.4, 3.8], "about 3 a minute, Adv. Funct. Mater. 31 (2021) 2009289, as table 7 of PMC8553224 quotes it"),
                rhythm([10.2, 12.8], &format!("{kerlin}: 12.5 to 10.5 a minute")),
                rhythm([9.0, 11.2], &format!("{kerlin}: 10.9 to 9.3 a minute")),
                rhythm([8.3, 10.3], &format!("{kerlin}: 10.0 to 8.6 a minute")),
            ],
            lessons: Vec::new(),
            rhythm_lessons: Vec::new(),
        }
    }
}

fn sourced<T>(value: T, source: &str) -> Sourced<T> {
    Sourced {
        value,
        source: source.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stage::KINDS;

    #[test]
    fn a_meal_changes_the_stomach_about_eightfold_and_nothing_else() {
        let (fasting, fed) = (Prior::fasting(), Prior::fed());
        let ratio = fed.stomach().median_s() / fasting.stomach().median_s();
        assert!((8.0..8.5).contains(&ratio), "{ratio}");
        for (stage, (one, other)) in fasting.stages.iter().zip(&fed.stages).enumerate() {
            assert_eq!(one == other, stage != 2, "{}", KINDS[stage].name);
        }
        assert_eq!(fasting.rhythms, fed.rhythms);
    }
}
