//! The timeline: the phases as one bar, and a row for each landmark with its intervals.

use alvine_study::results::summary::{IntervalResult, LandmarkResult, PhaseResult, Source};

use crate::report::axes::TimeAxis;
use crate::report::canvas::{Anchor, Canvas, Type};
use crate::report::clock::{Clock, duration};
use crate::report::colour::{GRID, INK, NOTHING, PAPER, SOFT_INK, of_phase_name};
use crate::report::{Figure, ReportError, ReportInput, words};

use super::{WIDE_PX, on, recording_axis};

const LEFT_PX: f64 = 178.0;
const RIGHT_PX: f64 = WIDE_PX - 26.0;
const BAR_TOP_PX: f64 = 44.0;
const BAR_PX: f64 = 36.0;
const ROW_PX: f64 = 23.0;
const ROW_NAME: Type = Type::new(12.5, INK).anchored(Anchor::End);
const REMARK: Type = Type::new(11.5, SOFT_INK);

/// Draws the timeline.
pub fn draw(input: &ReportInput<'_>) -> Result<Figure, ReportError> {
    let summary = input.summary;
    let clock = Clock::of(input);
    let axis = recording_axis(input, LEFT_PX, RIGHT_PX);
    let spans = [
        ("No site heard it", summary.quality.dropouts.as_slice()),
        ("Clock leapt", summary.quality.clock_jumps.as_slice()),
    ];
    let extra = spans.iter().filter(|(_, spans)| !spans.is_empty()).count() + usize::from(!summary.findings.is_empty());
    let rows_top_px = BAR_TOP_PX + BAR_PX + 26.0;
    let bottom_px = rows_top_px + ROW_PX * (summary.landmarks.len() + extra) as f64 + 4.0;
    let mut canvas = Canvas::new(WIDE_PX, bottom_px + 70.0);

    axis.draw_grid(&mut canvas, &clock, BAR_TOP_PX, bottom_px);
    axis.draw_wall(&mut canvas, &clock, BAR_TOP_PX - 6.0);
    draw_bar(&mut canvas, &summary.phases, &axis);
    let mut row_px = rows_top_px;
    for landmark in &summary.landmarks {
        draw_landmark(&mut canvas, landmark, &axis, &clock, row_px + 0.5 * ROW_PX);
        row_px += ROW_PX;
    }
    if !summary.findings.is_empty() {
        draw_findings(&mut canvas, input, &axis, row_px + 0.5 * ROW_PX);
        row_px += ROW_PX;
    }
    for (name, spans) in spans.into_iter().filter(|(_, spans)| !spans.is_empty()) {
        draw_spans(&mut canvas, name, spans, &axis, row_px + 0.5 * ROW_PX);
        row_px += ROW_PX;
    }
    axis.draw_elapsed(&mut canvas, &clock, bottom_px);
    draw_key(&mut canvas, bottom_px + 56.0);

    let title = "Timeline of phases and landmarks".to_owned();
    let description = describe(input, &clock);
    Figure::drawn(canvas, "timeline", title, description)
}

/// The phases as one bar, named on it, or beneath it where it is too short.
fn draw_bar(canvas: &mut Canvas, phases: &[PhaseResult], axis: &TimeAxis) {
    let middle_px = BAR_TOP_PX + 0.5 * BAR_PX;
    canvas.text((LEFT_PX - 14.0, middle_px), "Phase", ROW_NAME.bold());
    if phases.is_empty() {
        let why = "No phase could be told from this recording.";
        canvas.text((LEFT_PX + 8.0, middle_px), why, REMARK);
    }
    let mut short: Vec<&PhaseResult> = Vec::new();
    let mut free_px = LEFT_PX;
    for phase in phases {
        let (left, right) = (axis.x_px(phase.start_s), axis.x_px(phase.end_s));
        let fill = of_phase_name(&phase.phase);
        let right = right.max(left + 1.5);
        canvas.rectangle((left, BAR_TOP_PX), (right, BAR_TOP_PX + BAR_PX), fill);
        if left > LEFT_PX + 1.0 {
            canvas.line([(left, BAR_TOP_PX), (left, BAR_TOP_PX + BAR_PX)], PAPER, 1.0);
        }
        let (name, length) = (words::titled(&phase.phase), length_of(phase));
        let style = Type::new(12.5, on(fill)).anchored(Anchor::Middle);
        let widest_px = style.bold().width_px(&name).max(style.width_px(&length));
        if widest_px + 10.0 > right - left {
            short.push(phase);
            continue;
        }
        let middle = 0.5 * (left + right);
        canvas.text((middle, middle_px - 7.5), name, style.bold());
        canvas.text((middle, middle_px + 8.5), length, style);
        free_px = name_short(canvas, &short, axis, free_px);
        short.clear();
    }
    name_short(canvas, &short, axis, free_px);
}

