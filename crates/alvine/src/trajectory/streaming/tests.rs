//! The stream as a whole.

use super::*;
use crate::recording::Recording;
use crate::torso::Position;
use crate::track::Track;
use crate::trajectory::MotionPrior;
use crate::trajectory::tests::{drawn_path, estimate, exact, recording, setup};

fn stream(setup: &Setup, trajectory: TrajectoryOptions) -> StreamingTrajectory {
    let options = StreamingOptions {
        trajectory,
        ..StreamingOptions::default()
    };
    StreamingTrajectory::new(setup.clone(), options).unwrap()
}

fn row(recording: &Recording, row: usize) -> Vec<f32> {
    recording.row(row).to_vec()
}

/// What a stream says of a whole recording: at lag zero, and at the full lag with the end.
fn streamed(mut stream: StreamingTrajectory, recording: &Recording) -> (Vec<Option<TrackPoint>>, Vec<TrackPoint>) {
    let (mut now, mut lagged) = (Vec::new(), Vec::new());
    for (instant, &time_s) in recording.time_s().iter().enumerate() {
        let live = stream.take(time_s, &row(recording, instant)).unwrap();
        now.push(live.now);
        lagged.extend(live.lagged);
    }
    lagged.extend(stream.finish());
    (now, lagged)
}

/// Slow enough to stay inside the torso.
fn slow(options: TrajectoryOptions) -> TrajectoryOptions {
    TrajectoryOptions {
        motion: MotionPrior::MeanReverting {
            speed_mm_per_s: 0.1,
            memory_s: 20.0,
        },
        ..options
    }
}

/// Paths from the prior that stay well inside the torso.
fn paths(options: &TrajectoryOptions, seconds: usize, count: usize) -> Vec<(u64, Vec<Position>)> {
    let torso = setup(0.0, 2.0).torso;
    let inside = |place: &Position| torso.radial(place) < 0.9 && place.z.abs() < 150.0;
    (0..)
        .map(|seed| (seed, drawn_path(options, seconds, 900 + seed)))
        .filter(|(_, path)| path.iter().all(inside))
        .take(count)
        .collect()
}

/// How far two points are apart, in standard deviations of the second, one axis with another.
fn apart(one: &TrackPoint, other: &TrackPoint) -> f64 {
    let offset = one.position_mm - other.position_mm;
    let factor = other.covariance_mm2.cholesky().unwrap();
    (offset.dot(&factor.solve(&offset)) / 3.0).sqrt()
}

fn root_mean_square(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value * value, count + 1.0));
    (sum / count).sqrt()
}

#[test]
fn at_the_full_lag_and_at_the_end_it_agrees_with_the_batch() {
    let setup = setup(4.0, 2.0);
    for (name, options) in [
        ("default", TrajectoryOptions::default()),
        ("slow", slow(TrajectoryOptions::default())),
    ] {
        let (mut at_lag, mut at_end) = (Vec::new(), Vec::new());
        for (seed, path) in paths(&slow(options), 2400, 6) {
            let recording = recording(&setup, &path, seed);
            let batch: Track = estimate(&setup, &recording, options);
            let (now, lagged) = streamed(stream(&setup, options), &recording);
            assert_eq!(lagged.len(), batch.points.len());
            for (one, other) in lagged.iter().zip(&batch.points) {
                assert_eq!((one.instant, one.sites_used), (other.instant, other.sites_used));
                at_lag.push(apart(one, other));
            }
            let (last, end) = (now.last().unwrap().unwrap(), batch.points.last().unwrap());
            at_end.push(apart(&last, end));
            at_end.push(apart(lagged.last().unwrap(), end));
            println!(
                "{name} {seed}: trace {:.1} of {:.1} mm²",
                lagged[1200].covariance_mm2.trace(),
                batch.points[1200].covariance_mm2.trace()
            );
        }
        let worst = |all: &[f64]| all.iter().copied().fold(0.0, f64::max);
        let (lag, end) = (
            root_mean_square(at_lag.iter().copied()),
            root_mean_square(at_end.iter().copied()),
        );
        println!(
            "{name}: apart at the lag {lag:.3} sd, at most {:.3}; at the end {end:.3}, at most {:.3}",
            worst(&at_lag),
            worst(&at_end)
        );
        assert!(lag < 0.25 && end < 0.1);
    }
}

