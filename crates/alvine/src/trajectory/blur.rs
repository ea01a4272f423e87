//! The blur: how far the states may lie about the most likely ones, for what readings tell on average over them.
//!
//! The most likely path is not the middle of the likely ones. Nearer to the sites levels change faster from place to place, so
//! that fewer paths explain the readings as well; the single best of them lies there all the same, and the more knots, the
//! surer it is of it (J. Neyman and E. L. Scott's paradox of many incidental parameters). Levels that wander and biases that
//! last let it go there. So what a descent minimises is the average of the objective over a Gaussian about the states,
//!
//! ```text
//! E[(z − μ)²] ≈ (z − μ̄)² + V,   μ̄ = μ(x̂) − ½ tr(∇²L Σ),   V = var(δlevel − ∇L·δp)
//! ∇V = 2 ∇²L (Σ ∇L − c),   c = cov(p, level)
//! Σ covariance of the place p; level the sum of both common levels and the site's bias
//! ```
//!
//! whose Gaussian is the covariance of the descent before. With Student's t, E ln(1 + r²/ν) is at most ln(1 + E r²/ν), and that is
//! minimised.
//!
//! # Source
//!
//! T. D. Barfoot, J. R. Forbes, D. J. Yoon, *Exactly sparse Gaussian variational inference with application to derivative-free
//! batch nonlinear state estimation*, Int. J. Robotics Research 39 (2020), from memory; here with averages to second order.
//! J. Neyman, E. L. Scott, *Consistent estimates based on partially consistent observations*, Econometrica 16 (1948), from memory.

use nalgebra::{Matrix3, Vector3};

use super::objective::{BIAS, FAST, SLOW};
use super::tridiagonal::Chain;
use crate::propagation::Loss;

/// Covariances about the states at all knots.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Blur {
    sites: usize,
    /// Of the place, one a knot, mm².
    place_mm2: Vec<Matrix3<f64>>,
    /// Of the place with each site's level, knots × sites, mm dB.
    with_level: Vec<Vector3<f64>>,
    /// Of each site's level, knots × sites, dB².
    level_db2: Vec<f64>,
}

impl Blur {
    /// From a factored system.
    pub fn of(chain: &mut Chain, sites: usize) -> Self {
        let (size, knots) = (chain.size(), chain.len());
        let mut blur = Self {
            sites,
            place_mm2: vec![Matrix3::zeros(); knots],
            with_level: vec![Vector3::zeros(); knots * sites],
            level_db2: vec![0.0; knots * sites],
        };
        chain.covariances(|knot, here, _| {
            let entry = |row: usize, column: usize| here[row * size + column];
            blur.place_mm2[knot] = Matrix3::from_fn(entry);
            for site in 0..sites {
                let of = [SLOW, FAST, BIAS + site];
                let level = |row: usize| of.iter().map(|&column| entry(row, column)).sum::<f64>();
                blur.with_level[knot * sites + site] = Vector3::from_fn(|axis, _| level(axis));
                blur.level_db2[knot * sites + site] = of.iter().map(|&row| level(row)).sum();
            }
        });
        blur
    }

    /// What it makes of a loss, `towards` being the unit vector from the site to the place at `distance_mm`.
    pub fn of_loss(&self, knot: usize, site: usize, loss: &Loss, towards: &Vector3<f64>, distance_mm: f64) -> Blurred {
        let place_mm2 = &self.place_mm2[knot];
        let (bend, across) = (loss.bend_db_per_mm2, loss.slope_db_per_mm / distance_mm);
        let hessian = towards * towards.transpose() * (bend - across) + Matrix3::from_diagonal_element(across);
        let gradient = towards * loss.slope_db_per_mm;
        let index = knot * self.sites + site;
        let pull = place_mm2 * gradient;
        let with_level = &self.with_level[index];
        let variance_db2 = gradient.dot(&pull) - 2.0 * gradient.dot(with_level) + self.level_db2[index];
        let blurred = place_mm2 * towards;
        let (along_mm2, all_mm2) = (towards.dot(&blurred), place_mm2.trace());
        let excess_db = 0.5 * ((bend - across) * along_mm2 + across * all_mm2);
        // L''' = −2 L''/d of every law c ln d + α d.
        let third = -2.0 * bend / distance_mm;
        let turn = (bend - across) / distance_mm;
        let excess_gradient =
            towards * (0.5 * ((third - turn) * along_mm2 + turn * all_mm2)) + (blurred - towards * along_mm2) * turn;
        Blurred {
            excess_db,
            gradient: gradient + excess_gradient,
            variance_db2: variance_db2.max(0.0),
            half_variance_gradient: hessian * (pull - with_level),
            hessian_blurred: hessian * place_mm2 * hessian,
        }
    }
}

