//! The check on levels of a plain law in air, with one thing wrong at a time.

use ndarray::Array2;

use super::*;
use crate::layout::{Layout, Site};
use crate::noise::NoiseModel;
use crate::recording::Receiver;
use crate::torso::{Position, Torso};

fn setup() -> Setup {
    let torso = Torso::new(330.0, 230.0).unwrap();
    Setup::default_eight(
        torso,
        NoiseModel::new(4.0, 2.0).unwrap(),
        Receiver::new(-100.0, Some(-25.0), None).unwrap(),
    )
}

/// Ten seconds near each site at 2 Hz; a ripple of ±1 dB and ±2 dB that depends on the pair stand for noise and shadowing.
fn recording(setup: &Setup, change: impl Fn(usize, usize, f64) -> f64) -> Recording {
    let sites = setup.layout.sites();
    let n = sites.len();
    let levels = Array2::from_shape_fn((20 * n, n), |(row, column)| {
        let held = row / 20;
        let apart_mm = (sites[held].position_mm - sites[column].position_mm).norm().max(50.0);
        let pair_db = 2.0 * ((held * 7 + column * 3) as f64).sin();
        let ripple_db = if row % 2 == 0 { 1.0 } else { -1.0 };
        let level_dbm = -40.0 - 25.0 * (apart_mm / 50.0).log10() + pair_db + ripple_db;
        change(row, column, level_dbm).max(-100.0) as f32
    });
    Recording::new((0..20 * n).map(|row| 0.5 * row as f64).collect(), levels).unwrap()
}

fn checked(setup: &Setup, recording: &Recording) -> AntennaCheck {
    let order: Vec<usize> = (0..setup.layout.len()).collect();
    check_antennas(setup, recording, &find_turns(setup, recording, &order).unwrap()).unwrap()
}

/// The first instants of a recording.
fn first(recording: &Recording, instants: usize) -> Recording {
    let levels = Array2::from_shape_fn((instants, recording.sites()), |at| recording.rssi_dbm()[at]);
    Recording::new(recording.time_s()[..instants].to_vec(), levels).unwrap()
}

fn swapped(recording: &Recording, one: usize, other: usize) -> Recording {
    let mut levels = recording.rssi_dbm().to_owned();
    for mut row in levels.rows_mut() {
        row.swap(one, other);
    }
    Recording::new(recording.time_s().to_vec(), levels).unwrap()
}

#[test]
fn turns_are_found_where_the_capsule_moved_on() {
    let setup = setup();
    let recording = recording(&setup, |_, _, level_dbm| level_dbm);
    let order: Vec<usize> = (0..8).collect();
    for (turn, expected) in find_turns(&setup, &recording, &order).unwrap().iter().zip(0..) {
        assert_eq!(turn.site, expected);
        assert!((turn.start_s - 10.0 * expected as f64).abs() < 1e-9, "{turn:?}");
    }
}

#[test]
fn a_sound_belt_goes() {
    let setup = setup();
    let check = checked(&setup, &recording(&setup, |_, _, level_dbm| level_dbm));
    assert_eq!(check.answer, Answer::Go, "{:?}", check.findings);
    assert!(check.labelling.as_told > 0.99, "{:?}", check.labelling);
    assert!(
        check
            .antennas
            .iter()
            .all(|antenna| antenna.gain_db.unwrap().abs() < 5.0)
    );
}

#[test]
fn any_two_antennas_that_were_swapped_are_found_and_named() {
    let setup = setup();
    let sound = recording(&setup, |_, _, level_dbm| level_dbm);
    for one in 0..8 {
        for other in one + 1..8 {
            let check = checked(&setup, &swapped(&sound, one, other));
            assert_eq!(check.answer, Answer::Stop);
            let found = &check.findings[0];
            let is_it = matches!(*found, AntennaFinding::Swapped { one: a, other: b, probability } if (a, b) == (one, other) && probability > SURE);
            assert!(is_it, "{one} {other}: {found:?}");
        }
    }
}

#[test]
fn three_antennas_in_a_ring_are_told_with_where_they_seem_to_be() {
    let setup = setup();
    let sound = recording(&setup, |_, _, level_dbm| level_dbm);
    let check = checked(&setup, &swapped(&swapped(&sound, 0, 4), 4, 6));
    let AntennaFinding::Mislabelled {
        sites,
        seem_at,
        probability,
    } = &check.findings[0]
    else {
        panic!("{:?}", check.findings);
    };
    assert_eq!((&sites[..], &seem_at[..]), (&[0, 4, 6][..], &[4, 6, 0][..]));
    assert!(*probability > SURE);
}

#[test]
fn a_dead_antenna_stops_and_the_others_keep_their_labels() {
    let setup = setup();
    let dead = recording(
        &setup,
        |_, column, level_dbm| if column == 3 { -100.0 } else { level_dbm },
    );
    let check = checked(&setup, &dead);
    assert_eq!(check.findings, vec![AntennaFinding::Dead { site: 3 }]);
    assert_eq!(check.answer, Answer::Stop);
    let never = recording(
        &setup,
        |_, column, level_dbm| if column == 3 { f64::NAN } else { level_dbm },
    );
    // `max` turns NaN into the floor here, so that both are one case; a column without packets is the other.
    let mut levels = never.rssi_dbm().to_owned();
    levels.column_mut(3).fill(f32::NAN);
    let silent = Recording::new(never.time_s().to_vec(), levels).unwrap();
    assert_eq!(
        checked(&setup, &silent).findings,
        vec![AntennaFinding::Dead { site: 3 }]
    );
}

