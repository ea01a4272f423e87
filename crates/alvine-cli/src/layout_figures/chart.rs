//! A panel with two plain axes, for curves and bars.

use crate::report::axes::{TICK_PX, round_ticks, signed};
use crate::report::canvas::{Anchor, Canvas, Place, Type};
use crate::report::colour::{GRID, INK, SOFT_INK};
use crate::report::placement::Area;

/// A panel whose axes run between two values each.
#[derive(Debug, Clone, Copy)]
pub struct Chart {
    /// Where it is on the page.
    pub area: Area,
    /// Least and greatest value across.
    pub across: (f64, f64),
    /// Least and greatest value upwards.
    pub up: (f64, f64),
}

impl Chart {
    /// The x of a value, px.
    pub fn x_px(&self, value: f64) -> f64 {
        let share = (value - self.across.0) / (self.across.1 - self.across.0);
        self.area.left + share.clamp(0.0, 1.0) * (self.area.right - self.area.left)
    }

    /// The y of a value, px.
    pub fn y_px(&self, value: f64) -> f64 {
        let share = (value - self.up.0) / (self.up.1 - self.up.0);
        self.area.bottom - share.clamp(0.0, 1.0) * (self.area.bottom - self.area.top)
    }

    /// The place of a pair of values.
    pub fn place(&self, across: f64, up: f64) -> Place {
        (self.x_px(across), self.y_px(up))
    }

    /// Upright lines and numbers at round values, with the axis's name below.
    pub fn draw_across(&self, canvas: &mut Canvas, name: &str, ticks: f64) {
        let Area {
            left,
            top,
            right,
            bottom,
        } = self.area;
        let style = Type::new(TICK_PX, SOFT_INK).anchored(Anchor::Middle);
        for value in round_ticks(self.across.0, self.across.1, ticks) {
            let x = self.x_px(value);
            canvas.line([(x, top), (x, bottom)], GRID, 0.8);
            canvas.line([(x, bottom), (x, bottom + 4.0)], SOFT_INK, 1.0);
            canvas.text((x, bottom + 14.0), signed(value), style);
        }
        canvas.line([(left, bottom), (right, bottom)], SOFT_INK, 1.0);
        let name_style = Type::new(12.0, INK).anchored(Anchor::Middle);
        canvas.text((0.5 * (left + right), bottom + 33.0), name, name_style);
    }

    /// Level lines and numbers at round values, with the axis's name beside.
    pub fn draw_up(&self, canvas: &mut Canvas, name: &str, ticks: f64) {
        let Area {
            left,
            top,
            right,
            bottom,
        } = self.area;
        let style = Type::new(TICK_PX, SOFT_INK).anchored(Anchor::End);
        for value in round_ticks(self.up.0, self.up.1, ticks) {
            let y = self.y_px(value);
            canvas.line([(left, y), (right, y)], GRID, 0.8);
            canvas.text((left - 8.0, y), signed(value), style);
        }
        canvas.line([(left, top), (left, bottom)], SOFT_INK, 1.0);
        let name_style = Type::new(12.0, INK).anchored(Anchor::Middle).upwards();
        canvas.text((left - 48.0, 0.5 * (top + bottom)), name, name_style);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_run_from_edge_to_edge_and_no_further() {
        let chart = Chart {
            area: Area {
                left: 10.0,
                top: 20.0,
                right: 110.0,
                bottom: 220.0,
            },
            across: (0.0, 10.0),
            up: (-5.0, 5.0),
        };
        assert_eq!(chart.place(0.0, -5.0), (10.0, 220.0));
        assert_eq!(chart.place(10.0, 5.0), (110.0, 20.0));
        assert_eq!(chart.place(5.0, 0.0), (60.0, 120.0));
        assert_eq!(chart.place(1e9, f64::INFINITY), (110.0, 20.0));
    }
}
