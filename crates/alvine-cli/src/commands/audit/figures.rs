//! The figures of an audit.

use alvine::Phase;
use alvine_audit::{Audit, COMPLETE, ChartPoint, Completion, ControlChart, KaplanMeier, Measures, Proportion};

use crate::layout_figures::chart::Chart;
use crate::report::canvas::{Anchor, Canvas, Type};
use crate::report::colour::{BAR_TINT, BELOW_FLOOR, Colour, GRID, INK, PAPER, SIGNAL, SOFT_INK, of_phase};
use crate::report::placement::Area;
use crate::report::{Figure, ReportError};

const WIDTH_PX: f64 = 860.0;
/// What is a sign of something.
const SIGN: Colour = of_phase(Phase::SmallBowel);

/// All figures that there is something to draw for.
pub fn all(audit: &Audit, measures: &Measures) -> Result<Vec<Figure>, ReportError> {
    let mut figures = vec![completion(&audit.completion, measures)?, transits(audit)?];
    if !audit.sites.is_empty() {
        figures.push(antennas(audit)?);
    }
    if let Some(chart) = &audit.hearing.chart {
        figures.push(hearing(chart)?);
    }
    if let Some(chart) = audit.months.chart.as_ref().filter(|chart| chart.points.len() > 1) {
        figures.push(months(chart, &audit.months.months)?);
    }
    Ok(figures)
}

/// A bar from 0 with its interval as a whisker.
fn bar(canvas: &mut Canvas, chart: &Chart, proportion: &Proportion, y: f64, half_px: f64) {
    let Some(share) = proportion.share() else { return };
    let [from, to] = proportion.interval95().map(|limit| chart.x_px(100.0 * limit));
    let left = chart.x_px(chart.across.0);
    canvas.rectangle(
        (left, y - half_px),
        (chart.x_px(100.0 * share), y + half_px),
        SIGNAL.tint(BAR_TINT),
    );
    canvas.line([(from, y), (to, y)], INK, 2.0);
    for end in [from, to] {
        canvas.line([(end, y - 5.0), (end, y + 5.0)], INK, 2.0);
    }
}

fn completion(completion: &Completion, measures: &Measures) -> Result<Figure, ReportError> {
    let complete = &completion.complete;
    const HEIGHT_PX: f64 = 150.0;
    let title = "Examinations that reached the colon".to_owned();
    let chart = Chart {
        area: Area {
            left: 24.0,
            top: 52.0,
            right: WIDTH_PX - 30.0,
            bottom: HEIGHT_PX - 46.0,
        },
        across: (0.0, 100.0),
        up: (0.0, 1.0),
    };
    let mut canvas = Canvas::new(WIDTH_PX, HEIGHT_PX);
    canvas.text((20.0, 18.0), &title, Type::new(15.0, INK).bold());
    chart.draw_across(&mut canvas, "Share of the studies that were analysed, %", 10.0);
    let (y, half_px) = (0.5 * (chart.area.top + chart.area.bottom), 16.0);
    if let Some(at_most) = completion.at_most.share().filter(|_| completion.unclear > 0) {
        let to = chart.x_px(100.0 * at_most);
        canvas.rectangle((chart.area.left, y - half_px), (to, y + half_px), BELOW_FLOOR);
    }
    bar(&mut canvas, &chart, complete, y, half_px);
    if let Some(measure) = measures.get(COMPLETE) {
        let style = Type::new(11.5, INK).anchored(Anchor::Middle);
        for (name, threshold) in [("minimum", measure.minimum), ("target", measure.target)] {
            let x = chart.x_px(100.0 * threshold);
            canvas.line([(x, chart.area.top - 4.0), (x, chart.area.bottom)], SIGN, 2.0);
            canvas.text_on_paper((x, chart.area.top - 13.0), name, style);
        }
    }
    let [from, to] = complete.interval95();
    let description = complete.share().map_or("No study was analysed.".to_owned(), |share| {
        format!(
            "{:.1} % of {} studies, 95 % interval {:.1} to {:.1} %.",
            100.0 * share,
            complete.of,
            100.0 * from,
            100.0 * to
        )
    });
    Figure::drawn(canvas, "completion", title, description)
}

