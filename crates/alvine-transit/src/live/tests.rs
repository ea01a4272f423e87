use alvine::{Instants, NoiseModel, Receiver, Recording, Setup, Torso, Track, Trajectory};
use ndarray::Array2;

use super::*;
use crate::segment::segment_with;
use crate::usual_gut;

fn setup() -> Setup {
    let torso = Torso::new(330.0, 230.0).unwrap();
    Setup::default_eight(
        torso,
        NoiseModel::new(4.0, 2.0).unwrap(),
        Receiver::new(-100.0, None, None).unwrap(),
    )
}

/// A draw near normal, of variance one: twelve of a linear congruential generator.
fn noise(state: &mut u64) -> f64 {
    let mut draw = || {
        *state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (*state >> 11) as f64 / (1_u64 << 53) as f64
    };
    (0..12).map(|_| draw()).sum::<f64>() - 6.0
}

/// Rows at 1 Hz: ten minutes of silence outside, fifty in the stomach with its rhythm, then the small bowel with its own.
fn recording(setup: &Setup, rows: usize) -> Recording {
    let mut state = 7;
    let levels = Array2::from_shape_fn((rows, 8), |(row, site)| {
        let time_s = row as f64;
        let (place_mm, per_minute) = if time_s < 3600.0 {
            ([35.0, 80.0, 135.0], 3.0)
        } else {
            ([20.0, 90.0, 30.0], 11.6)
        };
        let swing = 1.2 * (std::f64::consts::TAU * per_minute / 60.0 * time_s).sin();
        let sign = if site % 2 == 0 { 1.0 } else { -1.0 };
        let level = setup.median_dbm(&place_mm.into(), site) + sign * swing + 2.0 * noise(&mut state);
        // A packet in fifty is lost.
        let lost = time_s < 600.0 || (row * 31 + site * 17) % 50 == 0;
        if lost { f32::NAN } else { level as f32 }
    });
    Recording::new((0..rows).map(|row| row as f64).collect(), levels).unwrap()
}

fn track(setup: &Setup, recording: &Recording) -> Track {
    let gut = usual_gut(&setup.torso);
    let trajectory = Trajectory::default();
    let mut begun = trajectory.begin(setup, recording, &[]).unwrap();
    begun.track(&|_| gut, Instants::Knots)
}

/// Feeds all rows, each point of the track as soon as it is so old.
fn feed(live: &mut LiveSegmenter, recording: &Recording, track: &Track, lag_s: f64) {
    let mut next = 0;
    for (row, &time_s) in recording.time_s().iter().enumerate() {
        let ready = track.points.partition_point(|point| point.time_s + lag_s <= time_s);
        let levels: Vec<f32> = recording.row(row).to_vec();
        live.take(&LiveRow {
            time_s,
            levels_dbm: &levels,
            now: track.points.get(ready.wrapping_sub(1)),
            lagged: &track.points[next..ready],
        })
        .unwrap();
        next = ready;
    }
}

fn swallow() -> ReaderLandmark {
    ReaderLandmark {
        kind: LandmarkKind::Swallow,
        time_s: 610.0,
        spread_s: None,
    }
}

fn filter(setup: &Setup) -> LiveSegmenter {
    LiveSegmenter::new(setup, &[swallow()], SegmentOptions::default()).unwrap()
}

#[test]
fn the_filter_is_the_finished_recording_s_posterior_at_its_last_instant() {
    let setup = setup();
    for rows in [2405, 4205, 7205] {
        let recording = recording(&setup, rows);
        let track = track(&setup, &recording);
        for place in [true, false] {
            let options = SegmentOptions {
                kinds: Kinds { place, ..Kinds::ALL },
                ..SegmentOptions::default()
            };
            let mut live = LiveSegmenter::new(&setup, &[swallow()], options.clone()).unwrap();
            // The track without lag, so that the evidence is the same.
            feed(&mut live, &recording, &track, 0.0);
            let live = live.phases().unwrap();
            let batch = segment_with(&setup, &recording, &track, &[swallow()], &options).unwrap();
            let last = batch.occupancy[0].len() - 1;
            assert_eq!(live.time_s, batch.end.recording_end_s);
            for ((phase, part, found), expected) in live.stages.iter().zip(&batch.occupancy) {
                // The share of sites that usually hear is known to half a thousandth here, and early bins were weighed with that of
                // then; a bin of 0.98 then differs by less than 1e-3 nats, from which most is common to all stages inside.
                let expected = expected[last];
                assert!(
                    (found - expected).abs() < 1e-5,
                    "{rows} {phase} {part:?}: {found} {expected}"
                );
            }
            for landmark in &batch.landmarks {
                let (found, expected) = (live.has_passed(landmark.kind), landmark.within + landmark.before);
                assert!(
                    (found - expected).abs() < 1e-5,
                    "{rows} {}: {found} {expected}",
                    landmark.kind
                );
            }
        }
    }
}