fn length_of(phase: &PhaseResult) -> String {
    let at_least = if phase.censored { "≥\u{A0}" } else { "" };
    format!("{at_least}{}", duration(phase.duration_s))
}

/// Names neighbouring phases that are too short to be named on the bar, beneath it and right of `free_px`; answers
/// from where on there is room again.
fn name_short(canvas: &mut Canvas, phases: &[&PhaseResult], axis: &TimeAxis, free_px: f64) -> f64 {
    let (Some(first), Some(last)) = (phases.first(), phases.last()) else {
        return free_px;
    };
    let named = phases
        .iter()
        .map(|phase| format!("{} {}", words::plain(&phase.phase), length_of(phase)));
    let text = words::titled(&named.collect::<Vec<_>>().join(", then "));
    let style = Type::new(11.5, INK);
    let width_px = style.width_px(&text);
    let middle = 0.5 * (axis.x_px(first.start_s) + axis.x_px(last.end_s).max(axis.x_px(first.start_s) + 1.5));
    let left = (middle + 8.0).max(free_px).min(RIGHT_PX + 20.0 - width_px);
    let (bar_px, y) = (BAR_TOP_PX + BAR_PX, BAR_TOP_PX + BAR_PX + 13.0);
    let elbow = if left > middle {
        (left - 3.0, y)
    } else {
        (middle, y - 7.0)
    };
    let corner = (middle, elbow.1);
    canvas.line([(middle, bar_px), corner, elbow], SOFT_INK, 1.0);
    canvas.text_on_paper((left, y), text, style);
    left + width_px + 16.0
}

fn draw_landmark(canvas: &mut Canvas, landmark: &LandmarkResult, axis: &TimeAxis, clock: &Clock, y_px: f64) {
    canvas.text(
        (LEFT_PX - 14.0, y_px),
        ROW_NAME.fit(&words::titled(&landmark.kind), LEFT_PX - 20.0),
        ROW_NAME,
    );
    canvas.line([(LEFT_PX, y_px), (RIGHT_PX, y_px)], GRID, 1.0);
    let Some(time_s) = landmark.time_s else {
        let reason = landmark.reason.as_deref().unwrap_or("no reason was recorded");
        let remark = REMARK.fit(reason, RIGHT_PX - LEFT_PX - 16.0);
        canvas.text_on_paper((LEFT_PX + 8.0, y_px), remark, REMARK);
        return;
    };
    let (mut left, mut right) = (axis.x_px(time_s) - 6.0, axis.x_px(time_s) + 6.0);
    for (interval_s, width_px) in [(landmark.interval90_s, 2.0), (landmark.interval50_s, 6.0)] {
        if let Some([from_s, to_s]) = interval_s {
            let (from, to) = (axis.x_px(from_s), axis.x_px(to_s));
            canvas.line([(from, y_px), (to, y_px)], INK, width_px);
            left = left.min(from);
            right = right.max(to);
        }
    }
    let x = axis.x_px(time_s);
    if let Some(signal_time_s) = landmark.signal_time_s {
        let signal = axis.x_px(signal_time_s);
        canvas.ring((signal, y_px), 4.5, INK, 1.5);
        left = left.min(signal - 6.0);
        right = right.max(signal + 6.0);
    }
    match landmark.source {
        Source::Estimated => canvas.disc((x, y_px), 5.0, INK),
        Source::Reader | Source::Recording => canvas.rectangle((x - 4.5, y_px - 4.5), (x + 4.5, y_px + 4.5), INK),
    }
    let when = match clock.wall(time_s) {
        Some(wall) => format!("{wall}  ({} {})", clock.elapsed(time_s), clock.since()),
        None => format!("{} {}", clock.elapsed(time_s), clock.since()),
    };
    let style = Type::new(11.5, INK);
    if right + 8.0 + style.width_px(&when) <= RIGHT_PX + 20.0 {
        canvas.text_on_paper((right + 8.0, y_px), when, style);
    } else {
        canvas.text_on_paper((left - 8.0, y_px), when, style.anchored(Anchor::End));
    }
}