fn transits(audit: &Audit) -> Result<Figure, ReportError> {
    const ROW_PX: f64 = 250.0;
    let title = "Capsules that had not yet passed".to_owned();
    let rows = audit.transits.len().div_ceil(2);
    let mut canvas = Canvas::new(WIDTH_PX, 40.0 + ROW_PX * rows as f64);
    canvas.text((20.0, 18.0), &title, Type::new(15.0, INK).bold());
    let mut said = Vec::new();
    for (at, transit) in audit.transits.iter().enumerate() {
        let (column, row) = ((at % 2) as f64, (at / 2) as f64);
        let left = 72.0 + column * 0.5 * WIDTH_PX;
        let top = 62.0 + row * ROW_PX;
        let area = Area {
            left,
            top,
            right: left + 0.5 * WIDTH_PX - 92.0,
            bottom: top + ROW_PX - 80.0,
        };
        canvas.text((left, top - 12.0), transit.name, Type::new(12.5, INK).bold());
        curve(&mut canvas, area, &transit.curve);
        let half = transit.quartiles[1].time_s;
        said.push(format!(
            "{}: {} studies, half passed {}",
            transit.name,
            transit.curve.observations,
            half.map_or("never".to_owned(), |time_s| format!("by {:.0} min", time_s / 60.0))
        ));
    }
    Figure::drawn(canvas, "transits", title, format!("{}.", said.join("; ")))
}

/// A curve with its band, sampled at every pixel, which is as fine as it can be seen.
fn curve(canvas: &mut Canvas, area: Area, curve: &KaplanMeier) {
    /// Up to so long, time is told in minutes.
    const LONG_S: f64 = 6.0 * 3600.0;
    let (unit_s, unit) = if curve.last_s > LONG_S {
        (3600.0, "h")
    } else {
        (60.0, "min")
    };
    let chart = Chart {
        area,
        // Ticks are whole numbers.
        across: (0.0, (curve.last_s / unit_s).max(6.0)),
        up: (0.0, 100.0),
    };
    chart.draw_across(canvas, &format!("Time, {unit}"), 6.0);
    chart.draw_up(canvas, "Still there, %", 5.0);
    if curve.observations == 0 {
        let style = Type::new(11.5, SOFT_INK).anchored(Anchor::Middle);
        canvas.text(
            (0.5 * (area.left + area.right), 0.5 * (area.top + area.bottom)),
            "no study",
            style,
        );
        return;
    }
    let columns = (area.right - area.left) as usize;
    let samples: Vec<(f64, f64, Option<[f64; 2]>)> = (0..=columns)
        .map(|column| {
            let time_s = curve.last_s * column as f64 / columns as f64;
            let after = curve.steps.partition_point(|step| step.time_s <= time_s);
            let step = after.checked_sub(1).map(|at| &curve.steps[at]);
            let remaining = step.map_or(1.0, |step| step.remaining);
            (time_s / unit_s, remaining, step.and_then(|step| step.interval95))
        })
        .collect();
    let limit = |which: usize| {
        let banded = samples
            .iter()
            .filter_map(move |(time, _, band)| Some((*time, band.as_ref()?[which])));
        banded
            .map(|(time, share)| chart.place(time, 100.0 * share))
            .collect::<Vec<_>>()
    };
    let mut band = limit(1);
    band.extend(limit(0).into_iter().rev());
    canvas.area(band, SIGNAL.veil(0.16));
    canvas.line(
        samples
            .iter()
            .map(|(time, remaining, _)| chart.place(*time, 100.0 * remaining)),
        SIGNAL,
        2.0,
    );
}

