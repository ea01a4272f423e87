//! Which container a path is, and the two ways in and out.

use std::fs::{self, File};
use std::io::Read;
use std::path::Path;

use crate::description::describe;
use crate::fault::{Fault, Place, StudyError};
use crate::hdf5_io;
use crate::recording_csv::{self, read_text};
use crate::staging::Staging;
use crate::study::Study;
use crate::toml_study::{self, FILE_NAME, RECORDING_NAME, TomlStudy};

/// No `study.toml` is larger than this, bytes.
const LARGEST_TOML: u64 = 64 << 20;
/// How an HDF5 file begins.
const HDF5_MAGIC: &[u8; 8] = b"\x89HDF\r\n\x1a\n";

/// Reads a study from a `study.toml`, the folder that holds it, or an HDF5 file.
///
/// A file is HDF5 when it begins like one or is named `.h5`, `.hdf5` or `.nc`.
///
/// # Errors
///
/// The first fault met, with its place.
pub fn read_study(path: &Path) -> Result<Study, StudyError> {
    let metadata = fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => {
            let expected = "a study.toml, the folder that holds it, or an HDF5 file (.h5)".to_owned();
            StudyError::new(Place::file(path), Fault::NotFound { expected })
        }
        _ => StudyError::io(path, "read", error),
    })?;
    if metadata.is_dir() {
        return read_toml(&path.join(FILE_NAME));
    }
    let extension = path
        .extension()
        .map(|extension| extension.to_string_lossy().to_lowercase());
    match extension.as_deref() {
        Some("h5" | "hdf5" | "nc") => hdf5_io::study::read(path),
        _ if begins_like_hdf5(path)? => hdf5_io::study::read(path),
        Some("csv") => {
            let fault = Fault::WrongKind {
                found: "a CSV file".to_owned(),
                expected: "the study.toml that names it, or their folder",
            };
            Err(StudyError::new(Place::file(path), fault))
        }
        _ => read_toml(path),
    }
}

fn begins_like_hdf5(path: &Path) -> Result<bool, StudyError> {
    let mut beginning = Vec::with_capacity(HDF5_MAGIC.len());
    File::open(path)
        .and_then(|file| file.take(HDF5_MAGIC.len() as u64).read_to_end(&mut beginning))
        .map_err(|error| StudyError::io(path, "read", error))?;
    Ok(beginning == HDF5_MAGIC)
}

fn read_toml(file: &Path) -> Result<Study, StudyError> {
    let text = read_text(file, "the description of a study", LARGEST_TOML)?;
    let toml = TomlStudy::parse(file, &text)?;
    let description = describe(&toml)?;
    let csv = file.with_file_name("").join(toml.recording()?);
    let (recording, auxiliary) = recording_csv::read(&csv, &description.setup.layout)?;
    Ok(description.into_study(recording, auxiliary))
}

/// Writes a study as `study.toml` and `recording.csv` into a folder, each whole or not at all.
///
/// # Errors
///
/// When the study holds what no file can, or when a file cannot be written.
pub fn write_study_toml(study: &Study, dir: &Path) -> Result<(), StudyError> {
    let toml = dir.join(FILE_NAME);
    study
        .check()
        .map_err(|fault| StudyError::new(Place::file(&toml), fault))?;
    let mut staging = Staging::new(dir)?;
    recording_csv::write(
        &staging.path(RECORDING_NAME),
        &study.setup.layout,
        &study.recording,
        &study.auxiliary,
    )?;
    fs::write(staging.path(FILE_NAME), toml_study::text_of(study))
        .map_err(|error| StudyError::io(&toml, "written", error))?;
    staging.commit()
}

/// Writes a study as one HDF5 file, whole or not at all.
///
/// # Errors
///
/// When the study holds what no file can, or when the file cannot be written.
pub fn write_study_hdf5(study: &Study, path: &Path) -> Result<(), StudyError> {
    study
        .check()
        .map_err(|fault| StudyError::new(Place::file(path), fault))?;
    if path.file_name().is_none() {
        let fault = Fault::WrongKind {
            found: "a path without a file's name".to_owned(),
            expected: "the name of an HDF5 file, such as study.h5",
        };
        return Err(StudyError::new(Place::file(path), fault));
    }
    let (staging, file) = Staging::of_file(path)?;
    hdf5_io::study::write(study, &file)?;
    staging.commit()
}
