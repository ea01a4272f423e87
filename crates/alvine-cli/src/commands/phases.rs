//! `phases`: when each landmark was passed and how long each phase took.

use alvine_study::results::summary::{
    Completeness, LandmarkResult, MotilityResult, PhaseResult, StudyHead, Summary, TransitResult,
};
use serde::Serialize;

use super::{read_and_analyse, times};
use crate::args::StudyArgs;
use crate::outcome::Failure;
use crate::plain_text::paragraph;
use crate::progress::Progress;
use crate::stdout;

/// Members of `summary.json`, with its names.
#[derive(Debug, Serialize)]
struct Phases<'a> {
    format: u32,
    study: &'a StudyHead,
    completeness: &'a Completeness,
    landmarks: &'a [LandmarkResult],
    phases: &'a [PhaseResult],
    transit: &'a TransitResult,
    motility: Option<&'a MotilityResult>,
    cautions: &'a [String],
}

/// Prints the times.
pub fn run(of: &StudyArgs, json: bool, quiet: bool) -> Result<(), Failure> {
    let progress = Progress::new(quiet);
    let (study, analysis) = read_and_analyse(of, &progress)?;
    drop(progress);
    let summary = &analysis.summary;
    if json {
        return stdout::json(&part_of(summary));
    }
    if quiet {
        return Ok(());
    }
    let clock = times::clock_of(&study, &analysis);
    let mut text = times::answer(summary, &clock);
    text.push('\n');
    text.push_str(&times::phases(&summary.phases, &clock));
    text.push('\n');
    text.push_str(&times::transit(summary));
    if let Some(motility) = &summary.motility {
        text.push('\n');
        text.push_str(&times::motion(motility));
        text.push('\n');
        text.push_str(&times::rhythm(motility, &clock));
    }
    if !summary.cautions.is_empty() {
        text.push_str("\nCautions\n");
    }
    for caution in &summary.cautions {
        text.push_str(&paragraph(&format!("- {caution}"), 2));
    }
    stdout::text(&text)
}

fn part_of(summary: &Summary) -> Phases<'_> {
    Phases {
        format: summary.format,
        study: &summary.study,
        completeness: &summary.completeness,
        landmarks: &summary.landmarks,
        phases: &summary.phases,
        transit: &summary.transit,
        motility: summary.motility.as_ref(),
        cautions: &summary.cautions,
    }
}
