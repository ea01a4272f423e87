//! Layouts side by side: mean, 95th percentile and the loss of one site, torso by torso.

use super::chart::Chart;
use crate::report::canvas::{Canvas, Type};
use crate::report::colour::{Colour, INK, PAPER, SOFT_INK};
use crate::report::placement::Area;
use crate::report::{Figure, ReportError};

const NAME: &str = "comparison";
const WIDTH_PX: f64 = 900.0;
const ROW_PX: f64 = 26.0;
const GROUP_PX: f64 = 30.0;
const LEFT_PX: f64 = 232.0;
/// From mean to 95th percentile.
const BAR: Colour = Colour::hex(0x8FB3C7);
/// The mean after the worst loss.
const LOST: Colour = Colour::hex(0x9A5B12);

/// One layout on one torso.
#[derive(Debug, Clone)]
pub struct Bar {
    /// The layout's name.
    pub layout: String,
    /// The torso's name and size.
    pub torso: String,
    /// Mean error, mm.
    pub mean_mm: f64,
    /// 95th percentile, mm.
    pub percentile95_mm: f64,
    /// Mean after the loss of the site missed most, mm; infinite where nothing is left.
    pub worst_loss_mm: f64,
    /// Error of the trials, mm.
    pub trials_mm: Option<f64>,
}

/// Draws every layout in groups, one a torso.
pub fn comparison(bars: &[Bar]) -> Result<Figure, ReportError> {
    let mut groups: Vec<&str> = Vec::new();
    for bar in bars {
        if !groups.contains(&bar.torso.as_str()) {
            groups.push(&bar.torso);
        }
    }
    let rows_px = ROW_PX * bars.len() as f64 + GROUP_PX * groups.len() as f64;
    let values = bars.iter().flat_map(|bar| {
        [
            bar.mean_mm,
            bar.percentile95_mm,
            bar.worst_loss_mm,
            bar.trials_mm.unwrap_or(0.0),
        ]
    });
    let greatest = values.filter(|value| value.is_finite()).fold(1.0, f64::max);
    let chart = Chart {
        area: Area {
            left: LEFT_PX,
            top: 82.0,
            right: WIDTH_PX - 60.0,
            bottom: 82.0 + rows_px + 6.0,
        },
        across: (0.0, 1.05 * greatest),
        up: (0.0, 1.0),
    };
    let title = "Layouts compared: least error of one fix over the gut".to_owned();
    let mut canvas = Canvas::new(WIDTH_PX, chart.area.bottom + 52.0);
    canvas.text((20.0, 24.0), &title, Type::new(15.0, INK).bold());
    draw_key(&mut canvas, bars.iter().any(|bar| bar.trials_mm.is_some()));
    chart.draw_across(&mut canvas, "Root-mean-square error, mm", 10.0);
    let mut y = chart.area.top;
    for group in groups {
        y += GROUP_PX;
        canvas.text(
            (20.0, y - 10.0),
            format!("Torso: {group} mm"),
            Type::new(12.0, INK).bold(),
        );
        for bar in bars.iter().filter(|bar| bar.torso == group) {
            draw_row(&mut canvas, &chart, bar, y + 0.5 * ROW_PX);
            y += ROW_PX;
        }
    }
    let description = describe(bars);
    Figure::drawn(canvas, NAME, title, description)
}

fn draw_row(canvas: &mut Canvas, chart: &Chart, bar: &Bar, y: f64) {
    let name = Type::new(11.5, INK);
    canvas.text((34.0, y), name.fit(&bar.layout, LEFT_PX - 44.0), name);
    let (mean, high) = (chart.x_px(bar.mean_mm), chart.x_px(bar.percentile95_mm));
    canvas.rectangle((mean, y - 5.0), (high, y + 5.0), BAR);
    if bar.worst_loss_mm.is_finite() {
        let lost = chart.x_px(bar.worst_loss_mm);
        canvas.line([(lost, y - 8.0), (lost, y + 8.0)], LOST, 2.4);
    }
    if let Some(trials_mm) = bar.trials_mm {
        draw_diamond(canvas, (chart.x_px(trials_mm), y));
    }
    canvas.disc((mean, y), 4.6, INK);
    let right = [bar.mean_mm, bar.percentile95_mm, bar.worst_loss_mm];
    let right = right.into_iter().filter(|value| value.is_finite()).fold(0.0, f64::max);
    let value = format!("{:.0}", bar.mean_mm);
    canvas.text((chart.x_px(right) + 9.0, y), value, Type::new(11.0, SOFT_INK));
}

fn draw_diamond(canvas: &mut Canvas, (x, y): (f64, f64)) {
    for (size, colour) in [(7.0, INK), (4.8, PAPER)] {
        canvas.area([(x - size, y), (x, y - size), (x + size, y), (x, y + size)], colour);
    }
}

fn draw_key(canvas: &mut Canvas, trials: bool) {
    let style = Type::new(11.5, INK);
    let y = 52.0;
    let mut x = 24.0;
    let mut entry = |canvas: &mut Canvas, text: &str, draw: &dyn Fn(&mut Canvas, f64)| {
        draw(canvas, x);
        canvas.text((x + 16.0, y), text, style);
        x += 16.0 + style.width_px(text) + 28.0;
    };
    entry(canvas, "mean (number at the right)", &|canvas, x| {
        canvas.disc((x, y), 4.6, INK)
    });
    entry(canvas, "up to the 95th percentile", &|canvas, x| {
        canvas.rectangle((x - 7.0, y - 5.0), (x + 7.0, y + 5.0), BAR);
    });
    entry(canvas, "mean after the worst loss of one site", &|canvas, x| {
        canvas.line([(x, y - 8.0), (x, y + 8.0)], LOST, 2.4);
    });
    if trials {
        entry(canvas, "trials", &|canvas, x| draw_diamond(canvas, (x, y)));
    }
}

fn describe(bars: &[Bar]) -> String {
    let mut text =
        "Mean error over the gut, with the 95th percentile and the mean after the loss of one site.".to_owned();
    for bar in bars {
        text.push_str(&format!(
            " {} on {}: {:.0} mm, 95 % {:.0} mm.",
            bar.layout, bar.torso, bar.mean_mm, bar.percentile95_mm
        ));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn layouts_with_nothing_left_after_a_loss_and_with_strange_names_still_make_a_figure() {
        let bar = |layout: &str, worst_loss_mm| Bar {
            layout: layout.to_owned(),
            torso: "own 330 × 230".to_owned(),
            mean_mm: 90.0,
            percentile95_mm: 140.0,
            worst_loss_mm,
            trials_mm: Some(88.0),
        };
        let figure = comparison(&[bar("<four>", f64::INFINITY), bar(&"long ".repeat(100), 120.0)]).unwrap();
        assert!(!figure.svg.contains("NaN") && !figure.svg.contains("inf"));
        resvg::usvg::roxmltree::Document::parse(&figure.svg).unwrap();
        assert!(comparison(&[]).is_ok());
    }
}
