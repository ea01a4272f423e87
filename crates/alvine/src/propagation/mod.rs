//! Propagation: the law from a place in the body and a site on it to the mean loss between them.
//!
//! A law gives the *median* loss. What it leaves out falls into two kinds that must never be mixed: static shadowing,
//! which is the same each time the capsule comes to the same place, and noise, which is new at each sample. See
//! [`crate::noise`].
//!
//! To add a law: a module beside these with a type that implements [`Propagation`], a variant of [`Law`], and its key
//! in the study format.

mod free_space;
mod log_distance;
mod tissue;

use nalgebra::Matrix3;
use thiserror::Error;

pub use free_space::FreeSpace;
pub use log_distance::LogDistance;
pub use tissue::DistanceAndTissue;

use crate::torso::Position;

/// A place on top of a site has no far field; every law takes distances from here up, mm.
pub const NEAREST_MM: f64 = 1.0;

/// Why a law cannot be as described.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum PropagationError {
    /// A parameter outside what the law means anything for, or not a number.
    #[error("propagation {what} is {found}; expected {expected}")]
    ImpossibleValue {
        /// Which parameter.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
}

/// Checks one parameter of a law.
fn in_range(
    what: &'static str,
    found: f64,
    range: std::ops::RangeInclusive<f64>,
    expected: &'static str,
) -> Result<f64, PropagationError> {
    if range.contains(&found) {
        Ok(found)
    } else {
        Err(PropagationError::ImpossibleValue { what, found, expected })
    }
}

/// Loss at one distance and how it changes there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loss {
    /// Median loss, dB.
    pub loss_db: f64,
    /// Its derivative by distance, dB/mm.
    pub slope_db_per_mm: f64,
    /// Its second derivative by distance, dB/mm².
    pub bend_db_per_mm2: f64,
}

/// Loss at one place and how it changes as the capsule moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LossField {
    /// Median loss, dB.
    pub loss_db: f64,
    /// Its gradient by the capsule's place, dB/mm.
    pub gradient: Position,
    /// Its second derivatives by the capsule's place, dB/mm².
    pub hessian: Matrix3<f64>,
}

/// A law of propagation that depends on the distance between capsule and site.
///
/// The derivatives by the capsule's place follow, with u = (x − a) / d:
///
/// ```text
/// ∇L = L' u,   ∇²L = L'' u uᵀ + (L' / d) (I − u uᵀ)
/// ```
pub trait Propagation {
    /// Median loss and its slope at a distance of at least [`NEAREST_MM`].
    fn at_distance(&self, distance_mm: f64) -> Loss;

    /// Median loss between a place and a site, dB.
    fn loss_db(&self, place_mm: &Position, site_mm: &Position) -> f64 {
        let distance_mm = (place_mm - site_mm).norm().max(NEAREST_MM);
        self.at_distance(distance_mm).loss_db
    }

    /// Median loss, dB, and its gradient by the capsule's place, dB/mm; zero gradient within [`NEAREST_MM`].
    fn loss_and_gradient(&self, place_mm: &Position, site_mm: &Position) -> (f64, Position) {
        let field = self.field(place_mm, site_mm);
        (field.loss_db, field.gradient)
    }

    /// Median loss with its derivatives by the capsule's place; zero within [`NEAREST_MM`].
    fn field(&self, place_mm: &Position, site_mm: &Position) -> LossField {
        let offset = place_mm - site_mm;
        let distance_mm = offset.norm();
        if distance_mm <= NEAREST_MM {
            return LossField {
                loss_db: self.at_distance(NEAREST_MM).loss_db,
                gradient: Position::zeros(),
                hessian: Matrix3::zeros(),
            };
        }
        let loss = self.at_distance(distance_mm);
        let towards = offset / distance_mm;
        let across = loss.slope_db_per_mm / distance_mm;
        let along = towards * (loss.bend_db_per_mm2 - across);
        LossField {
            loss_db: loss.loss_db,
            gradient: towards * loss.slope_db_per_mm,
            hessian: along * towards.transpose() + Matrix3::from_diagonal_element(across),
        }
    }
}

/// The laws a study can name, as one type.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Law {
    /// Loss at a reference distance and an exponent.
    LogDistance(LogDistance),
    /// No body at all.
    FreeSpace(FreeSpace),
    /// Spreading by distance and absorption by tissue.
    DistanceAndTissue(DistanceAndTissue),
}

impl Propagation for Law {
    fn at_distance(&self, distance_mm: f64) -> Loss {
        match self {
            Law::LogDistance(law) => law.at_distance(distance_mm),
            Law::FreeSpace(law) => law.at_distance(distance_mm),
            Law::DistanceAndTissue(law) => law.at_distance(distance_mm),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn laws() -> [Law; 3] {
        [
            Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE),
            Law::FreeSpace(FreeSpace::new(433.0).unwrap()),
            Law::DistanceAndTissue(DistanceAndTissue::new(50.0, 40.0, 2.0, 1.68).unwrap()),
        ]
    }

    proptest! {
        #[test]
        fn gradients_match_finite_differences(
            x in -160.0..160.0_f64, y in 20.0..220.0_f64, z in -150.0..200.0_f64,
        ) {
            let place = Position::new(x, y, z);
            let site = Position::new(10.0, 2.0, 15.0);
            let h = 1e-4;
            for law in laws() {
                let (loss, gradient) = law.loss_and_gradient(&place, &site);
                prop_assert_eq!(loss, law.loss_db(&place, &site));
                for axis in 0..3 {
                    let mut step = Position::zeros();
                    step[axis] = h;
                    let difference = law.loss_db(&(place + step), &site) - law.loss_db(&(place - step), &site);
                    // Truncation is h²/6 · L''' and rounding ε·L/h: both far below 1e-7 dB/mm here.
                    prop_assert!((gradient[axis] - difference / (2.0 * h)).abs() < 1e-7);
                    let turned = law.loss_and_gradient(&(place + step), &site).1
                        - law.loss_and_gradient(&(place - step), &site).1;
                    let hessian = law.field(&place, &site).hessian;
                    prop_assert!((hessian.column(axis) - turned / (2.0 * h)).norm() < 1e-7);
                }
            }
        }
    }
}
