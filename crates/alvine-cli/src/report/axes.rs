//! Axes: round ticks for values and for time, and the frame of time that several figures share.

use super::canvas::{Anchor, Canvas, Type};
use super::clock::Clock;
use super::colour::{GRID, INK, SOFT_INK};

/// Size of the type on axes, px.
pub const TICK_PX: f64 = 11.5;

/// A span of time laid over a span of pixels.
#[derive(Debug, Clone, Copy)]
pub struct TimeAxis {
    start_s: f64,
    end_s: f64,
    left_px: f64,
    right_px: f64,
}

/// Steps between ticks of time, s: each divides the next or the hour or the day.
const TIME_STEPS_S: [f64; 19] = [
    1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0, 7200.0, 10_800.0, 21_600.0,
    43_200.0, 86_400.0, 172_800.0,
];

/// No axis has more ticks than this, however odd its origin.
const MOST_TICKS: u32 = 200;

/// So far may a label reach beyond the axis's right end, px: figures leave at least that much room.
const LABEL_BEYOND_PX: f64 = 18.0;

/// Ticks of time stand no closer than this, px.
const TICK_APART_PX: f64 = 62.0;

impl TimeAxis {
    /// From a first and last time, s, which may be the same, to a left and right edge, px.
    pub fn new(start_s: f64, end_s: f64, left_px: f64, right_px: f64) -> Self {
        let end_s = if end_s - start_s >= 1.0 { end_s } else { start_s + 1.0 };
        Self {
            start_s,
            end_s,
            left_px,
            right_px,
        }
    }

    /// The left edge, px.
    pub fn left_px(&self) -> f64 {
        self.left_px
    }

    /// The x of a time, px, within the edges.
    pub fn x_px(&self, time_s: f64) -> f64 {
        let share = (time_s - self.start_s) / (self.end_s - self.start_s);
        self.left_px + share.clamp(0.0, 1.0) * (self.right_px - self.left_px)
    }

    /// The x of a column of a table of so many columns between the edges, px.
    pub fn column_x_px(&self, column: f64, columns: usize) -> f64 {
        self.left_px + (self.right_px - self.left_px) * column / columns as f64
    }

    /// The column in which a time falls.
    pub fn column(&self, time_s: f64, columns: usize) -> usize {
        let share = ((time_s - self.start_s) / (self.end_s - self.start_s)).clamp(0.0, 1.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "0 to the number of columns"
        )]
        let column = (share * columns as f64) as usize;
        column.min(columns.saturating_sub(1))
    }

    /// One column to a pixel, but no more columns than instants.
    pub fn columns(&self, instants: usize) -> usize {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "the width of a figure"
        )]
        let columns = (self.right_px - self.left_px).max(1.0) as usize;
        columns.min(instants.max(1))
    }

    /// How many of so many columns lie between two samples so far apart, s.
    pub fn columns_between(&self, step_s: f64, columns: usize) -> usize {
        let share = (step_s / (self.end_s - self.start_s)).clamp(0.0, 1.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "at most the number of columns"
        )]
        let between = (share * columns as f64).ceil() as usize;
        between
    }

    /// Times at round distances from `origin_s`.
    fn ticks_s(&self, origin_s: f64) -> Vec<f64> {
        let span_s = self.end_s - self.start_s;
        let most = ((self.right_px - self.left_px) / TICK_APART_PX).max(1.0);
        let step_s = TIME_STEPS_S
            .into_iter()
            .find(|step_s| span_s / step_s <= most)
            .unwrap_or_else(|| (span_s / most / 86_400.0).ceil() * 86_400.0);
        let first = ((self.start_s - origin_s) / step_s).ceil();
        (0..MOST_TICKS)
            .map(|k| origin_s + (first + f64::from(k)) * step_s)
            .take_while(|&time_s| time_s <= self.end_s)
            .collect()
    }

    /// Whether minutes are too coarse to tell the ticks apart.
    fn shows_seconds(&self) -> bool {
        self.end_s - self.start_s < 600.0
    }

    /// Where the middle of a tick's label goes: over its tick, but not beyond the page.
    fn label_x_px(&self, x_px: f64, label: &str, style: Type) -> f64 {
        x_px.min(self.right_px + LABEL_BEYOND_PX - 0.5 * style.width_px(label))
    }

    /// Thin upright lines at round elapsed times.
    pub fn draw_grid(&self, canvas: &mut Canvas, clock: &Clock, top_px: f64, bottom_px: f64) {
        for time_s in self.ticks_s(clock.origin_s()) {
            let x = self.x_px(time_s);
            canvas.line([(x, top_px), (x, bottom_px)], GRID, 1.0);
        }
    }

    /// Elapsed time below `y_px`, with the axis's name under it.
    pub fn draw_elapsed(&self, canvas: &mut Canvas, clock: &Clock, y_px: f64) {
        let style = Type::new(TICK_PX, SOFT_INK).anchored(Anchor::Middle);
        canvas.line([(self.left_px, y_px), (self.right_px, y_px)], SOFT_INK, 1.0);
        let seconds = self.shows_seconds();
        for time_s in self.ticks_s(clock.origin_s()) {
            let x = self.x_px(time_s);
            canvas.line([(x, y_px), (x, y_px + 5.0)], SOFT_INK, 1.0);
            let label = if seconds {
                clock.elapsed(time_s)
            } else {
                clock.elapsed_short(time_s)
            };
            canvas.text((self.label_x_px(x, &label, style), y_px + 14.0), label, style);
        }
        let unit = if seconds { "h:min:s" } else { "h:min" };
        let name = format!("Time {}, {unit}", clock.since());
        let middle = 0.5 * (self.left_px + self.right_px);
        canvas.text(
            (middle, y_px + 32.0),
            name,
            Type::new(12.0, INK).anchored(Anchor::Middle),
        );
    }

    /// Time on the wall above `y_px`, where the study gives it.
    pub fn draw_wall(&self, canvas: &mut Canvas, clock: &Clock, y_px: f64) {
        let Some(phase_s) = clock.wall_phase_s() else {
            return;
        };
        let style = Type::new(TICK_PX, SOFT_INK).anchored(Anchor::Middle);
        canvas.line([(self.left_px, y_px), (self.right_px, y_px)], SOFT_INK, 1.0);
        for time_s in self.ticks_s(-phase_s) {
            let x = self.x_px(time_s);
            canvas.line([(x, y_px), (x, y_px - 5.0)], SOFT_INK, 1.0);
            let label = if self.shows_seconds() {
                clock.wall(time_s)
            } else {
                clock.wall_short(time_s)
            };
            if let Some(label) = label {
                canvas.text((self.label_x_px(x, &label, style), y_px - 14.0), label, style);
            }
        }
        let name = Type::new(12.0, INK).anchored(Anchor::End);
        canvas.text((self.left_px - 36.0, y_px - 14.0), "Time of day", name);
    }
}

