//! When a swallowed capsule passed each landmark of the gut, and how long each part took.
//!
//! A recording and its track are condensed to bins of a few seconds; each bin speaks for or against each *stage* of the
//! passage by what was heard, where the capsule was and how lively it moved; a left-to-right semi-Markov *chain* with
//! published durations turns that into the posterior of every landmark's time, and of whether it was reached at all.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

mod anatomy_density;
mod bins;
mod chain;
pub mod duration;
mod evidence;
pub mod findings;
pub mod live;
pub mod measures;
pub mod motility;
pub mod prior;
pub mod reference;
pub mod refine;
pub mod segment;
pub mod spectrum;
mod stage;
#[cfg(test)]
mod stage_against_people;

pub use duration::LogNormal;
pub use evidence::{Kinds, RhythmHour, RhythmStrength};
pub use findings::{Fraction, PlacedFinding, Route, place_finding};
pub use live::{LiveError, LivePhases, LiveRow, LiveSegmenter, NextLandmark};
pub use measures::{
    Duration, EndedBy, LandmarkSource, PassedPhase, ReportedLandmark, TransitTimes, ended_by, passed_phases,
    report_landmarks, transit_times,
};
pub use prior::{Prior, PriorError, PriorFault};
pub use refine::{RefineError, RefineOptions, Refined, refine};
pub use segment::{
    LandmarkPosterior, Passage, SegmentError, SegmentOptions, Segmenter, SignalEnd, segment, segment_with, usual_gut,
};
