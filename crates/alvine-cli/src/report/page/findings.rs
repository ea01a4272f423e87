//! The reader's findings: where along the gut each was made.

use alvine_study::results::summary::FindingResult;

use super::html::Html;
use crate::report::axes::signed;
use crate::report::clock::Clock;
use crate::report::{ReportInput, words};

/// Writes the section.
pub fn write(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    html.open_section("findings", "Findings and where they lie");
    if input.summary.findings.is_empty() {
        html.paragraph("The reader marked no findings in this study.");
    }
    for finding in &input.summary.findings {
        write_finding(html, finding, clock);
    }
    html.close_section();
}

fn write_finding(html: &mut Html, finding: &FindingResult, clock: &Clock) {
    html.raw("<article class=\"finding\">\n<h3>");
    html.text(&finding.id);
    html.raw("</h3>\n");
    html.element(
        "p class=\"note\"",
        finding.note.as_deref().unwrap_or("The reader left no words with it."),
    );
    html.raw("<dl class=\"facts\">\n");
    let elapsed = format!("{} {}", clock.elapsed(finding.time_s), clock.since());
    let when = clock
        .wall(finding.time_s)
        .map_or_else(|| elapsed.clone(), |wall| format!("{wall} ({elapsed})"));
    html.term("When", &when);
    let why = finding.reason.as_deref().unwrap_or("the signal does not tell");
    let missing = format!("not known: {why}");
    html.term("Phase", &words::titled(&finding.phase));
    html.term(
        "Part",
        &finding.part.as_deref().map_or_else(|| missing.clone(), words::titled),
    );
    let fraction = |share: Option<f64>, interval: Option<[f64; 2]>| match (share, interval) {
        (Some(share), Some([from, to])) => {
            format!(
                "{} (90\u{A0}% interval {} to {})",
                of_whole(share),
                of_whole(from),
                of_whole(to)
            )
        }
        (Some(share), None) => of_whole(share),
        (None, _) => missing.clone(),
    };
    html.term(
        "Share of the small-bowel transit time passed",
        &fraction(finding.time_fraction, finding.time_fraction_interval90),
    );
    html.term(
        "Share of the small bowel's path passed",
        &fraction(finding.path_fraction, finding.interval90),
    );
    html.term("Place in the body", &place(finding).unwrap_or(missing));
    if let Some(route) = &finding.route {
        html.term("Route (information, not advice)", route);
    }
    html.raw("</dl>\n</article>\n");
}

/// A fraction, pylorus 0 to valve 1, as per cent.
fn of_whole(share: f64) -> String {
    format!("{:.0}\u{A0}%", 100.0 * share)
}

fn place(finding: &FindingResult) -> Option<String> {
    let [x_mm, y_mm, z_mm] = finding.position_mm?;
    let across = if x_mm < 0.0 { "right" } else { "left" };
    let up = if z_mm < 0.0 { "below" } else { "above" };
    let radius = finding.radius90_mm.map_or("radius not known".to_owned(), |radius_mm| {
        format!("within {radius_mm:.0}\u{A0}mm with 90\u{A0}%")
    });
    Some(format!(
        "{:.0}\u{A0}mm to the patient's {across}, {}\u{A0}mm deep, {:.0}\u{A0}mm {up} the umbilicus; {radius}",
        x_mm.abs(),
        signed(y_mm),
        z_mm.abs()
    ))
}
