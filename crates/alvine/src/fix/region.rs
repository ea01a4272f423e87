//! The region searched, as a wall that is soft outside and absent inside.
//!
//! A hard limit makes a descent crawl along a curved edge. Instead the objective gets, outside the region only,
//!
//! ```text
//! w = ½ ((ρ − ρ₀)₊ / s)² + ½ Σ ((|x − x̄| − h)₊ / t)²
//! ρ distance from the torso's axis in units of the skin's, ρ₀ 0.985 as a capsule has a size; x̄, h middle and half height, or
//! along every axis those of a room; s, t stiffness of 2 mm of overshoot a standard deviation, in a room of 1 % of its size
//! ```
//!
//! whose curvature is known and never negative, so that a damped step lands on the edge as fast as it lands inside.
//! Inside, nothing changes. A step from inside that would pass the wall stops just behind it. The end of a search is pulled back by the millimetre or two it may overshoot.

use nalgebra::{Matrix3, Vector3};

use crate::space::Space;
use crate::torso::{Position, Torso};

/// The radius, in units of the skin's, within which the capsule is looked for.
pub(crate) const INSIDE_FRACTION: f64 = 0.985;
/// Overshoot out of a torso that costs as much as a misfit of one spread, mm.
const OVERSHOOT_MM: f64 = 2.0;
/// The same out of a room, in units of its size.
const OVERSHOOT_OF_ROOM: f64 = 0.01;
/// A step that leaves the region stops behind the wall by this share of the overshoot, so that the next one feels it.
const STOP_BEHIND: f64 = 0.25;

/// The wall round a space.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Region {
    skin: Option<Skin>,
    middle_mm: Position,
    /// Half of how far apart the flat walls are along each axis; infinite where there is none.
    half_mm: Position,
    overshoot_mm: f64,
}

/// The upright ellipse that a torso's wall is.
#[derive(Debug, Clone, Copy)]
struct Skin {
    axis_y_mm: f64,
    /// Inverse squares of the semi-axes across, 1/mm².
    inverse_square: (f64, f64),
    stiffness: f64,
    /// The squared radius at which a step out of the region stops, in units of the skin's.
    stop_square: f64,
}

/// What the wall adds to the objective.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wall {
    pub value: f64,
    pub gradient: Vector3<f64>,
    pub curvature: Matrix3<f64>,
}

impl Region {
    pub fn new(space: &Space) -> Self {
        let (middle_mm, half_mm) = (space.middle_mm(), space.half_sizes_mm());
        match space {
            Space::Torso(torso) => Self {
                skin: Some(Skin::of(torso)),
                middle_mm,
                half_mm: Position::new(f64::INFINITY, f64::INFINITY, half_mm.z),
                overshoot_mm: OVERSHOOT_MM,
            },
            Space::Room(_) => Self {
                skin: None,
                middle_mm,
                half_mm,
                overshoot_mm: OVERSHOOT_OF_ROOM * space.size_mm(),
            },
        }
    }

    /// The wall at a place; `None` inside.
    #[inline]
    pub fn wall(&self, at: &Position) -> Option<Wall> {
        let offset_mm = at - self.middle_mm;
        let beyond_mm = offset_mm.abs() - self.half_mm;
        let beyond_skin = self
            .skin
            .filter(|skin| skin.radial_squared(at) > INSIDE_FRACTION * INSIDE_FRACTION);
        if beyond_skin.is_none() && beyond_mm.max() <= 0.0 {
            return None;
        }
        let mut wall = Wall {
            value: 0.0,
            gradient: Vector3::zeros(),
            curvature: Matrix3::zeros(),
        };
        if let Some(skin) = beyond_skin {
            skin.add_wall(at, &mut wall);
        }
        let stiffness = 1.0 / (self.overshoot_mm * self.overshoot_mm);
        for axis in (0..3).filter(|&axis| beyond_mm[axis] > 0.0) {
            wall.value += 0.5 * stiffness * beyond_mm[axis] * beyond_mm[axis];
            wall.gradient[axis] += stiffness * beyond_mm[axis] * offset_mm[axis].signum();
            wall.curvature[(axis, axis)] += stiffness;
        }
        Some(wall)
    }

    /// The share of a step that may be taken: 1, or less where a step from inside would pass the wall.
    #[inline]
    pub fn allowed_share(&self, from: &Position, step: &Vector3<f64>) -> f64 {
        let round = self.skin.map_or(1.0, |skin| skin.allowed_share(from, step));
        (0..3).fold(round, |least, axis| least.min(self.flat_share(axis, from, step)))
    }

    fn flat_share(&self, axis: usize, from: &Position, step: &Vector3<f64>) -> f64 {
        let (here, step) = (from[axis] - self.middle_mm[axis], step[axis]);
        let half_mm = self.half_mm[axis];
        let limit = half_mm + STOP_BEHIND * self.overshoot_mm;
        if here.abs() >= half_mm || (here + step).abs() <= limit {
            return 1.0;
        }
        ((limit - here * step.signum()) / step.abs()).clamp(0.0, 1.0)
    }
}

impl Skin {
    fn of(torso: &Torso) -> Self {
        let (a, b) = torso.semi_axes_mm();
        let round_mm = (a * b).sqrt();
        Self {
            axis_y_mm: b,
            inverse_square: (1.0 / (a * a), 1.0 / (b * b)),
            stiffness: (round_mm / OVERSHOOT_MM).powi(2),
            stop_square: (INSIDE_FRACTION + STOP_BEHIND * OVERSHOOT_MM / round_mm).powi(2),
        }
    }

