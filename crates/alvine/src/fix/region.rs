//! The region searched, as a wall that is soft outside and absent inside.
//!
//! A hard limit makes a descent crawl along a curved edge. Instead the objective gets, outside the region only,
//!
//! ```text
//! w = ½ ((ρ − ρ₀)₊ / s)² + ½ ((|z − z̄| − h)₊ / t)²
//! ρ distance from the axis in units of the skin's, ρ₀ 0.985 as a capsule has a size; z̄, h middle and half height;
//! s, t stiffness of 2 mm of overshoot a standard deviation
//! ```
//!
//! whose curvature is known and never negative, so that a damped step lands on the edge as fast as it lands inside.
//! Inside, nothing changes. A step from inside that would pass the wall stops just behind it. The end of a search is pulled back by the millimetre or two it may overshoot.

use nalgebra::{Matrix3, Vector3};

use crate::torso::{Position, Torso};

/// The radius, in units of the skin's, within which the capsule is looked for.
pub(super) const INSIDE_FRACTION: f64 = 0.985;
/// Overshoot that costs as much as a misfit of one spread, mm.
const OVERSHOOT_MM: f64 = 2.0;
/// A step that leaves the region stops this far behind the wall, so that the next one feels it, mm.
const STOP_BEHIND_MM: f64 = 0.5;

/// The wall round a torso.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Region {
    axis_y_mm: f64,
    /// Inverse squares of the semi-axes across, 1/mm².
    inverse_square: (f64, f64),
    radial_stiffness: f64,
    /// The squared radius at which a step out of the region stops, in units of the skin's.
    stop_square: f64,
    middle_z_mm: f64,
    half_height_mm: f64,
}

/// What the wall adds to the objective.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wall {
    pub value: f64,
    pub gradient: Vector3<f64>,
    pub curvature: Matrix3<f64>,
}

impl Region {
    pub fn new(torso: &Torso) -> Self {
        let (a, b) = torso.semi_axes_mm();
        Self {
            axis_y_mm: b,
            inverse_square: (1.0 / (a * a), 1.0 / (b * b)),
            radial_stiffness: (a * b).sqrt() / OVERSHOOT_MM,
            stop_square: (INSIDE_FRACTION + STOP_BEHIND_MM / (a * b).sqrt()).powi(2),
            middle_z_mm: 0.5 * (Torso::LOWEST_MM + Torso::HIGHEST_MM),
            half_height_mm: 0.5 * (Torso::HIGHEST_MM - Torso::LOWEST_MM),
        }
    }

    /// The wall at a place; `None` inside.
    #[inline]
    pub fn wall(&self, at: &Position) -> Option<Wall> {
        let (x, y) = (at.x, at.y - self.axis_y_mm);
        let (mx, my) = self.inverse_square;
        let radial_squared = x * x * mx + y * y * my;
        let over_z_mm = (at.z - self.middle_z_mm).abs() - self.half_height_mm;
        if radial_squared <= INSIDE_FRACTION * INSIDE_FRACTION && over_z_mm <= 0.0 {
            return None;
        }
        let mut wall = Wall {
            value: 0.0,
            gradient: Vector3::zeros(),
            curvature: Matrix3::zeros(),
        };
        let radial = radial_squared.sqrt();
        let over = radial - INSIDE_FRACTION;
        if over > 0.0 {
            let stiffness = self.radial_stiffness * self.radial_stiffness;
            let slope = Vector3::new(x * mx, y * my, 0.0) / radial;
            // ∇²ρ = (M − ∇ρ ∇ρᵀ) / ρ with M = diag(1/a², 1/b², 0): positive semidefinite, as ρ is convex.
            let bend = (Matrix3::from_diagonal(&Vector3::new(mx, my, 0.0)) - slope * slope.transpose()) / radial;
            wall.value += 0.5 * stiffness * over * over;
            wall.gradient += slope * (stiffness * over);
            wall.curvature += slope * slope.transpose() * stiffness + bend * (stiffness * over);
        }
        if over_z_mm > 0.0 {
            let stiffness = 1.0 / (OVERSHOOT_MM * OVERSHOOT_MM);
            wall.value += 0.5 * stiffness * over_z_mm * over_z_mm;
            wall.gradient.z += stiffness * over_z_mm * (at.z - self.middle_z_mm).signum();
            wall.curvature[(2, 2)] += stiffness;
        }
        Some(wall)
    }
}

impl Region {
    /// The share of a step that may be taken: 1, or less where a step from inside would pass the wall.
    #[inline]
    pub fn allowed_share(&self, from: &Position, step: &Vector3<f64>) -> f64 {
        self.radial_share(from, step).min(self.height_share(from.z, step.z))
    }

    /// Solves `|p + t s|² = r²` in the coordinates in which the skin is a unit circle.
    fn radial_share(&self, from: &Position, step: &Vector3<f64>) -> f64 {
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

    fn height_share(&self, from_z_mm: f64, step_z_mm: f64) -> f64 {
        let here = from_z_mm - self.middle_z_mm;
        let limit = self.half_height_mm + STOP_BEHIND_MM;
        if here.abs() >= self.half_height_mm || (here + step_z_mm).abs() <= limit {
            return 1.0;
        }
        ((limit - here * step_z_mm.signum()) / step_z_mm.abs()).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_out_of_the_region_stops_just_behind_the_wall() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let region = Region::new(&torso);
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
        let torso = Torso::new(330.0, 230.0).unwrap();
        let region = Region::new(&torso);
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
}
