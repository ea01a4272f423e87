//! The link budget: how far below the skin a capsule is heard.
//!
//! ```text
//! N = 10 log₁₀(k T₀ B / 1 mW) + F          noise in the receiver, dBm
//! S = max(N + s, floor)                    the weakest level that is heard, dBm
//! M(d) = P + G − L(d) − S                  margin at distance d, dB
//! heard with probability Φ(M / σ)          σ shadowing of the law, dB
//! k Boltzmann's constant, T₀ 290 K, B bandwidth, F noise figure, s signal to noise needed, P power sent,
//! G gain of antenna and cable beyond the law's, L median loss of the law
//! ```
//!
//! Depth is distance from the antenna, straight in.
//!
//! What may be sent is not part of this: limits of exposure and the rules of the spectrum differ from country to
//! country and from band to band.
//!
//! # Source
//!
//! k is exact by the definition of the kelvin (SI, 2019); T₀ = 290 K is the standard noise temperature of IEEE. The sum
//! itself is textbook.

use thiserror::Error;

use crate::normal;
use crate::propagation::{Law, NEAREST_MM, Propagation};

/// Boltzmann's constant, J/K (exact).
const BOLTZMANN_J_PER_K: f64 = 1.380_649e-23;
/// Standard noise temperature, K.
const STANDARD_K: f64 = 290.0;
/// No antenna on a body is further from the capsule than this, mm.
const FURTHEST_MM: f64 = 2000.0;

/// Thermal noise in a bandwidth at 290 K, dBm: −173.975 dBm in one hertz.
#[must_use]
pub fn thermal_noise_dbm(bandwidth_khz: f64) -> f64 {
    10.0 * (BOLTZMANN_J_PER_K * STANDARD_K * bandwidth_khz * 1e3 / 1e-3).log10()
}

/// Why a budget cannot be as described.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LinkBudgetError {
    /// A value that no link has, or not a number.
    #[error("{what} is {found}; expected {expected}")]
    ImpossibleValue {
        /// Which value.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
}

/// A link from a capsule to one antenna on the skin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinkBudget {
    /// The median law of loss.
    pub law: Law,
    /// Power sent, dBm.
    pub power_dbm: f64,
    /// Gain of antenna and cable beyond what the law has in it, dB.
    pub gain_db: f64,
    /// Bandwidth of the receiver, kHz.
    pub bandwidth_khz: f64,
    /// Noise figure of the receiver, dB.
    pub noise_figure_db: f64,
    /// Signal over noise that a packet needs, dB.
    pub needed_snr_db: f64,
    /// The level below which the receiver reports nothing, whatever its noise, dBm.
    pub floor_dbm: Option<f64>,
    /// Standard deviation of the static shadowing, dB.
    pub shadowing_db: f64,
}

/// The link at one distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinkRow {
    /// Distance from the antenna, mm.
    pub distance_mm: f64,
    /// Median loss, dB.
    pub loss_db: f64,
    /// Median level, dBm.
    pub level_dbm: f64,
    /// Level above the weakest that is heard, dB.
    pub margin_db: f64,
    /// Signal over thermal noise, dB.
    pub snr_db: f64,
    /// Probability that the capsule is heard there.
    pub heard: f64,
}

/// How far a capsule is heard.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Heard {
    /// Not even on the antenna.
    Nowhere,
    /// As far as this, mm.
    To(f64),
    /// Further than any antenna on a body is from it.
    Everywhere,
}

impl LinkBudget {
    /// Checks every value.
    ///
    /// # Errors
    ///
    /// [`LinkBudgetError::ImpossibleValue`] for the first that cannot be.
    pub fn validate(&self) -> Result<(), LinkBudgetError> {
        for (what, found, range, expected) in [
            ("power_dbm", self.power_dbm, -150.0..=50.0, "−150 to 50 dBm"),
            ("gain_db", self.gain_db, -100.0..=100.0, "−100 to 100 dB"),
            (
                "bandwidth_khz",
                self.bandwidth_khz,
                0.001..=1e7,
                "0.001 to 10000000 kHz",
            ),
            ("noise_figure_db", self.noise_figure_db, 0.0..=60.0, "0 to 60 dB"),
            ("needed_snr_db", self.needed_snr_db, -60.0..=60.0, "−60 to 60 dB"),
            (
                "floor_dbm",
                self.floor_dbm.unwrap_or(0.0),
                -200.0..=100.0,
                "−200 to 100 dBm",
            ),
            ("shadowing_db", self.shadowing_db, 0.0..=40.0, "0 to 40 dB"),
        ] {
            if !range.contains(&found) {
                return Err(LinkBudgetError::ImpossibleValue { what, found, expected });
            }
        }
        Ok(())
    }

    /// Noise in the receiver, dBm.
    #[must_use]
    pub fn noise_dbm(&self) -> f64 {
        thermal_noise_dbm(self.bandwidth_khz) + self.noise_figure_db
    }

    /// The weakest level that is heard, dBm.
    #[must_use]
    pub fn sensitivity_dbm(&self) -> f64 {
        let by_noise_dbm = self.noise_dbm() + self.needed_snr_db;
        self.floor_dbm
            .map_or(by_noise_dbm, |floor_dbm| by_noise_dbm.max(floor_dbm))
    }