#[test]
fn weak_flat_restless_and_lossy_antennas_are_told_apart() {
    let setup = setup();
    let findings = |change: &dyn Fn(usize, usize, f64) -> f64| checked(&setup, &recording(&setup, change)).findings;
    let weak = findings(&|_, column, level_dbm| if column == 2 { level_dbm - 16.0 } else { level_dbm });
    assert!(
        matches!(weak[..], [AntennaFinding::Weak { site: 2, below_db }] if (below_db - 16.0).abs() < 4.0),
        "{weak:?}"
    );
    let flat = findings(&|_, column, level_dbm| if column == 5 { -62.0 } else { level_dbm });
    assert!(
        matches!(
            flat[..],
            [AntennaFinding::Flat {
                site: 5,
                level_dbm: -62.0,
                ..
            }]
        ),
        "{flat:?}"
    );
    let restless = findings(&|row, column, level_dbm| {
        let jump_db = if row % 4 < 2 { 9.0 } else { -9.0 };
        if column == 6 { level_dbm + jump_db } else { level_dbm }
    });
    assert!(
        matches!(restless[..], [AntennaFinding::Unsteady { site: 6, .. }]),
        "{restless:?}"
    );
    let sound = recording(&setup, |_, _, level_dbm| level_dbm);
    let mut levels = sound.rssi_dbm().to_owned();
    for row in 20..40 {
        if row % 3 != 0 {
            levels[(row, 1)] = f32::NAN;
        }
    }
    let lossy = checked(&setup, &Recording::new(sound.time_s().to_vec(), levels).unwrap()).findings;
    assert!(
        matches!(lossy[..], [AntennaFinding::Lossy { site: 1, .. }]),
        "{lossy:?}"
    );
}

#[test]
fn a_site_that_was_left_out_shows_as_two_turns_alike() {
    let setup = setup();
    let sound = recording(&setup, |_, _, level_dbm| level_dbm);
    // The rows of the last turn are gone, so that seven turns are cut into eight.
    let short = first(&sound, 140);
    let check = checked(&setup, &short);
    assert_ne!(check.answer, Answer::Go);
    assert!(
        check
            .findings
            .iter()
            .any(|finding| matches!(finding, AntennaFinding::TurnsAlike { .. }))
    );
}

#[test]
fn a_site_off_its_mirror_image_is_told_and_a_layout_that_has_none_is_not() {
    let mut setup = setup();
    let mut sites = setup.layout.sites().to_vec();
    sites[4].position_mm.z += 40.0;
    setup.layout = Layout::new(sites).unwrap();
    let check = checked(&setup, &recording(&setup, |_, _, level_dbm| level_dbm));
    let sites: Vec<usize> = check
        .findings
        .iter()
        .filter_map(|finding| match finding {
            AntennaFinding::NoMirror { site, off_mm } => {
                assert!((off_mm - 40.0).abs() < 1e-9);
                Some(*site)
            }
            _ => None,
        })
        .collect();
    assert_eq!(sites, [3, 4]);
    let lopsided = [
        (10.0, 0.0, 90.0),
        (100.0, 22.0, 60.0),
        (120.0, 36.0, -20.0),
        (60.0, 8.0, -80.0),
        (30.0, 2.0, 10.0),
    ];
    let sites = lopsided.iter().enumerate();
    setup.layout = Layout::new(
        sites
            .map(|(k, &(x, y, z))| Site::new(format!("s{k}"), Position::new(x, y, z)))
            .collect(),
    )
    .unwrap();
    assert!(of_layout(&setup).is_empty());
}

#[test]
fn what_cannot_be_checked_is_refused_with_the_reason() {
    let setup = setup();
    let recording = recording(&setup, |_, _, level_dbm| level_dbm);
    assert_eq!(
        find_turns(&setup, &recording, &[0, 1]).unwrap_err(),
        AntennaCheckError::TooFewTurns { found: 2 }
    );
    assert_eq!(
        find_turns(&setup, &recording, &[0, 1, 9]).unwrap_err(),
        AntennaCheckError::UnknownSite { index: 9, sites: 8 }
    );
    let turn = |site, start_s, end_s| Turn { site, start_s, end_s };
    let turns = [turn(0, 0.0, 9.0), turn(1, 10.0, 19.0), turn(2, 900.0, 910.0)];
    assert!(matches!(
        check_antennas(&setup, &recording, &turns).unwrap_err(),
        AntennaCheckError::EmptyTurn { turn: 2, .. }
    ));
    let short = first(&recording, 20);
    let order: Vec<usize> = (0..8).collect();
    assert!(matches!(
        find_turns(&setup, &short, &order),
        Err(AntennaCheckError::TooShort { turns: 8, .. })
    ));
}

#[test]
fn a_recording_in_which_no_capsule_was_held_is_not_let_go() {
    let setup = setup();
    // As from a capsule at one place, with a wander that knows nothing of the sites.
    let elsewhere = recording(&setup, |row, column, _| {
        let wander_db = 8.0 * ((row / 20 * 5 + column * 11) as f64).sin();
        -80.0 + wander_db + f64::from(u8::from(row % 2 == 0))
    });
    let check = checked(&setup, &elsewhere);
    let is_it = |finding: &AntennaFinding| matches!(finding, AntennaFinding::NotHeld { turns: 8, .. });
    assert!(
        check.answer != Answer::Go && check.findings.iter().any(is_it),
        "{:?}",
        check.findings
    );
}