#[test]
fn where_the_model_is_exact_both_covariances_are_consistent() {
    // As for the batch: places ten minutes apart are nearly independent, so that the mean NEES of n of them has a standard
    // deviation of √(6 / n); the bounds are three of these, and linearisation's share.
    let setup = setup(0.0, 2.0);
    let options = slow(exact());
    let (mut at_zero, mut at_lag, mut count) = (0.0, 0.0, 0.0);
    for (seed, path) in paths(&options, 2000, 30) {
        let (now, lagged) = streamed(stream(&setup, options), &recording(&setup, &path, seed));
        for instant in [400, 1000, 1600] {
            let nees = |point: &TrackPoint| {
                let error = point.position_mm - path[instant];
                error.dot(&point.covariance_mm2.cholesky().unwrap().solve(&error))
            };
            at_zero += nees(&now[instant].unwrap());
            at_lag += nees(&lagged[instant]);
            count += 1.0;
        }
    }
    let three_sigma = 3.0 * (6.0_f64 / count).sqrt();
    for (what, mean) in [("lag zero", at_zero / count), ("full lag", at_lag / count)] {
        println!("{what}: NEES {mean:.2} of {count}");
        assert!(
            (mean - 3.0).abs() < three_sigma + 0.3,
            "{what}: NEES {mean:.2} of {count}"
        );
    }
}

#[test]
fn every_row_gets_one_last_word_in_order() {
    let setup = setup(4.0, 2.0);
    let path = vec![Position::new(20.0, 90.0, 30.0); 1500];
    let (now, lagged) = streamed(
        stream(&setup, TrajectoryOptions::default()),
        &recording(&setup, &path, 3),
    );
    assert!(now.iter().all(Option::is_some));
    let instants: Vec<usize> = lagged.iter().map(|point| point.instant).collect();
    assert_eq!(instants, (0..1500).collect::<Vec<_>>());
}

#[test]
fn a_resumed_stream_goes_on_bit_for_bit() {
    let setup = setup(4.0, 2.0);
    let options = StreamingOptions::default();
    let (_, path) = paths(&slow(options.trajectory), 900, 1).remove(0);
    let recording = recording(&setup, &path, 5);
    for stop in [1, 3, 250, 601] {
        let mut whole = stream(&setup, options.trajectory);
        let feed = |stream: &mut StreamingTrajectory, instant: usize| {
            stream
                .take(recording.time_s()[instant], &row(&recording, instant))
                .unwrap()
        };
        for instant in 0..stop {
            feed(&mut whole, instant);
        }
        whole.set_place(Some(PositionPrior {
            mean_mm: Position::new(0.0, 95.0, 20.0),
            information_per_mm2: nalgebra::Matrix3::from_diagonal_element(1e-4),
        }));
        whole.leave_out(2, true);
        let bytes = whole.state().to_bytes();
        let state = StreamingState::from_bytes(&bytes).unwrap();
        assert_eq!(state, whole.state());
        let mut resumed = StreamingTrajectory::resume(setup.clone(), options, state).unwrap();
        for instant in stop..recording.len() {
            assert_eq!(
                feed(&mut whole, instant),
                feed(&mut resumed, instant),
                "instant {instant}"
            );
        }
        assert_eq!(whole.state().to_bytes(), resumed.state().to_bytes());
        assert_eq!(whole.finish(), resumed.finish());
    }
}

