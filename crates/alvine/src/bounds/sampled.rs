//! The least error of many places at once in a field: that of the mean of their posterior, which no estimate is nearer to the truth than
//! in the mean, by sampling.
//!
//! A Cramér–Rao bound takes levels to be linear in the places about the truth. A shadowed body's levels bend, and whether the bound can be
//! reached it does not say. Here levels are drawn from the model at the true places, and the posterior of the places, the law's level and
//! exponent, gains and mountings is sampled by Hamiltonian Monte Carlo from the true ones on, so that no time is lost on finding them: an
//! estimator that has only the levels must find them first.
//!
//! ```text
//! −ln p = Σᵢ ½ rᵢᵀ C⁻¹ rᵢ + ½ ln |C| + ½ Σ (what is known beforehand),   r = z − h,   C = K + R
//! θ = L⁻ᵀ u,   J = L Lᵀ the information at the true places;   u and its momentum by leapfrog, taken by Metropolis' rule
//! ```
//!
//! # Source
//!
//! R. M. Neal, *MCMC using Hamiltonian dynamics*, in: Handbook of Markov Chain Monte Carlo, 2011, from memory. That the posterior's mean has
//! the least mean square error: H. L. Van Trees, *Detection, Estimation, and Modulation Theory*, part I, 1968, from memory. Tests hold the
//! gradient against differences, a nearly linear case against [`super::cramer_rao_in_field_mm2`], and the covariance against the errors.

use nalgebra::{DMatrix, DVector, Matrix3};
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::field::{A_SITE, EXPONENT, FieldModel, HeardPlace, LEVEL, SHARED, alike_db2, beforehand, information};
use crate::dense;
use crate::propagation::level_by_exponent;
use crate::setup::Setup;
use crate::torso::Position;

/// How a posterior is sampled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sampling {
    /// Draws that are made before any is kept, in which the length of a step is found.
    pub first_draws: usize,
    /// Draws that are kept.
    pub draws: usize,
    /// Seed of all chance, that of the levels included.
    pub seed: u64,
}

/// What the levels tell of a place, all else integrated out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampledPlace {
    /// Mean, mm.
    pub mean_mm: Position,
    /// Covariance, mm².
    pub covariance_mm2: Matrix3<f64>,
}

/// The posterior of each place, told levels that are drawn from the model at the true ones. [`FieldModel::field_tells`] makes no
/// difference: the field tells what it tells. `None` where the readings and what is known beforehand leave anything open, a place has not
/// one entry a site, or no draw is asked for.
#[must_use]
pub fn posterior_in_field(
    setup: &Setup,
    model: &FieldModel,
    places: &[HeardPlace],
    sampling: &Sampling,
) -> Option<Vec<SampledPlace>> {
    if sampling.draws == 0 || places.iter().any(|place| place.noise_db2.len() != setup.layout.len()) {
        return None;
    }
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(sampling.seed);
    let mut posterior = Posterior::unheard(setup, model, places)?;
    let truth = posterior.truth(&mut rng);
    posterior.levels_dbm = posterior.draw_levels(&truth, &mut rng)?;
    let about = FieldModel {
        field_tells: true,
        ..*model
    };
    let back = dense::inverse_of_lower(&dense::factor(information(setup, &about, places)?).ok()?);
    posterior.sample(truth, &back, sampling, &mut rng)
}

/// A point of the walk: the unknowns, and there the negative log-posterior and its gradient.
#[derive(Debug, Clone)]
struct At {
    unknowns: DVector<f64>,
    value: f64,
    gradient: DVector<f64>,
}

struct Posterior<'a> {
    setup: &'a Setup,
    model: &'a FieldModel,
    places: &'a [HeardPlace],
    /// Information on all unknowns that is there before anything is heard.
    beforehand: DMatrix<f64>,
    /// The places at which each site hears, with the variance of what it tells there.
    heard: Vec<Vec<(usize, f64)>>,
    /// What each site heard at those places.
    levels_dbm: Vec<DVector<f64>>,
}

/// Leapfrogs a draw, and their length at first, in units in which the information at the truth is one.
const LEAPS: usize = 10;
const FIRST_STEP: f64 = 0.25;
/// By how much that grows after a draw that was taken, and shrinks after another: three in four are then taken.
const GROWS: f64 = 1.03;
const SHRINKS: f64 = 0.915;
/// Spread of the logarithm of a draw's own step about it, so that no orbit closes.
const STEP_SPREAD_LN: f64 = 0.1;

