//! The differences of a pair with their intervals, about a line at nought.

use alvine::Phase;
use alvine_audit::Difference;

use super::{Pair, Row};
use crate::layout_figures::chart::Chart;
use crate::report::canvas::{Anchor, Canvas, Place, Type};
use crate::report::colour::{BODY, INK, SIGNAL, SOFT_INK, of_phase};
use crate::report::placement::Area;
use crate::report::{Figure, ReportError};

/// The figure's name.
pub const NAME: &str = "differences";
const WIDTH_PX: f64 = 860.0;
const ROW_PX: f64 = 30.0;
const ARROW_PX: f64 = 26.0;
/// The axis is no shorter either way, s, so that seconds do not look like hours.
const LEAST_S: f64 = 1800.0;
/// From this length on the axis is in hours, s: ticks are whole numbers.
const LONG_S: f64 = 6.0 * 3600.0;

/// Draws all differences of a pair; `None` where none is told.
pub fn differences(pair: &Pair<'_>) -> Result<Option<Figure>, ReportError> {
    let told = |row: &&Row| row.difference != Difference::NotTold;
    let rows: Vec<&Row> = pair.durations.iter().filter(told).collect();
    if rows.is_empty() {
        return Ok(None);
    }
    let title = "Differences, second minus first".to_owned();
    let height_px = 96.0 + ROW_PX * rows.len() as f64;
    let across_s = across(&rows);
    let (unit_s, unit) = if across_s.1 - across_s.0 > LONG_S {
        (3600.0, "h")
    } else {
        (60.0, "min")
    };
    let chart = Chart {
        area: Area {
            left: 190.0,
            top: 40.0,
            right: WIDTH_PX - 30.0,
            bottom: height_px - 52.0,
        },
        across: (across_s.0 / unit_s, across_s.1 / unit_s),
        up: (0.0, 1.0),
    };
    let x = |value_s: f64| chart.x_px(value_s / unit_s);
    let mut canvas = Canvas::new(WIDTH_PX, height_px);
    canvas.text((20.0, 18.0), &title, Type::new(15.0, INK).bold());
    for (at, row) in rows.iter().enumerate() {
        if let Some(most_s) = row.day_to_day_s {
            let y = middle(&chart, at);
            canvas.rectangle((x(-most_s), y - 0.45 * ROW_PX), (x(most_s), y + 0.45 * ROW_PX), BODY);
        }
    }
    chart.draw_across(&mut canvas, &format!("Difference, {unit}"), 6.0);
    canvas.line([(x(0.0), chart.area.top), (x(0.0), chart.area.bottom)], SOFT_INK, 1.4);
    let mut said = Vec::new();
    for (at, row) in rows.iter().enumerate() {
        let y = middle(&chart, at);
        let label = Type::new(12.0, INK).anchored(Anchor::End);
        canvas.text((chart.area.left - 12.0, y), row.name, label);
        said.push(draw(&mut canvas, x, row, y));
    }
    let description = format!("{}.", said.join("; "));
    Figure::drawn(canvas, NAME, title, description).map(Some)
}

fn middle(chart: &Chart, at: usize) -> f64 {
    chart.area.top + ROW_PX * (at as f64 + 0.5)
}

/// From the least to the greatest of what is drawn, with nought and some room, s.
fn across(rows: &[&Row]) -> (f64, f64) {
    let values_s = rows.iter().flat_map(|row| {
        let [from_s, to_s] = match row.difference {
            Difference::Known { interval90_s, .. } => interval90_s,
            Difference::AtLeast { value_s } | Difference::AtMost { value_s } => [value_s; 2],
            Difference::NotTold => [0.0; 2],
        };
        let band_s = row.day_to_day_s.unwrap_or(0.0);
        [from_s, to_s, -band_s, band_s]
    });
    let (mut least_s, mut greatest_s) = (-LEAST_S, LEAST_S);
    for value_s in values_s {
        (least_s, greatest_s) = (least_s.min(value_s), greatest_s.max(value_s));
    }
    let room_s = 0.08 * (greatest_s - least_s);
    (least_s - room_s, greatest_s + room_s)
}

/// One row, where `x` is the place of a difference in seconds; and what it shows in words.
fn draw(canvas: &mut Canvas, x: impl Fn(f64) -> f64, row: &Row, y: f64) -> String {
    match row.difference {
        Difference::Known { value_s, interval90_s } => {
            let [from, to] = interval90_s.map(&x);
            canvas.line([(from, y), (to, y)], SIGNAL, 2.0);
            for end in [from, to] {
                canvas.line([(end, y - 5.0), (end, y + 5.0)], SIGNAL, 2.0);
            }
            canvas.disc((x(value_s), y), 4.4, SIGNAL);
        }
        Difference::AtLeast { value_s } => arrow(canvas, (x(value_s), y), ARROW_PX),
        Difference::AtMost { value_s } => arrow(canvas, (x(value_s), y), -ARROW_PX),
        Difference::NotTold => {}
    }
    let [name, .., difference, interval] = row.cells();
    if interval.is_empty() {
        format!("{name} {difference}")
    } else {
        format!("{name} {difference}, {interval}")
    }
}

/// An arrow from a bound to where the difference lies.
fn arrow(canvas: &mut Canvas, (x, y): Place, length_px: f64) {
    let ink = of_phase(Phase::SmallBowel);
    let tip = x + length_px;
    let barb = tip - 7.0 * length_px.signum();
    canvas.line([(x, y - 5.0), (x, y + 5.0)], ink, 2.0);
    canvas.line([(x, y), (tip, y)], ink, 2.0);
    canvas.line([(barb, y - 5.0), (tip, y), (barb, y + 5.0)], ink, 2.0);
}
