//! The answer: is the examination complete, and which landmarks were reached, and when.

use std::collections::BTreeSet;

use alvine_study::results::summary::{CompletenessStatus, LandmarkResult, Source};

use super::html::{Cell, Html, grouped};
use crate::report::clock::Clock;
use crate::report::{ReportInput, words};

/// Writes the section.
pub fn write(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    let completeness = &input.summary.completeness;
    html.open_section("answer", "answer", "Is the examination complete?");
    let class = completeness.status.as_str();
    let mark = match completeness.status {
        CompletenessStatus::Complete => "●",
        CompletenessStatus::Incomplete => "○",
        CompletenessStatus::Unclear => "◌",
    };
    html.raw(&format!(
        "<div class=\"sides\">\n<div class=\"verdict {class}\">\n<p class=\"word\"><span aria-hidden=\"true\">{mark}</span> "
    ));
    html.text(words::completeness(completeness.status));
    html.raw("</p>\n");
    html.element("p class=\"statement\"", &completeness.statement);
    html.raw("<dl class=\"facts\">\n");
    html.term(
        "Probability that the ileocaecal valve was passed",
        &words::percent(completeness.probability_complete),
    );
    html.term("Last phase seen", &words::titled(&completeness.last_phase));
    html.term(
        "Why the recording tells no more",
        &words::ended_by(&completeness.ended_by),
    );
    html.term("Antennas", &antennas(input));
    html.raw("</dl>\n</div>\n");
    write_landmarks(html, &input.summary.landmarks, clock);
    html.raw("</div>\n");
    html.close_section();
}

/// How far the antennas bear this out, in one line.
fn antennas(input: &ReportInput<'_>) -> String {
    let quality = &input.summary.quality;
    let sites = input.study.recording.sites();
    let mut text = format!("{} of {sites} sites carried the result", quality.sites_carrying);
    let loose: BTreeSet<&str> = quality.loosenings.iter().map(|loose| loose.site.as_str()).collect();
    if !loose.is_empty() {
        text.push_str(&format!("; {} may have worked loose", loose.len()));
    }
    match quality.dropouts.len() {
        0 => {}
        1 => text.push_str("; one drop-out"),
        count => text.push_str(&format!("; {} drop-outs", grouped(count))),
    }
    text
}

fn write_landmarks(html: &mut Html, landmarks: &[LandmarkResult], clock: &Clock) {
    let elapsed = words::titled(clock.since());
    let mut headings = vec!["Landmark"];
    if clock.has_wall() {
        headings.push("Time of day");
    }
    headings.extend([elapsed.as_str(), "90 % interval", "Reached", "Source"]);
    let rows = landmarks.iter().map(|landmark| landmark_row(landmark, clock));
    html.table("When each landmark was passed", &headings, rows);
}

fn landmark_row(landmark: &LandmarkResult, clock: &Clock) -> Vec<Cell> {
    let name = words::titled(&landmark.kind);
    let mut row = vec![match landmark.time_s {
        Some(time_s) => Cell::Moment(name, time_s),
        None => Cell::Head(name),
    }];
    match landmark.time_s {
        Some(time_s) => {
            row.extend(clock.wall(time_s).map(Cell::Value));
            row.push(Cell::Value(clock.elapsed(time_s)));
            let interval = landmark
                .interval90_s
                .map(|[from_s, to_s]| format!("{} to {}", clock.elapsed(from_s), clock.elapsed(to_s)));
            let why = match landmark.source {
                Source::Reader | Source::Recording => "taken as given",
                Source::Estimated => "no interval was computed",
            };
            row.push(Cell::value_or(interval, why));
        }
        None => {
            let reason = landmark
                .reason
                .as_deref()
                .unwrap_or("no time, and no reason was recorded");
            row.push(Cell::Missing(reason.to_owned(), 2 + usize::from(clock.has_wall())));
        }
    }
    row.push(Cell::Value(words::percent(landmark.probability_reached)));
    let mut source = words::source(landmark.source).to_owned();
    if let Some(signal_time_s) = landmark.signal_time_s {
        source.push_str(&format!("; the signal alone says {}", clock.elapsed(signal_time_s)));
    }
    row.push(Cell::Value(source));
    row
}