impl<'a> Posterior<'a> {
    /// Before any level is drawn. `None` where a place is to follow another of which nothing is known.
    fn unheard(setup: &'a Setup, model: &'a FieldModel, places: &'a [HeardPlace]) -> Option<Self> {
        let sites = setup.layout.len();
        let heard_by = |site: usize| {
            let places = places.iter().enumerate();
            places
                .filter_map(|(index, place)| Some((index, place.noise_db2[site]?)))
                .collect()
        };
        Some(Self {
            setup,
            model,
            places,
            beforehand: beforehand(model, places, sites)?,
            heard: (0..sites).map(heard_by).collect(),
            levels_dbm: Vec::new(),
        })
    }

    /// The true unknowns: places as they are, the rest drawn from what is known beforehand.
    fn truth(&self, rng: &mut impl Rng) -> DVector<f64> {
        let first = 3 * self.places.len();
        DVector::from_fn(self.beforehand.nrows(), |unknown, _| {
            if unknown < first {
                self.places[unknown / 3].place_mm[unknown % 3]
            } else {
                normal(rng) / self.beforehand[(unknown, unknown)].sqrt()
            }
        })
    }

    fn draw_levels(&self, truth: &DVector<f64>, rng: &mut impl Rng) -> Option<Vec<DVector<f64>>> {
        let each = self.heard.iter().enumerate();
        each.map(|(site, heard)| {
            let lower = dense::factor(self.covariance(truth, heard)).ok()?;
            let white = DVector::from_fn(heard.len(), |_, _| normal(rng));
            Some(self.expected(truth, site).level_dbm + lower * white)
        })
        .collect()
    }

    fn covariance(&self, at: &DVector<f64>, heard: &[(usize, f64)]) -> DMatrix<f64> {
        let mut covariance = DMatrix::zeros(heard.len(), heard.len());
        for (row, &(one, noise_db2)) in heard.iter().enumerate() {
            covariance[(row, row)] = noise_db2 + self.model.spread_db.powi(2);
            for (column, &(other, _)) in heard[..row].iter().enumerate() {
                let alike = alike_db2(self.model, &place(at, one), &place(at, other));
                covariance[(row, column)] = alike;
                covariance[(column, row)] = alike;
            }
        }
        covariance
    }

    fn expected(&self, at: &DVector<f64>, site: usize) -> Expected {
        let heard = &self.heard[site];
        let first = 3 * self.places.len();
        let own = first + SHARED + A_SITE * site;
        let mounting_mm = Position::new(at[own + 1], at[own + 2], at[own + 3]);
        let site_mm = self.setup.layout.sites()[site].position_mm;
        let mut expected = Expected {
            level_dbm: DVector::zeros(heard.len()),
            slope: Vec::with_capacity(heard.len()),
            by_exponent: DVector::zeros(heard.len()),
        };
        for (row, &(index, _)) in heard.iter().enumerate() {
            // A site that sits off its place hears as one in its place does a capsule that is off the other way.
            let from_site_mm = place(at, index) - mounting_mm;
            let (median_dbm, loss) = self.setup.median_and_loss_gradient(&from_site_mm, site);
            let (by_exponent, by_exponent_slope) = level_by_exponent(&(from_site_mm - site_mm), self.model.pivot_mm);
            let exponent = at[first + EXPONENT];
            expected.level_dbm[row] = median_dbm + at[own] + at[first + LEVEL] + exponent * by_exponent;
            expected.slope.push(exponent * by_exponent_slope - loss);
            expected.by_exponent[row] = by_exponent;
        }
        expected
    }

    /// The negative log-posterior and its gradient.
    fn score(&self, unknowns: DVector<f64>) -> Option<At> {
        let off = self.off(&unknowns);
        let pull = &self.beforehand * &off;
        let mut at = At {
            value: 0.5 * off.dot(&pull),
            gradient: pull,
            unknowns,
        };
        for site in 0..self.setup.layout.len() {
            self.add_site(site, &mut at)?;
        }
        Some(at)
    }

    /// How far the unknowns are from what is expected of them beforehand.
    fn off(&self, at: &DVector<f64>) -> DVector<f64> {
        let mut off = at.clone();
        for (index, place) in self.places.iter().enumerate() {
            let mut own = off.fixed_rows_mut::<3>(3 * index);
            own -= place.prior.mean_mm;
        }
        off
    }

