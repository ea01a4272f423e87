//! The trajectory as a whole.

use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use rand_xoshiro::Xoshiro256PlusPlus;

use super::*;
use crate::layout::Layout;
use crate::noise::NoiseModel;
use crate::recording::Receiver;
use crate::torso::Torso;

pub(crate) fn setup(shadowing_db: f64, noise_db: f64) -> Setup {
    let torso = Torso::new(330.0, 230.0).unwrap();
    Setup::default_eight(
        torso,
        NoiseModel::new(shadowing_db, noise_db).unwrap(),
        Receiver::new(-100.0, None, None).unwrap(),
    )
}

/// What obeys the model exactly: no bias, no level, Gaussian tails, nothing left out.
pub(crate) fn exact() -> TrajectoryOptions {
    let still = Wander {
        spread_db: 0.01,
        memory: 1000.0,
    };
    TrajectoryOptions {
        motion_freedom: None,
        reading_freedom: None,
        slow_level: still,
        fast_level: still,
        mounting_db: 0.0,
        unmodelled_share: 0.0,
        lasting_share: 0.0,
        ..TrajectoryOptions::default()
    }
}

/// A recording at 1 Hz of a capsule on a path, with Gaussian noise.
pub(crate) fn recording(setup: &Setup, path: &[Position], seed: u64) -> Recording {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let time_s = (0..path.len()).map(|instant| instant as f64).collect();
    let levels = Array2::from_shape_fn((path.len(), setup.layout.len()), |(instant, site)| {
        let noise: f64 = rng.sample(StandardNormal);
        let level_dbm = setup.median_dbm(&path[instant], site) + setup.noise.noise_db() * noise;
        level_dbm.max(setup.receiver.floor_dbm()) as f32
    });
    Recording::new(time_s, levels).unwrap()
}

/// A path drawn from the motion prior itself, second by second, about the middle of the belly.
pub(crate) fn drawn_path(options: &TrajectoryOptions, seconds: usize, seed: u64) -> Vec<Position> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let (transition, noise) = (options.motion.transition(1.0), options.motion.noise(1.0));
    let factor = noise.cholesky().unwrap().l();
    let mut place = Position::new(0.0, 90.0, 30.0);
    let mut velocity = Position::zeros();
    (0..seconds)
        .map(|_| {
            for axis in 0..3 {
                let push = factor * nalgebra::Vector2::from_fn(|_, _| rng.sample::<f64, _>(StandardNormal));
                let next = transition * nalgebra::Vector2::new(place[axis], velocity[axis]) + push;
                (place[axis], velocity[axis]) = (next[0], next[1]);
            }
            place
        })
        .collect()
}

pub(crate) fn estimate(setup: &Setup, recording: &Recording, options: TrajectoryOptions) -> Track {
    Trajectory { options }.estimate(setup, recording, &[], &|_| ()).unwrap()
}

#[test]
fn a_slow_path_heard_almost_without_noise_is_found_to_millimetres() {
    let setup = setup(0.0, 0.05);
    let path: Vec<Position> = (0..1200)
        .map(|second| {
            let turn = f64::from(second) / 200.0;
            Position::new(
                60.0 * turn.sin(),
                90.0 + 20.0 * (0.7 * turn).cos(),
                40.0 + 50.0 * turn.cos(),
            )
        })
        .collect();
    let track = estimate(&setup, &recording(&setup, &path, 1), exact());
    assert_eq!(track.points.len(), path.len());
    for point in &track.points {
        assert!((point.position_mm - path[point.instant]).norm() < 2.0);
    }
}

#[test]
fn where_the_model_is_exact_the_covariance_is_consistent() {
    // NEES at places ten minutes apart is nearly independent: over 40 tracks × 3 places, each of mean 3 and variance 6, its
    // mean has a standard deviation of √(6 / 120) = 0.22; the bounds are three of these, and linearisation's share.
    let setup = setup(0.0, 2.0);
    // Slow enough to stay inside the torso.
    let options = TrajectoryOptions {
        motion: MotionPrior::MeanReverting {
            speed_mm_per_s: 0.1,
            memory_s: 20.0,
        },
        ..exact()
    };
    let mut sum = 0.0;
    let mut count = 0.0;
    for seed in 0..40 {
        let path = drawn_path(&options, 2000, 100 + seed);
        if path
            .iter()
            .any(|place| setup.torso.radial(place) > 0.9 || place.z.abs() > 150.0)
        {
            continue;
        }
        let track = estimate(&setup, &recording(&setup, &path, seed), options);
        for instant in [400, 1000, 1600] {
            let point = &track.points[instant];
            let error = point.position_mm - path[instant];
            let factor = point.covariance_mm2.cholesky().unwrap();
            sum += error.dot(&factor.solve(&error));
            count += 1.0;
        }
    }
    let (mean, three_sigma) = (sum / count, 3.0 * (6.0_f64 / count).sqrt());
    assert!(count > 30.0);
    assert!((mean - 3.0).abs() < three_sigma + 0.3, "NEES {mean:.2} of {count}");
}

