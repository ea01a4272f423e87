//! Distance and tissue: spreading as a power of distance, and absorption in proportion to it.

use super::{Loss, Propagation, PropagationError, in_range};

/// Spreading and absorption apart.
///
/// ```text
/// L(d) = L₀ + 10 n log₁₀(d / d₀) + α (d − d₀) / 10
/// L dB lost at d mm, L₀ dB lost at d₀ mm, n exponent of spreading (2 in the far field), α dB/cm absorbed
/// ```
///
/// # Source
///
/// The plane wave in a lossy medium, loss in dB = 8.686 α d, with spherical spreading (textbook). Muscle at 433 MHz
/// absorbs 1.680 dB/cm by the four-term Cole–Cole model of Gabriel, Lau and Gabriel (1996).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DistanceAndTissue {
    reference_mm: f64,
    loss_at_reference_db: f64,
    exponent: f64,
    attenuation_db_per_cm: f64,
}

impl DistanceAndTissue {
    /// A law from its reference distance, mm, the loss there, dB, the exponent of spreading, and the absorption.
    ///
    /// # Errors
    ///
    /// [`PropagationError::ImpossibleValue`] unless 1 ≤ d₀ ≤ 10 000, −50 ≤ L₀ ≤ 200, 0.5 ≤ n ≤ 12 and 0 ≤ α ≤ 20.
    pub fn new(
        reference_mm: f64,
        loss_at_reference_db: f64,
        exponent: f64,
        attenuation_db_per_cm: f64,
    ) -> Result<Self, PropagationError> {
        Ok(Self {
            reference_mm: in_range("reference_mm", reference_mm, 1.0..=10_000.0, "1 to 10000 mm")?,
            loss_at_reference_db: in_range(
                "loss_at_reference_db",
                loss_at_reference_db,
                -50.0..=200.0,
                "−50 to 200 dB",
            )?,
            exponent: in_range("exponent", exponent, 0.5..=12.0, "0.5 to 12 (free space has 2)")?,
            attenuation_db_per_cm: in_range(
                "attenuation_db_per_cm",
                attenuation_db_per_cm,
                0.0..=20.0,
                "0 to 20 dB/cm (muscle has 1.68 at 433 MHz by Gabriel, Lau and Gabriel 1996)",
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

    /// The exponent of spreading.
    #[must_use]
    pub const fn exponent(&self) -> f64 {
        self.exponent
    }

    /// Absorption, dB/cm.
    #[must_use]
    pub const fn attenuation_db_per_cm(&self) -> f64 {
        self.attenuation_db_per_cm
    }
}

impl Propagation for DistanceAndTissue {
    fn at_distance(&self, distance_mm: f64) -> Loss {
        let db_per_neper = 10.0 * self.exponent * std::f64::consts::LOG10_E;
        let absorbed_db_per_mm = 0.1 * self.attenuation_db_per_cm;
        Loss {
            loss_db: self.loss_at_reference_db
                + db_per_neper * (distance_mm / self.reference_mm).ln()
                + absorbed_db_per_mm * (distance_mm - self.reference_mm),
            slope_db_per_mm: db_per_neper / distance_mm + absorbed_db_per_mm,
            bend_db_per_mm2: -db_per_neper / (distance_mm * distance_mm),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_decimetre_of_muscle_absorbs_what_the_plane_wave_does() {
        // 100 mm of muscle at 433 MHz: 16.803 dB of plane-wave absorption; doubling the distance from 100 mm spreads
        // by 20 log₁₀ 2 = 6.0206 dB.
        let law = DistanceAndTissue::new(100.0, 0.0, 2.0, 1.6803).unwrap();
        assert_relative_eq!(law.at_distance(200.0).loss_db, 16.803 + 6.0206, epsilon = 1e-3);
    }

    #[test]
    fn slope_at_a_decimetre_matches_the_worked_one() {
        // 1.680 + 0.869 = 2.549 dB/cm at 100 mm.
        let law = DistanceAndTissue::new(50.0, 40.0, 2.0, 1.6803).unwrap();
        assert_relative_eq!(10.0 * law.at_distance(100.0).slope_db_per_mm, 2.549, epsilon = 1e-3);
    }
}