    fn add_site(&self, site: usize, at: &mut At) -> Option<()> {
        let heard = &self.heard[site];
        let expected = self.expected(&at.unknowns, site);
        let covariance = self.covariance(&at.unknowns, heard);
        let per_mm2 = self.model.length_mm.powi(-2);
        let factor = dense::factor(covariance.clone()).ok()?;
        let inverse = dense::inverse(&factor);
        let residual = &self.levels_dbm[site] - &expected.level_dbm;
        let weighed = &inverse * &residual;
        at.value += 0.5 * residual.dot(&weighed) + dense::half_ln_determinant(&factor);
        let first = 3 * self.places.len();
        let own = first + SHARED + A_SITE * site;
        for (row, &(index, _)) in heard.iter().enumerate() {
            let by_mean = -weighed[row] * expected.slope[row];
            let here = place(&at.unknowns, index);
            let mut through_field = Position::zeros();
            for (column, &(other, _)) in heard.iter().enumerate() {
                let felt = weighed[row] * weighed[column] - inverse[(row, column)];
                through_field += (here - place(&at.unknowns, other)) * (covariance[(row, column)] * per_mm2 * felt);
            }
            for axis in 0..3 {
                at.gradient[3 * index + axis] += by_mean[axis] + through_field[axis];
                at.gradient[own + 1 + axis] -= by_mean[axis];
            }
        }
        at.gradient[own] -= weighed.sum();
        at.gradient[first + LEVEL] -= weighed.sum();
        at.gradient[first + EXPONENT] -= weighed.dot(&expected.by_exponent);
        Some(())
    }

    fn sample(
        &self,
        truth: DVector<f64>,
        back: &DMatrix<f64>,
        sampling: &Sampling,
        rng: &mut impl Rng,
    ) -> Option<Vec<SampledPlace>> {
        let mut at = self.score(truth)?;
        let start = at.unknowns.clone();
        let mut step = FIRST_STEP;
        let mut sums = vec![(Position::zeros(), Matrix3::zeros()); self.places.len()];
        for draw in 0..sampling.first_draws + sampling.draws {
            let taken = self.leap(&mut at, back, step, rng);
            if draw < sampling.first_draws {
                step *= if taken { GROWS } else { SHRINKS };
                continue;
            }
            for (index, (sum, squares)) in sums.iter_mut().enumerate() {
                let off = place(&at.unknowns, index) - place(&start, index);
                *sum += off;
                *squares += off * off.transpose();
            }
        }
        let count = sampling.draws as f64;
        let of = |(index, (sum, squares)): (usize, &(Position, Matrix3<f64>))| {
            let mean = sum / count;
            SampledPlace {
                mean_mm: place(&start, index) + mean,
                covariance_mm2: squares / count - mean * mean.transpose(),
            }
        };
        Some(sums.iter().enumerate().map(of).collect())
    }

    /// One draw; whether it was taken. Where nothing can be factored it is not.
    fn leap(&self, at: &mut At, back: &DMatrix<f64>, step: f64, rng: &mut impl Rng) -> bool {
        let step = step * (STEP_SPREAD_LN * normal(rng)).exp();
        let mut momentum = DVector::from_fn(at.unknowns.len(), |_, _| normal(rng));
        let energy = at.value + 0.5 * momentum.norm_squared();
        let lot: f64 = rng.random();
        let mut to = at.clone();
        for _ in 0..LEAPS {
            momentum -= back * &to.gradient * (0.5 * step);
            let Some(next) = self.score(&to.unknowns + back.tr_mul(&momentum) * step) else {
                return false;
            };
            to = next;
            momentum -= back * &to.gradient * (0.5 * step);
        }
        let gain = energy - to.value - 0.5 * momentum.norm_squared();
        let taken = lot.ln() < gain;
        if taken {
            *at = to;
        }
        taken
    }
}

/// What one site should hear at each place at which it hears, and how that changes with the place and the exponent.
struct Expected {
    level_dbm: DVector<f64>,
    slope: Vec<Position>,
    by_exponent: DVector<f64>,
}

fn place(at: &DVector<f64>, index: usize) -> Position {
    Position::new(at[3 * index], at[3 * index + 1], at[3 * index + 2])
}