    /// The link at a distance from the antenna, mm.
    #[must_use]
    pub fn at(&self, distance_mm: f64) -> LinkRow {
        let loss_db = self.law.at_distance(distance_mm.max(NEAREST_MM)).loss_db;
        let level_dbm = self.power_dbm + self.gain_db - loss_db;
        let margin_db = level_dbm - self.sensitivity_dbm();
        let heard = if self.shadowing_db > 0.0 {
            normal::cdf(margin_db / self.shadowing_db)
        } else {
            f64::from(u8::from(margin_db >= 0.0))
        };
        LinkRow {
            distance_mm,
            loss_db,
            level_dbm,
            margin_db,
            snr_db: level_dbm - self.noise_dbm(),
            heard,
        }
    }

    /// The furthest place heard with a probability, by halving; the loss of every law grows with distance.
    #[must_use]
    pub fn heard_to(&self, probability: f64) -> Heard {
        let enough = |distance_mm: f64| self.at(distance_mm).heard >= probability;
        if !enough(NEAREST_MM) {
            return Heard::Nowhere;
        }
        if enough(FURTHEST_MM) {
            return Heard::Everywhere;
        }
        let (mut near_mm, mut far_mm) = (NEAREST_MM, FURTHEST_MM);
        // Sixty halvings of 2 m are below the resolution of the numbers.
        for _ in 0..60 {
            let middle_mm = 0.5 * (near_mm + far_mm);
            if enough(middle_mm) {
                near_mm = middle_mm;
            } else {
                far_mm = middle_mm;
            }
        }
        Heard::To(near_mm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::propagation::{FreeSpace, LogDistance};
    use approx::assert_relative_eq;

    /// A budget that hears down to −100 dBm.
    fn budget(law: Law) -> LinkBudget {
        LinkBudget {
            law,
            power_dbm: -20.0,
            gain_db: 0.0,
            bandwidth_khz: 300.0,
            noise_figure_db: 5.0,
            needed_snr_db: 10.0,
            floor_dbm: Some(-100.0),
            shadowing_db: 7.85,
        }
    }

    #[test]
    fn thermal_noise_is_that_of_the_definition() {
        // 1.380649e-23 J/K × 290 K = 4.00388e-21 W in one hertz: −173.9752 dBm; 60 dB more in one megahertz.
        assert_relative_eq!(thermal_noise_dbm(0.001), -173.9752, epsilon = 1e-4);
        assert_relative_eq!(thermal_noise_dbm(1000.0), -113.9752, epsilon = 1e-4);
    }

    #[test]
    fn the_median_range_matches_the_worked_inverse() {
        // 47.14 dB at 50 mm, n = 4.26: −100 dBm from −20 dBm is reached at 295.346 mm.
        let Heard::To(far_mm) = budget(Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE)).heard_to(0.5) else {
            panic!("heard somewhere");
        };
        assert_relative_eq!(far_mm, 295.346, epsilon = 1e-3);
    }

    #[test]
    fn nine_places_in_ten_lie_nearer_by_the_spread_of_the_law() {
        // z₀.₉ = 1.2815516: 10^(−1.2815516 · 7.85 / 42.6) = 0.58048 of the median range.
        let link = budget(Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE));
        let Heard::To(far_mm) = link.heard_to(0.9) else {
            panic!("heard somewhere");
        };
        assert_relative_eq!(
            far_mm / 295.346,
            10_f64.powf(-1.281_551_6 * 7.85 / 42.6),
            epsilon = 1e-5
        );
        assert_relative_eq!(link.at(far_mm).heard, 0.9, epsilon = 1e-9);
    }

    #[test]
    fn rows_match_the_worked_losses() {
        let link = budget(Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE));
        let row = link.at(100.0);
        assert_relative_eq!(row.loss_db, 59.964, epsilon = 1e-3);
        assert_relative_eq!(row.level_dbm, -79.964, epsilon = 1e-3);
        assert_relative_eq!(row.margin_db, 20.036, epsilon = 1e-3);
        // ITU-R P.525 at 433 MHz and 1 m: 25.178 dB.
        let air = budget(Law::FreeSpace(FreeSpace::new(433.0).unwrap()));
        assert_relative_eq!(air.at(1000.0).loss_db, 25.178, epsilon = 1e-3);
        assert_relative_eq!(air.at(1000.0).level_dbm, -45.178, epsilon = 1e-3);
    }

    #[test]
    fn noise_counts_where_it_is_above_the_floor() {
        let mut link = budget(Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE));
        assert_eq!(link.sensitivity_dbm(), -100.0);
        link.noise_figure_db = 30.0;
        assert_relative_eq!(link.sensitivity_dbm(), thermal_noise_dbm(300.0) + 40.0, epsilon = 1e-12);
        link.floor_dbm = None;
        link.noise_figure_db = 5.0;
        assert_relative_eq!(link.sensitivity_dbm(), thermal_noise_dbm(300.0) + 15.0, epsilon = 1e-12);
    }

    #[test]
    fn links_that_are_heard_nowhere_or_everywhere_say_so() {
        let mut link = budget(Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE));
        link.power_dbm = -150.0;
        assert_eq!(link.heard_to(0.5), Heard::Nowhere);
        link.power_dbm = 50.0;
        assert_eq!(link.heard_to(0.9), Heard::Everywhere);
        link.shadowing_db = 0.0;
        assert_eq!(link.at(100.0).heard, 1.0);
        assert_eq!(link.validate(), Ok(()));
        link.bandwidth_khz = 0.0;
        assert!(link.validate().is_err());
        link.bandwidth_khz = f64::NAN;
        assert!(link.validate().is_err());
    }
}
