//! The transit times beside published ranges, on one logarithmic axis: seconds in the oesophagus, days in the colon.

use alvine::Phase;
use alvine_study::results::summary::{TransitResult, TransitTime};

use crate::report::canvas::{Anchor, Canvas, Type};
use crate::report::clock::{duration, duration_range};
use crate::report::colour::{BELOW_FLOOR, Colour, GRID, INK, NOTHING, SOFT_INK, of_phase};
use crate::report::{Figure, ReportError, ReportInput};

use super::WIDE_PX;

const LEFT_PX: f64 = 178.0;
const RIGHT_PX: f64 = WIDE_PX - 150.0;
const TOP_PX: f64 = 14.0;
const ROW_PX: f64 = 38.0;
/// Ticks of the axis, s, with their names.
const TICKS: [(f64, &str); 9] = [
    (1.0, "1 s"),
    (10.0, "10 s"),
    (60.0, "1 min"),
    (600.0, "10 min"),
    (3600.0, "1 h"),
    (10_800.0, "3 h"),
    (36_000.0, "10 h"),
    (108_000.0, "30 h"),
    (360_000.0, "100 h"),
];

/// Draws the comparison.
pub fn draw(input: &ReportInput<'_>) -> Result<Figure, ReportError> {
    let rows = rows(&input.summary.transit);
    let axis = LogAxis::around(&rows);
    let bottom_px = TOP_PX + ROW_PX * rows.len() as f64;
    let mut canvas = Canvas::new(WIDE_PX, bottom_px + 78.0);
    axis.draw(&mut canvas, bottom_px);
    for (k, row) in rows.iter().enumerate() {
        draw_row(&mut canvas, row, &axis, TOP_PX + ROW_PX * (k as f64 + 0.5));
    }
    draw_key(&mut canvas, bottom_px + 60.0);
    let title = "Transit times beside published ranges".to_owned();
    let description = describe(&rows);
    Figure::drawn(canvas, "transit", title, description)
}

/// One part of the gut.
struct Row<'a> {
    name: &'static str,
    colour: Colour,
    time: &'a TransitTime,
}

fn rows(transit: &TransitResult) -> [Row<'_>; 5] {
    let row = |name, phase: Option<Phase>, time| Row {
        name,
        colour: phase.map_or(NOTHING, of_phase),
        time,
    };
    [
        row("Oesophagus", Some(Phase::Oesophagus), &transit.oesophageal),
        row("Stomach", Some(Phase::Stomach), &transit.gastric),
        row("Small bowel", Some(Phase::SmallBowel), &transit.small_bowel),
        row("Colon", Some(Phase::Colon), &transit.colonic),
        row("Whole gut", None, &transit.whole_gut),
    ]
}

/// A logarithmic axis of durations.
struct LogAxis {
    least_s: f64,
    greatest_s: f64,
}