fn normal(rng: &mut impl Rng) -> f64 {
    StandardNormal.sample(rng)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bounds::cramer_rao_in_field_mm2;
    use crate::fix::PositionPrior;
    use crate::noise::NoiseModel;
    use crate::recording::Receiver;
    use crate::torso::Torso;

    const MODEL: FieldModel = FieldModel {
        spread_db: 5.0,
        length_mm: 60.0,
        gain_spread_db: 1.5,
        mounting_spread_mm: 8.0,
        level_spread_db: 3.0,
        exponent_spread: 0.3,
        pivot_mm: 90.0,
        field_tells: true,
    };

    fn setup() -> Setup {
        let noise = NoiseModel::new(7.85, 2.0).unwrap();
        let receiver = Receiver::new(-100.0, None, None).unwrap();
        Setup::default_eight(Torso::default(), noise, receiver)
    }

    /// Places about a line through the belly, of which so much is known beforehand; the last is not heard by the last site.
    fn places(spread_mm: f64, off: &mut dyn FnMut() -> f64) -> Vec<HeardPlace> {
        let mut places: Vec<HeardPlace> = (0..4)
            .map(|index| {
                let mean_mm = Position::new(-40.0 + 25.0 * f64::from(index), 85.0, -20.0 + 15.0 * f64::from(index));
                HeardPlace {
                    place_mm: mean_mm + Position::from_fn(|_, _| spread_mm * off()),
                    prior: PositionPrior {
                        mean_mm,
                        information_per_mm2: Matrix3::identity() * spread_mm.powi(-2),
                    },
                    follows: 0.0,
                    noise_db2: vec![Some(2.0); 8],
                }
            })
            .collect();
        places[3].noise_db2[7] = None;
        places
    }

    #[test]
    fn gradient_is_that_of_differences() {
        let setup = setup();
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(3);
        let places = places(20.0, &mut || normal(&mut rng));
        let mut posterior = Posterior::unheard(&setup, &MODEL, &places).unwrap();
        let truth = posterior.truth(&mut rng);
        posterior.levels_dbm = posterior.draw_levels(&truth, &mut rng).unwrap();
        let at = truth.map(|value| value + 0.1 * normal(&mut rng));
        let gradient = posterior.score(at.clone()).unwrap().gradient;
        for unknown in 0..at.len() {
            let value = |by: f64| {
                let mut moved = at.clone();
                moved[unknown] += by;
                posterior.score(moved).unwrap().value
            };
            let slope = (value(1e-4) - value(-1e-4)) / 2e-4;
            assert!(
                (slope - gradient[unknown]).abs() < 1e-5 * slope.abs().max(1.0),
                "{unknown}"
            );
        }
    }

    #[test]
    fn where_levels_hardly_bend_its_spread_is_the_cramer_rao_bound() {
        let setup = setup();
        let places = places(4.0, &mut || 0.0);
        let model = FieldModel {
            spread_db: 0.4,
            gain_spread_db: 0.2,
            mounting_spread_mm: 0.5,
            level_spread_db: 0.3,
            exponent_spread: 0.02,
            ..MODEL
        };
        let sampling = Sampling {
            first_draws: 100,
            draws: 2000,
            seed: 5,
        };
        let found = posterior_in_field(&setup, &model, &places, &sampling).unwrap();
        let bound = cramer_rao_in_field_mm2(&setup, &model, &places).unwrap();
        for (index, (found, bound)) in found.iter().zip(&bound).enumerate() {
            assert!(
                bound.trace() < 0.8 * 48.0,
                "what is heard must count: {}",
                bound.trace()
            );
            // The variance of 500 free draws is right to 6 % along one axis, 4 % over three; four of them.
            let ratio = found.covariance_mm2.trace() / bound.trace();
            assert!((ratio - 1.0).abs() < 0.16, "{index}: {ratio}");
        }
    }

    /// Over places that are spread as is known beforehand the squared error in units of the posterior's covariance is 3 in the mean,
    /// whatever the posterior's shape.
    #[test]
    fn errors_are_as_its_covariance_says() {
        let setup = setup();
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(11);
        let squares: Vec<f64> = (0..60)
            .map(|seed| {
                let places = places(30.0, &mut || normal(&mut rng));
                let sampling = Sampling {
                    first_draws: 60,
                    draws: 300,
                    seed,
                };
                let found = posterior_in_field(&setup, &MODEL, &places, &sampling).unwrap();
                let square = |(place, found): (&HeardPlace, &SampledPlace)| {
                    let off = place.place_mm - found.mean_mm;
                    off.dot(&(found.covariance_mm2.try_inverse().unwrap() * off))
                };
                places.iter().zip(&found).map(square).sum::<f64>() / places.len() as f64
            })
            .collect();
        let count = squares.len() as f64;
        let mean = squares.iter().sum::<f64>() / count;
        let variance = squares.iter().map(|square| (square - mean).powi(2)).sum::<f64>() / (count - 1.0);
        // Four standard errors, and a tenth for the draws being few.
        assert!((mean - 3.0).abs() < 0.3 + 4.0 * (variance / count).sqrt(), "{mean}");
        assert!((variance / count).sqrt() < 0.3, "{variance}");
    }

    #[test]
    fn what_is_left_open_or_not_asked_for_has_no_posterior() {
        let setup = setup();
        let sampling = |draws| Sampling {
            first_draws: 1,
            draws,
            seed: 1,
        };
        let known = places(30.0, &mut || 0.0);
        assert_eq!(posterior_in_field(&setup, &MODEL, &known, &sampling(0)), None);
        let mut open = known.clone();
        open[0].prior.information_per_mm2 = Matrix3::zeros();
        open[0].noise_db2 = vec![None; 8];
        assert_eq!(posterior_in_field(&setup, &MODEL, &open, &sampling(2)), None);
        open[0].noise_db2.pop();
        assert_eq!(posterior_in_field(&setup, &MODEL, &open, &sampling(2)), None);
        assert_eq!(posterior_in_field(&setup, &MODEL, &[], &sampling(2)), Some(Vec::new()));
    }
}
