//! How far a result is from the truth: pure functions of what is in memory.

mod consistency;
mod landmarks;
mod loosenings;
mod summary;
mod track;

pub use consistency::Consistency;
pub use landmarks::{LandmarkEstimate, LandmarkScore, score_landmarks};
pub use loosenings::{FoundLoosening, LooseningScore, score_loosenings};
pub use summary::ErrorSummary;
pub use track::{TrackScore, Uncompared, score_track};
