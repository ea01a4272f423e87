//! How far a result is from the truth: pure functions of what is in memory.

mod landmarks;
mod loosenings;
mod summary;
mod track;

pub use landmarks::{LandmarkEstimate, LandmarkScore, score_landmarks};
pub use loosenings::{FoundLoosening, LooseningScore, score_loosenings};
pub use summary::ErrorSummary;
pub use track::{Consistency, TrackScore, Uncompared, score_track};