/// What a blur makes of the loss to one site.
#[derive(Debug, Clone, Copy)]
pub(super) struct Blurred {
    /// By how much the loss is greater on average than in the middle, dB.
    pub excess_db: f64,
    /// The gradient of the average loss, dB/mm.
    pub gradient: Vector3<f64>,
    /// The variance of the level that is predicted, dB².
    pub variance_db2: f64,
    /// Half of the gradient of that variance, dB²/mm.
    pub half_variance_gradient: Vector3<f64>,
    /// ∇²L Σ ∇²L, dB²/mm².
    pub hessian_blurred: Matrix3<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::propagation::{LogDistance, Propagation};
    use crate::torso::Position;
    use approx::assert_relative_eq;
    use rand::{Rng, SeedableRng};
    use rand_distr::StandardNormal;
    use rand_xoshiro::Xoshiro256PlusPlus;

    const PLACE_MM2: Matrix3<f64> = Matrix3::new(40.0, 10.0, -5.0, 10.0, 60.0, 8.0, -5.0, 8.0, 30.0);

    /// Of one site: a place, and a level that goes with it.
    fn blur() -> Blur {
        Blur {
            sites: 1,
            place_mm2: vec![PLACE_MM2],
            with_level: vec![Vector3::new(2.0, -1.0, 0.5)],
            level_db2: vec![1.5],
        }
    }

    fn blurred(place_mm: &Position) -> Blurred {
        let distance_mm = place_mm.norm();
        let loss = LogDistance::DEEP_TISSUE_TO_SURFACE.at_distance(distance_mm);
        blur().of_loss(0, 0, &loss, &(place_mm / distance_mm), distance_mm)
    }

    #[test]
    fn mean_and_variance_of_a_blurred_level_are_those_of_draws() {
        let place_mm = Position::new(60.0, 70.0, -40.0);
        let found = blurred(&place_mm);
        let law = LogDistance::DEEP_TISSUE_TO_SURFACE;
        let mut joint = nalgebra::Matrix4::zeros();
        joint.fixed_view_mut::<3, 3>(0, 0).copy_from(&PLACE_MM2);
        let with_level = blur().with_level[0];
        for axis in 0..3 {
            (joint[(axis, 3)], joint[(3, axis)]) = (with_level[axis], with_level[axis]);
        }
        joint[(3, 3)] = 1.5;
        let factor = joint.cholesky().unwrap().l();
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(5);
        let (mut sum, mut square, draws) = (0.0, 0.0, 200_000.0);
        for _ in 0..draws as usize {
            let drawn = factor * nalgebra::Vector4::from_fn(|_, _| rng.sample::<f64, _>(StandardNormal));
            let moved = place_mm + drawn.fixed_rows::<3>(0);
            let level_db = drawn[3] - law.at_distance(moved.norm()).loss_db;
            sum += level_db;
            square += level_db * level_db;
        }
        let mean_db = sum / draws;
        let variance_db2 = square / draws - mean_db * mean_db;
        let expected_db = -law.at_distance(place_mm.norm()).loss_db - found.excess_db;
        // Four standard errors of a mean and of a variance, and the fourth order that is left out: here some 1 % of either.
        assert!((mean_db - expected_db).abs() < 4.0 * (variance_db2 / draws).sqrt() + 0.01 * found.excess_db.abs());
        assert_relative_eq!(
            found.variance_db2,
            variance_db2,
            max_relative = 4.0 * (2.0 / draws).sqrt() + 0.02
        );
    }

    #[test]
    fn gradients_match_finite_differences() {
        let place_mm = Position::new(60.0, 70.0, -40.0);
        let found = blurred(&place_mm);
        let law = LogDistance::DEEP_TISSUE_TO_SURFACE;
        let average_db = |at: &Position| law.at_distance(at.norm()).loss_db + blurred(at).excess_db;
        for axis in 0..3 {
            let mut step = Position::zeros();
            step[axis] = 1e-4;
            let (more, less) = (place_mm + step, place_mm - step);
            let slope = (average_db(&more) - average_db(&less)) / 2e-4;
            assert_relative_eq!(found.gradient[axis], slope, max_relative = 1e-6, epsilon = 1e-9);
            let half = 0.5 * (blurred(&more).variance_db2 - blurred(&less).variance_db2) / 2e-4;
            assert_relative_eq!(
                found.half_variance_gradient[axis],
                half,
                max_relative = 1e-6,
                epsilon = 1e-9
            );
        }
    }
}
