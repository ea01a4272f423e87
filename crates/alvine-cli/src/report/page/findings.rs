//! The reader's findings: where along the gut each was made.

use alvine_study::results::summary::FindingResult;

use super::html::{Cell, Html};
use crate::report::axes::signed;
use crate::report::clock::Clock;
use crate::report::{ReportInput, words};

/// Writes the section.
pub fn write(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    html.open_section("findings", "findings", "Findings and where they lie");
    let findings = &input.summary.findings;
    if findings.is_empty() {
        html.paragraph("The reader marked no findings in this study.");
        html.close_section();
        return;
    }
    let since = words::titled(clock.since());
    let mut headings = vec!["Finding"];
    if clock.has_wall() {
        headings.push("Time of day");
    }
    headings.extend([
        since.as_str(),
        "Part",
        "Of the small bowel's path",
        "Of its transit time",
        "Place, mm from the umbilicus",
    ]);
    let rows = findings.iter().map(|finding| row(finding, clock));
    html.table("Each finding, with 90 % intervals", &headings, rows);
    write_routes(html, findings);
    html.close_section();
}

fn row(finding: &FindingResult, clock: &Clock) -> Vec<Cell> {
    let name = match finding.note.as_deref() {
        Some(note) => format!("{}: {note}", finding.id),
        None => finding.id.clone(),
    };
    let mut row = vec![Cell::Moment(name, finding.time_s)];
    row.extend(clock.wall(finding.time_s).map(Cell::Value));
    row.push(Cell::Value(clock.elapsed(finding.time_s)));
    let nothing_more = finding.part.is_none() && finding.path_fraction.is_none() && finding.position_mm.is_none();
    let why = finding.reason.as_deref().unwrap_or("the signal does not tell");
    if nothing_more && finding.time_fraction.is_none() {
        let phase = words::titled(&finding.phase);
        row.push(Cell::Missing(format!("{phase}; no more is known: {why}"), 4));
        return row;
    }
    let part = finding.part.as_deref().unwrap_or(&finding.phase);
    row.push(Cell::Value(words::titled(part)));
    row.push(Cell::value_or(along(finding.path_fraction, finding.interval90), why));
    row.push(Cell::value_or(
        along(finding.time_fraction, finding.time_fraction_interval90),
        why,
    ));
    row.push(Cell::value_or(place(finding), why));
    row
}

/// A fraction, pylorus 0 to valve 1, as per cent with its interval.
fn along(share: Option<f64>, interval: Option<[f64; 2]>) -> Option<String> {
    let percent = |share: f64| format!("{:.0}", 100.0 * share);
    Some(match (share?, interval) {
        (share, Some([from, to])) => format!(
            "{}\u{A0}% ({} to {}\u{A0}%)",
            percent(share),
            percent(from),
            percent(to)
        ),
        (share, None) => format!("{}\u{A0}%", percent(share)),
    })
}

fn place(finding: &FindingResult) -> Option<String> {
    let [x_mm, y_mm, z_mm] = finding.position_mm?;
    let across = if x_mm < 0.0 { "right" } else { "left" };
    let up = if z_mm < 0.0 { "below" } else { "above" };
    let radius = finding.radius90_mm.map_or("radius not known".to_owned(), |radius_mm| {
        format!("within {radius_mm:.0}")
    });
    Some(format!(
        "{:.0} {across}, {} deep, {:.0} {up}; {radius}",
        x_mm.abs(),
        signed(y_mm),
        z_mm.abs()
    ))
}

/// What is said of the way to the findings, once for all that share it.
fn write_routes(html: &mut Html, findings: &[FindingResult]) {
    let mut said: Vec<(&str, Vec<&str>)> = Vec::new();
    for finding in findings {
        let Some(route) = finding.route.as_deref() else {
            continue;
        };
        match said.iter_mut().find(|(known, _)| *known == route) {
            Some((_, ids)) => ids.push(&finding.id),
            None => said.push((route, vec![&finding.id])),
        }
    }
    for (route, ids) in said {
        html.raw("<p class=\"route\"><strong>");
        html.text(&format!("Route to {}, information, not advice: ", ids.join(", ")));
        html.raw("</strong>");
        html.text(route);
        html.raw("</p>\n");
    }
}
