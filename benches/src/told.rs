//! What a simulated study is, and what is told of it beforehand.

use alvine::{LandmarkKind, ReaderLandmark, Trajectory};
use alvine_phantom::{Scenario, Simulated};
use alvine_transit::{Prior, RefineError, RefineOptions, Refined, refine};

/// The scenario of a seed: all of the phantom's in turn.
#[must_use]
pub fn scenario_of(seed: u64) -> &'static str {
    Scenario::NAMES[(seed % Scenario::NAMES.len() as u64) as usize]
}

/// What is expected of a scenario: whether there was a meal is told.
#[must_use]
pub fn prior_of(scenario: &str) -> Prior {
    if scenario == "fed" {
        Prior::fed()
    } else {
        Prior::fasting()
    }
}

/// The swallow, as the practitioner tells it.
#[must_use]
pub fn swallow(made: &Simulated) -> ReaderLandmark {
    ReaderLandmark {
        kind: LandmarkKind::Swallow,
        time_s: made.swallowed_s,
        spread_s: None,
    }
}

/// When a landmark was passed, s; `None` where it was not within the recording.
#[must_use]
pub fn true_s(made: &Simulated, kind: LandmarkKind) -> Option<f64> {
    let landmarks = &made.truth.landmarks;
    landmarks.iter().find(|landmark| landmark.kind == kind)?.time_s
}

/// Track and phases of a study, told the swallow.
///
/// # Errors
///
/// Those of the estimator and of the segmentation.
pub fn refine_told(made: &Simulated, options: &RefineOptions) -> Result<Refined, RefineError> {
    let (trajectory, given) = (Trajectory::default(), [swallow(made)]);
    refine(&trajectory, &made.setup, &made.recording, &given, options, &|_| ())
}
