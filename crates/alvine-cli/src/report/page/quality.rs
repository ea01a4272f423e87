//! Whether the antennas can be trusted: how well it was recorded.

use alvine_study::results::summary::IntervalResult;

use super::html::{Cell, Html, grouped};
use crate::report::axes::signed;
use crate::report::clock::{Clock, duration};
use crate::report::{ReportInput, words};

/// Longer lists are cut here, and say so.
const MOST_ROWS: usize = 40;

/// Writes the section.
pub fn write(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    let quality = &input.summary.quality;
    let sites = input.study.recording.sites();
    html.open_section("quality", "", "Can the antennas be trusted?");
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
    html.raw("</dl>\n<div class=\"sides\">\n<div>\n");
    write_sites(html, input);
    html.raw("</div>\n<div>\n");
    write_loosenings(html, input, clock);
    write_rivals(html, input, clock);
    write_spans(html, clock, "No site heard the capsule", &quality.dropouts);
    write_spans(html, clock, "The clock leapt", &quality.clock_jumps);
    html.raw("</div>\n</div>\n");
    html.open_fold("Remarks on single instants, and where the sites lie");
    write_flags(html, input);
    write_places(html, input);
    html.close_fold();
    html.close_section();
}

fn write_sites(html: &mut Html, input: &ReportInput<'_>) {
    let headings = [
        "No.",
        "Site",
        "Heard",
        "Below the floor",
        "No packet",
        "Saturated",
        "Median level where heard",
    ];
    let rows = (1..).zip(&input.summary.quality.sites).map(|(number, site)| {
        let level = site
            .median_dbm
            .map(|level_dbm| format!("{level_dbm:.0} dBm").replace('-', "−"));
        vec![
            Cell::Value(format!("{number}")),
            Cell::Head(site.name.clone()),
            Cell::Share(site.heard, words::percent(site.heard)),
            Cell::Value(words::percent(site.censored)),
            Cell::Value(words::percent(site.missing)),
            Cell::Value(words::percent(site.saturated)),
            Cell::value_or(level, "it never heard the capsule"),
        ]
    });
    html.table("Share of the instants inside the body, site by site", &headings, rows);
}

fn write_loosenings(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    let loosenings = &input.summary.quality.loosenings;
    if loosenings.is_empty() {
        html.paragraph("No site seems to have worked loose.");
        return;
    }
    let from = format!("From, {}", clock.since());
    let headings = ["Site", from.as_str(), "To", "Weaker by", "Probability"];
    let rows = loosenings.iter().take(MOST_ROWS).map(|loose| {
        vec![
            Cell::Moment(loose.site.clone(), loose.start_s),
            Cell::Value(clock.elapsed(loose.start_s)),
            Cell::Value(clock.elapsed(loose.end_s)),
            Cell::Value(format!("{:.1} dB", loose.loss_db.abs())),
            Cell::Value(format!("{:.2}", loose.probability)),
        ]
    });
    html.table("Sites that may have worked loose", &headings, rows);
    write_rest(html, loosenings.len());
}

/// Where else the capsule may have been.
fn write_rivals(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    let rivals = &input.summary.quality.rivals;
    if rivals.is_empty() {
        html.paragraph("At no time did a distant place fit nearly as well as the track.");
        return;
    }
    let from = format!("From, {}", clock.since());
    let headings = [from.as_str(), "To", "Place: left, back, up", "Probability"];
    let rows = rivals.iter().take(MOST_ROWS).map(|rival| {
        let [left_mm, back_mm, up_mm] = rival.position_mm;
        vec![
            Cell::Moment(clock.elapsed(rival.start_s), rival.start_s),
            Cell::Value(clock.elapsed(rival.end_s)),
            Cell::Value(format!("{left_mm:.0}, {back_mm:.0}, {up_mm:.0} mm")),
            Cell::Value(format!("{:.2}", rival.probability)),
        ]
    });
    html.table(
        "Where else the capsule may have been: the signal fits a distant place too",
        &headings,
        rows,
    );
    html.paragraph("On simulated studies the truth lay nearer to such a place for a quarter to a third of the time.");
    write_rest(html, rivals.len());
}

/// How often, how long and when, in one sentence; each of them in a table that is left out on paper.
fn write_spans(html: &mut Html, clock: &Clock, what: &str, spans: &[IntervalResult]) {
    let length_s = |span: &IntervalResult| span.end_s - span.start_s;
    let Some(longest) = spans
        .iter()
        .max_by(|one, other| length_s(one).total_cmp(&length_s(other)))
    else {
        html.paragraph(&format!("{what}: never while the capsule was inside."));
        return;
    };
    let times = match spans.len() {
        1 => "once".to_owned(),
        count => format!(
            "{} times, {} in all",
            grouped(count),
            duration(spans.iter().map(length_s).sum())
        ),
    };
    html.paragraph(&format!(
        "{what}: {times}; the longest for {}, from {} {}.",
        duration(length_s(longest)),
        clock.elapsed(longest.start_s),
        clock.since()
    ));
    let from = format!("From, {}", clock.since());
    let headings = [from.as_str(), "To", "Length"];
    let rows = spans.iter().take(MOST_ROWS).map(|span| {
        vec![
            Cell::Moment(clock.elapsed(span.start_s), span.start_s),
            Cell::Value(clock.elapsed(span.end_s)),
            Cell::Value(duration(length_s(span))),
        ]
    });
    html.open_fold("Each of them");
    html.table(what, &headings, rows);
    write_rest(html, spans.len());
    html.close_fold();
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

fn write_places(html: &mut Html, input: &ReportInput<'_>) {
    let headings = ["No.", "Site", "x, mm to the left", "y, mm deep", "z, mm up"];
    let rows = (1..).zip(input.study.setup.layout.sites()).map(|(number, site)| {
        let [x_mm, y_mm, z_mm] = site.position_mm.into();
        vec![
            Cell::Value(format!("{number}")),
            Cell::Head(site.name.clone()),
            Cell::Value(signed(x_mm)),
            Cell::Value(signed(y_mm)),
            Cell::Value(signed(z_mm)),
        ]
    });
    html.table("The sites, in millimetres from the umbilicus", &headings, rows);
}
