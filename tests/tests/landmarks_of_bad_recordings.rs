//! Recordings that go wrong: each ends in a clear error or in a stated, uncertain answer.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use alvine::{Instants, LandmarkKind, ReaderLandmark, Recording, Setup, Track, Trajectory};
use alvine_phantom::{RadioProfile, Residence, Scenario, Simulated, simulate};
use alvine_transit::{Passage, SegmentError, segment, usual_gut};
use ndarray::Array2;

/// Half an hour of stomach, three hours of small bowel, and then the colon.
fn study(rate_hz: f64, duration_h: f64, seed: u64) -> Simulated {
    let mut scenario = Scenario {
        rate_hz,
        duration_h,
        ..Scenario::demo(seed).with_radio(RadioProfile::Matched)
    };
    scenario.transit.stomach = Residence::Fixed(1800.0);
    scenario.transit.small_bowel = Residence::Fixed(10_800.0);
    simulate(&scenario).unwrap()
}

fn track(setup: &Setup, recording: &Recording) -> Track {
    let gut = usual_gut(&setup.torso);
    let trajectory = Trajectory::default();
    trajectory
        .begin(setup, recording, &[])
        .unwrap()
        .track(&|_| gut, Instants::Knots)
}

fn passage(setup: &Setup, recording: &Recording, given: &[ReaderLandmark]) -> Result<Passage, SegmentError> {
    segment(setup, recording, &track(setup, recording), given)
}

fn given(kind: LandmarkKind, time_s: f64) -> ReaderLandmark {
    ReaderLandmark {
        kind,
        time_s,
        spread_s: None,
    }
}

/// The recording with each reading changed or taken away.
fn changed(recording: &Recording, change: impl Fn(f64, usize, f32) -> f32) -> Recording {
    let levels = Array2::from_shape_fn((recording.len(), recording.sites()), |(row, site)| {
        change(recording.time_s()[row], site, recording.row(row)[site])
    });
    Recording::new(recording.time_s().to_vec(), levels).unwrap()
}

/// Every probability is one, every interval in order, the wider around the narrower.
fn is_sound(passage: &Passage) {
    for landmark in &passage.landmarks {
        assert!((0.0..=1.0).contains(&landmark.within), "{landmark:?}");
        assert!((0.0..=1.0).contains(&landmark.before), "{landmark:?}");
        assert!(landmark.within + landmark.before < 1.0 + 1e-6, "{landmark:?}");
        let ([a, b], [c, d]) = (landmark.interval90_s, landmark.interval50_s);
        assert!(a <= c && c <= d && d <= b, "{landmark:?}");
    }
    let bins = passage.occupancy[0].len();
    for bin in [0, bins / 2, bins - 1] {
        let sum: f64 = passage.occupancy.iter().map(|row| row[bin]).sum();
        assert!((sum - 1.0).abs() < 1e-6);
    }
}

#[test]
fn what_happens_in_hours_of_nothing_is_told_within_many_minutes() {
    let made = study(1.0, 6.0, 3);
    let (from_s, to_s) = (9000.0, 16_200.0);
    let silent = changed(&made.recording, |time_s, _, level| {
        if (from_s..to_s).contains(&time_s) {
            f32::NAN
        } else {
            level
        }
    });
    let swallow = [given(LandmarkKind::Swallow, made.swallowed_s)];
    let gapped = passage(&made.setup, &silent, &swallow).unwrap();
    is_sound(&gapped);
    let [from_s, to_s] = gapped.landmark(LandmarkKind::IleocaecalValve).unwrap().interval90_s;
    assert!(to_s - from_s > 1200.0, "{from_s} {to_s}");
    let pylorus = gapped.landmark(LandmarkKind::Pylorus).unwrap();
    assert!(
        (pylorus.time_s - (made.swallowed_s + 1808.0)).abs() < 900.0,
        "{pylorus:?}"
    );
}

#[test]
fn one_site_alone_gives_an_answer_that_says_how_little_it_knows() {
    let made = study(1.0, 6.0, 4);
    let lone = changed(
        &made.recording,
        |_, site, level| if site == 3 { level } else { f32::NAN },
    );
    let passage = passage(&made.setup, &lone, &[given(LandmarkKind::Swallow, made.swallowed_s)]).unwrap();
    is_sound(&passage);
    let [from_s, to_s] = passage.landmark(LandmarkKind::Pylorus).unwrap().interval90_s;
    assert!(to_s - from_s > 600.0, "{from_s} {to_s}");
}

