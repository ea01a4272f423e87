//! The stages that a capsule passes in order: what each is, and how long it lasts.

use alvine::{LandmarkKind, Part, Phase};

use crate::anatomy_density::UsualPlace;
use crate::duration::LogNormal;
use crate::evidence::rhythm::Band;

/// One stage.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stage {
    pub phase: Phase,
    pub part: Option<Part>,
    /// The landmark at which it begins, if it has one of its own.
    pub opened_by: Option<LandmarkKind>,
    /// Where it usually is; `None` outside the body.
    pub place: Option<UsualPlace>,
    /// How long it lasts.
    pub duration: LogNormal,
    /// The rhythm of its contractions, where it has one that can be seen.
    pub band: Option<Band>,
    /// Probability that the capsule never leaves it.
    pub stays: f64,
    /// Probability that a recording begins in it.
    pub begins: f64,
}

const MINUTE_S: f64 = 60.0;

/// Every stage, in order.
///
/// # Source
///
/// - Stomach and small bowel: C. O'Grady and others, *Defining gastrointestinal transit time using video capsule
///   endoscopy: a study of healthy subjects*, Endosc. Int. Open 8 (2020): fasting, 22 (10–48) min and 198.5
///   (157–240.5) min. Patients vary more than volunteers (mean 282, standard deviation 132 min in 397 patients, K.
///   Tominaga and others, Ann. Transl. Med. 2020), so that the small bowel's parts are given wider laws: duodenum 6,
///   jejunum 76 and ileum 114 min, two and three fifths of what the duodenum leaves (the split: textbook, from memory). The
///   last half hour of the ileum is a stage of its own, as a capsule often waits before the valve (common practice, no
///   source).
/// - Colon: median 21.7 h of 82 volunteers (S. Rauch and others, J. Crit. Care 27 (2012)), shared out over its parts by
///   common practice, no source.
/// - Oesophagus: 8 s, from memory. Before the swallow: common practice, no source.
/// - Never left: 1.4 % of capsules are retained (Z. Liao and others, Gastrointest. Endosc. 71 (2010): 22 840 procedures). How that
///   is shared out, and as much again for those that outlast any recording: common practice, no source.
#[rustfmt::skip]
pub(crate) fn stages(prior: Prior) -> [Stage; 12] {
    use LandmarkKind::{Cardia, DuodenojejunalFlexure, IleocaecalValve, Pylorus, Swallow};
    use UsualPlace as At;
    let stage = |phase, part, opened_by, place, band, minutes, spread_ln, stays, begins| Stage {
        phase, part, opened_by, place, band, duration: LogNormal::new(minutes * MINUTE_S, spread_ln), stays, begins,
    };
    let gut = |phase, part, opened_by, place, band| move |minutes, spread_ln, stays, begins|
        stage(phase, Some(part), opened_by, Some(place), band, minutes, spread_ln, stays, begins);
    let small = |part, opened_by, place, band| gut(Phase::SmallBowel, part, opened_by, place, Some(band));
    let colon = |part, opened_by, place| gut(Phase::Colon, part, opened_by, place, None);
    let stomach = prior.stomach();
    let (stomach_min, stomach_spread) = (stomach.median_s() / MINUTE_S, stomach.spread_ln());
    let stomach_band = Some(Band::Stomach);
    [
        stage(Phase::Outside, None, None, None, None, 10.0, 1.5, 0.0, 0.88),
        stage(Phase::Oesophagus, None, Some(Swallow), Some(At::OESOPHAGUS), None, 8.0 / 60.0, 0.8, 0.0, 0.02),
        stage(Phase::Stomach, None, Some(Cardia), Some(At::STOMACH), stomach_band, stomach_min, stomach_spread, 0.01, 0.06),
        small(Part::Duodenum, Some(Pylorus), At::DUODENUM, Band::Jejunum)(6.0, 0.9, 0.0, 0.01),
        small(Part::Jejunum, Some(DuodenojejunalFlexure), At::JEJUNUM, Band::Jejunum)(76.0, 0.55, 0.005, 0.01),
        small(Part::Ileum, None, At::ILEUM, Band::Ileum)(84.0, 0.6, 0.01, 0.01),
        small(Part::Ileum, None, At::TERMINAL_ILEUM, Band::TerminalIleum)(30.0, 0.9, 0.005, 0.002),
        colon(Part::Caecum, Some(IleocaecalValve), At::CAECUM)(120.0, 1.0, 0.0, 0.002),
        colon(Part::Ascending, None, At::ASCENDING)(240.0, 1.0, 0.0, 0.002),
        colon(Part::Transverse, None, At::TRANSVERSE)(300.0, 1.0, 0.0, 0.002),
        colon(Part::Descending, None, At::DESCENDING)(240.0, 1.0, 0.0, 0.002),
        colon(Part::Rectosigmoid, None, At::RECTOSIGMOID)(300.0, 1.0, 0.0, 0.002),
    ]
}

/// Whether the capsule was swallowed fasting or with a meal: the stomach's time differs about eightfold, so that the two are never
/// blended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Prior {
    /// Fasting, as for an examination of the small bowel.
    ///
    /// # Source
    ///
    /// Median 22 min, quartiles 10 and 48 min, of 71 healthy people (O'Grady and others 2020).
    #[default]
    Fasting,
    /// With a meal.
    ///
    /// # Source
    ///
    /// Median 2.99 h, spread of the logarithm 0.38, of 85 volunteers: computed from the table of S. Rauch and others, J. Crit. Care 27
    /// (2012). That the capsule was taken with a meal is from memory.
    Fed,
}

impl Prior {
    /// How long the capsule stays in the stomach.
    #[must_use]
    pub fn stomach(self) -> LogNormal {
        match self {
            Prior::Fasting => {
                let spread_ln = LogNormal::from_quartiles(10.0, 22.0, 48.0).spread_ln();
                LogNormal::new(22.0 * MINUTE_S, spread_ln)
            }
            Prior::Fed => LogNormal::new(2.99 * 60.0 * MINUTE_S, 0.38),
        }
    }
}

/// The index of the stage that a landmark opens; `None` for expulsion, which ends the last.
pub(crate) fn opened_by(stages: &[Stage], kind: LandmarkKind) -> Option<usize> {
    stages.iter().position(|stage| stage.opened_by == Some(kind))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_landmark_but_expulsion_opens_one_stage_in_order() {
        let stages = stages(Prior::Fasting);
        let opened: Vec<usize> = LandmarkKind::ALL
            .iter()
            .filter_map(|&kind| opened_by(&stages, kind))
            .collect();
        assert_eq!(opened, vec![1, 2, 3, 4, 7]);
        assert_eq!(opened_by(&stages, LandmarkKind::Expulsion), None);
    }

    #[test]
    fn the_small_bowel_lasts_as_published() {
        // The sum of the parts' medians stays near the published median of the whole, 198.5 min.
        let sum: f64 = stages(Prior::Fasting)
            .iter()
            .filter(|stage| stage.phase == Phase::SmallBowel)
            .map(|stage| stage.duration.median_s() / MINUTE_S)
            .sum();
        assert!((sum - 198.5).abs() < 5.0);
    }
}
