//! How well it was recorded.

use alvine_study::results::summary::IntervalResult;

use super::html::{Cell, Html, grouped};
use crate::report::clock::{Clock, duration};
use crate::report::{ReportInput, words};

/// Longer lists are cut here, and say so.
const MOST_ROWS: usize = 40;

/// Writes the section.
pub fn write(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    let quality = &input.summary.quality;
    let sites = input.study.recording.sites();
    html.open_section("quality", "How well it was recorded");
    html.raw("<dl class=\"facts\">\n");
    html.term(
        "Sites that carried the result",
        &format!(
            "{} of {sites} heard the capsule in at least a tenth of the instants",
            quality.sites_carrying
        ),
    );
    html.term(
        "Sites heard at once, median",
        &format!("{:.0} of {sites}", quality.median_sites_heard),
    );
    html.term(
        "Instants with a place",
        &format!(
            "{} of {}",
            grouped(quality.instants_located),
            grouped(input.study.recording.len())
        ),
    );
    let step = quality
        .median_step_s
        .map_or("only one instant was recorded".to_owned(), duration);
    html.term("Time between instants, median", &step);
    html.raw("</dl>\n");
    write_sites(html, input);
    write_loosenings(html, input, clock);
    write_spans(
        html,
        clock,
        "Drop-outs",
        "no site heard the capsule while it was inside",
        &quality.dropouts,
    );
    write_spans(
        html,
        clock,
        "Leaps of the clock",
        "the clock leapt",
        &quality.clock_jumps,
    );
    write_flags(html, input);
    html.close_section();
}

fn write_sites(html: &mut Html, input: &ReportInput<'_>) {
    html.element("h3", "Sites");
    let headings = [
        "Site",
        "Heard",
        "Below the floor",
        "No packet",
        "Saturated",
        "Median level where heard",
    ];
    let rows = input.summary.quality.sites.iter().map(|site| {
        let level = site
            .median_dbm
            .map(|level_dbm| format!("{level_dbm:.0} dBm").replace('-', "−"));
        vec![
            Cell::Head(site.name.clone()),
            Cell::Value(words::percent(site.heard)),
            Cell::Value(words::percent(site.censored)),
            Cell::Value(words::percent(site.missing)),
            Cell::Value(words::percent(site.saturated)),
            Cell::value_or(level, "it never heard the capsule"),
        ]
    });
    html.table("Share of the instants inside the body, site by site", &headings, rows);
}

fn write_loosenings(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    html.element("h3", "Sites that seem to have worked loose");
    let loosenings = &input.summary.quality.loosenings;
    if loosenings.is_empty() {
        html.paragraph("None was noticed.");
        return;
    }
    let from = format!("From, {}", clock.since());
    let headings = ["Site", from.as_str(), "To", "Weaker by"];
    let rows = loosenings.iter().take(MOST_ROWS).map(|loose| {
        vec![
            Cell::Head(loose.site.clone()),
            Cell::Value(clock.elapsed(loose.start_s)),
            Cell::Value(clock.elapsed(loose.end_s)),
            Cell::Value(format!("{:.1} dB", loose.loss_db.abs())),
        ]
    });
    html.table("Suspected loosenings", &headings, rows);
    write_rest(html, loosenings.len());
}

fn write_spans(html: &mut Html, clock: &Clock, heading: &str, what: &str, spans: &[IntervalResult]) {
    html.element("h3", heading);
    if spans.is_empty() {
        html.paragraph("None.");
        return;
    }
    let from = format!("From, {}", clock.since());
    let headings = [from.as_str(), "To", "Length"];
    let rows = spans.iter().take(MOST_ROWS).map(|span| {
        vec![
            Cell::Head(clock.elapsed(span.start_s)),
            Cell::Value(clock.elapsed(span.end_s)),
            Cell::Value(duration(span.end_s - span.start_s)),
        ]
    });
    html.table(&format!("Stretches in which {what}"), &headings, rows);
    write_rest(html, spans.len());
}

fn write_rest(html: &mut Html, count: usize) {
    if count > MOST_ROWS {
        html.paragraph(&format!(
            "{} more are listed in summary.json.",
            grouped(count - MOST_ROWS)
        ));
    }
}

fn write_flags(html: &mut Html, input: &ReportInput<'_>) {
    html.element("h3", "Remarks on single instants");
    let located = input.summary.quality.instants_located;
    let raised: Vec<_> = input
        .summary
        .quality
        .flags
        .iter()
        .filter(|(_, count)| **count > 0)
        .collect();
    if raised.is_empty() {
        html.paragraph("None.");
        return;
    }
    let headings = [
        "Flag in track.csv",
        "What it means",
        "Instants",
        "Share of the instants with a place",
    ];
    let rows = raised.into_iter().map(|(name, &count)| {
        let share = (located > 0).then(|| words::percent(count as f64 / located as f64));
        vec![
            Cell::Head(name.clone()),
            Cell::Value(words::flag(name).to_owned()),
            Cell::Value(grouped(count)),
            Cell::value_or(share, "no instant has a place"),
        ]
    });
    html.table("Flags of the track", &headings, rows);
}
