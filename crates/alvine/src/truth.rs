//! What really happened, where it is known: a phantom's record, or a bench test with surveyed places.

use crate::anatomy::{LandmarkKind, Part, Phase};
use crate::torso::Position;

/// One instant of the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TruthPoint {
    /// Seconds since the recording began.
    pub time_s: f64,
    /// Where the capsule was, mm; `None` outside the body, where no one asks.
    pub position_mm: Option<Position>,
    /// The phase.
    pub phase: Phase,
    /// The part, within the small bowel and colon.
    pub part: Option<Part>,
    /// Arc length along the gut from the mouth, mm; `None` outside the body.
    pub arc_mm: Option<f64>,
}

/// When the capsule really passed a landmark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrueLandmark {
    /// Which landmark.
    pub kind: LandmarkKind,
    /// When; `None` when it was not reached within the recording.
    pub time_s: Option<f64>,
}

/// An antenna that really worked loose.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueLoosening {
    /// Name of the site.
    pub site: String,
    /// From when, s.
    pub start_s: f64,
    /// Until when, s.
    pub end_s: f64,
    /// How much weaker it heard at the end, dB.
    pub loss_db: f64,
}

/// The truth of one recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Truth {
    /// By increasing time.
    pub points: Vec<TruthPoint>,
    /// In the order of passage; every kind once.
    pub landmarks: Vec<TrueLandmark>,
    /// Faults that were put in.
    pub loosenings: Vec<TrueLoosening>,
}