#[test]
fn memory_is_that_of_one_lag_however_long_the_stream() {
    let setup = setup(4.0, 2.0);
    let path = vec![Position::new(20.0, 90.0, 30.0); 9000];
    let mut whole = recording(&setup, &path, 3).rssi_dbm().to_owned();
    // A long silence too must not gather rows.
    for instant in 3000..6000 {
        whole.row_mut(instant).fill(f32::NAN);
    }
    let mut stream = stream(&setup, TrajectoryOptions::default());
    let (mut largest, mut most_rows, mut most_knots) = (0, 0, 0);
    for (instant, levels) in whole.rows().into_iter().enumerate() {
        stream.take(instant as f64, &levels.to_vec()).unwrap();
        if instant % 100 == 99 {
            let state = stream.state();
            largest = largest.max(state.to_bytes().len());
            most_rows = most_rows.max(state.rows.len());
            most_knots = most_knots.max(state.window.knots.len());
        }
    }
    println!("state of {largest} bytes, {most_rows} rows, {most_knots} knots at most");
    assert!(most_rows <= 180 + 16 && most_knots <= 25);
    // 25 knots of 16 numbers and 8 × 4 of readings, 197 rows of 4, four matrices of 16 × 16, a thousand cells.
    assert!(largest < 8 * (25 * (16 + 32 + 20) + 197 * 4 + 4 * 256 + 3000));
}

#[test]
fn a_row_that_cannot_be_is_refused_and_changes_nothing() {
    let setup = setup(4.0, 2.0);
    let mut stream = stream(&setup, TrajectoryOptions::default());
    let levels = [-70.0_f32; 8];
    stream.take(10.0, &levels).unwrap();
    let before = stream.state();
    assert!(matches!(
        stream.take(11.0, &levels[..7]),
        Err(StreamingError::WrongWidth {
            row: 1,
            found: 7,
            expected: 8
        })
    ));
    for time_s in [10.0, 9.0] {
        assert!(matches!(
            stream.take(time_s, &levels),
            Err(StreamingError::Row(RecordingError::TimeNotIncreasing { .. }))
        ));
    }
    assert!(matches!(
        stream.take(f64::NAN, &levels),
        Err(StreamingError::Row(RecordingError::TimeNotFinite { .. }))
    ));
    let mut loud = levels;
    loud[3] = 400.0;
    assert!(matches!(
        stream.take(11.0, &loud),
        Err(StreamingError::Row(RecordingError::ImpossibleLevel {
            row: 5,
            site: 3,
            ..
        }))
    ));
    assert_eq!(stream.counts().refused, 5);
    let mut after = stream.state();
    after.counts.refused = 0;
    assert_eq!(after, before);
    stream.take(11.0, &levels).unwrap();
}

#[test]
fn options_that_cannot_be_are_refused() {
    let setup = setup(4.0, 2.0);
    for (lag_s, knot_s) in [(f64::NAN, 8.0), (0.0, 8.0), (1e6, 8.0), (60.0, 0.0), (60.0, 61.0)] {
        let options = StreamingOptions {
            lag_s,
            trajectory: TrajectoryOptions {
                knot_s,
                ..TrajectoryOptions::default()
            },
        };
        assert!(StreamingTrajectory::new(setup.clone(), options).is_err());
    }
}

#[test]
fn bytes_that_are_not_the_state_are_refused() {
    let setup = setup(4.0, 2.0);
    let mut stream = stream(&setup, TrajectoryOptions::default());
    for second in 0..400 {
        stream.take(f64::from(second), &[-75.0; 8]).unwrap();
    }
    let bytes = stream.state().to_bytes();
    for length in [0, 5, 16, 20, 24, 1000, bytes.len() - 1] {
        assert!(StreamingState::from_bytes(&bytes[..length]).is_err(), "length {length}");
    }
    for place in (0..bytes.len()).step_by(97) {
        let mut damaged = bytes.clone();
        damaged[place] ^= 4;
        assert!(StreamingState::from_bytes(&damaged).is_err(), "byte {place}");
    }
    let state = StreamingState::from_bytes(&bytes).unwrap();
    let mut other = setup.clone();
    other.torso = crate::torso::Torso::new(420.0, 300.0).unwrap();
    assert!(matches!(
        StreamingTrajectory::resume(other, StreamingOptions::default(), state.clone()),
        Err(ResumeError::State(StateError::OtherSetup {
            what: "the space that is searched"
        }))
    ));
    let fewer = crate::layout::Layout::new(setup.layout.sites()[..6].to_vec()).unwrap();
    let other = Setup { layout: fewer, ..setup };
    assert!(matches!(
        StreamingTrajectory::resume(other, StreamingOptions::default(), state),
        Err(ResumeError::State(StateError::OtherSetup { .. }))
    ));
}