/// Round values between two, about `most` of them, by steps of 1, 2 or 5 times a power of ten.
pub fn round_ticks(least: f64, greatest: f64, most: f64) -> Vec<f64> {
    let span = greatest - least;
    if !(span.is_finite() && span > 0.0) {
        return vec![least];
    }
    let rough = span / most.max(1.0);
    let magnitude = 10_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|factor| factor * magnitude)
        .find(|&step| step >= rough * (1.0 - 1e-9))
        .unwrap_or(10.0 * magnitude);
    let first = (least / step - 1e-9).ceil();
    (0..100)
        .map(|k| (first + f64::from(k)) * step)
        .take_while(|&value| value <= greatest + 1e-9 * step)
        // Minus zero prints as such.
        .map(|value| value + 0.0)
        .collect()
}

/// A whole number with a true minus sign.
pub fn signed(value: f64) -> String {
    let rounded = value.round() + 0.0;
    if rounded < 0.0 {
        format!("−{}", -rounded)
    } else {
        format!("{rounded}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_within() {
        assert_eq!(round_ticks(-100.0, -40.0, 3.0), vec![-100.0, -80.0, -60.0, -40.0]);
        assert_eq!(round_ticks(-7.0, 13.0, 4.0), vec![-5.0, 0.0, 5.0, 10.0]);
        assert_eq!(round_ticks(3.0, 3.0, 4.0), vec![3.0]);
    }

    #[test]
    fn time_ticks_are_round_from_their_origin_and_not_crowded() {
        let axis = TimeAxis::new(0.0, 8.0 * 3600.0, 100.0, 800.0);
        let ticks = axis.ticks_s(412.0);
        assert_eq!(ticks[0], 412.0);
        assert_eq!(ticks[1] - ticks[0], 3600.0);
        let month = TimeAxis::new(0.0, 30.0 * 86_400.0, 0.0, 700.0);
        assert!(month.ticks_s(0.0).len() <= 12);
    }

    #[test]
    fn a_recording_of_one_instant_has_an_axis() {
        let axis = TimeAxis::new(5.0, 5.0, 0.0, 100.0);
        assert_eq!(axis.column(5.0, 100), 0);
        assert!(axis.x_px(5.0).is_finite());
    }

    #[test]
    fn an_origin_beyond_all_sense_ends_in_few_ticks() {
        let axis = TimeAxis::new(0.0, 3600.0, 0.0, 800.0);
        for origin_s in [-1e300, 1e300, 1e17] {
            assert!(axis.ticks_s(origin_s).len() <= MOST_TICKS as usize);
        }
    }

    #[test]
    fn minus_is_a_minus() {
        assert_eq!(signed(-40.0), "−40");
        assert_eq!(signed(-0.2), "0");
    }
}
