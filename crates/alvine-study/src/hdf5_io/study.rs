//! A study as one HDF5 file.

use std::path::Path;

use crate::fault::{Fault, Place, StudyError};
use crate::study::Study;

pub(crate) fn read(path: &Path) -> Result<Study, StudyError> {
    let message = "not yet".to_owned();
    Err(StudyError::new(Place::file(path), Fault::NotHdf5 { message }))
}

pub(crate) fn write(_study: &Study, path: &Path) -> Result<(), StudyError> {
    let message = "not yet".to_owned();
    Err(StudyError::new(Place::file(path), Fault::NotHdf5 { message }))
}
