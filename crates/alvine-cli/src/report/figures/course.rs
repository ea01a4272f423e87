//! The course of each coordinate over time, with its 90 % band: how well the place was known, and when.

use alvine::TrackPoint;

use crate::report::axes::{TICK_PX, TimeAxis, round_ticks, signed};
use crate::report::canvas::{Anchor, Canvas, Type};
use crate::report::clock::Clock;
use crate::report::colour::{INK, PAPER, SIGNAL, SOFT_INK};
use crate::report::envelope::Envelope;
use crate::report::{Figure, ReportError, ReportInput};

use super::{WIDE_PX, phase_strip, recording_axis, shade_phases};

const LEFT_PX: f64 = 128.0;
const RIGHT_PX: f64 = WIDE_PX - 20.0;
const TOP_PX: f64 = 62.0;
const PANEL_PX: f64 = 108.0;
const PITCH_PX: f64 = 122.0;
/// The half width of a 90 % interval of a normal quantity, in standard deviations.
const NORMAL_90: f64 = 1.645;

/// One coordinate: its index in a position, its name, and what its two ends mean.
struct Coordinate {
    index: usize,
    name: &'static str,
    high_end: &'static str,
    low_end: &'static str,
}

const COORDINATES: [Coordinate; 3] = [
    Coordinate {
        index: 0,
        name: "Side to side",
        high_end: "L left",
        low_end: "R right",
    },
    Coordinate {
        index: 1,
        name: "Depth",
        high_end: "P back",
        low_end: "A front",
    },
    Coordinate {
        index: 2,
        name: "Height",
        high_end: "S head",
        low_end: "I feet",
    },
];

/// What one coordinate did: its values, and its 90 % band.
struct Course {
    place: Envelope,
    band: Envelope,
}

/// Draws the three courses.
pub fn draw(input: &ReportInput<'_>) -> Result<Figure, ReportError> {
    let clock = Clock::of(input);
    let axis = recording_axis(input, LEFT_PX, RIGHT_PX);
    let bottom_px = TOP_PX + PITCH_PX * COORDINATES.len() as f64;
    let mut canvas = Canvas::new(WIDE_PX, bottom_px + 48.0);
    axis.draw_wall(&mut canvas, &clock, 30.0);
    phase_strip(&mut canvas, input.summary, &axis, 36.0, 54.0);
    canvas.text(
        (LEFT_PX - 14.0, 45.0),
        "Phase",
        Type::new(12.0, INK).anchored(Anchor::End),
    );
    let courses = collect(input, &axis);
    for (i, (coordinate, course)) in COORDINATES.iter().zip(&courses).enumerate() {
        let top_px = TOP_PX + PITCH_PX * i as f64;
        draw_course(&mut canvas, input, coordinate, course, &axis, top_px);
    }
    axis.draw_elapsed(&mut canvas, &clock, bottom_px);
    let title = "Course of the position over time".to_owned();
    let description = format!(
        "Side-to-side position, depth and height over time {} in millimetres from the umbilicus, each with the band \
         that holds it with 90 % probability. {} of {} instants have a position.",
        clock.since(),
        input.track.points.len(),
        input.study.recording.len()
    );
    Figure::drawn(canvas, "course", title, description)
}

/// One pass over the track: every coordinate, and the ends of its interval, into its column.
fn collect(input: &ReportInput<'_>, axis: &TimeAxis) -> [Course; 3] {
    let columns = axis.columns(input.study.recording.len());
    let mut courses = COORDINATES.map(|_| Course {
        place: Envelope::new(columns),
        band: Envelope::new(columns),
    });
    for point in &input.track.points {
        let column = axis.column(point.time_s, columns);
        for (coordinate, course) in COORDINATES.iter().zip(&mut courses) {
            let (at_mm, half_mm) = at(point, coordinate.index);
            course.place.add(column, at_mm);
            course.band.add(column, at_mm - half_mm);
            course.band.add(column, at_mm + half_mm);
        }
    }
    courses
}

