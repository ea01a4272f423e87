//! Bounds: how well any unbiased estimator could do.
//!
//! For readings of spread σ about the law, the Fisher information on the place is
//!
//! ```text
//! F = Σᵢ kᵢ ∇Lᵢ ∇Lᵢᵀ / σ²
//! ∇Lᵢ gradient of the loss to site i, dB/mm;   kᵢ share of a reading's information that survives the floor
//! kᵢ = 1 − Φ(z) + z φ(z) + φ(z)²/Φ(z),   z = (floor − μᵢ) / σ
//! ```
//!
//! and the covariance of an unbiased estimate is at least F⁻¹ (Cramér and Rao). An estimator that beats it has a bug
//! or a prior. [`posterior_cramer_rao`] is the same for a whole track, prior included, and [`cramer_rao_in_field_mm2`] for many places
//! in shadowing that is fixed in place. Where a model bends too much for that, [`posterior_in_field`] tells the least error there is.
//!
//! # Source
//!
//! Without a floor: N. Patwari and others, *Relative location estimation in wireless sensor networks*, IEEE Trans.
//! Signal Process. 51 (2003). The factor of a censored Gaussian follows from the likelihood of J. Tobin, Econometrica
//! 26 (1958), and is checked against a numerical integral below.

mod field;
mod sampled;
mod track;

use nalgebra::Matrix3;

pub use field::{FieldModel, HeardPlace, cramer_rao_in_field_mm2};
pub use sampled::{SampledPlace, Sampling, posterior_in_field};
pub use track::{TrackBound, TrackBoundError, posterior_cramer_rao};

use crate::fix::Level;
use crate::normal;
use crate::setup::Setup;
use crate::torso::Position;

/// What a bound takes for granted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BoundOptions {
    /// Spread of a reading about the law, dB: shadowing and noise for a lone fix, noise alone for repeated ones.
    pub spread_db: f64,
    /// What is known of the transmit level; where it is unknown it must be found from the same readings.
    pub level: Level,
    /// Whether sites below the receiver's floor tell only that.
    pub floor: bool,
}

/// Fisher information of one instant's readings on the place, 1/mm², the level marginalised where unknown.
#[must_use]
pub fn fisher_information(setup: &Setup, place_mm: &Position, options: &BoundOptions) -> Matrix3<f64> {
    let mut information = Matrix3::zeros();
    let mut cross = Position::zeros();
    let mut level = 0.0;
    let per_db2 = 1.0 / (options.spread_db * options.spread_db);
    for site in 0..setup.layout.len() {
        let (median_dbm, gradient) = setup.median_and_loss_gradient(place_mm, site);
        let share = if options.floor {
            let z = (setup.receiver.floor_dbm() - median_dbm) / options.spread_db;
            uncensored_share(z)
        } else {
            1.0
        };
        let weight = share * per_db2;
        information += gradient * gradient.transpose() * weight;
        cross += gradient * weight;
        level += weight;
    }
    if let Level::Unknown { prior_db } = options.level {
        level += prior_db.map_or(0.0, |prior_db| 1.0 / (prior_db * prior_db));
        if level > 0.0 {
            information -= cross * cross.transpose() / level;
        }
    }
    information
}

/// The Cramér–Rao bound on the covariance of a fix, mm²; `None` where the readings do not determine the place.
#[must_use]
pub fn cramer_rao_mm2(setup: &Setup, place_mm: &Position, options: &BoundOptions) -> Option<Matrix3<f64>> {
    let factor = fisher_information(setup, place_mm, options).cholesky()?;
    let bound = factor.inverse();
    bound.iter().all(|entry| entry.is_finite()).then_some(bound)
}

/// The share of a Gaussian reading's information that is left when values below z spreads from its mean are censored.
fn uncensored_share(z: f64) -> f64 {
    uncensored_share_and_censored(z).0
}

