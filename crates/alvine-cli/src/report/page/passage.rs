//! The passage, moment by moment: the explorer, the still figures that stand in for it on paper and without a script, and
//! the same in words.

use alvine::{Part, Phase, TrackPoint};

use super::digest::sha256;
use super::html::{Cell, Html};
use crate::report::axes::signed;
use crate::report::clock::{Clock, duration};
use crate::report::data::{Data, Thinning, base64};
use crate::report::{Figure, ReportError, ReportInput, words};

const EXPLORER: &str = include_str!("../script/explorer.html");
/// The script, in the order in which its parts build on each other.
const SCRIPT: [&str; 6] = [
    include_str!("../script/study.js"),
    include_str!("../script/clock.js"),
    include_str!("../script/surface.js"),
    include_str!("../script/strips.js"),
    include_str!("../script/views.js"),
    include_str!("../script/explorer.js"),
];
/// No more rows than this stand in the table of hours.
const MOST_ROWS: u32 = 72;
/// A place is told where the track has a point no further off in time than this, s.
const NEAR_S: f64 = 60.0;

/// Writes the section.
///
/// # Errors
///
/// [`ReportError::Data`] when the numbers cannot be written.
pub fn write(html: &mut Html, input: &ReportInput<'_>, clock: &Clock, figures: &[Figure]) -> Result<(), ReportError> {
    let data = Data::of(input);
    html.open_section("passage", "passage", "The passage, moment by moment");
    html.raw(&EXPLORER.replace("<!--since-->", &words::titled(clock.since())));
    write_stills(html, figures);
    write_script(html, &data.json()?);
    html.element("p class=\"screen\"", &thinned(input, data.thinning()));
    html.element(
        "p class=\"screen\"",
        "The gut moves within the belly: a place is where the capsule was, not a fixed point of the bowel.",
    );
    write_hours(html, input, clock);
    html.close_section();
    Ok(())
}

fn write_stills(html: &mut Html, figures: &[Figure]) {
    html.raw("<div class=\"stills\">\n");
    html.figure(
        figures,
        "timeline",
        "wide",
        "Each landmark has its own row: the mark is the best time, the thick bar holds it with 50 %, the thin bar with \
         90 % probability.",
    );
    html.figure(
        figures,
        "planes",
        "wide",
        "Three views of one path at one scale, in millimetres from the umbilicus. R is the patient's right, A the front, \
         S towards the head. Ellipses at equal steps along the track hold the capsule with 90 % probability.",
    );
    html.figure(
        figures,
        "course",
        "wide unprinted",
        "The line is the place, the band holds it with 90 % probability. Where there is no line, nothing can be said.",
    );
    html.figure(
        figures,
        "signals",
        "wide",
        "In each column the band spans the weakest to the strongest level, so that no peak is lost. The ribbon beneath \
         grows with the share of instants below the floor (light) or without a packet (dark); a black edge above marks \
         saturation; a frame a stretch in which the site may have been loose.",
    );
    html.raw("</div>\n");
}

/// The numbers and the script, each readable as XML too: within a section of character data, behind a comment of the script.
fn write_script(html: &mut Html, json: &str) {
    html.raw("<script type=\"application/json\" id=\"study-data\">");
    html.raw(json);
    html.raw("</script>\n<script>");
    html.raw(&script());
    html.raw("</script>\n");
}

/// The script as it stands in the page.
pub fn script() -> String {
    format!(
        "//<![CDATA[\n\"use strict\";\n(() => {{\n{}}})();\n//]]>",
        SCRIPT.join("\n")
    )
}

/// What the page's content policy calls the script by.
pub fn script_hash() -> String {
    format!("sha256-{}", base64(&sha256(script().as_bytes())))
}

/// How the page shows less than there is, and what of it is kept.
fn thinned(input: &ReportInput<'_>, thinning: Thinning) -> String {
    let step_s = input.summary.quality.median_step_s.unwrap_or(0.0);
    let signal = if thinning.signal_s > 1.5 * step_s && step_s > 0.0 {
        format!(
            "The strips hold the signal in spans of {}, of which the weakest and the strongest level are kept, each to the \
             nearest half decibel",
            duration(thinning.signal_s)
        )
    } else {
        "The strips hold every instant of the signal, each level to the nearest half decibel".to_owned()
    };
    format!(
        "{signal}; a column of pixels shows the weakest and the strongest of all that fall into it, so that no peak is lost. \
         The path holds one point of the track every {}; no point of the track lies further than {:.1}\u{A0}mm from it. Every \
         sample is in the recording, and every point in track.csv.",
        duration(thinning.track_s),
        // Rounded up, as it is a bound.
        (10.0 * thinning.departure_mm).ceil() / 10.0,
    )
}