#[test]
fn a_capsule_that_was_lost_is_taken_up_again() {
    let setup = setup(2.0, 1.0);
    let (first, second) = (Position::new(-60.0, 70.0, 150.0), Position::new(70.0, 80.0, -110.0));
    let mut path = vec![first; 900];
    path.extend(vec![second; 900]);
    let recording = recording(&setup, &path, 4);
    // By the default a leap is unlikely and possible; by the other, Gaussian and slow, it is not, and only the cells know.
    let stubborn = TrajectoryOptions {
        motion_freedom: None,
        reading_freedom: None,
        ..slow(TrajectoryOptions::default())
    };
    for (options, sought) in [(TrajectoryOptions::default(), false), (stubborn, true)] {
        let mut stream = stream(&setup, options);
        let mut now = None;
        for (instant, &time_s) in recording.time_s().iter().enumerate() {
            now = stream.take(time_s, &row(&recording, instant)).unwrap().now;
            if instant == 899 {
                let error_mm = (now.unwrap().position_mm - first).norm();
                assert!(error_mm < 40.0, "{error_mm} mm before");
            }
        }
        let error_mm = (now.unwrap().position_mm - second).norm();
        println!("{error_mm:.1} mm after, {:?}", stream.counts());
        assert!(error_mm < 40.0, "{error_mm} mm after");
        assert_eq!(stream.counts().restarts > 0, sought);
    }
}

#[test]
fn silence_ends_in_no_answer_and_speech_in_one() {
    let setup = setup(4.0, 2.0);
    let mut stream = stream(&setup, TrajectoryOptions::default());
    let place = Position::new(20.0, 90.0, 30.0);
    let levels: Vec<f32> = (0..8).map(|site| setup.median_dbm(&place, site) as f32).collect();
    let silent = [f32::NAN; 8];
    let mut lagged = Vec::new();
    for second in 0..4000 {
        let heard = !(100..3600).contains(&second);
        let live = stream
            .take(f64::from(second), if heard { &levels } else { &silent })
            .unwrap();
        // The block of the last heard row has its knot at 99.5 s and reaches 4 s further; then a bridge of a minute.
        assert_eq!(live.now.is_some(), !(164..3600).contains(&second), "second {second}");
        lagged.extend(live.lagged);
    }
    lagged.extend(stream.finish());
    let bridged = lagged
        .iter()
        .filter(|point| point.flags.contains(Flags::BRIDGED))
        .count();
    assert!((100..140).contains(&bridged), "{bridged}");
    assert!(lagged.iter().all(|point| point.covariance_mm2.cholesky().is_some()));
}

#[test]
fn one_site_alone_leaves_the_place_open() {
    let setup = setup(4.0, 2.0);
    // The loudest is heard within a few centimetres of the site.
    for (level, least_mm) in [(-20.0, 30.0), (-60.0, 50.0), (-99.5, 100.0)] {
        let mut stream = stream(&setup, TrajectoryOptions::default());
        for second in 0..600 {
            let mut levels = [f32::NAN; 8];
            levels[5] = level;
            if let Some(point) = stream.take(f64::from(second), &levels).unwrap().now {
                assert!(
                    setup.torso.contains(&point.position_mm),
                    "{level} dBm, {second}: {}",
                    point.position_mm
                );
                let spread_mm = point.covariance_mm2.trace().sqrt();
                assert!(spread_mm > least_mm, "{level} dBm, {second}: {spread_mm}");
            }
        }
        let _ = stream.finish();
    }
}
