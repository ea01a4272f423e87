//! The Cramér–Rao bound of many places at once in a field: shadowing that is fixed in place, with the law's level and exponent and
//! each site's gain and mounting known only so well.
//!
//! ```text
//! zᵢ = hᵢ(x; δ, Δn, gᵢ, mᵢ) + fᵢ(x) + e,   fᵢ ~ GP(0, s² exp(−|x − y|² / 2ℓ²)),   e ~ N(0, R)
//! J = Σᵢ ∂hᵢᵀ C⁻¹ ∂hᵢ + ½ tr(C⁻¹ ∂C C⁻¹ ∂C) + what is known beforehand,   C = K + R
//! δ, Δn error of level and exponent, gᵢ, mᵢ of a site's gain and place
//! ```
//!
//! The second term is what the field itself tells, by being alike where places are near each other. Its information is that of a
//! field that is seen often; here it is seen once by each site, so that no estimate comes near it, and the bound is told without it
//! too. Sites below the floor are left out, though they tell a little.
//!
//! # Source
//!
//! S. M. Kay, *Fundamentals of Statistical Signal Processing: Estimation Theory*, 1993, section 3.9, from memory; H. L. Van Trees,
//! *Detection, Estimation, and Modulation Theory*, part I, 1968, for what is known beforehand, from memory. Tests hold it against
//! [`super::cramer_rao_mm2`] and against differences.

use nalgebra::{DMatrix, DVector, Matrix3};

use crate::fix::PositionPrior;
use crate::propagation::level_by_exponent;
use crate::setup::Setup;
use crate::torso::Position;

/// How the air is, and how well law and sites are known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldModel {
    /// Spread of the field, dB.
    pub spread_db: f64,
    /// Distance over which it keeps its value, mm; above 0.
    pub length_mm: f64,
    /// Spread of each site's gain, dB.
    pub gain_spread_db: f64,
    /// Spread of each site's place along each axis, mm.
    pub mounting_spread_mm: f64,
    /// Spread of the level, dB.
    pub level_spread_db: f64,
    /// Spread of the exponent.
    pub exponent_spread: f64,
    /// Distance at which a wrong exponent makes no difference, mm; above 0.
    pub pivot_mm: f64,
    /// Whether what the field itself tells of the places counts.
    pub field_tells: bool,
}

/// One of the places, and what was heard there.
#[derive(Debug, Clone, PartialEq)]
pub struct HeardPlace {
    /// Where it truly is, mm.
    pub place_mm: Position,
    /// What is known of it beforehand.
    pub prior: PositionPrior,
    /// How much its offset from there is like that of the place before it, each in units of its own spread: 0 for not at all, and less
    /// than 1. A path goes on.
    pub follows: f64,
    /// Variance of what each site tells of its level there, dB²; `None` where it hears nothing.
    pub noise_db2: Vec<Option<f64>>,
}

/// The bound on the covariance of each place, mm². `None` where the readings and what is known beforehand leave anything open, or a
/// place has not one entry a site.
#[must_use]
pub fn cramer_rao_in_field_mm2(setup: &Setup, model: &FieldModel, places: &[HeardPlace]) -> Option<Vec<Matrix3<f64>>> {
    if places.iter().any(|place| place.noise_db2.len() != setup.layout.len()) {
        return None;
    }
    let bound = information(setup, model, places)?.cholesky()?.inverse();
    let block = |index: usize| bound.fixed_view::<3, 3>(3 * index, 3 * index).into_owned();
    let blocks: Vec<_> = (0..places.len()).map(block).collect();
    blocks
        .iter()
        .all(|block| block.iter().all(|entry| entry.is_finite()))
        .then_some(blocks)
}

/// Unknowns after the places: level, exponent, and four a site: gain and mounting.
pub(super) const LEVEL: usize = 0;
pub(super) const EXPONENT: usize = 1;
pub(super) const SHARED: usize = 2;
pub(super) const A_SITE: usize = 4;

/// Information on all unknowns.
pub(super) fn information(setup: &Setup, model: &FieldModel, places: &[HeardPlace]) -> Option<DMatrix<f64>> {
    let sites = setup.layout.len();
    let mut information = beforehand(model, places, sites)?;
    for site in 0..sites {
        add_site(setup, model, places, site, &mut information)?;
    }
    Some(information)
}

