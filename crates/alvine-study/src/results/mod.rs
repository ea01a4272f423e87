//! Results on disk: the track and the summary.

pub mod summary;
mod track_csv;
mod track_hdf5;

pub use summary::{read_summary, write_summary};
pub use track_csv::{read_track_csv, stream_track_csv, write_track_csv};
pub use track_hdf5::{TrackHead, read_track_hdf5, write_track_hdf5};
