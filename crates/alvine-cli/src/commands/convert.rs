//! `convert`: a study into the other container.

use std::path::Path;

use alvine_study::{read_study, shift_days, write_study_hdf5, write_study_toml};

use super::{file_of, has_extension, is_same_file, refuse_personal_data};
use crate::outcome::Failure;

/// What to change on the way, and what to let pass.
#[derive(Debug, Clone, Copy)]
pub struct Wish {
    /// Replace another study.
    pub force: bool,
    /// Move the date by so many days.
    pub shift_days: Option<i32>,
    /// Leave the date out.
    pub no_date: bool,
    /// Let pass what looks like personal data.
    pub allow_personal_data: bool,
}

/// Converts a study. It never takes the place of its own source, and that of another only when forced.
pub fn run(from: &Path, to: &Path, wish: &Wish) -> Result<(), Failure> {
    let hdf5 = has_extension(to, &["h5"]);
    if !hdf5 && has_extension(to, &["toml", "csv", "hdf5", "nc", "json"]) {
        return Err(Failure::NoFormat {
            file: to.to_owned(),
            expected: "a file that ends in .h5, or a folder",
        });
    }
    let mut study = read_study(from)?;
    if !wish.allow_personal_data {
        refuse_personal_data(from, &study)?;
    }
    if let Some(days) = wish.shift_days {
        study = shift_days(&study, days).ok_or(Failure::Option {
            option: "--shift-days",
            found: f64::from(days),
            expected: "a number of days that leaves the study's date within the years 0 to 9999",
        })?;
    }
    if wish.no_date {
        study.started = None;
    }
    let targets = if hdf5 {
        vec![to.to_owned()]
    } else {
        vec![to.join("study.toml"), to.join("recording.csv")]
    };
    for file in targets {
        if is_same_file(&file_of(from), &file) {
            return Err(Failure::ReplacesSource { file });
        }
        if !wish.force && file.symlink_metadata().is_ok() {
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
