//! Rest, propulsion and rhythm.

use alvine_study::results::summary::{MotilityResult, MotionResult};

use super::html::{Cell, Html};
use crate::report::clock::Clock;
use crate::report::words;

/// Writes both tables; nothing where the results do not tell.
pub fn write(html: &mut Html, motility: Option<&MotilityResult>, clock: &Clock) {
    let Some(motility) = motility else { return };
    let headings = [
        "Phase",
        "Time moving, as told",
        "Between which the truth lies",
        "Speed while moving, mm a minute: median (quartiles)",
    ];
    html.table("Rest and propulsion", &headings, motility.phases.iter().map(motion));
    html.paragraph(&format!("{} Backwards: {}.", words::MOTION, motility.retrograde_reason));
    if motility.rhythm_hours.is_empty() {
        return;
    }
    html.open_fold("Rhythm of stomach and small bowel, hour by hour");
    let from = format!("From, {}", clock.since());
    let headings = [from.as_str(), "Stomach", "Small bowel"];
    let rows = motility.rhythm_hours.iter().map(|hour| {
        vec![
            Cell::Head(clock.elapsed(hour.start_s)),
            Cell::Value(words::rhythm(hour.gastric.as_ref())),
            Cell::Value(words::rhythm(hour.small_bowel.as_ref())),
        ]
    });
    html.table("Rhythm over its surroundings", &headings, rows);
    html.paragraph(words::RHYTHM);
    html.close_fold();
}

fn motion(phase: &MotionResult) -> Vec<Cell> {
    let mut row = vec![Cell::Head(words::titled(&phase.phase))];
    match (phase.share_moving, phase.share_moving_interval) {
        (Some(share), Some([from, to])) => row.extend([
            Cell::Share(share, words::percent(share)),
            Cell::Value(format!("{} to {}", words::percent(from), words::percent(to))),
            Cell::value_or(phase.moving_speed_mm_per_min.map(words::speed), "too few minutes move"),
        ]),
        _ => row.push(Cell::Missing(
            phase.reason.clone().unwrap_or_else(|| "not told".to_owned()),
            3,
        )),
    }
    row
}
