//! Results on disk: the track and the summary.

pub mod summary;
