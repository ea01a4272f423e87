//! `locate`: the track, to a file or to standard output.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use alvine_study::Staging;
use alvine_study::results::{read_track_hdf5, stream_track_csv, write_track_csv, write_track_hdf5};

use super::{file_of, has_extension, is_same_file, read_and_analyse, track_head};
use crate::args::StudyArgs;
use crate::outcome::Failure;
use crate::progress::Progress;
use crate::stdout;

/// How a track as CSV begins.
const BEGINNING: &[u8] = b"time_s,x_mm,y_mm,z_mm,";

/// Computes the track and writes it.
pub fn run(of: &StudyArgs, out: &Path, quiet: bool) -> Result<(), Failure> {
    let to_stdout = out.as_os_str() == "-";
    let hdf5 = has_extension(out, &["h5"]);
    if !to_stdout && !hdf5 && !has_extension(out, &["csv"]) {
        return Err(Failure::NoFormat {
            file: out.to_owned(),
            expected: "a file that ends in .csv or .h5, or - for standard output",
        });
    }
    if !to_stdout {
        refuse_to_replace(out, of)?;
    }
    let progress = Progress::new(quiet);
    let (study, analysis) = read_and_analyse(of, &progress)?;
    drop(progress);
    if to_stdout {
        return stdout::stream(|stdout| stream_track_csv(&analysis.track, stdout));
    }
    let (staging, file) = Staging::of_file(out)?;
    if hdf5 {
        write_track_hdf5(&analysis.track, &track_head(&study), &file)?;
    } else {
        write_track_csv(&analysis.track, &file)?;
    }
    Ok(staging.commit()?)
}

/// Refuses a file that is there and is anything but a track: a recording is often called `.csv` too, and cannot be made
/// anew.
///
/// # Errors
///
/// [`Failure::ReplacesSource`] or [`Failure::ReplacesOther`].
pub fn refuse_to_replace(file: &Path, of: &StudyArgs) -> Result<(), Failure> {
    let file = file.to_owned();
    if is_same_file(&file_of(&of.study), &file) {
        return Err(Failure::ReplacesSource { file });
    }
    if !file.is_file() || is_track(&file) {
        return Ok(());
    }
    Err(Failure::ReplacesOther { file })
}

fn is_track(file: &Path) -> bool {
    if has_extension(file, &["h5"]) {
        return read_track_hdf5(file).is_ok();
    }
    let mut beginning = Vec::with_capacity(BEGINNING.len());
    let read = File::open(file).and_then(|file| file.take(BEGINNING.len() as u64).read_to_end(&mut beginning));
    read.is_ok() && beginning == BEGINNING
}
