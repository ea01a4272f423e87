//! `track.h5`: the track as a CF trajectory.

use std::path::Path;

use alvine::Track;

use crate::fault::{Fault, Place, StudyError};
use crate::study::Started;

/// What a track's file says besides the track.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TrackHead {
    /// The study's pseudonym.
    pub study_id: String,
    /// When time 0 was.
    pub started: Option<Started>,
}

/// Writes a track as a CF trajectory.
///
/// # Errors
///
/// When the file cannot be written.
pub fn write_track_hdf5(_track: &Track, _head: &TrackHead, to: &Path) -> Result<(), StudyError> {
    let message = "not yet".to_owned();
    Err(StudyError::new(Place::file(to), Fault::NotHdf5 { message }))
}

/// Reads a track.
///
/// # Errors
///
/// A [`StudyError`] with the place of the first fault.
pub fn read_track_hdf5(from: &Path) -> Result<Track, StudyError> {
    let message = "not yet".to_owned();
    Err(StudyError::new(Place::file(from), Fault::NotHdf5 { message }))
}