fn write_hours(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    let time_s = input.study.recording.time_s();
    let (Some(&start_s), Some(&end_s)) = (time_s.first(), time_s.last()) else {
        return;
    };
    let (every_s, name) = if end_s - start_s < 3.0 * 3600.0 {
        (600.0, "The passage in words, every ten minutes")
    } else {
        (3600.0, "The passage in words, hour by hour")
    };
    let first = ((start_s - clock.origin_s()) / every_s).ceil();
    let moments = (0..MOST_ROWS)
        .map(|k| clock.origin_s() + (first + f64::from(k)) * every_s)
        .take_while(|&moment_s| moment_s <= end_s);
    let since = words::titled(clock.since());
    let mut headings = vec![since.as_str()];
    if clock.has_wall() {
        headings.push("Time of day");
    }
    headings.extend(["Likeliest part", "Place", "Sites heard within the minute"]);
    html.open_fold(name);
    html.table(name, &headings, moments.map(|moment_s| hour(input, clock, moment_s)));
    html.close_fold();
}

fn hour(input: &ReportInput<'_>, clock: &Clock, moment_s: f64) -> Vec<Cell> {
    let mut row = vec![Cell::Moment(clock.elapsed(moment_s), moment_s)];
    row.extend(clock.wall(moment_s).map(Cell::Value));
    let likeliest = input.parts.and_then(|parts| parts.likeliest(moment_s));
    let part = likeliest.map(|(stage, share)| format!("{}, {}", part_name(stage), words::percent(share)));
    row.push(Cell::value_or(part, "cannot be told"));
    let point = point_at(&input.track.points, moment_s);
    row.push(Cell::value_or(point.map(place), "cannot be told"));
    row.push(Cell::Value(format!(
        "{} of {}",
        heard_near(input, moment_s),
        input.study.recording.sites()
    )));
    row
}

fn part_name((phase, part): (Phase, Option<Part>)) -> String {
    words::titled(part.map_or(phase.as_str(), Part::as_str))
}

fn point_at(points: &[TrackPoint], time_s: f64) -> Option<&TrackPoint> {
    let after = points.partition_point(|point| point.time_s < time_s);
    let near = points.get(after.saturating_sub(1)..(after + 1).min(points.len()))?;
    let off_s = |point: &&TrackPoint| (point.time_s - time_s).abs();
    near.iter()
        .min_by(|one, other| off_s(one).total_cmp(&off_s(other)))
        .filter(|point| off_s(point) <= NEAR_S)
}

fn place(point: &TrackPoint) -> String {
    let [x_mm, y_mm, z_mm] = point.position_mm.into();
    let half_mm = |k: usize| signed(1.645 * point.covariance_mm2[(k, k)].max(0.0).sqrt());
    format!(
        "{:.0} ± {} {}, {} ± {} deep, {:.0} ± {} {} the umbilicus, mm",
        x_mm.abs(),
        half_mm(0),
        if x_mm < 0.0 { "right" } else { "left" },
        signed(y_mm),
        half_mm(1),
        z_mm.abs(),
        half_mm(2),
        if z_mm < 0.0 { "below" } else { "above" }
    )
}

/// How many sites heard the capsule within half a minute of a time.
fn heard_near(input: &ReportInput<'_>, time_s: f64) -> usize {
    let (recording, receiver) = (&input.study.recording, &input.study.setup.receiver);
    let from = recording.time_s().partition_point(|&at_s| at_s < time_s - 30.0);
    let to = recording.time_s().partition_point(|&at_s| at_s <= time_s + 30.0);
    let heard = |site: usize| (from..to).any(|row| receiver.read(recording.row(row)[site]).is_heard());
    (0..recording.sites()).filter(|&site| heard(site)).count()
}
