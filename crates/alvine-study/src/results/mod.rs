//! Results on disk: the track, the summary, and the maps of a layout.

mod layout_map;
pub mod summary;
mod track_csv;
mod track_hdf5;

pub use layout_map::{LayoutMap, write_layout_map_csv, write_layout_map_hdf5};
pub use summary::{read_summary, write_summary};
pub use track_csv::{read_track_csv, stream_track_csv, write_track_csv};
pub use track_hdf5::{TrackHead, read_track_hdf5, write_track_hdf5};
