//! `score`: a report against the truth.

use std::path::Path;

use alvine_phantom::score::{
    Consistency, ErrorSummary, FoundLoosening, LandmarkEstimate, LandmarkScore, LooseningScore, TrackScore,
    score_landmarks, score_loosenings, score_track,
};
use alvine_study::read_truth;
use alvine_study::results::summary::Summary;
use alvine_study::results::{read_summary, read_track_csv};
use serde_json::{Map, Value, json};

use super::times::source_word;
use crate::outcome::Failure;
use crate::plain_text::{Align, Table, paragraph};
use crate::report::clock::duration;
use crate::report::words;
use crate::stdout;

/// A report's scores.
struct Scores {
    summary: Summary,
    track: TrackScore,
    landmarks: Vec<LandmarkScore>,
    loosenings: LooseningScore,
}

/// Scores a report's folder.
pub fn run(results: &Path, truth: &Path, json: bool, quiet: bool) -> Result<(), Failure> {
    let summary = read_summary(&results.join("summary.json"))?;
    let track = read_track_csv(&results.join("track.csv"))?;
    let truth = read_truth(truth)?;
    let scores = Scores {
        track: score_track(&track, &truth),
        landmarks: score_landmarks(&estimates(&summary), &truth),
        loosenings: score_loosenings(&found_loosenings(&summary), &truth),
        summary,
    };
    if json {
        return stdout::json(&as_json(&scores));
    }
    if quiet {
        return Ok(());
    }
    stdout::text(&described(&scores))
}

fn estimates(summary: &Summary) -> Vec<LandmarkEstimate> {
    let estimates = summary.landmarks.iter().filter_map(|landmark| {
        Some(LandmarkEstimate {
            kind: landmark.kind.parse().ok()?,
            time_s: landmark.time_s,
            interval50_s: landmark.interval50_s,
            interval90_s: landmark.interval90_s,
        })
    });
    estimates.collect()
}

fn found_loosenings(summary: &Summary) -> Vec<FoundLoosening> {
    let spans = summary.quality.loosenings.iter().map(|span| FoundLoosening {
        site: span.site.clone(),
        start_s: span.start_s,
        end_s: span.end_s,
    });
    spans.collect()
}

fn described(scores: &Scores) -> String {
    let mut text = positions(&scores.track);
    text.push('\n');
    text.push_str(&coverage(scores.track.consistency.as_ref(), scores.track.singular));
    text.push('\n');
    text.push_str(&landmarks(scores));
    text.push('\n');
    text.push_str(&loosenings(&scores.loosenings));
    text
}

fn positions(track: &TrackScore) -> String {
    let mut table = Table::new(&[
        ("Position error", Align::Left),
        ("median", Align::Right),
        ("95th percentile", Align::Right),
        ("rms", Align::Right),
        ("instants", Align::Right),
    ]);
    let planes = [
        ("in space", track.space_mm),
        ("coronal plane (x, z)", track.coronal_mm),
        ("sagittal plane (y, z)", track.sagittal_mm),
        ("axial plane (x, y)", track.axial_mm),
    ];
    let phases = track.by_phase.iter();
    let phases = phases.map(|(phase, errors)| (format!("in space, {phase}"), Some(*errors)));
    let planes = planes.into_iter().map(|(plane, errors)| (plane.to_owned(), errors));
    for (name, errors) in planes.chain(phases) {
        let Some(errors) = errors else {
            table.sentence(&name, "nothing to compare");
            continue;
        };
        table.row([
            name,
            format!("{:.1} mm", errors.median_mm),
            format!("{:.1} mm", errors.percentile95_mm),
            format!("{:.1} mm", errors.rmse_mm),
            errors.count.to_string(),
        ]);
    }
    let left = track.uncompared;
    let sentence = format!(
        "Compared: {} track points; the capsule was truly in the body at {} instants. Not compared: {} points outside \
         the body, {} beyond the truth, {} that are no finite place.",
        track.compared, track.true_inside, left.outside_body, left.beyond_truth, left.not_finite
    );
    format!("{}{}", table.text(), paragraph(&sentence, 0))
}

fn coverage(consistency: Option<&Consistency>, singular: usize) -> String {
    let Some(fit) = consistency else {
        return "Coverage: no covariance to compare with\n".to_owned();
    };
    let shares = [fit.inside_50, fit.inside_90, fit.inside_95].map(|share| format!("{:.1} %", 100.0 * share));
    let mut sentence = format!(
        "Coverage: the truth lies inside the 50 % ellipsoid in {}, the 90 % ellipsoid in {}, the 95 % ellipsoid in {} \
         of the instants. Mean normalised squared error (NEES): {:.2}, where 3 is right and more means too sure.",
        shares[0], shares[1], shares[2], fit.nees_mean
    );
    if singular > 0 {
        sentence.push_str(&format!(" {singular} points have no covariance that can be inverted."));
    }
    paragraph(&sentence, 0)
}