    fn radial_squared(&self, at: &Position) -> f64 {
        let (x, y) = (at.x, at.y - self.axis_y_mm);
        let (mx, my) = self.inverse_square;
        x * x * mx + y * y * my
    }

    /// Adds the wall at a place beyond it.
    fn add_wall(&self, at: &Position, wall: &mut Wall) {
        let (x, y) = (at.x, at.y - self.axis_y_mm);
        let (mx, my) = self.inverse_square;
        let radial = self.radial_squared(at).sqrt();
        let over = radial - INSIDE_FRACTION;
        let slope = Vector3::new(x * mx, y * my, 0.0) / radial;
        // ∇²ρ = (M − ∇ρ ∇ρᵀ) / ρ with M = diag(1/a², 1/b², 0): positive semidefinite, as ρ is convex.
        let bend = (Matrix3::from_diagonal(&Vector3::new(mx, my, 0.0)) - slope * slope.transpose()) / radial;
        wall.value += 0.5 * self.stiffness * over * over;
        wall.gradient += slope * (self.stiffness * over);
        wall.curvature += slope * slope.transpose() * self.stiffness + bend * (self.stiffness * over);
    }

    /// Solves `|p + t s|² = r²` in the coordinates in which the skin is a unit circle.
    fn allowed_share(&self, from: &Position, step: &Vector3<f64>) -> f64 {
        let (mx, my) = self.inverse_square;
        let dot = |ax: f64, ay: f64, bx: f64, by: f64| ax * bx * mx + ay * by * my;
        let (px, py) = (from.x, from.y - self.axis_y_mm);
        let here = dot(px, py, px, py);
        if here >= INSIDE_FRACTION * INSIDE_FRACTION {
            return 1.0;
        }
        let (square, cross) = (dot(step.x, step.y, step.x, step.y), dot(px, py, step.x, step.y));
        if here + 2.0 * cross + square <= self.stop_square {
            return 1.0;
        }
        let root = (cross * cross + square * (self.stop_square - here)).sqrt();
        ((root - cross) / square).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::space::Room;

    #[test]
    fn a_step_out_of_the_region_stops_just_behind_the_wall() {
        let region = Region::new(&Torso::default().into());
        let from = Position::new(20.0, 90.0, 50.0);
        for step in [
            Vector3::new(-400.0, 30.0, 10.0),
            Vector3::new(0.0, -300.0, 0.0),
            Vector3::new(0.0, 5.0, 900.0),
        ] {
            let share = region.allowed_share(&from, &step);
            let wall = region.wall(&(from + step * share)).unwrap();
            // Half a millimetre or a little less behind a wall of 2 mm: ½ (0.5 / 2)².
            assert!(share < 1.0 && wall.value <= 0.5 * 0.0626);
        }
        assert!((region.allowed_share(&from, &Vector3::new(30.0, 20.0, -40.0)) - 1.0).abs() < f64::EPSILON);
    }

    #[test]
    fn the_wall_is_absent_inside_and_its_derivatives_match_differences() {
        let region = Region::new(&Torso::default().into());
        assert!(region.wall(&Position::new(20.0, 90.0, 50.0)).is_none());
        let h = 1e-5;
        for at in [
            Position::new(170.0, 120.0, 0.0),
            Position::new(-60.0, -20.0, 10.0),
            Position::new(0.0, 240.0, 280.0),
            Position::new(10.0, 100.0, -200.0),
        ] {
            let wall = region.wall(&at).unwrap();
            for axis in 0..3 {
                let mut step = Position::zeros();
                step[axis] = h;
                let (more, less) = (region.wall(&(at + step)).unwrap(), region.wall(&(at - step)).unwrap());
                let slope = (more.value - less.value) / (2.0 * h);
                let bend = (more.gradient - less.gradient) / (2.0 * h);
                // Values reach 1e4, so that rounding of the differences stays below 1e-6 of them.
                assert!((wall.gradient[axis] - slope).abs() < 1e-6 * (1.0 + wall.value));
                assert!((wall.curvature.column(axis) - bend).norm() < 1e-6 * (1.0 + wall.gradient.norm()));
            }
        }
    }

    #[test]
    fn a_rooms_wall_is_absent_inside_and_its_derivatives_match_differences() {
        let room = Room::new(Position::new(0.0, 0.0, 1290.0), Position::new(9000.0, 7000.0, 1310.0)).unwrap();
        let region = Region::new(&room.into());
        assert!(region.wall(&Position::new(8999.0, 1.0, 1300.0)).is_none());
        for at in [
            Position::new(9100.0, 3000.0, 1300.0),
            Position::new(-20.0, 7300.0, 1280.0),
        ] {
            let wall = region.wall(&at).unwrap();
            for axis in 0..3 {
                let mut step = Position::zeros();
                step[axis] = 1e-3;
                let (more, less) = (region.wall(&(at + step)).unwrap(), region.wall(&(at - step)).unwrap());
                let slope = (more.value - less.value) / 2e-3;
                let bend = (more.gradient - less.gradient) / 2e-3;
                assert!((wall.gradient[axis] - slope).abs() < 1e-6 * (1.0 + wall.value));
                assert!((wall.curvature.column(axis) - bend).norm() < 1e-6 * (1.0 + wall.gradient.norm()));
            }
        }
        let share = region.allowed_share(&Position::new(8000.0, 3000.0, 1300.0), &Vector3::new(2000.0, 0.0, 0.0));
        assert!(share > 0.5 && share < 0.52);
    }
}
