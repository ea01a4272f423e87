//! From knots to instants: the place and its covariance at every instant of the recording.

use nalgebra::{Matrix3, SMatrix};

use super::motion::{Between, MotionPrior};
use super::objective::States;
use super::tridiagonal::{Chain, KINEMATIC};
use crate::torso::Position;

type Block = SMatrix<f64, KINEMATIC, KINEMATIC>;

/// What is known of place and velocity at each knot, and between it and the next.
#[derive(Debug, Clone)]
pub(super) struct Covariances {
    /// Of the state at each knot.
    pub at: Vec<Block>,
    /// Between the state at each knot and at the next; one less.
    pub with_next: Vec<Block>,
}

impl Covariances {
    /// From a factored system.
    pub fn of(chain: &mut Chain) -> Self {
        let size = chain.size();
        let knots = chain.len();
        let mut all = Self {
            at: vec![Block::zeros(); knots],
            with_next: vec![Block::zeros(); knots.saturating_sub(1)],
        };
        let block = |matrix: &[f64]| Block::from_fn(|row, column| matrix[row * size + column]);
        chain.covariances(|knot, here, cross| {
            all.at[knot] = block(here);
            if let Some(cross) = cross {
                all.with_next[knot] = block(cross);
            }
        });
        all
    }
}

/// The place at one time and its covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PlaceAt {
    pub position_mm: Position,
    pub covariance_mm2: Matrix3<f64>,
}

impl PlaceAt {
    /// With a part of the covariance that no averaging takes away.
    pub fn widened(self, lasting_mm2: &Matrix3<f64>) -> Self {
        Self {
            covariance_mm2: self.covariance_mm2 + lasting_mm2,
            ..self
        }
    }
}

/// Tells the place at any time.
pub(super) struct Interpolation<'a> {
    pub time_s: &'a [f64],
    pub states: &'a States,
    pub covariances: &'a Covariances,
    pub motion: &'a MotionPrior,
    /// How much each link's motion was loosened: its variance grows by the inverse.
    pub motion_weight: &'a [f64],
}

impl Interpolation<'_> {
    /// The place at a time; `knot` is the last knot at or before it, or the first one.
    pub fn at(&self, time_s: f64, knot: usize) -> PlaceAt {
        let offset_s = time_s - self.time_s[knot];
        if knot + 1 < self.time_s.len() && offset_s >= 0.0 {
            let step_s = self.time_s[knot + 1] - self.time_s[knot];
            let between = self.motion.between(step_s, offset_s);
            return self.blend(knot, &between);
        }
        // Beyond the ends: the motion prior runs alike in both directions but for the sign of the velocity.
        let mut between = Between::hold(
            self.motion.transition(offset_s.abs()),
            &self.motion.noise(offset_s.abs()),
        );
        if offset_s < 0.0 {
            between.earlier[1] = -between.earlier[1];
        }
        self.alone(knot, &between)
    }

    fn blend(&self, knot: usize, between: &Between) -> PlaceAt {
        let weights = [
            between.earlier[0],
            between.earlier[1],
            between.later[0],
            between.later[1],
        ];
        let (from, to) = (self.states.row(knot), self.states.row(knot + 1));
        let position_mm = Position::from_fn(|axis, _| {
            weights[0] * from[axis] + weights[1] * from[axis + 3] + weights[2] * to[axis] + weights[3] * to[axis + 3]
        });
        let (here, next) = (&self.covariances.at[knot], &self.covariances.at[knot + 1]);
        let cross = &self.covariances.with_next[knot];
        let left = between.variance_mm2 / self.motion_weight[knot].max(1e-6);
        let covariance_mm2 = Matrix3::from_fn(|i, j| {
            let own = quadratic(here, i, j, weights[0], weights[1]) + quadratic(next, i, j, weights[2], weights[3]);
            let mixed = bilinear(cross, i, j, [weights[0], weights[1]], [weights[2], weights[3]])
                + bilinear(cross, j, i, [weights[0], weights[1]], [weights[2], weights[3]]);
            own + mixed + if i == j { left } else { 0.0 }
        });
        PlaceAt {
            position_mm,
            covariance_mm2,
        }
    }

    fn alone(&self, knot: usize, between: &Between) -> PlaceAt {
        let (p, v) = (between.earlier[0], between.earlier[1]);
        let from = self.states.row(knot);
        PlaceAt {
            position_mm: Position::from_fn(|axis, _| p * from[axis] + v * from[axis + 3]),
            covariance_mm2: Matrix3::from_fn(|i, j| {
                quadratic(&self.covariances.at[knot], i, j, p, v) + if i == j { between.variance_mm2 } else { 0.0 }
            }),
        }
    }
}

/// Entry (i, j) of `W C Wᵀ` with W = (p I, v I).
fn quadratic(c: &Block, i: usize, j: usize, p: f64, v: f64) -> f64 {
    p * p * c[(i, j)] + p * v * (c[(i, j + 3)] + c[(i + 3, j)]) + v * v * c[(i + 3, j + 3)]
}

/// Entry (i, j) of `W C Uᵀ` with W = (w₀ I, w₁ I), U = (u₀ I, u₁ I).
fn bilinear(c: &Block, i: usize, j: usize, w: [f64; 2], u: [f64; 2]) -> f64 {
    w[0] * (u[0] * c[(i, j)] + u[1] * c[(i, j + 3)]) + w[1] * (u[0] * c[(i + 3, j)] + u[1] * c[(i + 3, j + 3)])
}
