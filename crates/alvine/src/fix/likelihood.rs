//! The likelihood of one reading: heard, below the floor, or saturated.
//!
//! With predicted level μ and spread σ, both in dB:
//!
//! ```text
//! heard at z         −ln p = ρ((z − μ) / σ)
//! at most c (floor)  −ln p = −ln Φ((c − μ) / σ)
//! at least c (ceil)  −ln p = −ln Φ((μ − c) / σ)
//! ρ loss, Φ standard normal distribution
//! ```
//!
//! # Source
//!
//! The censored terms are those of J. Tobin, *Estimation of relationships for limited dependent variables*,
//! Econometrica 26 (1958); the losses those of P. J. Huber, *Robust Statistics* (1981).

use crate::normal::ln_cdf_and_hazard;
use crate::recording::Reading;

/// How a heard reading's misfit counts, in units of its spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Loss {
    /// `ρ(r) = r²/2`: the Gaussian likelihood, best where the noise is as modelled.
    Squares,
    /// Quadratic within `k`, linear beyond: bounded influence.
    Huber {
        /// Where the loss turns linear, in spreads; 1.345 keeps 95 % efficiency on Gaussian noise.
        k: f64,
    },
    /// `ρ(r) = c²/2 ln(1 + r²/c²)`: far misfits lose their influence; more than one minimum is possible.
    Cauchy {
        /// The scale, in spreads; 2.385 keeps 95 % efficiency on Gaussian noise.
        c: f64,
    },
}

impl Loss {
    /// Huber's loss with 95 % efficiency on Gaussian noise.
    pub const HUBER: Self = Self::Huber { k: 1.345 };

    /// `ρ`, `ρ'` and `ρ''` at a misfit of `r` spreads.
    #[inline(always)]
    fn at(self, r: f64) -> (f64, f64, f64) {
        match self {
            Loss::Squares => (0.5 * r * r, r, 1.0),
            Loss::Huber { k } => {
                let size = r.abs();
                if size <= k {
                    (0.5 * r * r, r, 1.0)
                } else {
                    (k * (size - 0.5 * k), k * r.signum(), 0.0)
                }
            }
            Loss::Cauchy { c } => {
                let ratio = (r / c).powi(2);
                let weight = 1.0 / (1.0 + ratio);
                (0.5 * c * c * ratio.ln_1p(), r * weight, (1.0 - ratio) * weight * weight)
            }
        }
    }
}

/// One reading's part of the negative log-likelihood, as a function of the predicted level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Term {
    /// Negative log-likelihood.
    pub value: f64,
    /// Its derivative by the predicted level, 1/dB.
    pub gradient: f64,
    /// Its second derivative by the predicted level, 1/dB².
    pub curvature: f64,
    /// Its information on the level, 1/dB²: the observed one where censored, 1/σ² where heard.
    pub information: f64,
}

/// The term of a reading at a predicted level, with the inverse of its spread, 1/dB; `None` when no packet came.
#[inline(always)]
pub(super) fn term(reading: Reading, predicted_dbm: f64, per_spread: f64, loss: Loss) -> Option<Term> {
    match reading {
        Reading::Heard(level_dbm) => {
            let r = (level_dbm - predicted_dbm) * per_spread;
            let (value, slope, bend) = loss.at(r);
            let information = per_spread * per_spread;
            Some(Term {
                value,
                gradient: -slope * per_spread,
                curvature: bend * information,
                information,
            })
        }
        Reading::BelowFloor(floor_dbm) => Some(one_sided((floor_dbm - predicted_dbm) * per_spread, per_spread)),
        Reading::Saturated(ceiling_dbm) => {
            let mirrored = one_sided((predicted_dbm - ceiling_dbm) * per_spread, per_spread);
            Some(Term {
                gradient: -mirrored.gradient,
                ..mirrored
            })
        }
        Reading::Missing => None,
    }
}

/// The term `−ln Φ(z)` where `z` falls by `per_spread` for each dB of predicted level.
#[inline]
pub(crate) fn one_sided(z: f64, per_spread: f64) -> Term {
    let (ln_cdf, hazard) = ln_cdf_and_hazard(z);
    // λ(λ + z) is positive in exact arithmetic; the bound guards its rounding far below the floor.
    let curvature = (hazard * (hazard + z)).max(0.0) * per_spread * per_spread;
    Term {
        value: -ln_cdf,
        gradient: hazard * per_spread,
        curvature,
        information: curvature,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gradients_match_finite_differences() {
        let readings = [
            Reading::Heard(-70.0),
            Reading::BelowFloor(-100.0),
            Reading::Saturated(-25.0),
        ];
        let losses = [Loss::Squares, Loss::HUBER, Loss::Cauchy { c: 2.385 }];
        let h = 1e-5;
        for reading in readings {
            for loss in losses {
                for predicted_dbm in [-140.0, -101.0, -99.0, -82.0, -69.0, -30.0, -20.0, 10.0] {
                    let value = |level| term(reading, level, 0.25, loss).unwrap().value;
                    let difference = (value(predicted_dbm + h) - value(predicted_dbm - h)) / (2.0 * h);
                    let gradient = term(reading, predicted_dbm, 0.25, loss).unwrap().gradient;
                    // Rounding of the difference: ε · value / h, value up to a few hundred.
                    assert!((gradient - difference).abs() < 1e-8 * (1.0 + value(predicted_dbm)));
                    let slope = |level| term(reading, level, 0.25, loss).unwrap().gradient;
                    let bend = (slope(predicted_dbm + h) - slope(predicted_dbm - h)) / (2.0 * h);
                    let curvature = term(reading, predicted_dbm, 0.25, loss).unwrap().curvature;
                    assert!((curvature - bend).abs() < 1e-8 * (1.0 + value(predicted_dbm)));
                }
            }
        }
    }

    #[test]
    fn a_missing_packet_says_nothing() {
        assert_eq!(term(Reading::Missing, -60.0, 4.0, Loss::Squares), None);
    }
}
