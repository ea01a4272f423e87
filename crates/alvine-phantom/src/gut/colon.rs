//! The frame of the colon: control points on the reference torso, with an undulation that makes it as long as it should
//! be.
//!
//! Places are common anatomy, no source to the millimetre: valve and caecum in the right iliac region, ascending colon
//! in the right flank, transverse colon sagging behind the front wall, splenic flexure high, deep and left, descending
//! colon deep in the left flank, sigmoid and rectum in the pelvis.

use alvine::Position;
use rand::Rng;

use super::cavity::Cavity;
use super::curve::Curve;
use super::upper::places;

/// Caecum after the valve.
const CAECUM: [[f64; 3]; 3] = [[-94.0, 82.0, -66.0], [-108.0, 84.0, -58.0], [-112.0, 90.0, -36.0]];
/// Ascending colon to the hepatic flexure.
const ASCENDING: [[f64; 3]; 4] = [
    [-114.0, 98.0, -10.0],
    [-116.0, 112.0, 28.0],
    [-112.0, 116.0, 64.0],
    [-98.0, 104.0, 92.0],
];
/// Transverse colon to the splenic flexure; the middle sags.
const TRANSVERSE: [[f64; 3]; 6] = [
    [-66.0, 70.0, 84.0],
    [-28.0, 54.0, 62.0],
    [14.0, 50.0, 58.0],
    [58.0, 58.0, 88.0],
    [92.0, 86.0, 134.0],
    [112.0, 124.0, 164.0],
];
/// How much each point of the transverse colon takes part in its sag.
const SAG: [f64; 6] = [0.3, 0.9, 1.0, 0.6, 0.1, 0.0];
/// Descending colon to the pelvic brim.
const DESCENDING: [[f64; 3]; 5] = [
    [122.0, 138.0, 110.0],
    [124.0, 138.0, 50.0],
    [118.0, 128.0, -2.0],
    [102.0, 108.0, -48.0],
    [74.0, 96.0, -78.0],
];
/// Sigmoid and rectum.
const RECTOSIGMOID: [[f64; 3]; 7] = [
    [38.0, 82.0, -102.0],
    [0.0, 86.0, -106.0],
    [-24.0, 106.0, -100.0],
    [-8.0, 136.0, -104.0],
    [4.0, 158.0, -122.0],
    [0.0, 164.0, -150.0],
    [0.0, 150.0, -177.0],
];

/// Ends of the parts, as counts of control points after the valve.
pub(super) const CAECUM_END: usize = CAECUM.len();
pub(super) const ASCENDING_END: usize = CAECUM_END + ASCENDING.len();
pub(super) const TRANSVERSE_END: usize = ASCENDING_END + TRANSVERSE.len();
pub(super) const DESCENDING_END: usize = TRANSVERSE_END + DESCENDING.len();

/// The undulation is no wider than this, mm: beyond it the colon would cross itself.
const WIDEST_MM: f64 = 30.0;
/// How much each part undulates: the caecum is a pouch, the flanks hold their colon, the sigmoid loops (common anatomy,
/// no source; set so that the parts are about as long as in the two CTs of the dataset `gut-centrelines`).
const UNDULATES: [(usize, f64); 5] = [
    (CAECUM_END, 0.1),
    (ASCENDING_END, 0.7),
    (TRANSVERSE_END, 1.0),
    (DESCENDING_END, 1.1),
    (usize::MAX, 1.3),
];
/// Points put between two of the frame, so that undulation has something to bend.
const BETWEEN: usize = 4;

/// How this colon differs from the frame.
struct Undulation {
    sag_mm: f64,
    /// Periods of the two sideways waves over one span of the frame.
    periods: [f64; 2],
    phases: [f64; 2],
    jitter_mm: Vec<Position>,
}

/// The control points after the valve, as long as asked where an undulation can do that, and how many belong to one
/// span of the frame.
pub(super) fn colon(cavity: &Cavity, valve_mm: Position, length_mm: f64, rng: &mut impl Rng) -> (Vec<Position>, usize) {
    let frame_points = DESCENDING_END + RECTOSIGMOID.len();
    let shape = Undulation {
        sag_mm: rng.random_range(-10.0..75.0),
        periods: [rng.random_range(0.55..0.8), rng.random_range(0.4..0.6)],
        phases: [0, 1].map(|_| rng.random_range(0.0..std::f64::consts::TAU)),
        jitter_mm: (0..frame_points)
            .map(|_| Position::from_fn(|_, _| rng.random_range(-7.0..7.0)))
            .collect(),
    };
    let frame = frame(cavity, &shape);
    let length_at = |width_mm: f64| {
        let mut controls = vec![valve_mm];
        controls.extend(undulated(cavity, valve_mm, &frame, &shape, width_mm));
        Curve::through(&controls).0.length_mm()
    };
    let (mut narrow_mm, mut wide_mm) = (0.0, WIDEST_MM);
    for _ in 0..12 {
        let middle_mm = 0.5 * (narrow_mm + wide_mm);
        if length_at(middle_mm) < length_mm {
            narrow_mm = middle_mm;
        } else {
            wide_mm = middle_mm;
        }
    }
    (undulated(cavity, valve_mm, &frame, &shape, narrow_mm), BETWEEN + 1)
}

/// The frame on this torso, with sag and jitter.
fn frame(cavity: &Cavity, shape: &Undulation) -> Vec<Position> {
    let parts: [&[[f64; 3]]; 5] = [&CAECUM, &ASCENDING, &TRANSVERSE, &DESCENDING, &RECTOSIGMOID];
    let mut frame: Vec<Position> = parts.into_iter().flat_map(places).collect();
    for (place, jitter_mm) in frame.iter_mut().zip(&shape.jitter_mm) {
        *place += jitter_mm;
    }
    for (place, share) in frame[ASCENDING_END..].iter_mut().zip(SAG) {
        place.z -= share * shape.sag_mm;
    }
    frame
        .into_iter()
        .map(|place| cavity.in_body(cavity.scaled(place)))
        .collect()
}

/// The frame with points put between and all but the frame's own points moved sideways by up to `width_mm`.
fn undulated(
    cavity: &Cavity,
    valve_mm: Position,
    frame: &[Position],
    shape: &Undulation,
    width_mm: f64,
) -> Vec<Position> {
    let mut controls = Vec::with_capacity(frame.len() * (BETWEEN + 1));
    let mut from = valve_mm;
    for (span, &to) in frame.iter().enumerate() {
        let part = UNDULATES.into_iter().find(|&(end, _)| span < end);
        let width_mm = width_mm * part.map_or(0.0, |(_, share)| share);
        let along = (to - from).try_normalize(1e-6).unwrap_or_else(Position::z);
        let sideways = along
            .cross(&Position::y())
            .try_normalize(1e-3)
            .unwrap_or_else(Position::x);
        let across = along.cross(&sideways);
        for part in 1..=BETWEEN {
            let share = part as f64 / (BETWEEN + 1) as f64;
            let turn = |wave: usize| {
                let periods = shape.periods[wave] * (span as f64 + share);
                libm::sin(std::f64::consts::TAU * periods + shape.phases[wave])
            };
            // No width at the frame's own points, so that landmarks stay where they are.
            let width_mm = width_mm * libm::sin(std::f64::consts::PI * share);
            let offset = sideways * (turn(0) * width_mm) + across * (0.5 * turn(1) * width_mm);
            controls.push(cavity.in_body(from.lerp(&to, share) + offset));
        }
        controls.push(to);
        from = to;
    }
    controls
}
