//! The stages that a capsule passes in order: what each is, how long it lasts, and how lively the capsule is there.

use alvine::{LandmarkKind, Part, Phase};

use crate::anatomy_density::UsualPlace;
use crate::duration::LogNormal;

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
    /// Median of the liveliness, dB a minute, and the spread of its logarithm.
    pub liveliness: (f64, f64),
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
/// - Liveliness: a capsule at the small bowel's mean speed of 25 mm/min crosses a field that changes by about 1.8 dB/cm
///   (slope of the deep-tissue law at a decimetre), in the colon at 1.5 mm/min. The medians are of that size, the
///   spreads wide, as each moves by bursts and rests: common practice, no source.
#[rustfmt::skip]
pub(crate) fn stages() -> [Stage; 12] {
    use LandmarkKind::{Cardia, DuodenojejunalFlexure, IleocaecalValve, Pylorus, Swallow};
    use UsualPlace as At;
    let stage = |phase, part, opened_by, place, minutes, spread_ln, liveliness, begins| Stage {
        phase, part, opened_by, place, duration: LogNormal::new(minutes * MINUTE_S, spread_ln), liveliness, begins,
    };
    let gut = |phase, part, opened_by, place| move |minutes, spread_ln, liveliness, begins|
        stage(phase, Some(part), opened_by, Some(place), minutes, spread_ln, liveliness, begins);
    let small = |part, opened_by, place| gut(Phase::SmallBowel, part, opened_by, place);
    let colon = |part, opened_by, place| gut(Phase::Colon, part, opened_by, place);
    let stomach_spread = LogNormal::from_quartiles(10.0, 22.0, 48.0).spread_ln();
    [
        stage(Phase::Outside, None, None, None, 10.0, 1.5, (1.5, 1.5), 0.88),
        stage(Phase::Oesophagus, None, Some(Swallow), Some(At::OESOPHAGUS), 8.0 / 60.0, 0.8, (5.0, 1.5), 0.02),
        stage(Phase::Stomach, None, Some(Cardia), Some(At::STOMACH), 22.0, stomach_spread, (0.7, 1.1), 0.06),
        small(Part::Duodenum, Some(Pylorus), At::DUODENUM)(6.0, 0.9, (2.0, 1.1), 0.01),
        small(Part::Jejunum, Some(DuodenojejunalFlexure), At::JEJUNUM)(76.0, 0.55, (1.2, 1.1), 0.01),
        small(Part::Ileum, None, At::ILEUM)(84.0, 0.6, (0.8, 1.1), 0.01),
        small(Part::Ileum, None, At::TERMINAL_ILEUM)(30.0, 0.9, (0.45, 1.1), 0.002),
        colon(Part::Caecum, Some(IleocaecalValve), At::CAECUM)(120.0, 1.0, (0.3, 1.0), 0.002),
        colon(Part::Ascending, None, At::ASCENDING)(240.0, 1.0, (0.3, 1.0), 0.002),
        colon(Part::Transverse, None, At::TRANSVERSE)(300.0, 1.0, (0.3, 1.0), 0.002),
        colon(Part::Descending, None, At::DESCENDING)(240.0, 1.0, (0.3, 1.0), 0.002),
        colon(Part::Rectosigmoid, None, At::RECTOSIGMOID)(300.0, 1.0, (0.3, 1.0), 0.002),
    ]
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
        let stages = stages();
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
        let sum: f64 = stages()
            .iter()
            .filter(|stage| stage.phase == Phase::SmallBowel)
            .map(|stage| stage.duration.median_s() / MINUTE_S)
            .sum();
        assert!((sum - 198.5).abs() < 5.0);
    }
}