/// A recording with a bias of its own at each site that lasts, and a level that wanders by what the options say.
fn with_biases(setup: &Setup, options: &TrajectoryOptions, path: &[Position], seed: u64) -> Recording {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed + 7_000_000);
    let mut normal = || rng.sample::<f64, _>(StandardNormal);
    let biases: Vec<f64> = (0..setup.layout.len())
        .map(|_| setup.noise.shadowing_db() * normal())
        .collect();
    let keep = (-1.0 / options.fast_level.memory).exp();
    let mut level_db = options.fast_level.spread_db * normal();
    let mut levels = recording(setup, path, seed).rssi_dbm().to_owned();
    for mut row in levels.rows_mut() {
        level_db = keep * level_db + options.fast_level.spread_db * (1.0 - keep * keep).sqrt() * normal();
        for (level, bias) in row.iter_mut().zip(&biases) {
            *level += (level_db + bias) as f32;
        }
    }
    Recording::new((0..path.len()).map(|instant| instant as f64).collect(), levels).unwrap()
}

#[test]
fn where_biases_last_a_blurred_track_meets_the_bound_and_the_likeliest_one_does_not() {
    let mut setup = setup(2.0, 2.0);
    setup.receiver = Receiver::new(-150.0, None, None).unwrap();
    let blurred = TrajectoryOptions {
        motion: MotionPrior::MeanReverting {
            speed_mm_per_s: 0.1,
            memory_s: 20.0,
        },
        fast_level: Wander {
            spread_db: 0.3,
            memory: 90.0,
        },
        shadowing_memory_mm: 1e9,
        blurs: 8,
        ..exact()
    };
    let likeliest = TrajectoryOptions { blurs: 0, ..blurred };
    let (mut errors, mut bounds) = ([0.0; 2], 0.0);
    let (mut nees, mut inside, mut count) = (Vec::new(), 0.0, 0.0);
    for seed in 0..50 {
        let path = drawn_path(&blurred, 1600, 300 + seed);
        let out = |place: &Position| setup.torso.radial(place) > 0.9 || place.z.abs() > 180.0;
        if path.iter().any(out) {
            continue;
        }
        let recording = with_biases(&setup, &blurred, &path, seed);
        let tracks = [blurred, likeliest].map(|options| estimate(&setup, &recording, options));
        let knots: Vec<f64> = (0..200).map(|knot| 8.0 * f64::from(knot) + 3.5).collect();
        let at_knots: Vec<Position> = (0..200).map(|knot| path[8 * knot + 4]).collect();
        let bound = crate::bounds::posterior_cramer_rao(&setup, &blurred, &knots, 8, &[at_knots]).unwrap();
        for instant in (200..1500).step_by(200) {
            for (error, track) in errors.iter_mut().zip(&tracks) {
                *error += (track.points[instant].position_mm - path[instant]).norm_squared();
            }
            bounds += bound.smoothed_mm2[instant / 8].trace();
            let point = &tracks[0].points[instant];
            let error = point.position_mm - path[instant];
            let squared = error.dot(&point.covariance_mm2.cholesky().unwrap().solve(&error));
            inside += f64::from(squared < 6.251);
            count += 1.0;
            if instant == 800 {
                nees.push(squared);
            }
        }
    }
    let [blurred, likeliest] = errors.map(|error: f64| (error / bounds).sqrt());
    let (tracks, mean) = (nees.len() as f64, nees.iter().sum::<f64>() / nees.len() as f64);
    println!(
        "{tracks} tracks: error over bound {blurred:.3} blurred, {likeliest:.3} likeliest; NEES {mean:.2}; in 90 % {:.3}",
        inside / count
    );
    assert!(tracks >= 40.0);
    // A collective shift is most of the error, so that a track has few independent errors: three of them have a relative
    // standard deviation of the root of their mean square of √(1 / (2 · 3 tracks)).
    assert!(blurred < 1.1 + 1.96 * (1.0 / (6.0 * tracks)).sqrt());
    assert!(likeliest > 1.3);
    // The 95 % band of the mean of so many NEES; and of a share of which each track has one.
    assert!((mean - 3.0).abs() < 1.96 * (6.0 / tracks).sqrt());
    assert!((inside / count - 0.9).abs() < 1.96 * (0.09 / tracks).sqrt());
}

