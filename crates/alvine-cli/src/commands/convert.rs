//! `convert`: a study into the other container, and its recording into EDF+ and back.

use std::path::{Path, PathBuf};

use alvine_study::{Study, read_study, shift_days, write_study_hdf5, write_study_toml};

use super::{edf, file_of, has_extension, is_same_file, refuse_personal_data};
use crate::outcome::Failure;
use crate::stdout;

/// What is asked of a conversion: what to change on the way, and what to let pass.
#[derive(Debug, Clone, Copy)]
pub struct Wish<'a> {
    /// The study, or a recording in EDF+.
    pub from: &'a Path,
    /// Where to.
    pub to: &'a Path,
    /// Where the setup is, for a recording in EDF+.
    pub setup: Option<&'a Path>,
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
pub fn run(wish: &Wish<'_>, quiet: bool) -> Result<(), Failure> {
    let (hdf5, to_edf) = (has_extension(wish.to, &["h5"]), has_extension(wish.to, &["edf"]));
    if !hdf5 && !to_edf && has_extension(wish.to, &["toml", "csv", "hdf5", "nc", "json"]) {
        return Err(Failure::NoFormat {
            file: wish.to.to_owned(),
            expected: "a file that ends in .h5 or .edf, or a folder",
        });
    }
    let (study, mut told) = read(wish)?;
    let study = to_hand_on(wish, study)?;
    let targets = if hdf5 || to_edf {
        vec![wish.to.to_owned()]
    } else {
        vec![wish.to.join("study.toml"), wish.to.join("recording.csv")]
    };
    refuse_to_replace(wish, targets)?;
    if to_edf {
        told.extend(edf::export(&study, wish.to)?);
    } else if hdf5 {
        write_study_hdf5(&study, wish.to)?;
    } else {
        write_study_toml(&study, wish.to)?;
    }
    if quiet || told.is_empty() {
        return Ok(());
    }
    stdout::text(&told.concat())
}

fn read(wish: &Wish<'_>) -> Result<(Study, Vec<String>), Failure> {
    let file = wish.from.to_owned();
    match (has_extension(wish.from, &["edf"]), wish.setup) {
        (true, Some(setup)) => edf::import(wish.from, setup),
        (true, None) => Err(edf::EdfFailure::NoSetup { file }.into()),
        (false, Some(_)) => Err(edf::EdfFailure::NeedlessSetup { file }.into()),
        (false, None) => Ok((read_study(wish.from)?, Vec::new())),
    }
}

/// The study as it may be handed on.
fn to_hand_on(wish: &Wish<'_>, mut study: Study) -> Result<Study, Failure> {
    if !wish.allow_personal_data {
        refuse_personal_data(wish.from, &study)?;
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
    Ok(study)
}

fn refuse_to_replace(wish: &Wish<'_>, targets: Vec<PathBuf>) -> Result<(), Failure> {
    for file in targets {
        let sources = [Some(file_of(wish.from)), wish.setup.map(file_of)];
        if sources.iter().flatten().any(|source| is_same_file(source, &file)) {
            return Err(Failure::ReplacesSource { file });
        }
        if !wish.force && file.symlink_metadata().is_ok() {
            return Err(Failure::Exists { file });
        }
    }
    Ok(())
}
