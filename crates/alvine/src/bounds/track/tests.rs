//! The bound against Kalman's covariance.

use approx::assert_relative_eq;
use nalgebra::DMatrix;

use super::*;
use crate::propagation::Propagation;
use crate::trajectory::tests::{drawn_path, exact, setup};
use crate::trajectory::{MotionPrior, Wander};

/// Levels that wander, biases that last, Gaussian throughout, and slow enough to stay inside the torso.
fn matched() -> TrajectoryOptions {
    TrajectoryOptions {
        motion: MotionPrior::MeanReverting {
            speed_mm_per_s: 0.1,
            memory_s: 20.0,
        },
        slow_level: Wander {
            spread_db: 0.5,
            memory: 20_000.0,
        },
        fast_level: Wander {
            spread_db: 0.5,
            memory: 90.0,
        },
        shadowing_memory_mm: 1e9,
        ..exact()
    }
}

/// Kalman's filter and the smoother of Rauch, Tung and Striebel in covariance form, dense, linearised along one path.
struct Kalman<'a> {
    setup: &'a Setup,
    options: &'a TrajectoryOptions,
    readings: f64,
}

impl Kalman<'_> {
    fn gradient(&self, place_mm: &Position) -> DMatrix<f64> {
        let sites = self.setup.layout.sites();
        let mut h = DMatrix::zeros(sites.len(), BIAS + sites.len());
        for (index, site) in sites.iter().enumerate() {
            let (_, gradient) = self.setup.law.loss_and_gradient(place_mm, &site.position_mm);
            for axis in 0..3 {
                h[(index, axis)] = -gradient[axis];
            }
            for column in [SLOW, FAST, BIAS + index] {
                h[(index, column)] = 1.0;
            }
        }
        h
    }

    fn update(&self, prior: &DMatrix<f64>, place_mm: &Position) -> DMatrix<f64> {
        let h = self.gradient(place_mm);
        let sites = h.nrows();
        let r = DMatrix::identity(sites, sites) * (self.setup.noise.noise_db().powi(2) / self.readings);
        let gain = prior * h.transpose() * (&h * prior * h.transpose() + r).try_inverse().unwrap();
        prior - gain * h * prior
    }

    fn step(&self, step_s: f64, moved_mm: f64) -> (DMatrix<f64>, DMatrix<f64>) {
        let size = BIAS + self.setup.layout.len();
        let (mut f, mut q) = (DMatrix::zeros(size, size), DMatrix::zeros(size, size));
        let (transition, noise) = (
            self.options.motion.transition(step_s),
            self.options.motion.noise(step_s),
        );
        for axis in 0..3 {
            for i in 0..2 {
                for j in 0..2 {
                    f[(axis + 3 * i, axis + 3 * j)] = transition[(i, j)];
                    q[(axis + 3 * i, axis + 3 * j)] = noise[(i, j)];
                }
            }
        }
        let mut wander = |index: usize, spread_db: f64, lapse: f64| {
            let keep = (-lapse).exp();
            f[(index, index)] = keep;
            q[(index, index)] = (spread_db * spread_db * (1.0 - keep * keep)).max(LEAST_VARIANCE);
        };
        wander(
            SLOW,
            self.options.slow_level.spread_db,
            step_s / self.options.slow_level.memory,
        );
        wander(
            FAST,
            self.options.fast_level.spread_db,
            step_s / self.options.fast_level.memory,
        );
        for index in BIAS..size {
            wander(index, self.setup.noise.shadowing_db(), lapse(self.options, moved_mm));
        }
        (f, q)
    }

    /// After the first readings: nothing is known of the place beforehand, so that the prior exists as information only.
    fn first(&self, place_mm: &Position) -> DMatrix<f64> {
        let h = self.gradient(place_mm);
        let mut information = h.transpose() * &h * (self.readings / self.setup.noise.noise_db().powi(2));
        for index in 3..information.nrows() {
            information[(index, index)] += 1.0
                / match index {
                    SLOW => self.options.slow_level.spread_db.powi(2),
                    FAST => self.options.fast_level.spread_db.powi(2),
                    velocity if velocity < KINEMATIC => self.options.motion.velocity_variance(),
                    _ => self.setup.noise.shadowing_db().powi(2),
                };
        }
        information.try_inverse().unwrap()
    }
}

