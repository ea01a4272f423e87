//! Landmarks against the truth: error of time, and whether the intervals hold it.

use alvine::{LandmarkKind, Truth};

/// A landmark as a result places it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LandmarkEstimate {
    /// Which landmark.
    pub kind: LandmarkKind,
    /// When; `None` where the result says that it was not reached in the recording.
    pub time_s: Option<f64>,
    /// From when to when with a probability of one half, s, where the result says so.
    pub interval50_s: Option<[f64; 2]>,
    /// From when to when with a probability of 90 %, s, where the result says so.
    pub interval90_s: Option<[f64; 2]>,
}

/// One landmark against the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LandmarkScore {
    /// Which landmark.
    pub kind: LandmarkKind,
    /// When it was passed; `None` where it was not within the recording.
    pub true_s: Option<f64>,
    /// When the result says; `None` where it says not, or nothing.
    pub estimated_s: Option<f64>,
    /// Estimated less true, s; `None` unless both have a time.
    pub error_s: Option<f64>,
    /// Whether the true time lies in the 50 % interval; `None` without both.
    pub inside50: Option<bool>,
    /// Whether the true time lies in the 90 % interval; `None` without both.
    pub inside90: Option<bool>,
    /// Whether result and truth agree that it was reached within the recording, or that it was not.
    pub agreed: bool,
}

/// Scores landmarks against the truth: one score for each landmark that the truth knows, in its order.
///
/// A landmark that the result leaves out counts as said not to be reached; of two estimates of one kind the first
/// counts.
#[must_use]
pub fn score_landmarks(estimates: &[LandmarkEstimate], truth: &Truth) -> Vec<LandmarkScore> {
    truth
        .landmarks
        .iter()
        .map(|landmark| {
            let estimate = estimates.iter().find(|estimate| estimate.kind == landmark.kind);
            let estimated_s = estimate.and_then(|estimate| estimate.time_s);
            let holds = |interval_s: Option<[f64; 2]>| {
                let ([from_s, to_s], true_s) = (interval_s?, landmark.time_s?);
                Some((from_s..=to_s).contains(&true_s))
            };
            LandmarkScore {
                kind: landmark.kind,
                true_s: landmark.time_s,
                estimated_s,
                error_s: estimated_s
                    .zip(landmark.time_s)
                    .map(|(estimated, truth)| estimated - truth),
                inside50: estimate.and_then(|estimate| holds(estimate.interval50_s)),
                inside90: estimate.and_then(|estimate| holds(estimate.interval90_s)),
                agreed: estimated_s.is_some() == landmark.time_s.is_some(),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::TrueLandmark;

    #[test]
    fn errors_intervals_and_agreement_are_told_apart() {
        let truth = Truth {
            landmarks: [
                (LandmarkKind::Cardia, Some(100.0)),
                (LandmarkKind::Pylorus, Some(900.0)),
                (LandmarkKind::IleocaecalValve, None),
                (LandmarkKind::Expulsion, None),
            ]
            .map(|(kind, time_s)| TrueLandmark { kind, time_s })
            .to_vec(),
            ..Truth::default()
        };
        let estimate = |kind, time_s, interval50_s, interval90_s| LandmarkEstimate {
            kind,
            time_s,
            interval50_s,
            interval90_s,
        };
        let scores = score_landmarks(
            &[
                estimate(
                    LandmarkKind::Cardia,
                    Some(130.0),
                    Some([120.0, 140.0]),
                    Some([90.0, 170.0]),
                ),
                estimate(
                    LandmarkKind::IleocaecalValve,
                    Some(5000.0),
                    None,
                    Some([4000.0, 6000.0]),
                ),
            ],
            &truth,
        );
        assert_eq!(
            (scores[0].error_s, scores[0].inside50, scores[0].inside90),
            (Some(30.0), Some(false), Some(true))
        );
        assert!(scores[0].agreed);
        assert!(!scores[1].agreed && scores[1].error_s.is_none());
        assert!(!scores[2].agreed && scores[2].inside90.is_none());
        assert!(scores[3].agreed);
    }
}