#[test]
fn landmarks_out_of_order_and_two_swallows_are_named_errors() {
    let made = study(0.5, 1.0, 5);
    let twisted = [
        given(LandmarkKind::Pylorus, 3000.0),
        given(LandmarkKind::IleocaecalValve, 2000.0),
    ];
    let error = passage(&made.setup, &made.recording, &twisted).unwrap_err();
    assert!(
        matches!(
            error,
            SegmentError::OutOfOrder {
                earlier: LandmarkKind::Pylorus,
                earlier_s: 3000.0,
                ..
            }
        ),
        "{error}"
    );
    let twice = [given(LandmarkKind::Swallow, 400.0), given(LandmarkKind::Swallow, 900.0)];
    let error = passage(&made.setup, &made.recording, &twice).unwrap_err();
    assert!(
        matches!(error, SegmentError::GivenTwice { second_s: 900.0, .. }),
        "{error}"
    );
}

#[test]
fn landmarks_given_outside_the_recording_count_as_passed_before_or_not_within() {
    let made = study(0.5, 2.0, 6);
    let late = [given(LandmarkKind::Pylorus, 9000.0)];
    let after = passage(&made.setup, &made.recording, &late).unwrap();
    assert!(after.landmark(LandmarkKind::Pylorus).unwrap().within < 1e-9);
    let early = [given(LandmarkKind::IleocaecalValve, -60.0)];
    let before = passage(&made.setup, &made.recording, &early).unwrap();
    assert!(before.landmark(LandmarkKind::IleocaecalValve).unwrap().before > 1.0 - 1e-9);
    is_sound(&before);
}

#[test]
fn landmarks_that_defy_the_signal_are_believed_all_the_same() {
    // The pylorus an hour late and the valve a minute after it: nothing in the signal says so.
    let made = study(0.5, 4.0, 7);
    let defiant = [
        given(LandmarkKind::Pylorus, 6000.0),
        given(LandmarkKind::IleocaecalValve, 6300.0),
    ];
    let passage = passage(&made.setup, &made.recording, &defiant).unwrap();
    is_sound(&passage);
    let valve = passage.landmark(LandmarkKind::IleocaecalValve).unwrap();
    assert!((valve.time_s - 6300.0).abs() < 60.0, "{valve:?}");
}

#[test]
fn a_recording_that_starts_in_the_colon_has_no_swallow_within() {
    let made = study(1.0, 9.0, 8);
    let from_s = made.swallowed_s + 1808.0 + 10_800.0 + 3600.0;
    let first = made.recording.time_s().partition_point(|&time_s| time_s < from_s);
    let time_s: Vec<f64> = made.recording.time_s()[first..]
        .iter()
        .map(|time_s| time_s - from_s)
        .collect();
    let levels = Array2::from_shape_fn((time_s.len(), made.recording.sites()), |(row, site)| {
        made.recording.row(first + row)[site]
    });
    let late = Recording::new(time_s, levels).unwrap();
    let passage = passage(&made.setup, &late, &[]).unwrap();
    is_sound(&passage);
    assert!(passage.landmark(LandmarkKind::Swallow).unwrap().within < 0.05);
    let pylorus = passage.landmark(LandmarkKind::Pylorus).unwrap();
    assert!(pylorus.before > 0.5, "{pylorus:?}");
}

#[test]
fn any_rate_from_a_tenth_to_twenty_hertz_gets_an_answer() {
    for rate_hz in [0.1, 0.25, 5.0, 20.0] {
        let made = study(rate_hz, 1.5, 9);
        let swallow = [given(LandmarkKind::Swallow, made.swallowed_s)];
        let passage = passage(&made.setup, &made.recording, &swallow).unwrap();
        is_sound(&passage);
        let pylorus = passage.landmark(LandmarkKind::Pylorus).unwrap();
        assert!(pylorus.within > 0.9, "{rate_hz} Hz: {pylorus:?}");
    }
}