/// Findings as upright marks, each named where the row has room.
fn draw_findings(canvas: &mut Canvas, input: &ReportInput<'_>, axis: &TimeAxis, y_px: f64) {
    canvas.text((LEFT_PX - 14.0, y_px), "Findings", ROW_NAME);
    canvas.line([(LEFT_PX, y_px), (RIGHT_PX, y_px)], GRID, 1.0);
    let mut by_time: Vec<_> = input.summary.findings.iter().collect();
    by_time.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    let style = Type::new(11.5, INK);
    for (i, finding) in by_time.iter().enumerate() {
        let x = axis.x_px(finding.time_s);
        canvas.area([(x, y_px - 6.0), (x + 5.5, y_px + 5.0), (x - 5.5, y_px + 5.0)], INK);
        let next = by_time
            .get(i + 1)
            .map_or(RIGHT_PX + 20.0, |next| axis.x_px(next.time_s) - 8.0);
        let room_px = next - x - 9.0;
        if room_px > 24.0 {
            canvas.text_on_paper((x + 9.0, y_px), style.fit(&finding.id, room_px.min(180.0)), style);
        }
    }
}

fn draw_spans(canvas: &mut Canvas, name: &str, spans: &[IntervalResult], axis: &TimeAxis, y_px: f64) {
    canvas.text((LEFT_PX - 14.0, y_px), name, ROW_NAME);
    canvas.line([(LEFT_PX, y_px), (RIGHT_PX, y_px)], GRID, 1.0);
    let mut covered_px = f64::NEG_INFINITY;
    for span in spans {
        let (left, right) = (axis.x_px(span.start_s), axis.x_px(span.end_s));
        let right = right.max(left + 1.5);
        // Thousands of short spans within one pixel are one mark.
        if right > covered_px + 0.5 {
            canvas.rectangle((left, y_px - 6.0), (right, y_px + 6.0), NOTHING);
            covered_px = right;
        }
    }
}

/// What the marks mean.
fn draw_key(canvas: &mut Canvas, y_px: f64) {
    let style = REMARK;
    let mut x = LEFT_PX;
    canvas.disc((x + 5.0, y_px), 5.0, INK);
    x += 16.0;
    for (text, after) in [
        ("estimated from the signal", 1),
        ("from reader or study", 2),
        ("what the signal alone says", 3),
        ("50 % and 90 % interval", 0),
    ] {
        canvas.text((x, y_px), text, style);
        x += style.width_px(text) + 20.0;
        match after {
            1 => canvas.rectangle((x, y_px - 4.5), (x + 9.0, y_px + 4.5), INK),
            2 => canvas.ring((x + 5.0, y_px), 4.5, INK, 1.5),
            3 => {
                canvas.line([(x - 2.0, y_px), (x + 38.0, y_px)], INK, 2.0);
                canvas.line([(x + 8.0, y_px), (x + 28.0, y_px)], INK, 6.0);
                x += 30.0;
            }
            _ => {}
        }
        x += 16.0;
    }
}

fn describe(input: &ReportInput<'_>, clock: &Clock) -> String {
    let mut text = format!("Phases and landmarks over time {}.", clock.since());
    for phase in &input.summary.phases {
        let at_least = if phase.censored { "at least " } else { "" };
        text.push_str(&format!(
            " {} from {} to {}, {at_least}{}.",
            words::titled(&phase.phase),
            clock.elapsed(phase.start_s),
            clock.elapsed(phase.end_s),
            duration(phase.duration_s)
        ));
    }
    for landmark in &input.summary.landmarks {
        let name = words::titled(&landmark.kind);
        match landmark.time_s {
            Some(time_s) => text.push_str(&format!(" {name} at {}.", clock.elapsed(time_s))),
            None => text.push_str(&format!(
                " {name}: no time, {}.",
                landmark.reason.as_deref().unwrap_or("no reason was recorded")
            )),
        }
    }
    text
}