/// Information that is there before anything is heard. `None` where a place is to follow another and nothing is known of either.
pub(super) fn beforehand(model: &FieldModel, places: &[HeardPlace], sites: usize) -> Option<DMatrix<f64>> {
    let first = 3 * places.len();
    let size = first + SHARED + A_SITE * sites;
    let mut information = DMatrix::zeros(size, size);
    for (index, place) in places.iter().enumerate() {
        add_to(&mut information, (index, index), &place.prior.information_per_mm2);
        let before = index.checked_sub(1).filter(|_| place.follows > 0.0);
        if let Some(before) = before {
            add_following(&mut information, places, before, index)?;
        }
    }
    let mut know = |unknown: usize, spread: f64| information[(unknown, unknown)] += spread.powi(-2);
    know(first + LEVEL, model.level_spread_db);
    know(first + EXPONENT, model.exponent_spread);
    for site in 0..sites {
        let own = first + SHARED + A_SITE * site;
        know(own, model.gain_spread_db);
        (1..A_SITE).for_each(|axis| know(own + axis, model.mounting_spread_mm));
    }
    Some(information)
}

/// Offsets `u` in units of their spreads with `u = φ u′ + √(1 − φ²) w` for `u = w`, which leaves the spread of each as it was:
/// `|u − φ u′|² / (1 − φ²) − |u|²` more.
fn add_following(information: &mut DMatrix<f64>, places: &[HeardPlace], before: usize, index: usize) -> Option<()> {
    let follows = places[index].follows;
    let own = places[index].prior.information_per_mm2.cholesky()?.l().transpose();
    let others = places[before].prior.information_per_mm2.cholesky()?.l().transpose();
    let share = 1.0 / (1.0 - follows * follows);
    let square = follows * follows * share;
    add_to(information, (index, index), &(own.transpose() * own * square));
    add_to(information, (before, before), &(others.transpose() * others * square));
    let across = own.transpose() * others * (-follows * share);
    add_to(information, (index, before), &across);
    add_to(information, (before, index), &across.transpose());
    Some(())
}

fn add_to(information: &mut DMatrix<f64>, (row, column): (usize, usize), block: &Matrix3<f64>) {
    let mut own = information.fixed_view_mut::<3, 3>(3 * row, 3 * column);
    own += block;
}

fn add_site(
    setup: &Setup,
    model: &FieldModel,
    places: &[HeardPlace],
    site: usize,
    information: &mut DMatrix<f64>,
) -> Option<()> {
    let heard: Vec<(usize, f64)> = places
        .iter()
        .enumerate()
        .filter_map(|(index, place)| Some((index, place.noise_db2[site]?)))
        .collect();
    let covariance = DMatrix::from_fn(heard.len(), heard.len(), |row, column| {
        let own = if row == column { heard[row].1 } else { 0.0 };
        own + alike_db2(model, &places[heard[row].0].place_mm, &places[heard[column].0].place_mm)
    });
    let inverse = covariance.cholesky()?.inverse();
    let first = 3 * places.len();
    let mut slopes = DMatrix::zeros(heard.len(), information.nrows());
    for (row, &(index, _)) in heard.iter().enumerate() {
        let place_mm = places[index].place_mm;
        let (_, loss) = setup.median_and_loss_gradient(&place_mm, site);
        let offset_mm = place_mm - setup.layout.sites()[site].position_mm;
        let own = first + SHARED + A_SITE * site;
        for axis in 0..3 {
            slopes[(row, 3 * index + axis)] = -loss[axis];
            slopes[(row, own + 1 + axis)] = loss[axis];
        }
        slopes[(row, first + LEVEL)] = 1.0;
        slopes[(row, first + EXPONENT)] = level_by_exponent(&offset_mm, model.pivot_mm).0;
        slopes[(row, own)] = 1.0;
    }
    *information += slopes.tr_mul(&(&inverse * &slopes));
    if model.field_tells {
        add_field(model, places, &heard, &inverse, information);
    }
    Some(())
}