#[test]
fn on_one_path_without_censoring_it_is_kalmans_covariance_and_its_smoothers() {
    let mut setup = setup(3.0, 1.5);
    setup.receiver = crate::recording::Receiver::new(-200.0, None, None).unwrap();
    let options = TrajectoryOptions {
        shadowing_memory_mm: 20.0,
        ..matched()
    };
    let path: Vec<Position> = drawn_path(&options, 320, 11).into_iter().step_by(8).collect();
    let time_s: Vec<f64> = (0..path.len()).map(|knot| 8.0 * knot as f64).collect();
    let bound = posterior_cramer_rao(&setup, &options, &time_s, 8, std::slice::from_ref(&path)).unwrap();

    let kalman = Kalman {
        setup: &setup,
        options: &options,
        readings: 8.0,
    };
    let moved: Vec<f64> = moved_mm(&[], &time_s, options.averaged_s, |knot| path[knot]).collect();
    let mut filtered = vec![kalman.first(&path[0])];
    let mut predicted = filtered.clone();
    for (knot, &moved_mm) in moved.iter().enumerate() {
        let (f, q) = kalman.step(8.0, moved_mm);
        predicted.push(&f * &filtered[knot] * f.transpose() + q);
        filtered.push(kalman.update(&predicted[knot + 1], &path[knot + 1]));
    }
    let mut smoothed = filtered.clone();
    for knot in (0..path.len() - 1).rev() {
        let (f, _) = kalman.step(8.0, moved[knot]);
        let gain = &filtered[knot] * f.transpose() * predicted[knot + 1].clone().try_inverse().unwrap();
        smoothed[knot] = &filtered[knot] + &gain * (&smoothed[knot + 1] - &predicted[knot + 1]) * gain.transpose();
    }
    for knot in 0..path.len() {
        for (bound, expected) in [
            (&bound.filtered_mm2[knot], &filtered[knot]),
            (&bound.smoothed_mm2[knot], &smoothed[knot]),
        ] {
            let expected = expected.fixed_view::<3, 3>(0, 0).into_owned();
            // Rounding of dense inverses whose entries differ by nine orders.
            assert_relative_eq!((bound - expected).norm() / expected.norm(), 0.0, epsilon = 1e-6);
        }
        assert!(bound.smoothed_mm2[knot].trace() <= bound.filtered_mm2[knot].trace() * (1.0 + 1e-9));
    }
}

#[test]
fn the_information_of_students_t_is_its_integral() {
    // E[(∂ ln p/∂μ)²] = ∫ ((ν + 1) x / (ν + x²))² p(x) dx by Simpson's rule, p up to its constant.
    for freedom in [3.0, 4.0, 10.0] {
        let density = |x: f64| (1.0 + x * x / freedom).powf(-0.5 * (freedom + 1.0));
        let simpson = |of: &dyn Fn(f64) -> f64| {
            let (steps, reach) = (400_000, 2000.0);
            let h = 2.0 * reach / f64::from(steps);
            (0..=steps)
                .map(|k| {
                    let weight = if k == 0 || k == steps {
                        1.0
                    } else {
                        f64::from(2 + 2 * (k % 2))
                    };
                    weight * of(f64::from(k) * h - reach)
                })
                .sum::<f64>()
                * h
                / 3.0
        };
        let score = |x: f64| (freedom + 1.0) * x / (freedom + x * x);
        let found = simpson(&|x| score(x).powi(2) * density(x)) / simpson(&density);
        assert_relative_eq!(found, tail_share(Some(freedom), 1.0), epsilon = 1e-6);
    }
    assert_relative_eq!(tail_share(None, 6.0), 1.0);
}

#[test]
fn a_track_without_knots_paths_readings_or_sense_has_no_bound() {
    let (setup, options) = (setup(3.0, 1.5), matched());
    let place = Position::new(0.0, 90.0, 30.0);
    let bound = |time_s: &[f64], readings, paths: &[Vec<Position>]| {
        posterior_cramer_rao(&setup, &options, time_s, readings, paths).unwrap_err()
    };
    assert_eq!(bound(&[], 8, &[]), TrackBoundError::Nothing { what: "knot" });
    assert_eq!(bound(&[0.0], 8, &[]), TrackBoundError::Nothing { what: "path" });
    assert_eq!(
        bound(&[0.0], 0, &[vec![place]]),
        TrackBoundError::Nothing { what: "reading" }
    );
    assert!(matches!(
        bound(&[0.0, 8.0], 8, &[vec![place]]),
        TrackBoundError::OtherLength {
            found: 1,
            expected: 2,
            ..
        }
    ));
    assert!(matches!(
        bound(&[0.0, 0.0], 8, &[vec![place; 2]]),
        TrackBoundError::NotIncreasing { knot: 1, .. }
    ));
}