impl LogAxis {
    /// Wide enough for every value of the rows, and for minutes to a day at the least.
    fn around(rows: &[Row<'_>]) -> Self {
        let values = rows.iter().flat_map(|row| {
            let spans = [row.time.interval90_s, row.time.reference_range_s];
            let values = spans.into_iter().flatten().flatten();
            values.chain(row.time.duration_s)
        });
        let possible = values.filter(|&value_s| value_s >= 1.0 && value_s.is_finite());
        let (least_s, greatest_s) = possible.fold((300.0_f64, 43_200.0_f64), |(least_s, greatest_s), value_s| {
            (least_s.min(value_s), greatest_s.max(value_s))
        });
        Self {
            least_s: least_s / 1.3,
            greatest_s: greatest_s * 1.3,
        }
    }

    fn x_px(&self, length_s: f64) -> f64 {
        let length_s = length_s.clamp(self.least_s, self.greatest_s);
        let share = (length_s / self.least_s).ln() / (self.greatest_s / self.least_s).ln();
        LEFT_PX + share * (RIGHT_PX - LEFT_PX)
    }

    fn draw(&self, canvas: &mut Canvas, bottom_px: f64) {
        let style = Type::new(11.5, SOFT_INK).anchored(Anchor::Middle);
        for (tick_s, name) in TICKS {
            if (self.least_s..=self.greatest_s).contains(&tick_s) {
                let x = self.x_px(tick_s);
                canvas.line([(x, TOP_PX), (x, bottom_px)], GRID, 1.0);
                canvas.line([(x, bottom_px), (x, bottom_px + 5.0)], SOFT_INK, 1.0);
                canvas.text((x, bottom_px + 14.0), name, style);
            }
        }
        canvas.line([(LEFT_PX, bottom_px), (RIGHT_PX, bottom_px)], SOFT_INK, 1.0);
        let middle = 0.5 * (LEFT_PX + RIGHT_PX);
        let name = Type::new(12.0, INK).anchored(Anchor::Middle);
        canvas.text((middle, bottom_px + 32.0), "Transit time, logarithmic scale", name);
    }
}

fn draw_row(canvas: &mut Canvas, row: &Row<'_>, axis: &LogAxis, y_px: f64) {
    let name = Type::new(12.5, INK).anchored(Anchor::End);
    canvas.text((LEFT_PX - 14.0, y_px), row.name, name);
    if let Some([from_s, to_s]) = row.time.reference_range_s {
        let (left, right) = (axis.x_px(from_s), axis.x_px(to_s));
        canvas.rectangle((left, y_px - 10.0), (right, y_px + 10.0), BELOW_FLOOR.veil(0.7));
    }
    if let Some(median_s) = row.time.reference_median_s {
        let x = axis.x_px(median_s);
        canvas.line([(x, y_px - 10.0), (x, y_px + 10.0)], SOFT_INK, 2.0);
    }
    let style = Type::new(12.0, INK);
    let beside = (RIGHT_PX + 14.0, y_px);
    let Some(duration_s) = row.time.duration_s else {
        canvas.text(beside, "cannot be told", Type::new(12.0, SOFT_INK));
        return;
    };
    if let Some([from_s, to_s]) = row.time.interval90_s {
        canvas.line([(axis.x_px(from_s), y_px), (axis.x_px(to_s), y_px)], INK, 2.0);
    }
    let x = axis.x_px(duration_s);
    if row.time.censored {
        let tip = x + 34.0;
        canvas.line([(x, y_px), (tip, y_px)], INK, 2.0);
        canvas.area(
            [(tip + 7.0, y_px), (tip - 2.0, y_px - 5.0), (tip - 2.0, y_px + 5.0)],
            INK,
        );
    }
    canvas.disc((x, y_px), 6.5, INK);
    canvas.disc((x, y_px), 4.5, row.colour);
    let at_least = if row.time.censored { "≥\u{A0}" } else { "" };
    canvas.text(beside, format!("{at_least}{}", duration(duration_s)), style);
}

/// What the marks mean.
fn draw_key(canvas: &mut Canvas, y_px: f64) {
    let style = Type::new(11.5, SOFT_INK);
    let mut x = LEFT_PX;
    let entries = [
        "this passage, 90 % interval",
        "lower bound",
        "published range and median",
    ];
    for (k, text) in entries.into_iter().enumerate() {
        match k {
            0 => {
                canvas.line([(x, y_px), (x + 26.0, y_px)], INK, 2.0);
                canvas.disc((x + 13.0, y_px), 5.0, INK);
            }
            1 => {
                canvas.line([(x + 4.0, y_px), (x + 20.0, y_px)], INK, 2.0);
                canvas.area([(x + 26.0, y_px), (x + 18.0, y_px - 4.5), (x + 18.0, y_px + 4.5)], INK);
                canvas.disc((x + 4.0, y_px), 5.0, INK);
            }
            _ => {
                canvas.rectangle((x, y_px - 7.0), (x + 26.0, y_px + 7.0), BELOW_FLOOR.veil(0.7));
                canvas.line([(x + 13.0, y_px - 7.0), (x + 13.0, y_px + 7.0)], SOFT_INK, 2.0);
            }
        }
        canvas.text((x + 34.0, y_px), text, style);
        x += 34.0 + style.width_px(text) + 24.0;
    }
}

fn describe(rows: &[Row<'_>]) -> String {
    let mut text = "Transit times of this passage beside published ranges.".to_owned();
    for row in rows {
        let at_least = if row.time.censored { "at least " } else { "" };
        let time = row.time.duration_s.map_or("cannot be told".to_owned(), |duration_s| {
            format!("{at_least}{}", duration(duration_s))
        });
        let range = row
            .time
            .reference_range_s
            .map_or("no published range".to_owned(), |range_s| {
                format!("published {}", duration_range(range_s))
            });
        text.push_str(&format!(" {}: {time}; {range}.", row.name));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decade_is_as_long_anywhere_on_the_axis() {
        let axis = LogAxis {
            least_s: 1.0,
            greatest_s: 1e6,
        };
        let early = axis.x_px(100.0) - axis.x_px(10.0);
        let late = axis.x_px(1e5) - axis.x_px(1e4);
        assert!((early - late).abs() < 1e-9);
        assert!(axis.x_px(0.0).is_finite() && axis.x_px(f64::INFINITY).is_finite());
    }
}
