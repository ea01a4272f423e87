//! What a human reader saw in the images: landmarks and findings, with their times.

use crate::anatomy::LandmarkKind;

/// A landmark that a reader placed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReaderLandmark {
    /// Which landmark.
    pub kind: LandmarkKind,
    /// When, seconds since the recording began.
    pub time_s: f64,
    /// Standard deviation of that, s, where the reader gave one.
    pub spread_s: Option<f64>,
}

/// A finding that a reader marked.
#[derive(Debug, Clone, PartialEq)]
pub struct ReaderFinding {
    /// Its name in the study.
    pub id: String,
    /// When, seconds since the recording began.
    pub time_s: f64,
    /// What it was, in the reader's words.
    pub note: Option<String>,
}
