//! The stages that a capsule passes in order: what each is, and how long it lasts.

use alvine::{LandmarkKind, Part, Phase};

use crate::anatomy_density::UsualPlace;
use crate::duration::LogNormal;
use crate::evidence::rhythm::Band;
use crate::prior::Prior;

/// What a stage is, whatever is expected of it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Kind {
    /// Its name in a prior's file.
    pub name: &'static str,
    pub phase: Phase,
    pub part: Option<Part>,
    /// The landmark at which it begins, if it has one of its own.
    pub opened_by: Option<LandmarkKind>,
    /// The rhythm of its contractions, where it has one that can be seen.
    pub band: Option<Band>,
}

/// One stage.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stage {
    pub phase: Phase,
    pub part: Option<Part>,
    /// The landmark at which it begins, if it has one of its own.
    pub opened_by: Option<LandmarkKind>,
    /// Where it usually is; `None` outside the body.
    pub place: Option<UsualPlace>,
    /// How long it lasts, at a person's own pace where it shares that with others.
    pub duration: LogNormal,
    /// How paces differ between people, as the spread of their logarithm; zero where it shares none.
    pub pace_ln: f64,
    /// The rhythm of its contractions, where it has one that can be seen.
    pub band: Option<Band>,
    /// Probability that the capsule never leaves it.
    pub stays: f64,
    /// Probability that a recording begins in it.
    pub begins: f64,
}

/// Every stage, in order. The last half hour of the ileum is one of its own, as a capsule often waits before the valve (common
/// practice, no source).
#[rustfmt::skip]
pub(crate) const KINDS: [Kind; 12] = {
    use LandmarkKind::{Cardia, DuodenojejunalFlexure, IleocaecalValve, Pylorus, Swallow};
    const fn kind(
        name: &'static str, phase: Phase, part: Option<Part>, opened_by: Option<LandmarkKind>, band: Option<Band>,
    ) -> Kind {
        Kind { name, phase, part, opened_by, band }
    }
    const fn small(name: &'static str, part: Part, opened_by: Option<LandmarkKind>, band: Band) -> Kind {
        kind(name, Phase::SmallBowel, Some(part), opened_by, Some(band))
    }
    const fn colon(name: &'static str, part: Part, opened_by: Option<LandmarkKind>) -> Kind {
        kind(name, Phase::Colon, Some(part), opened_by, None)
    }
    [
        kind("outside", Phase::Outside, None, None, None),
        kind("oesophagus", Phase::Oesophagus, None, Some(Swallow), None),
        kind("stomach", Phase::Stomach, None, Some(Cardia), Some(Band::Stomach)),
        small("duodenum", Part::Duodenum, Some(Pylorus), Band::Jejunum),
        small("jejunum", Part::Jejunum, Some(DuodenojejunalFlexure), Band::Jejunum),
        small("ileum", Part::Ileum, None, Band::Ileum),
        small("terminal-ileum", Part::Ileum, None, Band::TerminalIleum),
        colon("caecum", Part::Caecum, Some(IleocaecalValve)),
        colon("ascending", Part::Ascending, None),
        colon("transverse", Part::Transverse, None),
        colon("descending", Part::Descending, None),
        colon("rectosigmoid", Part::Rectosigmoid, None),
    ]
};

/// Every stage, in order, as a prior expects it.
pub(crate) fn stages(prior: &Prior) -> Vec<Stage> {
    KINDS
        .iter()
        .zip(&prior.stages)
        .map(|(kind, expected)| Stage {
            phase: kind.phase,
            part: kind.part,
            opened_by: kind.opened_by,
            place: expected.place.as_ref().map(|place| place.value),
            duration: expected.duration.value,
            pace_ln: if kind.phase == Phase::Colon {
                prior.colon_pace_ln.value
            } else {
                0.0
            },
            band: kind.band,
            stays: expected.chance.value.stays,
            begins: expected.chance.value.begins,
        })
        .collect()
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
        let stages = stages(&Prior::fasting());
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
        let sum: f64 = stages(&Prior::fasting())
            .iter()
            .filter(|stage| stage.phase == Phase::SmallBowel)
            .map(|stage| stage.duration.median_s() / 60.0)
            .sum();
        assert!((sum - 198.5).abs() < 5.0);
    }
}
