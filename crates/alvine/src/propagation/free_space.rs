//! Free space: no body at all, for links through the air and for checking the scale of other laws.

use super::{Loss, Propagation, PropagationError, in_range};

/// Basic transmission loss between isotropic antennas in free space.
///
/// ```text
/// L(d) = 20 log₁₀(4π d f / c)
/// L dB lost at d, frequency f, c speed of light
/// ```
///
/// A far-field law: below a wavelength over 2π (110 mm at 433 MHz) it is no more than a scale, and it goes negative
/// at 55 mm. It must not be trusted across a torso.
///
/// # Source
///
/// Recommendation ITU-R P.525, which rounds the constant 32.4478 to 32.4 for MHz and km; the exact one is used here.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FreeSpace {
    frequency_mhz: f64,
    loss_at_1_mm_db: f64,
}

impl FreeSpace {
    /// Speed of light in vacuum, mm/s (exact by definition of the metre).
    const SPEED_OF_LIGHT_MM_PER_S: f64 = 299_792_458_000.0;

    /// The law at a frequency.
    ///
    /// # Errors
    ///
    /// [`PropagationError::ImpossibleValue`] unless 1 ≤ frequency ≤ 100 000 MHz.
    pub fn new(frequency_mhz: f64) -> Result<Self, PropagationError> {
        let frequency_mhz = in_range("frequency_mhz", frequency_mhz, 1.0..=100_000.0, "1 to 100000 MHz")?;
        let wavelength_mm = Self::SPEED_OF_LIGHT_MM_PER_S / (frequency_mhz * 1e6);
        Ok(Self {
            frequency_mhz,
            loss_at_1_mm_db: 20.0 * (4.0 * std::f64::consts::PI / wavelength_mm).log10(),
        })
    }

    /// Its frequency, MHz.
    #[must_use]
    pub const fn frequency_mhz(&self) -> f64 {
        self.frequency_mhz
    }
}

impl Propagation for FreeSpace {
    fn at_distance(&self, distance_mm: f64) -> Loss {
        Loss {
            loss_db: self.loss_at_1_mm_db + 20.0 * distance_mm.log10(),
            slope_db_per_mm: 20.0 * std::f64::consts::LOG10_E / distance_mm,
            bend_db_per_mm2: -20.0 * std::f64::consts::LOG10_E / (distance_mm * distance_mm),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn losses_match_itu_r_p525() {
        // 32.447783 + 20 log f_MHz + 20 log d_km with the exact constant of ITU-R P.525.
        for (frequency_mhz, distance_mm, loss_db) in [
            (402.0, 300.0, 14.075),
            (433.0, 1_000.0, 25.178),
            (915.0, 3_000.0, 41.219),
            (2450.0, 10_000.0, 60.231),
        ] {
            let law = FreeSpace::new(frequency_mhz).unwrap();
            assert_relative_eq!(law.at_distance(distance_mm).loss_db, loss_db, epsilon = 1e-3);
        }
    }
}