fn landmarks(scores: &Scores) -> String {
    let mut table = Table::new(&[
        ("Landmark", Align::Left),
        ("truth", Align::Right),
        ("result", Align::Right),
        ("error", Align::Right),
        ("in 50 %", Align::Right),
        ("in 90 %", Align::Right),
        ("reached", Align::Left),
        ("source", Align::Left),
    ]);
    for landmark in &scores.landmarks {
        let time = |time_s: Option<f64>| time_s.map_or("not reached".to_owned(), duration);
        let held = |inside: Option<bool>| {
            inside
                .map_or("-", |inside| if inside { "yes" } else { "no" })
                .to_owned()
        };
        table.row([
            landmark.kind.to_string(),
            time(landmark.true_s),
            time(landmark.estimated_s),
            landmark.error_s.map_or("-".to_owned(), duration),
            held(landmark.inside50),
            held(landmark.inside90),
            if landmark.agreed { "agreed" } else { "not agreed" }.to_owned(),
            source(&scores.summary, landmark).to_owned(),
        ]);
    }
    format!("{}Times since the recording began.\n", table.text())
}

fn source(summary: &Summary, landmark: &LandmarkScore) -> &'static str {
    let mut results = summary.landmarks.iter();
    let result = results.find(|result| result.kind == landmark.kind.as_str());
    result.map_or("-", |result| source_word(result.source))
}

fn loosenings(score: &LooseningScore) -> String {
    let share = |share: Option<f64>| share.map_or("none".to_owned(), words::percent);
    let mut table = Table::new(&[
        ("Loosened antennas", Align::Left),
        ("right", Align::Right),
        ("share", Align::Right),
        ("share of their time", Align::Right),
    ]);
    table.row([
        "found (precision)".to_owned(),
        format!("{} of {}", score.found_right, score.found),
        share(score.precision),
        share(score.time_precision),
    ]);
    table.row([
        "put in (recall)".to_owned(),
        format!("{} of {}", score.truly_found, score.truly),
        share(score.recall),
        share(score.time_recall),
    ]);
    table.text()
}

fn as_json(scores: &Scores) -> Value {
    let track = &scores.track;
    let by_phase: Map<String, Value> = track
        .by_phase
        .iter()
        .map(|(phase, errors)| (phase.to_string(), errors_json(errors)))
        .collect();
    let errors = |errors: Option<ErrorSummary>| errors.as_ref().map(errors_json);
    json!({
        "study": scores.summary.study.id,
        "space": errors(track.space_mm),
        "coronal": errors(track.coronal_mm),
        "sagittal": errors(track.sagittal_mm),
        "axial": errors(track.axial_mm),
        "by_phase": by_phase,
        "compared": track.compared,
        "true_inside": track.true_inside,
        "uncompared": {
            "outside_body": track.uncompared.outside_body, "beyond_truth": track.uncompared.beyond_truth,
            "not_finite": track.uncompared.not_finite,
        },
        "consistency": track.consistency.map(|fit| json!({
            "nees_mean": fit.nees_mean, "inside_50": fit.inside_50, "inside_90": fit.inside_90,
            "inside_95": fit.inside_95, "singular": track.singular,
        })),
        "landmarks": scores.landmarks.iter().map(|landmark| json!({
            "kind": landmark.kind.as_str(), "true_s": landmark.true_s, "estimated_s": landmark.estimated_s,
            "error_s": landmark.error_s, "inside50": landmark.inside50, "inside90": landmark.inside90,
            "agreed": landmark.agreed, "source": source(&scores.summary, landmark),
        })).collect::<Vec<_>>(),
        "loosenings": loosenings_json(&scores.loosenings),
    })
}

fn errors_json(errors: &ErrorSummary) -> Value {
    json!({
        "median_mm": errors.median_mm, "percentile95_mm": errors.percentile95_mm,
        "rmse_mm": errors.rmse_mm, "count": errors.count,
    })
}

fn loosenings_json(score: &LooseningScore) -> Value {
    json!({
        "found": score.found, "found_right": score.found_right, "truly": score.truly,
        "truly_found": score.truly_found, "precision": score.precision, "recall": score.recall,
        "time_precision": score.time_precision, "time_recall": score.time_recall,
    })
}
