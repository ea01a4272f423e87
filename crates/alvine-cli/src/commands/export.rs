//! `export`: the answers of a study as FHIR, and its path as glTF, for programs that know nothing of alvine.

use std::path::Path;

use alvine::Phase;
use alvine_exchange::fhir::{Answer, Examination, Observed, Unit};
use alvine_exchange::gltf::{self, PhaseSpan};
use alvine_study::Study;
use alvine_study::results::summary::{FindingResult, LandmarkResult, Summary, TransitTime as SummaryTransit};

use super::{file_of, has_extension, is_same_file, read_and_analyse, refuse_personal_data, write_whole};
use crate::analysis::Analysis;
use crate::args::StudyArgs;
use crate::outcome::Failure;
use crate::progress::Progress;
use crate::report::colour;
use crate::stdout;

/// What is asked for.
pub struct Wish<'a> {
    /// The study.
    pub of: &'a StudyArgs,
    /// The bundle's file.
    pub fhir: Option<&'a Path>,
    /// The scene's file.
    pub gltf: Option<&'a Path>,
    /// Whether files that are there may be replaced.
    pub force: bool,
    /// Whether what looks like personal data may pass.
    pub allow_personal_data: bool,
}

/// Analyses a study and writes what is asked for.
pub fn run(wish: &Wish<'_>, quiet: bool) -> Result<(), Failure> {
    refuse(wish)?;
    let progress = Progress::new(quiet);
    let (study, analysis) = read_and_analyse(wish.of, &progress)?;
    drop(progress);
    if !wish.allow_personal_data {
        refuse_personal_data(&wish.of.study, &study)?;
    }
    if let Some(file) = wish.fhir {
        write_whole(file, examination(&study, &analysis.summary).bundle().as_bytes())?;
    }
    if let Some(file) = wish.gltf {
        let (layout, torso) = (&study.setup.layout, &study.setup.torso);
        write_whole(
            file,
            &gltf::scene(&study.id, &analysis.track, &spans(&analysis), layout, torso),
        )?;
    }
    if quiet {
        return Ok(());
    }
    let files = [wish.fhir, wish.gltf];
    let lines = files
        .iter()
        .flatten()
        .map(|file| format!("Written: {}\n", file.display()));
    stdout::text(&lines.collect::<String>())
}

fn refuse(wish: &Wish<'_>) -> Result<(), Failure> {
    let wrong = |file: &Path, expected| Failure::NoFormat {
        file: file.to_owned(),
        expected,
    };
    for (file, extension, expected) in [
        (wish.fhir, "json", "a file that ends in .json for FHIR"),
        (wish.gltf, "glb", "a file that ends in .glb for glTF"),
    ] {
        let Some(file) = file else { continue };
        if !has_extension(file, &[extension]) {
            return Err(wrong(file, expected));
        }
        if is_same_file(&file_of(&wish.of.study), file) {
            let file = file.to_owned();
            return Err(Failure::ReplacesSource { file });
        }
        if !wish.force && file.symlink_metadata().is_ok() {
            let file = file.to_owned();
            return Err(Failure::Exists { file });
        }
    }
    Ok(())
}

/// The phases inside the body, with the report's colours.
fn spans(analysis: &Analysis) -> Vec<PhaseSpan> {
    let phases = analysis.summary.phases.iter().filter_map(|found| {
        let phase: Phase = found.phase.parse().ok()?;
        let colour = colour::of_phase(phase);
        (phase != Phase::Outside).then_some(PhaseSpan {
            phase,
            start_s: found.start_s,
            end_s: found.end_s,
            colour: [colour.red, colour.green, colour.blue],
        })
    });
    phases.collect()
}

fn examination(study: &Study, summary: &Summary) -> Examination {
    let started = study.started.map(|started| {
        let text = started.to_string();
        // The last six characters are the offset, whatever the fraction of the second.
        let offset = text.get(text.len() - 6..).unwrap_or("+00:00").to_owned();
        (started.civil, offset)
    });
    let time_s = study.recording.time_s();
    let mut observations = completeness(summary);
    observations.extend(summary.landmarks.iter().map(landmark));
    for (name, time) in summary.transit.named() {
        observations.push(transit_time(name, time));
    }
    observations.extend(summary.findings.iter().map(finding));
    Examination {
        study: study.id.clone(),
        made_by: format!("alvine {}", summary.method.version),
        started,
        end_s: time_s[time_s.len() - 1],
        conclusion: format!(
            "{} Computed from signal strength: information for whoever reads the examination, not a diagnosis.",
            summary.completeness.statement
        ),
        observations,
    }
}

fn completeness(summary: &Summary) -> Vec<Observed> {
    let found = &summary.completeness;
    vec![
        Observed {
            name: "completeness".to_owned(),
            what: "Whether the small bowel was passed whole".to_owned(),
            value: Some(Answer::Words(found.status.as_str().to_owned())),
            note: Some(found.statement.clone()),
            ..Observed::default()
        },
        Observed {
            name: "probability-complete".to_owned(),
            what: "Probability that the ileocaecal valve was passed within the recording".to_owned(),
            value: Some(Answer::Quantity(found.probability_complete, Unit::One)),
            ..Observed::default()
        },
    ]
}

fn landmark(found: &LandmarkResult) -> Observed {
    Observed {
        name: format!("landmark-{}", found.kind),
        what: format!("Time of the {} since the recording began", found.kind),
        value: found.time_s.map(|time_s| Answer::Quantity(time_s, Unit::Second)),
        interval90: found.interval90_s,
        time_s: found.time_s,
        method: Some(found.source.as_str().to_owned()),
        reason: found.reason.clone(),
        ..Observed::default()
    }
}

fn transit_time(name: &str, time: &SummaryTransit) -> Observed {
    let source = time.reference_source.as_ref().zip(time.reference_kind.as_ref());
    Observed {
        name: format!("transit-{name}"),
        what: format!("{name} transit time"),
        value: time
            .duration_s
            .map(|duration_s| Answer::Quantity(duration_s, Unit::Second)),
        at_least: time.censored,
        interval90: time.interval90_s,
        reference: time
            .reference_range_s
            .zip(source)
            .map(|(range_s, (source, kind))| (range_s, format!("{kind}: {source}"))),
        ..Observed::default()
    }
}

fn finding(found: &FindingResult) -> Observed {
    Observed {
        name: format!("finding-{}", found.id),
        what: format!(
            "Finding {}: fraction of the small-bowel transit time, pylorus 0, valve 1",
            found.id
        ),
        value: found
            .time_fraction
            .map(|fraction| Answer::Quantity(fraction, Unit::One)),
        interval90: found.time_fraction_interval90,
        time_s: Some(found.time_s),
        reason: found.reason.clone(),
        note: found.note.clone(),
        ..Observed::default()
    }
}
