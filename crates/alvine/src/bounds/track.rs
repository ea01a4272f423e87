//! The posterior Cramér–Rao bound of a track: how well any estimator could do that is told the model of
//! [`crate::Trajectory`] and all the readings.
//!
//! With the state xₖ of place, velocity, levels and one bias a site, the information on the newest state follows from knot
//! to knot,
//!
//! ```text
//! Jₖ₊₁ = D²²ₖ − D²¹ₖ (Jₖ + D¹¹ₖ)⁻¹ D¹²ₖ
//! D¹¹ = E[Fᵀ Q⁻¹ F],   D¹² = −E[Fᵀ Q⁻¹],   D²² = E[Q⁻¹] + E[Hᵀ R⁻¹ H]
//! F, Q step of the state and its covariance; H, R gradient and variance of the readings; E over paths
//! ```
//!
//! and Jₖ⁻¹ bounds the covariance of a filter. The blocks D form the information of the whole track, a block-tridiagonal
//! matrix; the diagonal blocks of its inverse bound a smoother. The walls of the torso and what is known beforehand of the
//! place are left out. Under Student's t the information is that of the Gaussian times (ν + d)/(ν + d + 2), d numbers wide.
//! Readings below the floor count by what [`super::fisher_information`] leaves of them.
//!
//! # Source
//!
//! P. Tichavský, C. H. Muravchik, A. Nehorai, *Posterior Cramér–Rao bounds for discrete-time nonlinear filtering*, IEEE
//! Trans. Signal Process. 46 (1998), equation 21. The factor of Student's t: K. L. Lange, R. J. A. Little, J. M. G. Taylor,
//! J. Am. Stat. Assoc. 84 (1989), from memory; a test holds it against an integral.

use nalgebra::{Matrix2, Matrix3};
use thiserror::Error;

use super::uncensored_share;
use crate::setup::Setup;
use crate::torso::Position;
use crate::trajectory::TrajectoryOptions;
use crate::trajectory::objective::{BIAS, FAST, LEAST_VARIANCE, SLOW, Step, lapse, level_slopes, moved_mm};
use crate::trajectory::tridiagonal::{Chain, KINEMATIC, Motion};

/// Bounds on the covariance of the place at each knot.
#[derive(Debug, Clone, PartialEq)]
pub struct TrackBound {
    /// From the readings up to the knot, mm².
    pub filtered_mm2: Vec<Matrix3<f64>>,
    /// From all readings, mm².
    pub smoothed_mm2: Vec<Matrix3<f64>>,
}

/// Why a track has no bound.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
#[non_exhaustive]
pub enum TrackBoundError {
    /// No knot, no path, or no reading a knot.
    #[error("no {what} to bound a track by")]
    Nothing {
        /// What is missing.
        what: &'static str,
    },
    /// A path of another length than the times.
    #[error("path {}: {found} places for {expected} knots", path + 1)]
    OtherLength {
        /// Index of the path.
        path: usize,
        /// How many places it has.
        found: usize,
        /// How many knots there are.
        expected: usize,
    },
    /// A time that is no number, or does not come after the one before.
    #[error("knot {}: time {time_s} s is no number after the one before", knot + 1)]
    NotIncreasing {
        /// Index of the knot.
        knot: usize,
        /// What was found.
        time_s: f64,
    },
    /// The readings up to a knot leave the place open.
    #[error("the readings up to knot {} leave the place open", knot + 1)]
    Open {
        /// Index of the knot.
        knot: usize,
    },
}

