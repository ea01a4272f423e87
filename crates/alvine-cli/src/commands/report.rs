//! `report`: the whole report of a study, its files whole or not at all.

use std::fs;
use std::path::{Path, PathBuf};

use alvine_study::results::{write_summary, write_track_csv, write_track_hdf5};
use alvine_study::{Staging, Study};
use rayon::prelude::*;

use super::{locate, read_and_analyse, times, track_head};
use crate::analysis::Analysis;
use crate::args::StudyArgs;
use crate::outcome::Failure;
use crate::plain_text::paragraph;
use crate::progress::Progress;
use crate::report::{Figure, ReportError, ReportInput, figures, page, render_png};
use crate::stdout;

const CSV_NAME: &str = "track.csv";
const HDF5_NAME: &str = "track.h5";
const SUMMARY_NAME: &str = "summary.json";
const PAGE_NAME: &str = "report.html";

/// What was asked of a report.
#[derive(Debug, Clone, Copy)]
pub struct Wish<'a> {
    /// The study.
    pub of: &'a StudyArgs,
    /// The folder.
    pub out: &'a Path,
    /// Whether to make PNG pictures.
    pub png: bool,
    /// Whether to print the summary as JSON.
    pub json: bool,
}

/// Writes the report, and prints the short answer.
pub fn run(wish: &Wish<'_>, quiet: bool) -> Result<(), Failure> {
    for name in [CSV_NAME, HDF5_NAME] {
        locate::refuse_to_replace(&wish.out.join(name), wish.of)?;
    }
    let progress = Progress::new(quiet);
    let (study, analysis) = read_and_analyse(wish.of, &progress)?;
    let drawn = write(wish, &study, &analysis, &progress)?;
    drop(progress);
    if wish.json {
        return stdout::json(&analysis.summary);
    }
    if quiet {
        return Ok(());
    }
    let mut text = times::answer(&analysis.summary, &times::clock_of(&study, &analysis));
    text.push('\n');
    text.push_str(&whereabouts(wish, drawn));
    stdout::text(&text)
}

/// Writes every file; says how many figures there are.
fn write(wish: &Wish<'_>, study: &Study, analysis: &Analysis, progress: &Progress) -> Result<usize, Failure> {
    progress.begin("drawing");
    let input = ReportInput {
        study,
        track: &analysis.track,
        summary: &analysis.summary,
        parts: Some(&analysis.parts),
    };
    let drawn = figures(&input)?;
    let page = page(&input, &drawn)?;
    let pictures = if wish.png { pictures(&drawn)? } else { Vec::new() };
    progress.begin("writing");
    let mut staging = Staging::new(wish.out)?;
    write_track_csv(&analysis.track, &staging.path(CSV_NAME))?;
    write_track_hdf5(&analysis.track, &track_head(study), &staging.path(HDF5_NAME))?;
    write_summary(&analysis.summary, &staging.path(SUMMARY_NAME))?;
    let mut put = |name: &Path, bytes: &[u8]| {
        fs::write(staging.path(name), bytes).map_err(|source| Failure::Write {
            file: wish.out.join(name),
            source,
        })
    };
    for figure in &drawn {
        put(&named(figure, "svg"), figure.svg.as_bytes())?;
    }
    for (figure, picture) in drawn.iter().zip(&pictures) {
        put(&named(figure, "png"), picture)?;
    }
    // The page comes last: whoever sees it finds the rest in place.
    put(Path::new(PAGE_NAME), page.as_bytes())?;
    staging.commit()?;
    if !wish.png {
        remove_old_pictures(wish.out, &drawn);
    }
    Ok(drawn.len())
}

fn pictures(drawn: &[Figure]) -> Result<Vec<Vec<u8>>, ReportError> {
    drawn.par_iter().map(|figure| render_png(&figure.svg)).collect()
}

fn named(figure: &Figure, extension: &str) -> PathBuf {
    PathBuf::from(format!("{}.{extension}", figure.name))
}

/// Pictures of an earlier report would show another result than the page beside them.
fn remove_old_pictures(out: &Path, drawn: &[Figure]) {
    for figure in drawn {
        // Where there is none, nothing is to be done.
        let _ = fs::remove_file(out.join(named(figure, "png")));
    }
}

fn whereabouts(wish: &Wish<'_>, drawn: usize) -> String {
    let forms = if wish.png { "SVG and PNG" } else { "SVG" };
    let page = wish.out.join(PAGE_NAME);
    let mut text = format!("Report: {}\n", page.display());
    text.push_str(&paragraph(
        &format!("Beside it: {SUMMARY_NAME}, {CSV_NAME}, {HDF5_NAME}, and {drawn} figures as {forms}."),
        0,
    ));
    text
}
