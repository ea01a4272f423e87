//! Silences: what a site that heard nothing at a station is worth, as a reading with a mean and a variance.
//!
//! A silence says that the level `l` there was below the floor, `Φ((c − l) / s)`. Neighbouring stations share their shadowing, so that
//! many silences of one site are far fewer facts: counted one by one they would pull the level that all share down by several dB.
//! Expectation propagation replaces each by the Gaussian that, beside all the others and the readings, has the moments of the silence
//! itself:
//!
//! ```text
//! q(l) = N(μ, σ²)  what all but this one say,   t² = s² + σ²,   z = (c − μ) / t,   λ = φ(z) / Φ(z)
//! g = λ / t,   b = λ (λ + z) / t²,   variance 1 / b − σ²,   mean μ − g / b
//! ```
//!
//! # Source
//!
//! T. P. Minka, *Expectation propagation for approximate Bayesian inference*, 2001; for Gaussian processes C. E. Rasmussen,
//! C. K. I. Williams, *Gaussian Processes for Machine Learning*, 2006, section 3.6. Both from memory; a test holds the moments against
//! a quadrature.

use crate::fix::one_sided;

/// A silence or reading of this variance, dB², is as good as none.
pub(super) const NOTHING_DB2: f64 = 1e6;
/// The least variance of what the others say, dB²: it is a difference of large numbers.
const LEAST_DB2: f64 = 1e-2;

/// What a silence is worth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Silence {
    /// As a reading, dBm.
    pub mean_dbm: f64,
    /// Its variance, dB².
    pub variance_db2: f64,
}

impl Silence {
    /// Worth nothing yet.
    pub const fn unheard(floor_dbm: f64) -> Self {
        Self {
            mean_dbm: floor_dbm,
            variance_db2: NOTHING_DB2,
        }
    }

    /// Beside what all else says of the level, mean and variance, of a level that errs by `noise_db2` about it.
    pub fn beside((mean_dbm, variance_db2): (f64, f64), floor_dbm: f64, noise_db2: f64) -> Self {
        let variance_db2 = variance_db2.max(LEAST_DB2);
        let total = (noise_db2 + variance_db2).sqrt();
        let below = one_sided((floor_dbm - mean_dbm) / total, 1.0 / total);
        let variance = 1.0 / below.curvature - variance_db2;
        if variance.is_nan() || variance >= NOTHING_DB2 {
            return Self::unheard(floor_dbm);
        }
        Self {
            mean_dbm: mean_dbm - below.gradient / below.curvature,
            variance_db2: variance.max(LEAST_DB2),
        }
    }

    /// The share of the way from this one to another, by precision and precision times mean.
    pub fn towards(self, other: Self, share: f64) -> Self {
        let [own, others] = [(1.0 - share) / self.variance_db2, share / other.variance_db2];
        Self {
            mean_dbm: (own * self.mean_dbm + others * other.mean_dbm) / (own + others),
            variance_db2: 1.0 / (own + others),
        }
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::normal::cdf;

    /// Mean and variance of `N(μ, σ²) Φ((c − l) / s)`, by the trapezoidal rule.
    fn moments((mean, variance): (f64, f64), floor: f64, noise: f64) -> (f64, f64) {
        let (mut mass, mut first, mut second) = (0.0, 0.0, 0.0);
        for step in -8000..=8000 {
            let off = f64::from(step) * 0.001 * variance.sqrt();
            let weight = (-0.5 * off * off / variance).exp() * cdf((floor - mean - off) / noise.sqrt());
            mass += weight;
            first += weight * off;
            second += weight * off * off;
        }
        let off = first / mass;
        (mean + off, second / mass - off * off)
    }

    #[test]
    fn a_silence_has_the_moments_of_a_level_below_the_floor() {
        for (mean, variance, noise) in [
            (-100.0, 16.0, 4.0),
            (-90.0, 25.0, 9.0),
            (-108.0, 9.0, 1.0),
            (-97.0, 30.0, 0.5),
        ] {
            let silence = Silence::beside((mean, variance), -100.0, noise);
            let precision = 1.0 / variance + 1.0 / silence.variance_db2;
            let (wanted_mean, wanted_variance) = moments((mean, variance), -100.0, noise);
            assert_relative_eq!(1.0 / precision, wanted_variance, max_relative = 1e-6);
            let product = mean / variance + silence.mean_dbm / silence.variance_db2;
            assert_relative_eq!(product / precision, wanted_mean, max_relative = 1e-6);
        }
    }

    #[test]
    fn a_silence_where_nothing_else_was_expected_is_worth_nothing() {
        let silence = Silence::beside((-160.0, 25.0), -100.0, 4.0);
        assert_eq!(silence, Silence::unheard(-100.0));
    }

    #[test]
    fn the_way_to_another_begins_at_one_and_ends_at_the_other() {
        let (one, other) = (Silence::unheard(-100.0), Silence::beside((-95.0, 25.0), -100.0, 4.0));
        for (share, wanted) in [(0.0, one), (1.0, other)] {
            let found = one.towards(other, share);
            assert_relative_eq!(found.mean_dbm, wanted.mean_dbm, max_relative = 1e-12);
            assert_relative_eq!(found.variance_db2, wanted.variance_db2, max_relative = 1e-12);
        }
    }
}
