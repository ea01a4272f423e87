//! Every figure of the report, in the order of the page.

mod course;
mod planes;
mod signals;
mod timeline;
mod transit;

use alvine::Phase;
use alvine_study::results::summary::Summary;

use super::axes::TimeAxis;
use super::canvas::{Anchor, Canvas, Type};
use super::colour::{self, Colour, INK, INK_ON_COLON, PAPER, SOFT_INK};
use super::words;
use super::{Figure, ReportError, ReportInput};

/// Width of the figures that run over time, px.
const WIDE_PX: f64 = 960.0;

/// Draws every figure: the timeline of phases, the transit times, the path in three anatomical planes, each and together, the course of the three
/// coordinates, and the signals.
///
/// # Errors
///
/// [`ReportError::Font`] when a built-in face cannot be read, [`ReportError::Drawing`] when the drawing library fails;
/// neither depends on the study.
pub fn figures(input: &ReportInput<'_>) -> Result<Vec<Figure>, ReportError> {
    let mut figures = vec![timeline::draw(input)?, transit::draw(input)?];
    figures.extend(planes::draw(input)?);
    figures.push(course::draw(input)?);
    figures.push(signals::draw(input)?);
    Ok(figures)
}

/// The axis of time that the figures share: the whole recording.
fn recording_axis(input: &ReportInput<'_>, left_px: f64, right_px: f64) -> TimeAxis {
    let time_s = input.study.recording.time_s();
    let (start_s, end_s) = match (time_s.first(), time_s.last()) {
        (Some(&start_s), Some(&end_s)) => (start_s, end_s),
        _ => (0.0, 1.0),
    };
    TimeAxis::new(start_s, end_s, left_px, right_px)
}

/// How much of a phase's colour tints what runs behind a panel.
pub(super) const TINT: f64 = 0.16;

/// Tints the phases behind a panel that runs over time.
fn shade_phases(canvas: &mut Canvas, summary: &Summary, axis: &TimeAxis, top_px: f64, bottom_px: f64) {
    for phase in &summary.phases {
        let (left, right) = (axis.x_px(phase.start_s), axis.x_px(phase.end_s));
        let tint = colour::of_phase_name(&phase.phase).tint(TINT);
        canvas.rectangle((left, top_px), (right.max(left + 0.5), bottom_px), tint);
    }
}

/// A strip of phases, each named on it where there is room.
fn phase_strip(canvas: &mut Canvas, summary: &Summary, axis: &TimeAxis, top_px: f64, bottom_px: f64) {
    if summary.phases.is_empty() {
        let at = (axis.left_px() + 8.0, 0.5 * (top_px + bottom_px));
        canvas.text(at, "none could be told", Type::new(11.5, SOFT_INK));
    }
    for phase in &summary.phases {
        let (left, right) = (axis.x_px(phase.start_s), axis.x_px(phase.end_s));
        let fill = colour::of_phase_name(&phase.phase);
        canvas.rectangle((left, top_px), (right.max(left + 1.0), bottom_px), fill);
        let style = Type::new(11.5, on(fill)).bold().anchored(Anchor::Middle);
        let name = words::titled(&phase.phase);
        if style.width_px(&name) + 8.0 <= right - left {
            canvas.text((0.5 * (left + right), 0.5 * (top_px + bottom_px)), name, style);
        }
    }
}

/// The colour of text that is read on a phase's colour.
fn on(fill: Colour) -> Colour {
    if fill == colour::of_phase(Phase::Colon) {
        INK_ON_COLON
    } else if fill == colour::of_phase(Phase::Outside) {
        INK
    } else {
        PAPER
    }
}
