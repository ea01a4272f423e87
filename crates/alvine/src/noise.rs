//! What the law leaves out: static shadowing, and noise from sample to sample.

use thiserror::Error;

/// Why a noise model cannot be as described.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum NoiseError {
    /// A spread that is negative, absurd or not a number, or no noise at all.
    #[error("{what} is {found} dB; expected {expected}")]
    ImpossibleValue {
        /// Which spread.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
}

/// The two spreads of a reading about the law, kept apart.
///
/// *Shadowing* is fixed in place: the same antenna hears the same error each time the capsule is at the same place, so
/// that averaging a resting capsule's samples does not lessen it. *Noise* is new at each sample.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseModel {
    shadowing_db: f64,
    noise_db: f64,
}

impl NoiseModel {
    /// Published spread of the deep-tissue to surface law over places, directions and bodies, dB: static shadowing.
    ///
    /// # Source
    ///
    /// IEEE 802.15.6 channel model CM2, σ_S, from memory: no test rests on it.
    pub const DEEP_TISSUE_SHADOWING_DB: f64 = 7.85;

    /// A model from the standard deviation of shadowing and of noise, dB.
    ///
    /// # Errors
    ///
    /// [`NoiseError::ImpossibleValue`] unless 0 ≤ shadowing ≤ 40 and 0.01 ≤ noise ≤ 40.
    pub fn new(shadowing_db: f64, noise_db: f64) -> Result<Self, NoiseError> {
        if !(0.0..=40.0).contains(&shadowing_db) {
            return Err(NoiseError::ImpossibleValue {
                what: "shadowing_db",
                found: shadowing_db,
                expected: "0 to 40 dB",
            });
        }
        if !(0.01..=40.0).contains(&noise_db) {
            return Err(NoiseError::ImpossibleValue {
                what: "noise_db",
                found: noise_db,
                expected: "0.01 to 40 dB",
            });
        }
        Ok(Self { shadowing_db, noise_db })
    }

    /// Standard deviation of static shadowing, dB.
    #[must_use]
    pub const fn shadowing_db(&self) -> f64 {
        self.shadowing_db
    }

    /// Standard deviation from sample to sample, dB.
    #[must_use]
    pub const fn noise_db(&self) -> f64 {
        self.noise_db
    }

    /// Noise of one sample with the error of a quantisation step Δ added: `√(σ² + Δ²/12)`, dB.
    #[must_use]
    pub fn sample_db(&self, step_db: Option<f64>) -> f64 {
        let step_db = step_db.unwrap_or(0.0);
        (self.noise_db * self.noise_db + step_db * step_db / 12.0).sqrt()
    }

    /// Spread of a single reading about the law: shadowing and sample noise together, dB.
    #[must_use]
    pub fn total_db(&self, step_db: Option<f64>) -> f64 {
        self.shadowing_db.hypot(self.sample_db(step_db))
    }

    /// The share of a single reading's variance that is static, 0 to 1.
    #[must_use]
    pub fn static_share(&self, step_db: Option<f64>) -> f64 {
        (self.shadowing_db / self.total_db(step_db)).powi(2)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn variances_add_and_the_static_share_is_theirs() {
        let noise = NoiseModel::new(7.85, 2.0).unwrap();
        assert_relative_eq!(noise.total_db(None).powi(2), 7.85_f64.powi(2) + 4.0, epsilon = 1e-12);
        assert_relative_eq!(noise.sample_db(Some(1.0)).powi(2), 4.0 + 1.0 / 12.0, epsilon = 1e-12);
        assert_relative_eq!(noise.static_share(None), 61.6225 / 65.6225, epsilon = 1e-12);
    }

    #[test]
    fn impossible_spreads_are_refused() {
        assert!(NoiseModel::new(-1.0, 2.0).is_err());
        assert!(NoiseModel::new(7.0, 0.0).is_err());
        assert!(NoiseModel::new(f64::NAN, 2.0).is_err());
    }
}
