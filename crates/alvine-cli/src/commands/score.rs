//! `score`: a report, or a track alone, against the truth.

use std::path::Path;

use alvine_phantom::score::{
    Consistency, ErrorSummary, FoundLoosening, LandmarkEstimate, LandmarkScore, LooseningScore, TrackScore,
    score_landmarks, score_loosenings, score_track,
};
use alvine_study::read_truth;
use alvine_study::results::summary::Summary;
use alvine_study::results::{read_summary, read_track_csv};
use serde_json::{Map, Value, json};

use crate::outcome::Failure;
use crate::plain_text::{Align, Table, paragraph};
use crate::report::clock::duration;
use crate::report::words;
use crate::stdout;

/// A report's scores.
struct Scores {
    track: TrackScore,
    /// What a track alone does not have.
    answers: Option<Answers>,
}

/// The scores of what a report says beside the track.
struct Answers {
    summary: Summary,
    landmarks: Vec<LandmarkScore>,
    loosenings: LooseningScore,
}

/// Scores a report's folder, or a track file.
pub fn run(results: &Path, truth: &Path, json: bool, quiet: bool) -> Result<(), Failure> {
    let (summary, track) = if results.is_file() {
        (None, read_track_csv(results)?)
    } else {
        let summary = read_summary(&results.join("summary.json"))?;
        (Some(summary), read_track_csv(&results.join("track.csv"))?)
    };
    let truth = read_truth(truth)?;
    let scores = Scores {
        track: score_track(&track, &truth),
        answers: summary.map(|summary| Answers {
            landmarks: score_landmarks(&estimates(&summary), &truth),
            loosenings: score_loosenings(&found_loosenings(&summary), &truth),
            summary,
        }),
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
    text.push_str(&coverage(&scores.track));
    if let Some(answers) = &scores.answers {
        text.push('\n');
        text.push_str(&landmarks(answers));
        text.push('\n');
        text.push_str(&loosenings(&answers.loosenings));
    }
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
    let [x, y, z] = track.bias_mm.map_or([0.0; 3], Into::into);
    let sentence = format!(
        "Mean error: {x:.1} mm to the left, {y:.1} mm backwards, {z:.1} mm upwards. Compared: {} track points; the capsule was truly in the body at {} instants. Not compared: {} points outside \
         the body, {} beyond the truth, {} that are no finite place.",
        track.compared, track.true_inside, left.outside_body, left.beyond_truth, left.not_finite
    );
    format!("{}{}", table.text(), paragraph(&sentence, 0))
}

/// How many instants lie inside their ellipsoids, and whether that is what the covariance promises.
fn coverage(track: &TrackScore) -> String {
    let Some(whole) = &track.consistency else {
        return "Coverage: no covariance to compare with\n".to_owned();
    };
    let mut table = Table::new(&[
        ("Coverage", Align::Left),
        ("in 50 %", Align::Right),
        ("in 90 %", Align::Right),
        ("in 95 %", Align::Right),
        ("NEES", Align::Right),
        ("if right", Align::Right),
        ("independent", Align::Right),
    ]);
    let phases = track.consistency_by_phase.iter();
    let phases = phases.map(|(phase, fit)| (phase.to_string(), fit));
    for (name, fit) in std::iter::once(("all".to_owned(), whole)).chain(phases) {
        let [inside_50, inside_90, inside_95] =
            [fit.inside_50, fit.inside_90, fit.inside_95].map(|share| format!("{:.1} %", 100.0 * share));
        let [least, most] = fit.nees_interval95;
        table.row([
            name,
            inside_50,
            inside_90,
            inside_95,
            format!("{:.2}", fit.nees_mean),
            format!("{least:.1} to {most:.1}"),
            format!("{:.0}", fit.effective),
        ]);
    }
    let mut sentence = "NEES is the mean normalised squared error, 3 where the covariance is right and more where it is too \
                        sure. Neighbouring instants err alike: they are worth so many independent ones, and with as many \
                        NEES would lie within \"if right\" in 95 of 100 recordings (chi-squared)."
        .to_owned();
    if track.singular > 0 {
        sentence.push_str(&format!(
            " {} points have no covariance that can be inverted.",
            track.singular
        ));
    }
    format!("{}{}", table.text(), paragraph(&sentence, 0))
}

fn landmarks(answers: &Answers) -> String {
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
    for landmark in &answers.landmarks {
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
            source(&answers.summary, landmark).to_owned(),
        ]);
    }
    format!("{}Times since the recording began.\n", table.text())
}

fn source(summary: &Summary, landmark: &LandmarkScore) -> &'static str {
    let mut results = summary.landmarks.iter();
    let result = results.find(|result| result.kind == landmark.kind.as_str());
    result.map_or("-", |result| result.source.as_str())
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
    let fits: Map<String, Value> = track
        .consistency_by_phase
        .iter()
        .map(|(phase, fit)| (phase.to_string(), fit_json(fit)))
        .collect();
    let mut value = json!({
        "space": errors(track.space_mm),
        "coronal": errors(track.coronal_mm),
        "sagittal": errors(track.sagittal_mm),
        "axial": errors(track.axial_mm),
        "by_phase": by_phase,
        "bias_mm": track.bias_mm.map(|bias_mm| [bias_mm.x, bias_mm.y, bias_mm.z]),
        "compared": track.compared,
        "true_inside": track.true_inside,
        "uncompared": {
            "outside_body": track.uncompared.outside_body, "beyond_truth": track.uncompared.beyond_truth,
            "not_finite": track.uncompared.not_finite,
        },
        "consistency": track.consistency.as_ref().map(fit_json),
        "consistency_by_phase": fits,
        "singular": track.singular,
    });
    if let (Some(answers), Value::Object(members)) = (&scores.answers, &mut value) {
        members.insert("study".to_owned(), json!(answers.summary.study.id));
        members.insert("landmarks".to_owned(), landmarks_json(answers));
        members.insert("loosenings".to_owned(), loosenings_json(&answers.loosenings));
    }
    value
}

fn fit_json(fit: &Consistency) -> Value {
    json!({
        "nees_mean": fit.nees_mean, "nees_interval95": fit.nees_interval95, "inside_50": fit.inside_50,
        "inside_90": fit.inside_90, "inside_95": fit.inside_95, "count": fit.count, "effective": fit.effective,
    })
}

fn landmarks_json(answers: &Answers) -> Value {
    let landmarks = answers.landmarks.iter().map(|landmark| {
        json!({
            "kind": landmark.kind.as_str(), "true_s": landmark.true_s, "estimated_s": landmark.estimated_s,
            "error_s": landmark.error_s, "inside50": landmark.inside50, "inside90": landmark.inside90,
            "agreed": landmark.agreed, "source": source(&answers.summary, landmark),
        })
    });
    landmarks.collect()
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