#[test]
fn the_end_of_a_descent_is_a_minimum_of_the_objective() {
    let setup = setup(4.0, 2.0);
    let options = TrajectoryOptions::default();
    let path = drawn_path(&options, 600, 7);
    let recording = recording(&setup, &path, 7);
    let knots = Knots::gather(&setup, &recording, options.knot_s, |_, _| true);
    let starts = cells::weigh(&setup, &knots, &options).starts;
    let mut objective = Objective::new(&setup, &options, &knots, vec![None; knots.len()]);
    let mut states = first_states(&knots, &starts, setup.space().middle_mm(), objective.size());
    let mut chain = Chain::new(objective.size());
    let end = descend(&mut objective, &mut states, &mut chain, 200);
    assert!(end.settled);
    let least = objective.value(&states);
    for (index, step) in (0..states.values.len()).step_by(7).zip([0.5, -0.5].into_iter().cycle()) {
        let mut moved = states.clone();
        moved.values[index] += step;
        assert!(objective.value(&moved) > least - 1e-3, "number {index}");
    }
}

#[test]
fn an_hour_of_silence_is_a_gap_and_not_a_guess() {
    let setup = setup(4.0, 2.0);
    let path = vec![Position::new(20.0, 90.0, 30.0); 9000];
    let whole = recording(&setup, &path, 3);
    let mut levels = whole.rssi_dbm().to_owned();
    for instant in 2700..6300 {
        levels.row_mut(instant).fill(-100.0);
    }
    let silent = Recording::new(whole.time_s().to_vec(), levels).unwrap();
    let options = TrajectoryOptions::default();
    let track = estimate(&setup, &silent, options);
    let in_gap = track
        .points
        .iter()
        .filter(|point| (2700..6300).contains(&point.instant));
    let bridged: Vec<_> = in_gap.collect();
    assert!(!bridged.is_empty() && bridged.len() < 140);
    assert!(bridged.iter().all(|point| point.flags.contains(Flags::BRIDGED)));
    assert!(
        track
            .points
            .iter()
            .all(|point| point.covariance_mm2.cholesky().is_some())
    );
}

#[test]
fn one_site_alone_leaves_the_place_open() {
    let setup = setup(4.0, 2.0);
    let path = vec![Position::new(20.0, 90.0, 30.0); 600];
    let whole = recording(&setup, &path, 3);
    let mut levels = whole.rssi_dbm().to_owned();
    for site in 1..8 {
        levels.column_mut(site).fill(f32::NAN);
    }
    let alone = Recording::new(whole.time_s().to_vec(), levels).unwrap();
    let track = estimate(&setup, &alone, TrajectoryOptions::default());
    assert!(!track.points.is_empty());
    for point in &track.points {
        assert!(point.flags.contains(Flags::FEW_SITES));
        assert!(point.covariance_mm2.trace().sqrt() > 50.0);
    }
}

#[test]
fn readings_of_a_signal_that_never_was_end_in_a_track_that_admits_it() {
    let setup = setup(4.0, 2.0);
    let time_s: Vec<f64> = (0..600).map(f64::from).collect();
    for level in [-20.0, -60.0, -99.5] {
        let constant = Recording::new(time_s.clone(), Array2::from_elem((600, 8), level)).unwrap();
        let track = estimate(&setup, &constant, TrajectoryOptions::default());
        for point in &track.points {
            assert!(setup.torso.contains(&point.position_mm));
            assert!(point.covariance_mm2.cholesky().is_some());
        }
    }
}

#[test]
fn more_sites_than_eight_and_fewer_go_the_same_way() {
    let torso = Torso::new(330.0, 230.0).unwrap();
    let eight = Layout::default_eight(&torso);
    for sites in [4, 12] {
        let chosen = (0..sites)
            .map(|index| {
                let mut site = eight.sites()[index % 8].clone();
                site.name = format!("site-{index}");
                site.position_mm.z += if index < 8 { 0.0 } else { 30.0 };
                site
            })
            .collect();
        let setup = Setup {
            layout: Layout::new(chosen).unwrap(),
            ..setup(0.0, 0.5)
        };
        let path = vec![Position::new(-30.0, 80.0, 60.0); 300];
        let track = estimate(&setup, &recording(&setup, &path, 5), exact());
        assert!(
            track
                .points
                .iter()
                .all(|point| (point.position_mm - path[0]).norm() < 12.0)
        );
    }
}
