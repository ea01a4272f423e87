//! `score`: a report against the truth.

use std::io::{self, Write};
use std::path::Path;

use alvine::LandmarkKind;
use alvine_phantom::score::{
    ErrorSummary, FoundLoosening, LandmarkEstimate, LandmarkScore, LooseningScore, TrackScore, score_landmarks,
    score_loosenings, score_track,
};
use alvine_study::read_truth;
use alvine_study::results::summary::Summary;
use alvine_study::results::{read_summary, read_track_csv};
use serde_json::{Value, json};

use super::answer::length;
use crate::outcome::Failure;

/// Scores a report's folder.
pub fn run(results: &Path, truth: &Path, json: bool, quiet: bool) -> Result<(), Failure> {
    let track = read_track_csv(&results.join("track.csv"))?;
    let summary = read_summary(&results.join("summary.json"))?;
    let truth = read_truth(truth)?;
    let track_score = score_track(&track, &truth);
    let landmarks = score_landmarks(&estimates(&summary), &truth);
    let loosenings = score_loosenings(&found_loosenings(&summary), &truth);
    let mut stdout = io::stdout().lock();
    if json {
        serde_json::to_writer_pretty(&mut stdout, &as_json(&track_score, &landmarks, &loosenings))?;
        return Ok(writeln!(stdout)?);
    }
    if quiet {
        return Ok(());
    }
    Ok(write_score(&mut stdout, &track_score, &landmarks, &loosenings)?)
}

fn estimates(summary: &Summary) -> Vec<LandmarkEstimate> {
    summary
        .landmarks
        .iter()
        .filter_map(|landmark| {
            Some(LandmarkEstimate {
                kind: landmark.kind.parse::<LandmarkKind>().ok()?,
                time_s: landmark.time_s,
                interval50_s: landmark.interval50_s,
                interval90_s: landmark.interval90_s,
            })
        })
        .collect()
}

fn found_loosenings(summary: &Summary) -> Vec<FoundLoosening> {
    summary
        .quality
        .loosenings
        .iter()
        .map(|span| FoundLoosening {
            site: span.site.clone(),
            start_s: span.start_s,
            end_s: span.end_s,
        })
        .collect()
}

fn write_score(
    out: &mut dyn Write,
    track: &TrackScore,
    landmarks: &[LandmarkScore],
    loosenings: &LooseningScore,
) -> io::Result<()> {
    writeln!(
        out,
        "{:<26}{:>10}{:>12}{:>10}{:>10}",
        "position error, mm", "median", "95 %", "rms", "instants"
    )?;
    let planes = [
        ("in space", &track.space_mm),
        ("coronal plane", &track.coronal_mm),
        ("sagittal plane", &track.sagittal_mm),
        ("axial plane", &track.axial_mm),
    ];
    for (name, summary) in planes {
        if let Some(summary) = summary {
            write_error(out, name, summary)?;
        }
    }
    for (phase, summary) in &track.by_phase {
        write_error(out, phase.as_str(), summary)?;
    }
    if let Some(fit) = &track.consistency {
        writeln!(
            out,
            "\ntruth inside the 50, 90 and 95 % ellipsoids: {:.0}, {:.0}, {:.0} %; mean normalised squared error {:.2} (3 is right)",
            100.0 * fit.inside_50,
            100.0 * fit.inside_90,
            100.0 * fit.inside_95,
            fit.nees_mean
        )?;
    }
    writeln!(
        out,
        "
{:<26}{:>14}{:>14}{:>10}   inside 90 %",
        "landmark", "true", "estimated", "error"
    )?;
    for landmark in landmarks {
        let time = |time_s: Option<f64>| time_s.map_or("-".to_owned(), length);
        let inside = landmark
            .inside90
            .map_or("-", |inside| if inside { "yes" } else { "no" });
        let error = landmark
            .error_s
            .map_or("-".to_owned(), |error_s| format!("{error_s:.0} s"));
        writeln!(
            out,
            "{:<26}{:>14}{:>14}{error:>10}   {inside}",
            landmark.kind.as_str(),
            time(landmark.true_s),
            time(landmark.estimated_s)
        )?;
    }
    writeln!(
        out,
        "\nloosened antennas: {} of {} found, {} of {} reports right",
        loosenings.truly_found, loosenings.truly, loosenings.found_right, loosenings.found
    )
}

fn write_error(out: &mut dyn Write, name: &str, summary: &ErrorSummary) -> io::Result<()> {
    writeln!(
        out,
        "{name:<26}{:>10.1}{:>12.1}{:>10.1}{:>10}",
        summary.median_mm, summary.percentile95_mm, summary.rmse_mm, summary.count
    )
}

fn as_json(track: &TrackScore, landmarks: &[LandmarkScore], loosenings: &LooseningScore) -> Value {
    let error = |summary: &ErrorSummary| {
        json!({
            "median_mm": summary.median_mm, "percentile95_mm": summary.percentile95_mm,
            "rmse_mm": summary.rmse_mm, "count": summary.count,
        })
    };
    let phases: serde_json::Map<String, Value> = track
        .by_phase
        .iter()
        .map(|(phase, summary)| (phase.to_string(), error(summary)))
        .collect();
    json!({
        "space": track.space_mm.as_ref().map(error),
        "coronal": track.coronal_mm.as_ref().map(error),
        "sagittal": track.sagittal_mm.as_ref().map(error),
        "axial": track.axial_mm.as_ref().map(error),
        "by_phase": phases,
        "consistency": track.consistency.map(|fit| json!({
            "nees_mean": fit.nees_mean, "inside_50": fit.inside_50, "inside_90": fit.inside_90, "inside_95": fit.inside_95,
        })),
        "landmarks": landmarks.iter().map(|landmark| json!({
            "kind": landmark.kind.as_str(), "true_s": landmark.true_s, "estimated_s": landmark.estimated_s,
            "error_s": landmark.error_s, "inside50": landmark.inside50, "inside90": landmark.inside90, "agreed": landmark.agreed,
        })).collect::<Vec<_>>(),
        "loosenings": {
            "found": loosenings.found, "found_right": loosenings.found_right, "truly": loosenings.truly,
            "truly_found": loosenings.truly_found, "precision": loosenings.precision, "recall": loosenings.recall,
        },
    })
}