/// The posterior Cramér–Rao bound at knots at `time_s`, s, with `readings` of each site at each, on average over true `paths`:
/// one place a knot, mm.
///
/// The information is averaged, not its inverse: over paths that see the sites from different sides the bound falls far
/// below what can be reached. The mean of the bounds of single paths is then the better yardstick.
///
/// # Errors
///
/// [`TrackBoundError`] where there is nothing to bound, or no bound.
pub fn posterior_cramer_rao(
    setup: &Setup,
    options: &TrajectoryOptions,
    time_s: &[f64],
    readings: u32,
    paths: &[Vec<Position>],
) -> Result<TrackBound, TrackBoundError> {
    check(time_s, readings, paths)?;
    let blocks = Blocks {
        setup,
        options,
        readings: f64::from(readings),
        size: BIAS + setup.layout.len(),
    };
    let moved: Vec<Vec<f64>> = paths
        .iter()
        .map(|path| moved_mm(&[], time_s, options.averaged_s, |knot| path[knot]).collect())
        .collect();
    let size = blocks.size;
    let mut whole = Chain::new(size);
    let mut pair = Chain::new(size);
    let mut right = vec![0.0; size];
    let mut filtered_mm2 = Vec::with_capacity(time_s.len());
    // What the link from the knot before adds here, and how it couples the two.
    let mut arriving = blocks.first();
    let mut coupling: Option<(Motion, Vec<f64>)> = None;
    // Jₖ + D¹¹ₖ of the knot before.
    let mut before: Vec<f64> = Vec::new();
    for knot in 0..time_s.len() {
        let open = |_| TrackBoundError::Open { knot };
        let mut here = arriving;
        blocks.add_readings(paths.iter().map(|path| &path[knot]), &mut here);
        let link = coupling.as_ref().map(|(motion, others)| (*motion, others.as_slice()));
        pair.clear();
        if link.is_some() {
            pair.push(None, &mut before, &mut right).map_err(open)?;
        }
        pair.push(link, &mut here.clone(), &mut right).map_err(open)?;
        filtered_mm2.push(place_block(size, pair.last_covariance()));
        let (_, mut information) = pair.last(&right).map_err(open)?;

        let mut onward = None;
        arriving = vec![0.0; size * size];
        if let Some(next_s) = time_s.get(knot + 1) {
            let moved = moved.iter().map(|moved| moved[knot]);
            let step = blocks.link(next_s - time_s[knot], moved);
            step.add_earlier(size, &mut here);
            step.add_earlier(size, &mut information);
            step.add_later(size, &mut arriving);
            onward = Some(step.coupling());
        }
        whole.push(link, &mut here, &mut right).map_err(open)?;
        before = information;
        coupling = onward;
    }
    let mut smoothed_mm2 = vec![Matrix3::zeros(); time_s.len()];
    whole.covariances(|knot, covariance, _| smoothed_mm2[knot] = place_block(size, covariance));
    Ok(TrackBound {
        filtered_mm2,
        smoothed_mm2,
    })
}

fn check(time_s: &[f64], readings: u32, paths: &[Vec<Position>]) -> Result<(), TrackBoundError> {
    let nothing = |what| Err(TrackBoundError::Nothing { what });
    match (time_s.is_empty(), paths.is_empty(), readings) {
        (true, ..) => return nothing("knot"),
        (_, true, _) => return nothing("path"),
        (.., 0) => return nothing("reading"),
        _ => {}
    }
    for (path, places) in paths.iter().enumerate() {
        if places.len() != time_s.len() {
            return Err(TrackBoundError::OtherLength {
                path,
                found: places.len(),
                expected: time_s.len(),
            });
        }
    }
    let mut last_s = f64::NEG_INFINITY;
    for (knot, &time_s) in time_s.iter().enumerate() {
        if !(time_s.is_finite() && time_s > last_s) {
            return Err(TrackBoundError::NotIncreasing { knot, time_s });
        }
        last_s = time_s;
    }
    Ok(())
}

fn place_block(size: usize, covariance: &[f64]) -> Matrix3<f64> {
    Matrix3::from_fn(|row, column| covariance[row * size + column])
}

/// The information of Student's t in `dimension` numbers, as a share of the Gaussian's of the same scale.
fn tail_share(freedom: Option<f64>, dimension: f64) -> f64 {
    freedom.map_or(1.0, |freedom| (freedom + dimension) / (freedom + dimension + 2.0))
}

/// The expected blocks of the information.
struct Blocks<'a> {
    setup: &'a Setup,
    options: &'a TrajectoryOptions,
    readings: f64,
    size: usize,
}

