//! `report` and `locate`: results on disk, whole or not at all.

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use alvine_study::results::{TrackHead, stream_track_csv, write_summary, write_track_csv, write_track_hdf5};
use alvine_study::{Staging, Study};
use rayon::prelude::*;

use super::{answer, read_and_analyse};
use crate::analysis::{Analysis, AnalysisOptions};
use crate::outcome::Failure;
use crate::report::{Figure, ReportInput, figures, page, render_png};

/// What was asked of a report.
#[derive(Debug, Clone, Copy)]
pub struct Choices {
    /// Whether to make PNG pictures.
    pub png: bool,
    /// Whether to print the summary as JSON.
    pub json: bool,
    /// Whether to print nothing.
    pub quiet: bool,
    /// Choices about the analysis.
    pub options: AnalysisOptions,
}

/// Writes the whole report.
pub fn run(path: &Path, out: &Path, choices: &Choices) -> Result<(), Failure> {
    let (study, analysis) = read_and_analyse(path, &choices.options, choices.quiet)?;
    write(&study, &analysis, out, choices.png)?;
    if choices.quiet {
        return Ok(());
    }
    let mut stdout = io::stdout().lock();
    if choices.json {
        serde_json::to_writer_pretty(&mut stdout, &analysis.summary)?;
        return Ok(writeln!(stdout)?);
    }
    answer::write_answer(&mut stdout, &study, &analysis.summary)?;
    Ok(writeln!(stdout, "\nThe report: {}", out.join("report.html").display())?)
}

fn write(study: &Study, analysis: &Analysis, out: &Path, png: bool) -> Result<(), Failure> {
    let input = ReportInput {
        study,
        track: &analysis.track,
        summary: &analysis.summary,
    };
    let drawn = figures(&input)?;
    let html = page(&input, &drawn)?;
    let mut staging = Staging::new(out)?;
    write_track_csv(&analysis.track, &staging.path("track.csv"))?;
    write_track_hdf5(&analysis.track, &head(study), &staging.path("track.h5"))?;
    write_summary(&analysis.summary, &staging.path("summary.json"))?;
    for figure in &drawn {
        write_bytes(&staging.path(format!("{}.svg", figure.name)), figure.svg.as_bytes())?;
    }
    if png {
        write_pictures(&drawn, &mut staging)?;
    }
    // The page comes last: who sees it finds the rest in place.
    write_bytes(&staging.path("report.html"), html.as_bytes())?;
    Ok(staging.commit()?)
}

fn write_pictures(drawn: &[Figure], staging: &mut Staging) -> Result<(), Failure> {
    let targets: Vec<PathBuf> = drawn
        .iter()
        .map(|figure| staging.path(format!("{}.png", figure.name)))
        .collect();
    drawn
        .par_iter()
        .zip(targets)
        .try_for_each(|(figure, target)| write_bytes(&target, &render_png(&figure.svg)?))
}

fn head(study: &Study) -> TrackHead {
    TrackHead {
        study_id: study.id.clone(),
        started: study.started,
    }
}

fn write_bytes(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    fs::write(path, bytes).map_err(|cause| Failure::Write {
        path: path.display().to_string(),
        cause,
    })
}

/// Writes the track only.
pub fn locate(path: &Path, out: &Path, options: &AnalysisOptions, quiet: bool) -> Result<(), Failure> {
    let extension = out.extension().and_then(|extension| extension.to_str());
    let to_stdout = out.as_os_str() == "-";
    if !to_stdout && !matches!(extension, Some("csv" | "h5")) {
        return Err(Failure::Usage(format!(
            "{}: --out takes a file that ends in .csv or .h5, or -",
            out.display()
        )));
    }
    let (study, analysis) = read_and_analyse(path, options, quiet)?;
    if to_stdout {
        let mut stdout = io::BufWriter::new(io::stdout().lock());
        stream_track_csv(&analysis.track, &mut stdout)?;
        return Ok(stdout.flush()?);
    }
    let (Some(name), folder) = (out.file_name(), out.parent().unwrap_or(Path::new(""))) else {
        return Err(Failure::Usage(format!("{}: --out takes a file", out.display())));
    };
    let folder = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    let mut staging = Staging::new(folder)?;
    let target = staging.path(name);
    if extension == Some("h5") {
        write_track_hdf5(&analysis.track, &head(&study), &target)?;
    } else {
        write_track_csv(&analysis.track, &target)?;
    }
    Ok(staging.commit()?)
}
