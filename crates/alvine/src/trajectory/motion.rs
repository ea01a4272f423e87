//! How a capsule may move: Gaussian-process priors whose state is position and velocity, alike along each axis.
//!
//! ```text
//! white noise on acceleration    dv = dw             E dw² = q dt
//! mean-reverting velocity        dv = −v/τ dt + dw
//! ```
//!
//! Over a step Δ both give `x(t + Δ) = Φ x(t) + w`, `cov w = Q`, with e = exp(−Δ/τ):
//!
//! ```text
//! Φ = [ 1  Δ ]   Q = q [ Δ³/3  Δ²/2 ]        Φ = [ 1  τ(1−e) ]   Q = q [ τ²(Δ − 2τ(1−e) + τ(1−e²)/2)  τ²(1−e)²/2 ]
//!     [ 0  1 ]         [ Δ²/2  Δ    ]            [ 0  e      ]         [ τ²(1−e)²/2                    τ(1−e²)/2  ]
//! ```
//!
//! # Source
//!
//! T. D. Barfoot, *State Estimation for Robotics* (2017), sections 3.4 and 11.1; S. Anderson, T. D. Barfoot, *Full STEAM
//! ahead: exactly sparse Gaussian process regression for batch continuous-time trajectory estimation on SE(3)*, IROS
//! (2015). The mean-reverting variant is the integrated Ornstein–Uhlenbeck process.

use nalgebra::{Matrix2, Vector2};

/// A prior on motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MotionPrior {
    /// White noise on acceleration.
    WhiteAcceleration {
        /// Density q, mm²/s³ along each axis.
        density_mm2_per_s3: f64,
    },
    /// Velocity that is pushed about and forgets.
    MeanReverting {
        /// Standard deviation of the velocity along each axis in the long run, mm/s: `√(q τ / 2)`.
        speed_mm_per_s: f64,
        /// Time over which a velocity is forgotten, τ, s.
        memory_s: f64,
    },
}

impl MotionPrior {
    /// Φ over a step: from (position, velocity) to (position, velocity).
    pub(crate) fn transition(&self, step_s: f64) -> Matrix2<f64> {
        match *self {
            Self::WhiteAcceleration { .. } => Matrix2::new(1.0, step_s, 0.0, 1.0),
            Self::MeanReverting { memory_s, .. } => {
                let forgotten = -(-step_s / memory_s).exp_m1();
                Matrix2::new(1.0, memory_s * forgotten, 0.0, 1.0 - forgotten)
            }
        }
    }

    /// Q over a step: mm², mm²/s, mm²/s².
    pub(crate) fn noise(&self, step_s: f64) -> Matrix2<f64> {
        match *self {
            Self::WhiteAcceleration {
                density_mm2_per_s3: density,
            } => white_noise(density, step_s),
            Self::MeanReverting {
                speed_mm_per_s,
                memory_s,
            } => {
                let density = 2.0 * speed_mm_per_s * speed_mm_per_s / memory_s;
                let ratio = step_s / memory_s;
                // Below this the closed form loses its digits to cancellation, and the two priors agree to a part in a
                // thousand.
                if ratio < 1e-3 {
                    return white_noise(density, step_s);
                }
                let forgotten = -(-ratio).exp_m1();
                let twice_forgotten = -(-2.0 * ratio).exp_m1();
                let tau = memory_s;
                let position = tau * tau * (step_s - 2.0 * tau * forgotten + 0.5 * tau * twice_forgotten);
                let cross = 0.5 * tau * tau * forgotten * forgotten;
                Matrix2::new(position, cross, cross, 0.5 * tau * twice_forgotten) * density
            }
        }
    }

    /// Variance of each component of velocity where nothing is known of it, mm²/s².
    pub(crate) fn velocity_variance(&self) -> f64 {
        /// White noise on acceleration knows no usual velocity: what it gathers in ten minutes (common practice, no source).
        const GATHERED_S: f64 = 600.0;
        match *self {
            Self::WhiteAcceleration {
                density_mm2_per_s3: density,
            } => density * GATHERED_S,
            Self::MeanReverting { speed_mm_per_s, .. } => speed_mm_per_s * speed_mm_per_s,
        }
    }

