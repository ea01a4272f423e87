//! The law's median loss, by arithmetic that gives the same bits on every machine.
//!
//! The laws of [`alvine`] take the logarithm of the machine's own library, whose last bit may differ from another's. A
//! phantom's levels must not, so that the same equations stand here once more with the logarithm of `libm`.

use alvine::{Law, Position, propagation::NEAREST_MM};

/// 20 log₁₀(4π · 1 MHz · 1 mm / c), dB: free space at 1 mm and 1 MHz.
const FREE_SPACE_DB: f64 = -87.552_216_778_116_63;

/// Median loss between a place and a site, dB.
pub(super) fn loss_db(law: &Law, place_mm: &Position, site_mm: &Position) -> f64 {
    let distance_mm = (place_mm - site_mm).norm().max(NEAREST_MM);
    match law {
        Law::LogDistance(law) => {
            law.loss_at_reference_db() + 10.0 * law.exponent() * libm::log10(distance_mm / law.reference_mm())
        }
        Law::FreeSpace(law) => FREE_SPACE_DB + 20.0 * libm::log10(law.frequency_mhz() * distance_mm),
        Law::DistanceAndTissue(law) => {
            law.loss_at_reference_db()
                + 10.0 * law.exponent() * libm::log10(distance_mm / law.reference_mm())
                + 0.1 * law.attenuation_db_per_cm() * (distance_mm - law.reference_mm())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::{DistanceAndTissue, FreeSpace, LogDistance, Propagation};
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn it_is_the_law_of_the_core_but_for_the_last_bits(
            x in -300.0..300.0_f64, y in -300.0..300.0_f64, z in -300.0..600.0_f64, mhz in 10.0..6000.0_f64,
        ) {
            let (place, site) = (Position::new(x, y, z), Position::new(10.0, 0.0, 115.0));
            for law in [
                Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE),
                Law::FreeSpace(FreeSpace::new(mhz).unwrap()),
                Law::DistanceAndTissue(DistanceAndTissue::new(50.0, 40.0, 2.0, 1.68).unwrap()),
            ] {
                prop_assert!((loss_db(&law, &place, &site) - law.loss_db(&place, &site)).abs() < 1e-10);
            }
        }
    }
}