/// The same, with the probability that a reading is censored.
#[inline]
pub(crate) fn uncensored_share_and_censored(z: f64) -> (f64, f64) {
    let (cdf, density) = (normal::cdf(z), normal::density(z));
    // Far below the floor of the double's range nothing is censored.
    let censored = if cdf > 0.0 { density * density / cdf } else { 0.0 };
    ((1.0 - cdf + z * density + censored).clamp(0.0, 1.0), cdf)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::{Layout, Site};
    use crate::noise::NoiseModel;
    use crate::recording::Receiver;
    use crate::torso::Torso;
    use approx::assert_relative_eq;

    fn setup(layout: Layout) -> Setup {
        let noise = NoiseModel::new(7.85, 2.0).unwrap();
        let receiver = Receiver::new(-100.0, None, None).unwrap();
        Setup {
            layout,
            ..Setup::default_eight(Torso::default(), noise, receiver)
        }
    }

    fn cube() -> Setup {
        let half = 100.0 / 3.0_f64.sqrt();
        let corners = (0..8)
            .map(|corner| {
                let side = |bit: i32| if corner & bit == 0 { -half } else { half };
                Site::new(format!("corner-{corner}"), Position::new(side(1), side(2), side(4)))
            })
            .collect();
        setup(Layout::new(corners).unwrap())
    }

    fn rmse_mm(setup: &Setup, place: Position, spread_db: f64, level_unknown: bool) -> f64 {
        let level = if level_unknown {
            Level::Unknown { prior_db: None }
        } else {
            Level::Known
        };
        let options = BoundOptions {
            spread_db,
            level,
            floor: false,
        };
        cramer_rao_mm2(setup, &place, &options).unwrap().trace().sqrt()
    }

    #[test]
    fn cube_corners_match_the_closed_form() {
        // R √(9/8) / b with b = 10 n / (σ ln 10), R = 100 mm: 45.0041 mm, the level known or not.
        let setup = cube();
        for level_unknown in [false, true] {
            assert_relative_eq!(
                rmse_mm(&setup, Position::zeros(), 7.85, level_unknown),
                45.0041,
                epsilon = 1e-4
            );
        }
        let aside = Position::new(20.0, 10.0, -5.0);
        assert_relative_eq!(rmse_mm(&setup, aside, 7.85, false), 44.8136, epsilon = 1e-4);
        assert_relative_eq!(rmse_mm(&setup, aside, 7.85, true), 44.9617, epsilon = 1e-4);
    }

    #[test]
    fn default_eight_matches_the_worked_bounds() {
        let setup = setup(Layout::default_eight(&Torso::new(330.0, 230.0).unwrap()));
        for (place, known, unknown) in [
            ((0.0, 100.0, 0.0), 67.891, 192.962),
            ((-30.0, 90.0, 100.0), 67.054, 182.528),
            ((60.0, 80.0, 40.0), 62.969, 192.763),
            ((-80.0, 70.0, -70.0), 55.720, 198.809),
        ] {
            let place = Position::new(place.0, place.1, place.2);
            assert_relative_eq!(rmse_mm(&setup, place, 7.85, false), known, epsilon = 2e-3);
            assert_relative_eq!(rmse_mm(&setup, place, 7.85, true), unknown, epsilon = 2e-2);
        }
    }

    #[test]
    fn bounds_scale_with_the_spread() {
        let setup = cube();
        let place = Position::new(10.0, 5.0, 8.0);
        let (one, two) = (rmse_mm(&setup, place, 3.0, true), rmse_mm(&setup, place, 6.0, true));
        assert_relative_eq!(two, 2.0 * one, max_relative = 1e-12);
    }

    #[test]
    fn the_censored_share_matches_its_integral() {
        // The slow twin: E[(∂ ln p / ∂μ)²] by Simpson's rule above z, plus the censored point mass.
        for z in [-3.0, -1.0, 0.0, 0.7, 2.5] {
            let density = |t: f64| (-0.5 * t * t).exp() / std::f64::consts::TAU.sqrt();
            let steps = 40_000;
            let h = (12.0 - z) / f64::from(steps);
            let sum: f64 = (0..=steps)
                .map(|k| {
                    let t = z + h * f64::from(k);
                    let weight = if k == 0 || k == steps {
                        1.0
                    } else if k % 2 == 1 {
                        4.0
                    } else {
                        2.0
                    };
                    weight * t * t * density(t)
                })
                .sum();
            let cdf = 0.5 * libm::erfc(-z / 2.0_f64.sqrt());
            let integral = sum * h / 3.0 + density(z).powi(2) / cdf;
            assert_relative_eq!(uncensored_share(z), integral, epsilon = 1e-9);
        }
        assert_relative_eq!(uncensored_share(-40.0), 1.0);
    }

    #[test]
    fn a_floor_never_adds_information() {
        let setup = setup(Layout::default_eight(&Torso::new(330.0, 230.0).unwrap()));
        let place = Position::new(-60.0, 130.0, -80.0);
        let with = BoundOptions {
            spread_db: 8.0,
            level: Level::Known,
            floor: true,
        };
        let without = BoundOptions { floor: false, ..with };
        let bound = |options| cramer_rao_mm2(&setup, &place, options).unwrap().trace();
        assert!(bound(&with) > bound(&without));
    }
}