    /// How far one wanders from a place in a time, mm along each axis, as a standard deviation: from rest, or at the usual velocity
    /// where there is one.
    pub(crate) fn wander_mm(&self, step_s: f64) -> f64 {
        let moving = match self {
            Self::WhiteAcceleration { .. } => 0.0,
            Self::MeanReverting { speed_mm_per_s, .. } => self.transition(step_s)[(0, 1)] * speed_mm_per_s,
        };
        self.noise(step_s)[(0, 0)].sqrt().hypot(moving)
    }

    /// Where between two states the capsule was: the weights of the states either side and the variance that is left.
    pub(super) fn between(&self, step_s: f64, after_s: f64) -> Between {
        let (before, rest) = (self.noise(after_s), self.transition(step_s - after_s));
        let whole = self.noise(step_s);
        let Some(inverse) = whole.try_inverse() else {
            return Between::hold(self.transition(after_s), &before);
        };
        let later = before * rest.transpose() * inverse;
        let earlier = self.transition(after_s) - later * self.transition(step_s);
        let left = before - later * whole * later.transpose();
        Between {
            earlier: earlier.row(0).transpose(),
            later: later.row(0).transpose(),
            variance_mm2: left[(0, 0)].max(0.0),
        }
    }
}

fn white_noise(density: f64, step_s: f64) -> Matrix2<f64> {
    let square = step_s * step_s;
    Matrix2::new(square * step_s / 3.0, 0.5 * square, 0.5 * square, step_s) * density
}

/// A position between two states: `p = e · (p₀, v₀) + l · (p₁, v₁)`, each axis alike, with what variance is left.
#[derive(Debug, Clone, Copy)]
pub(super) struct Between {
    pub earlier: Vector2<f64>,
    pub later: Vector2<f64>,
    pub variance_mm2: f64,
}

impl Between {
    /// From the earlier state alone.
    pub fn hold(transition: Matrix2<f64>, noise: &Matrix2<f64>) -> Self {
        Self {
            earlier: transition.row(0).transpose(),
            later: Vector2::zeros(),
            variance_mm2: noise[(0, 0)],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    const PRIORS: [MotionPrior; 2] = [
        MotionPrior::WhiteAcceleration {
            density_mm2_per_s3: 0.02,
        },
        MotionPrior::MeanReverting {
            speed_mm_per_s: 0.6,
            memory_s: 30.0,
        },
    ];

    #[test]
    fn two_steps_are_one_long_step() {
        // Chapman and Kolmogorov: Φ(a + b) = Φ(b) Φ(a), Q(a + b) = Φ(b) Q(a) Φ(b)ᵀ + Q(b).
        for prior in PRIORS {
            let (a, b) = (3.0, 11.0);
            let (phi_a, phi_b) = (prior.transition(a), prior.transition(b));
            assert_relative_eq!(phi_b * phi_a, prior.transition(a + b), epsilon = 1e-12);
            let two = phi_b * prior.noise(a) * phi_b.transpose() + prior.noise(b);
            assert_relative_eq!(two, prior.noise(a + b), max_relative = 1e-9);
        }
    }

    #[test]
    fn short_steps_join_the_closed_form_smoothly() {
        let prior = PRIORS[1];
        let (below, above) = (prior.noise(0.0299), prior.noise(0.0301));
        assert_relative_eq!(below * (0.0301_f64 / 0.0299).powi(3), above, max_relative = 0.02);
    }

    #[test]
    fn between_two_states_the_weights_meet_both_ends() {
        for prior in PRIORS {
            let start = prior.between(8.0, 1e-9);
            assert_relative_eq!(start.earlier, Vector2::new(1.0, 0.0), epsilon = 1e-6);
            let end = prior.between(8.0, 8.0);
            assert_relative_eq!(end.later, Vector2::new(1.0, 0.0), epsilon = 1e-9);
            assert!(end.variance_mm2 < 1e-9 && start.variance_mm2 < 1e-9);
            assert!(prior.between(8.0, 4.0).variance_mm2 > 0.0);
        }
    }
}