pub(super) fn alike_db2(model: &FieldModel, one: &Position, other: &Position) -> f64 {
    let far = (one - other).norm_squared() / (model.length_mm * model.length_mm);
    model.spread_db * model.spread_db * (-0.5 * far).exp()
}

/// `½ tr(C⁻¹ ∂C C⁻¹ ∂C)`. By the place j along one axis only row and column j of C change, by u: with v for the place k,
/// it is `(C⁻¹)ⱼₖ uᵀ C⁻¹ v + (C⁻¹ u)ₖ (C⁻¹ v)ⱼ`.
fn add_field(
    model: &FieldModel,
    places: &[HeardPlace],
    heard: &[(usize, f64)],
    inverse: &DMatrix<f64>,
    information: &mut DMatrix<f64>,
) {
    let changes: Vec<(usize, usize, DVector<f64>)> = (0..3 * heard.len())
        .map(|unknown| {
            let (row, axis) = (unknown / 3, unknown % 3);
            let here_mm = &places[heard[row].0].place_mm;
            let change = DVector::from_fn(heard.len(), |other, _| {
                let there_mm = &places[heard[other].0].place_mm;
                -(here_mm[axis] - there_mm[axis]) / model.length_mm.powi(2) * alike_db2(model, here_mm, there_mm)
            });
            (row, 3 * heard[row].0 + axis, change)
        })
        .collect();
    let weighed: Vec<DVector<f64>> = changes.iter().map(|(_, _, change)| inverse * change).collect();
    for ((row, row_unknown, change), row_weighed) in changes.iter().zip(&weighed) {
        for ((column, column_unknown, _), column_weighed) in changes.iter().zip(&weighed) {
            information[(*row_unknown, *column_unknown)] +=
                inverse[(*row, *column)] * change.dot(column_weighed) + row_weighed[*column] * column_weighed[*row];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bounds::{BoundOptions, cramer_rao_mm2};
    use crate::fix::Level;
    use crate::noise::NoiseModel;
    use crate::recording::Receiver;
    use crate::torso::Torso;
    use approx::assert_relative_eq;

    fn setup() -> Setup {
        let noise = NoiseModel::new(7.85, 2.0).unwrap();
        let receiver = Receiver::new(-100.0, None, None).unwrap();
        Setup::default_eight(Torso::default(), noise, receiver)
    }

    /// All but the places as good as known.
    fn model(spread_db: f64, field_tells: bool) -> FieldModel {
        FieldModel {
            spread_db,
            length_mm: 60.0,
            gain_spread_db: 1e-6,
            mounting_spread_mm: 1e-6,
            level_spread_db: 1e-6,
            exponent_spread: 1e-6,
            pivot_mm: 90.0,
            field_tells,
        }
    }

    fn heard(place_mm: [f64; 3], noise_db2: f64) -> HeardPlace {
        HeardPlace {
            place_mm: place_mm.into(),
            prior: PositionPrior {
                mean_mm: place_mm.into(),
                information_per_mm2: Matrix3::zeros(),
            },
            follows: 0.0,
            noise_db2: vec![Some(noise_db2); 8],
        }
    }

    #[test]
    fn a_lone_place_has_the_bound_of_a_fix_with_field_and_noise_together() {
        let setup = setup();
        let place = heard([20.0, 95.0, 10.0], 4.0);
        for (level_spread_db, prior_db) in [(1e-6, 1e-6), (3.0, 3.0)] {
            let model = FieldModel {
                level_spread_db,
                ..model(5.0, true)
            };
            let options = BoundOptions {
                spread_db: 29_f64.sqrt(),
                level: Level::Unknown {
                    prior_db: Some(prior_db),
                },
                floor: false,
            };
            let fix = cramer_rao_mm2(&setup, &place.place_mm, &options).unwrap();
            let bound = cramer_rao_in_field_mm2(&setup, &model, std::slice::from_ref(&place)).unwrap()[0];
            assert_relative_eq!(bound, fix, max_relative = 1e-6);
        }
    }

    #[test]
    fn mounting_raises_the_bound_as_noise_of_its_size_does() {
        // A site off by m along each axis makes its level off by |∇L| m: for a lone place that is as good as noise.
        let setup = setup();
        let place = heard([-30.0, 80.0, 30.0], 4.0);
        let mounted = FieldModel {
            mounting_spread_mm: 7.0,
            ..model(0.0, false)
        };
        let mut noisy = place.clone();
        for (site, noise_db2) in noisy.noise_db2.iter_mut().enumerate() {
            let (_, loss) = setup.median_and_loss_gradient(&place.place_mm, site);
            *noise_db2 = Some(4.0 + 49.0 * loss.norm_squared());
        }
        let bound = cramer_rao_in_field_mm2(&setup, &mounted, &[place]).unwrap()[0];
        let same = cramer_rao_in_field_mm2(&setup, &model(0.0, false), &[noisy]).unwrap()[0];
        assert_relative_eq!(bound, same, max_relative = 1e-6);
    }

    #[test]
    fn what_the_field_tells_is_the_trace_by_differences() {
        let setup = setup();
        let model = model(5.0, true);
        let places = [[0.0, 90.0, 0.0], [30.0, 80.0, 10.0], [40.0, 100.0, -20.0]].map(|place| heard(place, 3.0));
        let covariance = |moved: Option<(usize, usize, f64)>| {
            let mut at: Vec<Position> = places.iter().map(|place| place.place_mm).collect();
            if let Some((index, axis, by)) = moved {
                at[index][axis] += by;
            }
            DMatrix::from_fn(3, 3, |row, column| {
                alike_db2(&model, &at[row], &at[column]) + if row == column { 3.0 } else { 0.0 }
            })
        };
        let inverse = covariance(None).try_inverse().unwrap();
        let change = |unknown: usize| {
            let by = |by| covariance(Some((unknown / 3, unknown % 3, by)));
            (by(1e-4) - by(-1e-4)) / 2e-4
        };
        let with = information(&setup, &model, &places).unwrap();
        let without = information(
            &setup,
            &FieldModel {
                field_tells: false,
                ..model
            },
            &places,
        )
        .unwrap();
        for row in 0..9 {
            for column in 0..9 {
                let trace = 0.5 * (&inverse * change(row) * &inverse * change(column)).trace();
                let told = with[(row, column)] - without[(row, column)];
                assert!((told - 8.0 * trace).abs() < 1e-7, "{row}, {column}: {told}, {trace}");
            }
        }
    }

    #[test]
    fn a_place_that_follows_another_is_spread_as_before_and_lies_as_that_one_does() {
        let mut places = [[0.0, 90.0, 0.0], [30.0, 80.0, 10.0], [40.0, 100.0, -20.0]].map(|place| heard(place, 3.0));
        for (place, spread_mm) in places.iter_mut().zip([20.0_f64, 30.0, 40.0]) {
            place.prior.information_per_mm2 = Matrix3::identity() * spread_mm.powi(-2);
            place.follows = 0.8;
        }
        let covariance = beforehand(&model(5.0, false), &places, 8)
            .unwrap()
            .try_inverse()
            .unwrap();
        for axis in 0..3 {
            let entry = |one: usize, other: usize| covariance[(3 * one + axis, 3 * other + axis)];
            for (one, other, wanted) in [
                (0, 0, 400.0),
                (1, 1, 900.0),
                (2, 2, 1600.0),
                (0, 1, 0.8 * 600.0),
                (1, 2, 0.8 * 1200.0),
                (0, 2, 0.64 * 800.0),
            ] {
                assert_relative_eq!(entry(one, other), wanted, max_relative = 1e-9);
            }
        }
    }

    #[test]
    fn what_is_left_open_has_no_bound() {
        let setup = setup();
        let mut deaf = heard([0.0, 90.0, 0.0], 3.0);
        deaf.noise_db2 = vec![None; 8];
        assert_eq!(
            cramer_rao_in_field_mm2(&setup, &model(5.0, false), &[deaf.clone()]),
            None
        );
        deaf.noise_db2.pop();
        assert_eq!(cramer_rao_in_field_mm2(&setup, &model(5.0, false), &[deaf]), None);
        assert_eq!(
            cramer_rao_in_field_mm2(&setup, &model(5.0, false), &[]),
            Some(Vec::new())
        );
    }
}
