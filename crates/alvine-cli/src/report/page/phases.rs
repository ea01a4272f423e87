//! The transit times beside what was published, and the phases.

use alvine::LandmarkKind;
use alvine_study::results::summary::{PhaseResult, TransitTime};

use super::html::{Cell, Html};
use super::motion;
use crate::report::clock::{Clock, duration, duration_range};
use crate::report::{Figure, ReportInput, words};

/// Writes the section.
pub fn write(html: &mut Html, input: &ReportInput<'_>, clock: &Clock, figures: &[Figure]) {
    html.open_section("transit", "screen", "How long each part took, beside published times");
    let caption = "The bar is the published range with its median, the mark this passage; an arrow marks a lower bound. \
                   Which range it is, and whose, stands in the table.";
    html.figure(figures, "transit", "wide", caption);
    write_transit(html, input);
    write_phases(html, &input.summary.phases, clock);
    motion::write(html, input.summary.motility.as_ref(), clock);
    html.close_section();
}

fn write_phases(html: &mut Html, phases: &[PhaseResult], clock: &Clock) {
    if phases.is_empty() {
        html.element("p class=\"missing\"", "No phase could be told from this recording.");
        return;
    }
    let from = format!("From, {}", clock.since());
    let headings = [
        "Phase",
        from.as_str(),
        "To",
        "Duration",
        "90 % interval of the duration",
    ];
    let rows = phases.iter().map(|phase| {
        let why = if phase.censored {
            "a lower bound has no interval"
        } else {
            "no interval was computed"
        };
        vec![
            Cell::Head(words::titled(&phase.phase)),
            Cell::Value(clock.elapsed(phase.start_s)),
            Cell::Value(clock.elapsed(phase.end_s)),
            Cell::Value(length(phase.duration_s, phase.censored)),
            Cell::value_or(phase.interval90_s.map(duration_range), why),
        ]
    });
    html.table("The phases in order", &headings, rows);
}

fn length(length_s: f64, censored: bool) -> String {
    let at_least = if censored { "≥\u{A0}" } else { "" };
    format!("{at_least}{}", duration(length_s))
}

fn write_transit(html: &mut Html, input: &ReportInput<'_>) {
    let transit = &input.summary.transit;
    let spans = [
        (
            "Oesophagus: swallow to cardia",
            &transit.oesophageal,
            [LandmarkKind::Swallow, LandmarkKind::Cardia],
        ),
        (
            "Stomach: cardia to pylorus",
            &transit.gastric,
            [LandmarkKind::Cardia, LandmarkKind::Pylorus],
        ),
        (
            "Small bowel: pylorus to ileocaecal valve",
            &transit.small_bowel,
            [LandmarkKind::Pylorus, LandmarkKind::IleocaecalValve],
        ),
        (
            "Colon: ileocaecal valve to expulsion",
            &transit.colonic,
            [LandmarkKind::IleocaecalValve, LandmarkKind::Expulsion],
        ),
        (
            "Whole gut: swallow to expulsion",
            &transit.whole_gut,
            [LandmarkKind::Swallow, LandmarkKind::Expulsion],
        ),
    ];
    let headings = [
        "Part of the gut",
        "This passage",
        "90 % interval",
        "Published median",
        "Published range",
        "This passage beside the range",
        "Where it was published",
    ];
    let rows = spans.map(|(name, time, ends)| transit_row(name, time, &why_missing(input, ends)));
    html.table("Transit times, with published values for comparison", &headings, rows);
    html.paragraph(
        "≥ marks a lower bound: the recording began after, or ended before, the part was passed. A value outside a \
         published range is not a finding: the ranges come from other people, other capsules, and other meals.",
    );
}

fn transit_row(name: &str, time: &TransitTime, why: &str) -> Vec<Cell> {
    let mut row = vec![Cell::Head(name.to_owned())];
    match time.duration_s {
        Some(duration_s) => {
            row.push(Cell::Value(length(duration_s, time.censored)));
            let no_interval = if time.censored {
                "a lower bound has no interval"
            } else {
                "no interval was computed"
            };
            row.push(Cell::value_or(time.interval90_s.map(duration_range), no_interval));
        }
        None => row.push(Cell::Missing(why.to_owned(), 2)),
    }
    let range = time.reference_range_s.map(|range_s| {
        let kind = time.reference_kind.as_deref().unwrap_or("kind of range not stated");
        format!("{} ({kind})", duration_range(range_s))
    });
    row.push(Cell::value_or(
        time.reference_median_s.map(duration),
        "no published value at hand",
    ));
    row.push(Cell::value_or(range, "no published value at hand"));
    row.push(Cell::value_or(compared(time).map(str::to_owned), "cannot be compared"));
    row.push(Cell::value_or(
        time.reference_source.clone(),
        "no published value at hand",
    ));
    row
}

/// How the duration lies to the published range; a lower bound can only be known to be longer.
fn compared(time: &TransitTime) -> Option<&'static str> {
    let [from_s, to_s] = time.reference_range_s?;
    let duration_s = time.duration_s?;
    match (duration_s > to_s, duration_s < from_s, time.censored) {
        (true, _, _) => Some("longer"),
        (_, _, true) => None,
        (_, true, _) => Some("shorter"),
        _ => Some("within"),
    }
}

/// Why a part has no transit time: what is said of the landmarks at its ends, once where it is the same.
fn why_missing(input: &ReportInput<'_>, ends: [LandmarkKind; 2]) -> String {
    let reason_of = |kind: LandmarkKind| {
        let landmark = input
            .summary
            .landmarks
            .iter()
            .find(|landmark| landmark.kind == kind.as_str())?;
        landmark.reason.as_deref().filter(|_| landmark.time_s.is_none())
    };
    let said = |kind: LandmarkKind, reason: &str| format!("{}: {reason}", words::titled(kind.as_str()));
    let [first, last] = ends;
    match (reason_of(first), reason_of(last)) {
        (Some(one), Some(other)) if one == other => {
            format!(
                "{} and {}: {one}",
                words::titled(first.as_str()),
                words::plain(last.as_str())
            )
        }
        (Some(one), Some(other)) => format!("{}; {}", said(first, one), said(last, other)),
        (Some(one), None) => said(first, one),
        (None, Some(other)) => said(last, other),
        (None, None) => "cannot be told from this recording".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn time(duration_s: f64, censored: bool) -> TransitTime {
        TransitTime {
            duration_s: Some(duration_s),
            interval90_s: None,
            censored,
            reference_median_s: Some(150.0),
            reference_range_s: Some([100.0, 200.0]),
            reference_kind: None,
            reference_source: None,
        }
    }

    #[test]
    fn a_lower_bound_is_only_ever_called_longer() {
        assert_eq!(compared(&time(50.0, true)), None);
        assert_eq!(compared(&time(150.0, true)), None);
        assert_eq!(compared(&time(250.0, true)), Some("longer"));
        assert_eq!(compared(&time(50.0, false)), Some("shorter"));
        assert_eq!(compared(&time(150.0, false)), Some("within"));
        assert_eq!(compared(&time(250.0, false)), Some("longer"));
    }
}