#[test]
fn the_stomach_is_left_some_minutes_after_its_rhythm_ends_and_not_before() {
    let setup = setup();
    let recording = recording(&setup, 7200);
    let track = track(&setup, &recording);
    let left = |rows: usize| {
        let mut live = filter(&setup);
        let (time_s, levels) = (recording.time_s()[..rows].to_vec(), recording.rssi_dbm());
        let known = Recording::new(time_s, levels.split_at(ndarray::Axis(0), rows).0.to_owned()).unwrap();
        feed(&mut live, &known, &track, 180.0);
        live.phases().unwrap()
    };
    // The truth is 3600 s: a window of the stomach's rhythm lasts four minutes, one of the small bowel's eight.
    assert!(left(3600).left_stomach() < 0.1);
    let later = left(5400);
    assert!(later.left_stomach() > 0.9, "{}", later.left_stomach());
    assert!(later.reached_colon() < 0.1);
    let sum: f64 = later.stages.iter().map(|stage| stage.2).sum();
    assert!((sum - 1.0).abs() < 1e-9);
    let next = later.next.unwrap();
    assert!(matches!(
        next.kind,
        LandmarkKind::DuodenojejunalFlexure | LandmarkKind::IleocaecalValve
    ));
    let bounds = [
        0.0,
        next.interval90_s[0],
        next.interval50_s[0],
        next.interval50_s[1],
        next.interval90_s[1],
    ];
    assert!(bounds.is_sorted(), "{bounds:?}");
}

#[test]
fn a_row_that_is_refused_changes_nothing() {
    let setup = setup();
    let recording = recording(&setup, 1500);
    let (mut clean, mut disturbed) = (filter(&setup), filter(&setup));
    for (row, &time_s) in recording.time_s().iter().enumerate() {
        let levels = recording.row(row).to_vec();
        clean.take(&LiveRow::of_levels(time_s, &levels)).unwrap();
        disturbed.take(&LiveRow::of_levels(time_s, &levels)).unwrap();
        let wrong = disturbed.take(&LiveRow::of_levels(time_s + 0.5, &levels[1..]));
        assert!(matches!(wrong, Err(LiveError::WrongWidth { found: 7, expected: 8 })));
        for bad_s in [time_s, time_s - 1.0, f64::NAN, f64::INFINITY] {
            let stepped = disturbed.take(&LiveRow::of_levels(bad_s, &levels));
            assert!(matches!(stepped, Err(LiveError::TimeNotIncreasing { .. })), "{bad_s}");
        }
        let leapt = disturbed.take(&LiveRow::of_levels(1e12, &levels));
        assert!(matches!(leapt, Err(LiveError::Leap { .. })));
    }
    assert!(clean.phases().is_some());
    assert_eq!(clean.phases(), disturbed.phases());
}

#[test]
fn what_is_kept_does_not_grow() {
    let setup = setup();
    for step_s in [0.1, 1.0, 7.0, 45.0, 200.0, 900.0] {
        let mut live = filter(&setup);
        let mut most = 0;
        for row in 0..20_000 {
            // Heard for half the time, and silent then.
            let level = if row < 10_000 { -70.0 } else { f32::NAN };
            live.take(&LiveRow::of_levels(f64::from(row) * step_s, &[level; 8]))
                .unwrap();
            if let Some(filter) = &live.filter {
                assert!(live.warming.is_empty() && filter.words.is_empty());
                most = most.max(filter.pending.len());
            }
        }
        let width_s = live.filter.as_ref().unwrap().width_s;
        // Half a window of eight minutes, a hop of two, the steps about it, and the bins at either end.
        let bound_s = f64::max(240.0 + 120.0 + 40.0 * step_s.max(0.5), TRACK_WAIT_S) + 3.0 * width_s;
        assert!(most as f64 * width_s <= bound_s, "{step_s}: {most} bins of {width_s} s");
    }
}

#[test]
fn after_ten_minutes_of_silence_the_answer_is_that_of_the_last_instant_heard() {
    let setup = setup();
    let mut live = filter(&setup);
    let recording = recording(&setup, 5400);
    let track = track(&setup, &recording);
    feed(&mut live, &recording, &track, 180.0);
    let mut take = |from: u32, to: u32| {
        for second in from..to {
            live.take(&LiveRow::of_levels(f64::from(second), &[f32::NAN; 8]))
                .unwrap();
        }
        live.phases().unwrap()
    };
    let gone = take(5400, 6100);
    assert_eq!(gone.time_s, 5399.0);
    assert_eq!(take(6100, 20_000), gone);
}

#[test]
fn a_landmark_that_was_given_is_believed_and_contradictions_are_refused() {
    let setup = setup();
    let pylorus = ReaderLandmark {
        kind: LandmarkKind::Pylorus,
        time_s: 2000.0,
        spread_s: None,
    };
    let mut live = LiveSegmenter::new(&setup, &[swallow(), pylorus], SegmentOptions::default()).unwrap();
    let recording = recording(&setup, 3000);
    for (row, &time_s) in recording.time_s().iter().enumerate() {
        live.take(&LiveRow::of_levels(time_s, &recording.row(row).to_vec()))
            .unwrap();
        if row == 1500 {
            let phases = live.phases().unwrap();
            assert!(phases.left_stomach() < 1e-9 && phases.next.is_none());
        }
    }
    assert!(live.phases().unwrap().left_stomach() > 1.0 - 1e-9);
    let early = ReaderLandmark {
        time_s: 10.0,
        ..pylorus
    };
    assert!(LiveSegmenter::new(&setup, &[swallow(), early], SegmentOptions::default()).is_err());
}
