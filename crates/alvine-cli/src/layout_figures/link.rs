//! The link budget as a curve: margin against depth, with the spread of the law.

use alvine::siting::LinkRow;

use super::chart::Chart;
use crate::report::canvas::{Anchor, Canvas, Type};
use crate::report::colour::{Colour, INK, SIGNAL, SOFT_INK};
use crate::report::placement::Area;
use crate::report::{Figure, ReportError};

const NAME: &str = "link-budget";
const WIDTH_PX: f64 = 720.0;
const HEIGHT_PX: f64 = 420.0;
/// Deepest place heard with so much certainty.
const MARK: Colour = Colour::hex(0x9A5B12);
/// Margins beyond these are not drawn, dB.
const MARGINS_DB: (f64, f64) = (-40.0, 60.0);

/// A link budget to be drawn.
pub struct LinkFigure<'a> {
    /// Depths in rising order.
    pub rows: &'a [LinkRow],
    /// Spread of the law, dB.
    pub shadowing_db: f64,
    /// Probabilities and the deepest place heard with each, mm; `None` where there is no such place or no end.
    pub heard_to: &'a [(f64, Option<f64>)],
}

/// Draws margin against depth.
pub fn link(of: &LinkFigure<'_>) -> Result<Figure, ReportError> {
    let title = "Margin of the link against depth".to_owned();
    let deepest_mm = of.rows.last().map_or(1.0, |row| row.distance_mm);
    let chart = Chart {
        area: Area {
            left: 78.0,
            top: 56.0,
            right: WIDTH_PX - 30.0,
            bottom: HEIGHT_PX - 56.0,
        },
        across: (0.0, deepest_mm),
        up: MARGINS_DB,
    };
    let mut canvas = Canvas::new(WIDTH_PX, HEIGHT_PX);
    canvas.text((20.0, 24.0), &title, Type::new(15.0, INK).bold());
    let shown: Vec<&LinkRow> = of
        .rows
        .iter()
        .filter(|row| row.margin_db >= MARGINS_DB.0 && row.margin_db <= MARGINS_DB.1)
        .collect();
    let edge = |side: f64| {
        let shown = shown.iter();
        shown.map(move |row| chart.place(row.distance_mm, row.margin_db + side * of.shadowing_db))
    };
    let band: Vec<_> = edge(1.0).chain(edge(-1.0).rev()).collect();
    canvas.area(band, SIGNAL.veil(0.16));
    chart.draw_across(&mut canvas, "Depth, mm from the antenna", 9.0);
    chart.draw_up(&mut canvas, "Margin above the weakest level heard, dB", 7.0);
    canvas.line([chart.place(0.0, 0.0), chart.place(deepest_mm, 0.0)], INK, 1.4);
    canvas.line(edge(0.0), SIGNAL, 2.2);
    let label = Type::new(11.5, INK);
    for (k, (probability, depth_mm)) in of.heard_to.iter().enumerate() {
        let Some(depth_mm) = depth_mm.filter(|depth_mm| *depth_mm <= deepest_mm) else {
            continue;
        };
        let (x, y) = chart.place(depth_mm, 0.0);
        canvas.line([(x, chart.area.top), (x, chart.area.bottom)], MARK, 1.4);
        canvas.disc((x, y), 4.0, MARK);
        let text = format!("heard with {:.0} % to {depth_mm:.0} mm", 100.0 * probability);
        let at = (x - 8.0, chart.area.bottom - 14.0 - 18.0 * k as f64);
        canvas.text_on_paper(at, text, label.anchored(Anchor::End));
    }
    canvas.text(
        (chart.area.right, chart.area.top - 12.0),
        "band: one standard deviation of shadowing to either side",
        Type::new(11.0, SOFT_INK).anchored(Anchor::End),
    );
    let mut description = "Margin of the median level above the weakest that is heard, against depth.".to_owned();
    for (probability, depth_mm) in of.heard_to {
        if let Some(depth_mm) = depth_mm {
            description.push_str(&format!(
                " Heard with {:.0} % to {depth_mm:.0} mm.",
                100.0 * probability
            ));
        }
    }
    Figure::drawn(canvas, NAME, title, description)
}