fn draw_course(
    canvas: &mut Canvas,
    input: &ReportInput<'_>,
    coordinate: &Coordinate,
    Course { place, band }: &Course,
    axis: &TimeAxis,
    top_px: f64,
) {
    let base_px = top_px + PANEL_PX;
    let columns = place.columns().len();
    let (least_mm, greatest_mm) = span(band, body_span_mm(input, coordinate.index));
    let y_px = |value_mm: f64| {
        let share = (value_mm - least_mm) / (greatest_mm - least_mm);
        base_px - share.clamp(0.0, 1.0) * PANEL_PX
    };

    shade_phases(canvas, input.summary, axis, top_px, base_px);
    axis.draw_grid(canvas, &Clock::of(input), top_px, base_px);
    let tick = Type::new(TICK_PX, SOFT_INK).anchored(Anchor::End);
    for value_mm in round_ticks(least_mm, greatest_mm, 4.0) {
        let y = y_px(value_mm);
        canvas.line([(LEFT_PX, y), (RIGHT_PX, y)], PAPER, 1.0);
        canvas.line([(LEFT_PX - 4.0, y), (LEFT_PX, y)], SOFT_INK, 1.0);
        canvas.text((LEFT_PX - 7.0, y), signed(value_mm), tick);
    }
    canvas.line([(LEFT_PX, top_px), (LEFT_PX, base_px)], SOFT_INK, 1.0);
    let name = Type::new(12.0, INK).anchored(Anchor::Middle).upwards();
    canvas.text(
        (16.0, 0.5 * (top_px + base_px)),
        format!("{}, mm", coordinate.name),
        name,
    );
    let end = Type::new(11.0, SOFT_INK).bold();
    canvas.text((30.0, top_px + 8.0), coordinate.high_end, end);
    canvas.text((30.0, base_px - 8.0), coordinate.low_end, end);

    if input.track.points.is_empty() {
        let why = "No position could be told from this recording.";
        canvas.text(
            (LEFT_PX + 10.0, 0.5 * (top_px + base_px)),
            why,
            Type::new(12.0, SOFT_INK),
        );
    }
    let step_s = input.summary.quality.median_step_s.unwrap_or(0.0);
    let bridged = axis.columns_between(3.0 * step_s, columns);
    let across = |column| axis.column_x_px(column, columns);
    band.draw(canvas, bridged, across, y_px, SIGNAL.veil(0.22), 1.0);
    place.draw(canvas, bridged, across, y_px, SIGNAL.into(), 1.4);
}

/// A coordinate and the half width of its 90 % interval, mm.
fn at(point: &TrackPoint, index: usize) -> (f64, f64) {
    let deviation_mm = point.covariance_mm2[(index, index)].max(0.0).sqrt();
    (point.position_mm[index], NORMAL_90 * deviation_mm)
}

/// Where the body ends along a coordinate, mm.
fn body_span_mm(input: &ReportInput<'_>, index: usize) -> (f64, f64) {
    let torso = &input.study.setup.torso;
    match index {
        0 => (-0.5 * torso.breadth_mm(), 0.5 * torso.breadth_mm()),
        1 => (0.0, torso.depth_mm()),
        _ => (alvine::Torso::LOWEST_MM, alvine::Torso::HIGHEST_MM),
    }
}

/// The span of the axis, mm: what the band reaches, but no further than half a body beyond the body.
fn span(band: &Envelope, (least_mm, greatest_mm): (f64, f64)) -> (f64, f64) {
    let beyond_mm = 0.5 * (greatest_mm - least_mm);
    let reached = band.columns().iter().flatten();
    let (low, high) = reached.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &(least, greatest)| {
        (low.min(least), high.max(greatest))
    });
    if low < high {
        let pad_mm = 0.04 * (high - low);
        (
            (low - pad_mm).clamp(least_mm - beyond_mm, greatest_mm),
            (high + pad_mm).clamp(least_mm + beyond_mm, greatest_mm + beyond_mm),
        )
    } else {
        (least_mm, greatest_mm)
    }
}
