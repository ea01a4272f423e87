//! How the criterion falls with the number of sites.

use alvine::siting::Criterion;

use super::chart::Chart;
use crate::report::canvas::{Anchor, Canvas, Type};
use crate::report::colour::{INK, PAPER, SIGNAL, SOFT_INK};
use crate::report::placement::Area;
use crate::report::{Figure, ReportError};

const NAME: &str = "curve";
const WIDTH_PX: f64 = 720.0;
const HEIGHT_PX: f64 = 420.0;

/// Draws points of sites and mm, with the default layout and the one that was placed.
pub fn curve(
    points: &[(usize, f64)],
    reference: (usize, f64),
    placed: (usize, f64),
    criterion: Criterion,
) -> Result<Figure, ReportError> {
    let title = "How the error falls with the number of sites".to_owned();
    let greatest = points.iter().chain([&reference, &placed]).map(|point| point.1);
    let greatest = greatest.filter(|value| value.is_finite()).fold(1.0, f64::max);
    let most = points.iter().map(|point| point.0).max().unwrap_or(32).max(reference.0);
    let chart = Chart {
        area: Area {
            left: 78.0,
            top: 56.0,
            right: WIDTH_PX - 30.0,
            bottom: HEIGHT_PX - 56.0,
        },
        across: (0.0, most as f64 + 1.0),
        up: (0.0, 1.08 * greatest),
    };
    let mut canvas = Canvas::new(WIDTH_PX, HEIGHT_PX);
    canvas.text((20.0, 24.0), &title, Type::new(15.0, INK).bold());
    chart.draw_across(&mut canvas, "Sites", 9.0);
    chart.draw_up(&mut canvas, &format!("Criterion “{}”, mm", criterion.as_str()), 6.0);
    let places: Vec<_> = points
        .iter()
        .map(|&(sites, mm)| chart.place(sites as f64, mm))
        .collect();
    canvas.line(places.iter().copied(), SIGNAL, 2.0);
    for place in &places {
        canvas.disc(*place, 3.6, SIGNAL);
    }
    let label = Type::new(11.5, INK);
    let default = chart.place(reference.0 as f64, reference.1);
    canvas.disc(default, 6.0, PAPER);
    canvas.ring(default, 5.4, INK, 1.8);
    let text = format!("default eight, {:.1} mm", reference.1);
    canvas.text_on_paper((default.0 + 12.0, default.1 - 6.0), text, label);
    let own = chart.place(placed.0 as f64, placed.1);
    canvas.disc(own, 5.6, INK);
    let text = format!("{} designed, {:.1} mm", placed.0, placed.1);
    canvas.text_on_paper((own.0 - 12.0, own.1 + 16.0), text, label.anchored(Anchor::End));
    canvas.text(
        (chart.area.right, chart.area.top - 12.0),
        "by exchange among candidates; the designed one also moved freely",
        Type::new(11.0, SOFT_INK).anchored(Anchor::End),
    );
    let ends = points.first().zip(points.last());
    let description = ends.map_or_else(String::new, |(first, last)| {
        format!(
            "The criterion falls from {:.1} mm with {} sites to {:.1} mm with {}. The default eight have {:.1} mm.",
            first.1, first.0, last.1, last.0, reference.1
        )
    });
    Figure::drawn(canvas, NAME, title, description)
}