fn antennas(audit: &Audit) -> Result<Figure, ReportError> {
    const ROW_PX: f64 = 26.0;
    /// More sites than this are left to the table.
    const MOST: usize = 40;
    let title = "Antennas that failed".to_owned();
    let sites = &audit.sites[..audit.sites.len().min(MOST)];
    let most = sites
        .iter()
        .map(|site| site.failed.interval95()[1])
        .fold(0.01, f64::max);
    let height = 96.0 + ROW_PX * sites.len() as f64;
    let chart = Chart {
        area: Area {
            left: 190.0,
            top: 40.0,
            right: WIDTH_PX - 30.0,
            bottom: height - 52.0,
        },
        across: (0.0, (110.0 * most).clamp(2.0, 100.0)),
        up: (0.0, 1.0),
    };
    let mut canvas = Canvas::new(WIDTH_PX, height);
    canvas.text((20.0, 18.0), &title, Type::new(15.0, INK).bold());
    chart.draw_across(&mut canvas, "Share of the studies, %", 8.0);
    let label = Type::new(11.5, INK).anchored(Anchor::End);
    let mut said = Vec::new();
    for (at, site) in sites.iter().enumerate() {
        let y = chart.area.top + ROW_PX * (at as f64 + 0.5);
        canvas.text((chart.area.left - 10.0, y), label.fit(&site.site, 165.0), label);
        bar(&mut canvas, &chart, &site.failed, y, 8.0);
        said.push(format!("{} {} of {}", site.site, site.failed.count, site.failed.of));
    }
    Figure::drawn(canvas, "antennas", title, format!("Failed: {}.", said.join(", ")))
}

fn hearing(drawn: &ControlChart) -> Result<Figure, ReportError> {
    const HEIGHT_PX: f64 = 320.0;
    let title = "How well the belts heard, study by study".to_owned();
    let mut canvas = Canvas::new(WIDTH_PX, HEIGHT_PX);
    canvas.text((20.0, 18.0), &title, Type::new(15.0, INK).bold());
    let chart = axes(drawn, HEIGHT_PX, drawn.points.len() as f64);
    chart.draw_across(&mut canvas, "Study, in the order of time", 8.0);
    chart.draw_up(&mut canvas, "Heard, %", 6.0);
    limits(&mut canvas, &chart, drawn);
    let columns = (chart.area.right - chart.area.left) as usize;
    if drawn.points.len() <= columns / 2 {
        let places = drawn.points.iter().enumerate();
        canvas.line(places.map(|(at, point)| place(&chart, at, point)), SIGNAL, 1.4);
    } else {
        strokes(&mut canvas, &chart, drawn, columns / 2);
    }
    signs(&mut canvas, &chart, drawn, columns);
    let description = format!(
        "{} studies, centre {:.1} %, {} outside the limits.",
        drawn.points.len(),
        100.0 * drawn.centre,
        drawn.outside()
    );
    Figure::drawn(canvas, "hearing", title, description)
}

fn months(drawn: &ControlChart, names: &[String]) -> Result<Figure, ReportError> {
    const HEIGHT_PX: f64 = 300.0;
    let title = "Complete examinations, month by month".to_owned();
    let mut canvas = Canvas::new(WIDTH_PX, HEIGHT_PX);
    canvas.text((20.0, 18.0), &title, Type::new(15.0, INK).bold());
    let chart = axes(drawn, HEIGHT_PX, drawn.points.len() as f64);
    chart.draw_up(&mut canvas, "Complete, %", 6.0);
    canvas.line(
        [
            (chart.area.left, chart.area.bottom),
            (chart.area.right, chart.area.bottom),
        ],
        SOFT_INK,
        1.0,
    );
    let every = names.len().div_ceil(12);
    let style = Type::new(11.0, SOFT_INK).anchored(Anchor::Middle);
    for (at, name) in names.iter().enumerate().step_by(every) {
        canvas.text((chart.x_px(at as f64 + 0.5), chart.area.bottom + 14.0), name, style);
    }
    limits(&mut canvas, &chart, drawn);
    let places = drawn.points.iter().enumerate();
    canvas.line(places.clone().map(|(at, point)| place(&chart, at, point)), SIGNAL, 1.6);
    for (at, point) in places {
        canvas.disc(place(&chart, at, point), 3.4, SIGNAL);
    }
    signs(&mut canvas, &chart, drawn, drawn.points.len());
    let description = format!(
        "{} months from {} to {}, centre {:.1} %, {} outside the limits.",
        names.len(),
        names.first().map_or("", String::as_str),
        names.last().map_or("", String::as_str),
        100.0 * drawn.centre,
        drawn.outside()
    );
    Figure::drawn(canvas, "months", title, description)
}

