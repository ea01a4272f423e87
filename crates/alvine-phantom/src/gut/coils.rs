//! The coils of jejunum and ileum: a walk that avoids itself, wanders from upper left to the pelvis and ends at the
//! ileocaecal valve.
//!
//! Each step tries several headings within a limited turn and takes the cheapest: outside the cavity, near earlier
//! coils and far from where that stretch usually lies all cost, and towards the end so does being too far from the
//! valve. The jejunum so comes to lie mostly upper left, the ileum lower right and in the pelvis (common anatomy, no
//! source). Coil spacing is a mean only: coils do touch.

use alvine::Position;
use rand::Rng;
use rand_distr::{Distribution, UnitSphere};

use super::cavity::Cavity;

/// Length of a step, mm.
const STEP_MM: f64 = 12.0;
/// The spline through the steps is about this much longer than their chords (measured over 200 guts).
const SPLINE_EXCESS: f64 = 1.012;
/// Headings tried a step.
const HEADINGS: usize = 20;
/// Tangent of the widest turn in one step: coils bend with a radius of about 16 mm at the tightest.
const WIDEST_TURN: f64 = 0.85;
/// Coils nearer than this crowd each other, mm (a collapsed small bowel is 20 to 30 mm thick: from memory).
const CROWDED_MM: f64 = 24.0;
/// How far a stretch strays from its usual place before that costs as much as one crowded neighbour, mm.
const STRAY_MM: f64 = 70.0;

/// Usual places of the small bowel by share of its length, reference torso, mm (common anatomy, no source).
const TERRITORY: [(f64, [f64; 3]); 6] = [
    (0.0, [35.0, 80.0, 80.0]),
    (0.2, [60.0, 72.0, 60.0]),
    (0.45, [45.0, 72.0, 0.0]),
    (0.65, [-5.0, 70.0, -25.0]),
    (0.85, [-15.0, 95.0, -90.0]),
    (1.0, [-55.0, 90.0, -55.0]),
];

/// Control points strictly between the flexure and the valve.
pub(super) fn coils(
    cavity: &Cavity,
    flexure_mm: Position,
    valve_mm: Position,
    length_mm: f64,
    rng: &mut impl Rng,
) -> Vec<Position> {
    let steps = (length_mm / SPLINE_EXCESS / STEP_MM).round().max(4.0) as usize;
    let mut path = vec![flexure_mm];
    let mut heading = Position::new(0.4, -0.6, -0.7).normalize();
    for step in 1..steps {
        let walk = Walk {
            cavity,
            path: &path,
            valve_mm,
            share: step as f64 / steps as f64,
            left_mm: (steps - step) as f64 * STEP_MM,
        };
        let next = cavity.among_coils(walk.cheapest(heading, rng));
        let moved = next - path[path.len() - 1];
        heading = moved.try_normalize(1e-3).unwrap_or(heading);
        path.push(next);
    }
    path.remove(0);
    // The last steps stop short of the valve, so that the spline does not turn on its heel there.
    while path.last().is_some_and(|last| (last - valve_mm).norm() < 0.7 * STEP_MM) {
        path.pop();
    }
    path
}

/// One step to be taken.
struct Walk<'a> {
    cavity: &'a Cavity,
    path: &'a [Position],
    valve_mm: Position,
    share: f64,
    left_mm: f64,
}

impl Walk<'_> {
    fn cheapest(&self, heading: Position, rng: &mut impl Rng) -> Position {
        let here = self.path[self.path.len() - 1];
        let mut best = (f64::INFINITY, here);
        for _ in 0..HEADINGS {
            let turn = Position::from(<UnitSphere as Distribution<[f64; 3]>>::sample(&UnitSphere, rng));
            let sideways = turn - heading * turn.dot(&heading);
            let place = here + (heading + sideways * WIDEST_TURN).normalize() * STEP_MM;
            let cost = self.cost(&place) + rng.random_range(0.0..0.3);
            if cost < best.0 {
                best = (cost, place);
            }
        }
        best.1
    }

    fn cost(&self, place: &Position) -> f64 {
        let outside = self.cavity.coil_excess_mm(place) / 3.0;
        let stray = (place - self.cavity.scaled(usual_place(self.share))).norm() / STRAY_MM;
        let late = ((place - self.valve_mm).norm() - 0.7 * self.left_mm).max(0.0) / 4.0;
        outside + stray * stray * stray * stray + late + self.crowding(place)
    }

    /// One for each earlier coil on this very place, none for those a coil's thickness away.
    fn crowding(&self, place: &Position) -> f64 {
        // The last three steps are the coil's own neighbourhood.
        let earlier = &self.path[..self.path.len().saturating_sub(3)];
        let nearness = |other: &Position| (1.0 - (place - other).norm() / CROWDED_MM).max(0.0);
        earlier.iter().map(nearness).sum()
    }
}

/// Where the small bowel usually lies at a share of its length, reference torso, mm.
fn usual_place(share: f64) -> Position {
    let mut place = Position::from(TERRITORY[0].1);
    for pair in TERRITORY.windows(2) {
        let ((from, here), (to, there)) = (pair[0], pair[1]);
        if share >= from {
            let along = ((share - from) / (to - from)).min(1.0);
            place = Position::from(here).lerp(&Position::from(there), along);
        }
    }
    place
}