impl Blocks<'_> {
    fn bias_spread_db(&self) -> f64 {
        self.setup.noise.shadowing_db().hypot(self.options.mounting_db)
    }

    /// What is known of the first state beforehand.
    fn first(&self) -> Vec<f64> {
        let mut block = vec![0.0; self.size * self.size];
        let of = |spread_db: f64| 1.0 / (spread_db * spread_db).max(LEAST_VARIANCE);
        for index in 3..self.size {
            block[index * self.size + index] = match index {
                SLOW => of(self.options.slow_level.spread_db),
                FAST => of(self.options.fast_level.spread_db),
                velocity if velocity < KINEMATIC => 1.0 / self.options.motion.velocity_variance(),
                _ => of(self.bias_spread_db()),
            };
        }
        block
    }

    /// Adds E[Hᵀ R⁻¹ H].
    fn add_readings<'p>(&self, places: impl ExactSizeIterator<Item = &'p Position>, block: &mut [f64]) {
        let per_path = 1.0 / places.len() as f64;
        let sample = self.setup.noise.sample_db(self.setup.receiver.step_db()).powi(2);
        let unmodelled = (self.options.unmodelled_share * self.setup.noise.shadowing_db()).powi(2);
        let whole = tail_share(self.options.reading_freedom, 1.0) / (sample / self.readings + unmodelled);
        for place_mm in places {
            for site in 0..self.setup.layout.len() {
                let (median_dbm, gradient) = self.setup.median_and_loss_gradient(place_mm, site);
                let z = (self.setup.receiver.floor_dbm() - median_dbm) / (sample + unmodelled).sqrt();
                let weight = per_path * whole * uncensored_share(z);
                let entries = level_slopes(site, &gradient);
                for (i, di) in entries {
                    for (j, dj) in entries {
                        block[i * self.size + j] += weight * di * dj;
                    }
                }
            }
        }
    }

    /// The expected link over `step_s`, the capsule moving by `moved_mm` on each path.
    fn link(&self, step_s: f64, moved_mm: impl ExactSizeIterator<Item = f64>) -> Link {
        let transition = self.options.motion.transition(step_s);
        let share = tail_share(self.options.motion_freedom, KINEMATIC as f64);
        let noise = self.options.motion.noise(step_s);
        let information = noise.try_inverse().unwrap_or_else(Matrix2::zeros) * share;
        let back = transition.transpose() * information;
        let level = |spread_db: f64, memory_s: f64| Scalar::of(&Step::new(spread_db, step_s / memory_s), 1.0);
        let mut bias = Scalar::default();
        let per_path = 1.0 / moved_mm.len() as f64;
        let bias_share = tail_share(self.options.bias_freedom, 1.0);
        for moved_mm in moved_mm {
            let step = Step::new(self.bias_spread_db(), lapse(self.options, moved_mm));
            bias.add(&Scalar::of(&step, per_path * bias_share));
        }
        let mut scalars = vec![bias; self.size - KINEMATIC];
        scalars[SLOW - KINEMATIC] = level(self.options.slow_level.spread_db, self.options.slow_level.memory);
        scalars[FAST - KINEMATIC] = level(self.options.fast_level.spread_db, self.options.fast_level.memory);
        Link {
            earlier: back * transition,
            between: -(information * transition),
            later: information,
            scalars,
        }
    }
}

/// The expected blocks of a link.
struct Link {
    earlier: Matrix2<f64>,
    between: Matrix2<f64>,
    later: Matrix2<f64>,
    /// Of the states after the kinematic ones.
    scalars: Vec<Scalar>,
}

/// The same of one number that goes its own way.
#[derive(Clone, Copy, Default)]
struct Scalar {
    earlier: f64,
    between: f64,
    later: f64,
}

impl Scalar {
    fn of(step: &Step, weight: f64) -> Self {
        let information = weight * step.information;
        Self {
            earlier: step.keep * step.keep * information,
            between: -step.keep * information,
            later: information,
        }
    }

    fn add(&mut self, other: &Self) {
        self.earlier += other.earlier;
        self.between += other.between;
        self.later += other.later;
    }
}

impl Link {
    fn add_earlier(&self, size: usize, block: &mut [f64]) {
        add(
            size,
            &self.earlier,
            self.scalars.iter().map(|scalar| scalar.earlier),
            block,
        );
    }

    fn add_later(&self, size: usize, block: &mut [f64]) {
        add(size, &self.later, self.scalars.iter().map(|scalar| scalar.later), block);
    }

    fn coupling(&self) -> (Motion, Vec<f64>) {
        let between = &self.between;
        let block = [[between[(0, 0)], between[(0, 1)]], [between[(1, 0)], between[(1, 1)]]];
        (
            Motion { block },
            self.scalars.iter().map(|scalar| scalar.between).collect(),
        )
    }
}

fn add(size: usize, motion: &Matrix2<f64>, scalars: impl Iterator<Item = f64>, block: &mut [f64]) {
    for axis in 0..3 {
        for i in 0..2 {
            for j in 0..2 {
                block[(axis + 3 * i) * size + axis + 3 * j] += motion[(i, j)];
            }
        }
    }
    for (index, scalar) in (KINEMATIC..).zip(scalars) {
        block[index * size + index] += scalar;
    }
}

#[cfg(test)]
mod tests;
