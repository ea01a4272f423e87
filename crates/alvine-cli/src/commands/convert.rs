//! `convert`: a study into the other container.

use std::path::Path;

use alvine_study::{read_study, write_study_hdf5, write_study_toml};

use super::{file_of, has_extension, is_same_file};
use crate::outcome::Failure;

/// Converts a study. It never takes the place of its own source, and that of another only when forced.
pub fn run(from: &Path, to: &Path, force: bool) -> Result<(), Failure> {
    let hdf5 = has_extension(to, &["h5"]);
    if !hdf5 && has_extension(to, &["toml", "csv", "hdf5", "nc", "json"]) {
        return Err(Failure::NoFormat {
            file: to.to_owned(),
            expected: "a file that ends in .h5, or a folder",
        });
    }
    let study = read_study(from)?;
    let targets = if hdf5 {
        vec![to.to_owned()]
    } else {
        vec![to.join("study.toml"), to.join("recording.csv")]
    };
    for file in targets {
        if is_same_file(&file_of(from), &file) {
            return Err(Failure::ReplacesSource { file });
        }
        if !force && file.symlink_metadata().is_ok() {
            return Err(Failure::Exists { file });
        }
    }
    if hdf5 {
        write_study_hdf5(&study, to)?;
    } else {
        write_study_toml(&study, to)?;
    }
    Ok(())
}
