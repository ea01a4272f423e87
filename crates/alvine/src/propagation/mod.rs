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
mod logarithm;
mod tissue;

use nalgebra::Matrix3;
use thiserror::Error;

pub use free_space::FreeSpace;
pub use log_distance::LogDistance;
pub use tissue::DistanceAndTissue;

use crate::torso::Position;

/// A place on top of a site has no far field; every law takes distances from here up, mm.
pub const NEAREST_MM: f64 = 1.0;

/// Distances taken side by side by [`Propagation::at_squares`].
pub const LANES: usize = 8;

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

/// Losses by the squares of distances, q = d² in mm², and how they change there: what a descent needs, without a root.
///
/// ```text
/// ∇L = 2 L_q (x − a),   ∇²L = 2 L_q I + 4 L_qq (x − a)(x − a)ᵀ
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LossesBySquare {
    /// Median losses, dB.
    pub loss_db: [f64; LANES],
    /// Their derivatives by q, dB/mm².
    pub slope_db_per_mm2: [f64; LANES],
    /// Their second derivatives by q, dB/mm⁴.
    pub bend_db_per_mm4: [f64; LANES],
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

    /// As [`Propagation::at_distance`], by the squares of distances of at least [`NEAREST_MM`], several side by side.
    ///
    /// A law that has a shorter way than by the distance itself gives it here: fixes take this one.
    fn at_squares(&self, squares_mm2: &[f64; LANES]) -> LossesBySquare {
        let mut of = LossesBySquare::default();
        for (lane, square_mm2) in squares_mm2.iter().enumerate() {
            let distance_mm = square_mm2.sqrt();
            let loss = self.at_distance(distance_mm);
            let across = loss.slope_db_per_mm / distance_mm;
            of.loss_db[lane] = loss.loss_db;
            of.slope_db_per_mm2[lane] = 0.5 * across;
            of.bend_db_per_mm4[lane] = 0.25 * (loss.bend_db_per_mm2 - across) / square_mm2;
        }
        of
    }

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

    fn at_squares(&self, squares_mm2: &[f64; LANES]) -> LossesBySquare {
        match self {
            Law::LogDistance(law) => law.at_squares(squares_mm2),
            Law::FreeSpace(law) => law.at_squares(squares_mm2),
            Law::DistanceAndTissue(law) => law.at_squares(squares_mm2),
        }
    }
}

/// By how much a level rises with the exponent, `−10 log₁₀(d / d₀)` dB, and how that changes with the capsule's place, dB/mm. `offset_mm` is
/// the place less that of the site, `pivot_mm` the distance at which a wrong exponent makes no difference.
pub(crate) fn level_by_exponent(offset_mm: &Position, pivot_mm: f64) -> (f64, Position) {
    let distance_mm = offset_mm.norm().max(NEAREST_MM);
    let slope = -10.0 / std::f64::consts::LN_10 / (distance_mm * distance_mm) * offset_mm;
    (-10.0 * (distance_mm / pivot_mm).log10(), slope)
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
        fn losses_by_the_square_are_those_by_the_distance(distance_mm in 1.0..3000.0_f64) {
            for law in laws() {
                let by_distance = law.at_distance(distance_mm);
                let by_square = law.at_squares(&[distance_mm * distance_mm; LANES]);
                let slope = 2.0 * distance_mm * by_square.slope_db_per_mm2[1];
                let bend = 2.0 * by_square.slope_db_per_mm2[1]
                    + 4.0 * distance_mm * distance_mm * by_square.bend_db_per_mm4[1];
                // Some ten roundings of values up to a few hundred.
                prop_assert!((by_square.loss_db[1] - by_distance.loss_db).abs() < 1e-11);
                prop_assert!((slope - by_distance.slope_db_per_mm).abs() < 1e-12 * by_distance.slope_db_per_mm);
                prop_assert!((bend - by_distance.bend_db_per_mm2).abs() < 1e-11 * by_distance.slope_db_per_mm);
            }
        }

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
