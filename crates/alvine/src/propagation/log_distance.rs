//! Log-distance: a loss at a reference distance, and so many dB a decade from there.

use super::logarithm::ln;
use super::{LANES, Loss, LossesBySquare, Propagation, PropagationError, in_range};

/// The log-distance law.
///
/// ```text
/// L(d) = L₀ + 10 n log₁₀(d / d₀)
/// L dB lost at d mm, L₀ dB lost at d₀ mm, n exponent
/// ```
///
/// # Source
///
/// The form and the 50 mm reference are those of the IEEE 802.15.6 channel model (K. Yazdandoost, K.
/// Sayrafian-Pour, *Channel Model for Body Area Network*, IEEE P802.15-08-0780, 2009), 402–405 MHz.
///
/// # Examples
///
/// ```
/// use alvine::{LogDistance, Propagation};
/// let loss = LogDistance::DEEP_TISSUE_TO_SURFACE.at_distance(100.0);
/// assert!((loss.loss_db - 59.964).abs() < 1e-3);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogDistance {
    reference_mm: f64,
    loss_at_reference_db: f64,
    exponent: f64,
}

impl LogDistance {
    /// Deep-tissue implant to body surface, 402–405 MHz: 47.14 dB at 50 mm, n = 4.26.
    ///
    /// # Source
    ///
    /// IEEE 802.15.6 channel model CM2, as carried by public code that cites its table 1 (the table itself was not
    /// seen). Its spread is [`crate::NoiseModel::DEEP_TISSUE_SHADOWING_DB`].
    pub const DEEP_TISSUE_TO_SURFACE: Self = Self {
        reference_mm: 50.0,
        loss_at_reference_db: 47.14,
        exponent: 4.26,
    };

    /// Near-surface implant to body surface, 402–405 MHz: 49.81 dB at 50 mm, n = 4.22.
    ///
    /// # Source
    ///
    /// IEEE 802.15.6 channel model CM2, from memory: no test rests on these values.
    pub const NEAR_SURFACE_TO_SURFACE: Self = Self {
        reference_mm: 50.0,
        loss_at_reference_db: 49.81,
        exponent: 4.22,
    };

    /// A law from its reference distance, mm, the loss there, dB, and its exponent.
    ///
    /// # Errors
    ///
    /// [`PropagationError::ImpossibleValue`] unless 1 ≤ d₀ ≤ 10 000, −50 ≤ L₀ ≤ 200 and 0.5 ≤ n ≤ 12.
    pub fn new(reference_mm: f64, loss_at_reference_db: f64, exponent: f64) -> Result<Self, PropagationError> {
        Ok(Self {
            reference_mm: in_range("reference_mm", reference_mm, 1.0..=10_000.0, "1 to 10000 mm")?,
            loss_at_reference_db: in_range(
                "loss_at_reference_db",
                loss_at_reference_db,
                -50.0..=200.0,
                "−50 to 200 dB (IEEE 802.15.6 has 47.14 dB at 50 mm from deep tissue to the surface)",
            )?,
            exponent: in_range(
                "exponent",
                exponent,
                0.5..=12.0,
                "0.5 to 12 (free space has 2; IEEE 802.15.6 has 4.26 from deep tissue to the surface)",
            )?,
        })
    }

    /// Distance of the reference loss, mm.
    #[must_use]
    pub const fn reference_mm(&self) -> f64 {
        self.reference_mm
    }

    /// Loss at the reference distance, dB.
    #[must_use]
    pub const fn loss_at_reference_db(&self) -> f64 {
        self.loss_at_reference_db
    }

    /// The exponent n.
    #[must_use]
    pub const fn exponent(&self) -> f64 {
        self.exponent
    }

    /// The distance at which the median loss is `loss_db`, mm: `d = d₀ 10^((L − L₀) / 10 n)`.
    #[must_use]
    pub fn distance_mm(&self, loss_db: f64) -> f64 {
        self.reference_mm * 10_f64.powf((loss_db - self.loss_at_reference_db) / (10.0 * self.exponent))
    }
}

impl Propagation for LogDistance {
    fn at_distance(&self, distance_mm: f64) -> Loss {
        let db_per_neper = 10.0 * self.exponent * std::f64::consts::LOG10_E;
        let inverse = 1.0 / distance_mm;
        Loss {
            loss_db: self.loss_at_reference_db + db_per_neper * (distance_mm / self.reference_mm).ln(),
            slope_db_per_mm: db_per_neper * inverse,
            bend_db_per_mm2: -db_per_neper * inverse * inverse,
        }
    }

    fn at_squares(&self, squares_mm2: &[f64; LANES]) -> LossesBySquare {
        let half_db_per_neper = 5.0 * self.exponent * std::f64::consts::LOG10_E;
        let scale = 1.0 / (self.reference_mm * self.reference_mm);
        let nepers = ln(&squares_mm2.map(|square_mm2| square_mm2 * scale));
        let inverse = squares_mm2.map(|square_mm2| 1.0 / square_mm2);
        LossesBySquare {
            loss_db: nepers.map(|nepers| self.loss_at_reference_db + half_db_per_neper * nepers),
            slope_db_per_mm2: inverse.map(|inverse| half_db_per_neper * inverse),
            bend_db_per_mm4: inverse.map(|inverse| -half_db_per_neper * inverse * inverse),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn deep_tissue_losses_match_the_worked_table() {
        // Worked from 47.14 dB at 50 mm and n = 4.26 (IEEE 802.15.6 form).
        for (distance_mm, loss_db) in [
            (10.0, 17.364),
            (20.0, 30.188),
            (50.0, 47.140),
            (100.0, 59.964),
            (150.0, 67.465),
            (200.0, 72.788),
            (300.0, 80.289),
        ] {
            let loss = LogDistance::DEEP_TISSUE_TO_SURFACE.at_distance(distance_mm);
            assert_relative_eq!(loss.loss_db, loss_db, epsilon = 1e-3);
        }
    }

    #[test]
    fn the_inverse_matches_the_worked_ranges() {
        // From −20 dBm: −60 → 33.991 mm, −100 → 295.346 mm, −25 → 5.126 mm.
        for (rssi_dbm, distance_mm) in [(-60.0, 33.991), (-80.0, 100.195), (-100.0, 295.346), (-25.0, 5.126)] {
            let law = LogDistance::DEEP_TISSUE_TO_SURFACE;
            assert_relative_eq!(law.distance_mm(-20.0 - rssi_dbm), distance_mm, epsilon = 1e-3);
        }
    }

    #[test]
    fn impossible_parameters_are_refused() {
        assert!(LogDistance::new(0.0, 47.0, 4.0).is_err());
        assert!(LogDistance::new(50.0, f64::NAN, 4.0).is_err());
        assert!(LogDistance::new(50.0, 47.0, -2.0).is_err());
    }
}