/// Axes in percent that hold every value and its limits.
fn axes(drawn: &ControlChart, height_px: f64, across: f64) -> Chart {
    let values = || {
        drawn
            .points
            .iter()
            .flat_map(|point| [point.value, point.limits[0], point.limits[1]])
    };
    let (least, greatest) = (values().fold(1.0, f64::min), values().fold(0.0, f64::max));
    let room = 0.06 * (greatest - least).max(0.02);
    Chart {
        area: Area {
            left: 72.0,
            top: 44.0,
            right: WIDTH_PX - 30.0,
            bottom: height_px - 52.0,
        },
        across: (0.0, across.max(1.0)),
        up: (100.0 * (least - room).max(0.0), 100.0 * (greatest + room).min(1.0)),
    }
}

fn place(chart: &Chart, at: usize, point: &ChartPoint) -> (f64, f64) {
    chart.place(at as f64 + 0.5, 100.0 * point.value)
}

/// The centre, and the limits as steps.
fn limits(canvas: &mut Canvas, chart: &Chart, drawn: &ControlChart) {
    let centre = chart.y_px(100.0 * drawn.centre);
    canvas.line([(chart.area.left, centre), (chart.area.right, centre)], SOFT_INK, 1.4);
    for side in 0..2 {
        let mut steps: Vec<(f64, f64)> = Vec::new();
        for (at, point) in drawn.points.iter().enumerate() {
            let limit = 100.0 * point.limits[side];
            let [from, to] = [at as f64, at as f64 + 1.0].map(|at| chart.place(at, limit));
            match steps.last_mut() {
                // Most limits are all the same: one line then.
                Some(last) if last.1 == to.1 => *last = to,
                _ => steps.extend([from, to]),
            }
        }
        canvas.line(steps, SIGN, 1.4);
    }
}

/// Many points as one stroke a column, from their least to their greatest: peaks stay.
fn strokes(canvas: &mut Canvas, chart: &Chart, drawn: &ControlChart, columns: usize) {
    let count = drawn.points.len();
    for column in 0..columns {
        let [from, to] = [column, column + 1].map(|column| column * count / columns);
        let points = &drawn.points[from..to];
        let x = chart.x_px(0.5 * (from + to) as f64);
        let values = || points.iter().map(|point| chart.y_px(100.0 * point.value));
        let (upper, lower) = (
            values().fold(f64::INFINITY, f64::min),
            values().fold(f64::NEG_INFINITY, f64::max),
        );
        canvas.line([(x, upper - 0.8), (x, lower + 0.8)], SIGNAL, 1.6);
    }
}

/// Rings round points outside their limits, no more than one a column.
fn signs(canvas: &mut Canvas, chart: &Chart, drawn: &ControlChart, columns: usize) {
    let count = drawn.points.len().max(1);
    let mut last = None;
    for (at, point) in drawn.points.iter().enumerate().filter(|(_, point)| point.outside) {
        let column = (at * columns / count, point.value > drawn.centre);
        if last != Some(column) {
            canvas.disc(place(chart, at, point), 3.0, PAPER);
            canvas.ring(place(chart, at, point), 4.4, SIGN, 1.8);
            last = Some(column);
        }
    }
    canvas.line(
        [(chart.area.left, chart.area.top), (chart.area.left, chart.area.bottom)],
        GRID,
        1.0,
    );
}
