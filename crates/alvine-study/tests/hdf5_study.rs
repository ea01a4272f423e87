//! Reading and writing the HDF5 container, and turning each container into the other.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod small;

use std::fs;

use alvine::recording::Receiver;
use alvine::{
    DistanceAndTissue, FreeSpace, LandmarkKind, Law, Layout, LogDistance, NoiseModel, Position, ReaderFinding,
    ReaderLandmark, Recording, Setup, Site, Torso, Transmitter,
};
use alvine_study::{AuxiliaryColumn, Started, Study, read_study, write_study_hdf5, write_study_toml};
use ndarray::Array2;
use proptest::prelude::*;

#[test]
fn a_study_survives_hdf5_and_comes_back() {
    let dir = small::folder();
    let study = read_study(dir.path()).unwrap();
    let file = dir.path().join("out/study.h5");
    write_study_hdf5(&study, &file).unwrap();
    small::assert_same(&study, &read_study(&file).unwrap());
    let names: Vec<_> = fs::read_dir(dir.path().join("out"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    assert_eq!(names, ["study.h5"]);
}

#[test]
fn an_hdf5_study_is_known_by_its_bytes_under_any_name() {
    let dir = small::folder();
    let study = read_study(dir.path()).unwrap();
    let file = dir.path().join("study.bin");
    write_study_hdf5(&study, &file).unwrap();
    small::assert_same(&study, &read_study(&file).unwrap());
}

#[test]
fn the_same_study_makes_the_same_bytes() {
    let dir = small::folder();
    let study = read_study(dir.path()).unwrap();
    let (one, other) = (dir.path().join("one.h5"), dir.path().join("other.h5"));
    write_study_hdf5(&study, &one).unwrap();
    write_study_hdf5(&study, &other).unwrap();
    assert!(fs::read(one).unwrap() == fs::read(other).unwrap());
}

fn started() -> impl Strategy<Value = Option<Started>> {
    let moment = (
        0..9999_i16,
        1..13_i8,
        1..29_i8,
        0..24_i8,
        0..60_i8,
        0..60_i8,
        0..1_000_000_000_i32,
    );
    prop::option::of((moment, -1439..1440_i32).prop_map(
        |((year, month, day, hour, minute, second, nanosecond), east_minutes)| Started {
            civil: jiff::civil::DateTime::new(year, month, day, hour, minute, second, nanosecond).unwrap(),
            offset: jiff::tz::Offset::from_seconds(60 * east_minutes).unwrap(),
        },
    ))
}

fn law() -> impl Strategy<Value = Law> {
    prop_oneof![
        (1.0..500.0_f64, -50.0..200.0_f64, 0.5..12.0_f64)
            .prop_map(|(d, l, n)| Law::LogDistance(LogDistance::new(d, l, n).unwrap())),
        Just(Law::FreeSpace(FreeSpace::new(433.0).unwrap())),
        (1.0..500.0_f64, -50.0..200.0_f64, 0.5..12.0_f64, 0.0..20.0_f64)
            .prop_map(|(d, l, n, a)| Law::DistanceAndTissue(DistanceAndTissue::new(d, l, n, a).unwrap())),
    ]
}

fn layout() -> impl Strategy<Value = Layout> {
    let site = ("[a-zé -]{0,6}", -3.0..3.0_f64, prop_oneof![Just(0.0), -9.0..9.0_f64]);
    prop::collection::vec(site, 4..14).prop_map(|sites| {
        // Around the body, so that no layout is flat.
        let sites = sites.into_iter().enumerate().map(|(k, (name, jitter_mm, gain_db))| {
            let (sin, cos) = (k as f64 * 2.4).sin_cos();
            let place = Position::new(150.0 * sin + jitter_mm, 100.0 + 90.0 * cos, 31.0 * k as f64 - 90.0);
            let mut site = Site::new(format!("s{k}{}", name.trim()), place);
            site.gain_db = gain_db;
            site
        });
        Layout::new(sites.collect()).unwrap()
    })
}

fn setup() -> impl Strategy<Value = Setup> {
    let radio = (-150.0..50.0_f64, prop::option::of(0.1..1000.0_f64), -200.0..50.0_f64);
    let limits = (prop::option::of(0.1..49.0_f64), prop::option::of(0.01..20.0_f64));
    let noise = (0.0..40.0_f64, 0.01..40.0_f64);
    let torso = (80.0..900.0_f64, 80.0..900.0_f64);
    (radio, limits, noise, torso, law(), layout()).prop_map(|(radio, limits, noise, torso, law, layout)| Setup {
        torso: Torso::new(torso.0, torso.1).unwrap(),
        room: None,
        layout,
        law,
        noise: NoiseModel::new(noise.0, noise.1).unwrap(),
        transmitter: Transmitter::new(433.0, radio.0, radio.1).unwrap(),
        receiver: Receiver::new(radio.2, limits.0.map(|above_db| radio.2 + above_db), limits.1).unwrap(),
    })
}

fn marks() -> impl Strategy<Value = (Vec<ReaderLandmark>, Vec<ReaderFinding>)> {
    let landmark = (-1e6..1e6_f64, prop::option::of(0.0..1e5_f64));
    let finding = ("[^\\p{Cc}]{1,9}", -1e6..1e6_f64, prop::option::of("[^\0]{1,40}"));
    let landmarks = prop::collection::vec(landmark, 0..7);
    let findings = prop::collection::vec(finding, 0..4);
    (landmarks, findings, any::<bool>()).prop_map(|(landmarks, findings, backwards)| {
        let kinds = LandmarkKind::ALL.into_iter();
        let mut landmarks: Vec<_> = kinds
            .zip(landmarks)
            .map(|(kind, (time_s, spread_s))| ReaderLandmark { kind, time_s, spread_s })
            .collect();
        if backwards {
            landmarks.reverse();
        }
        let findings = findings
            .into_iter()
            .enumerate()
            .map(|(k, (id, time_s, note))| ReaderFinding {
                id: format!("{id}{k}"),
                time_s,
                note,
            });
        (landmarks, findings.collect())
    })
}

fn recording(sites: usize) -> impl Strategy<Value = (Recording, Vec<AuxiliaryColumn>)> {
    let level = prop_oneof![3 => (-200.0..100.0_f32).boxed(), 1 => Just(f32::NAN).boxed(), 1 => (-99..0_i8).prop_map(f32::from).boxed()];
    let row = (1e-9..100.0_f64, prop::collection::vec(level, sites));
    let names = prop::collection::vec("[^\0]{0,6}", 0..3);
    (-1e4..1e4_f64, prop::collection::vec(row, 1..20), names).prop_flat_map(move |(from_s, rows, names)| {
        let mut time_s = from_s;
        let mut times_s = Vec::new();
        let mut levels = Vec::new();
        for (step_s, row) in rows {
            time_s += step_s;
            times_s.push(time_s);
            levels.extend(row);
        }
        // Every site reports at least once.
        for level in &mut levels[..sites] {
            if level.is_nan() {
                *level = -70.25;
            }
        }
        let instants = times_s.len();
        let levels = Array2::from_shape_vec((instants, sites), levels).unwrap();
        let recording = Recording::new(times_s, levels).unwrap();
        let cells = prop::collection::vec(prop::collection::vec("[^\0]{0,9}", instants), names.len());
        (Just(recording), Just(names), cells).prop_map(|(recording, names, cells)| {
            let columns = names.into_iter().zip(cells).enumerate();
            let columns = columns.map(|(k, (name, cells))| AuxiliaryColumn {
                name: format!("aux_{k}{name}"),
                cells,
            });
            (recording, columns.collect())
        })
    })
}

fn study() -> impl Strategy<Value = Study> {
    let head = ("[^\\p{Cc}]{1,20}", started(), prop::option::of(-1e5..1e5_f64));
    (head, setup(), marks()).prop_flat_map(|(head, setup, marks)| {
        let sites = setup.layout.len();
        (Just((head, setup, marks)), recording(sites)).prop_map(|((head, setup, marks), (recording, auxiliary))| {
            Study {
                id: head.0,
                started: head.1,
                swallowed_s: head.2,
                setup,
                landmarks: marks.0,
                findings: marks.1,
                recording,
                auxiliary,
            }
        })
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn each_container_turns_into_the_other_with_nothing_lost(study in study()) {
        let dir = tempfile::tempdir().unwrap();
        let (first, second) = (dir.path().join("first"), dir.path().join("second"));
        let (one, other) = (dir.path().join("one.h5"), dir.path().join("other.h5"));
        write_study_toml(&study, &first).unwrap();
        let from_toml = read_study(&first).unwrap();
        small::assert_same(&study, &from_toml);
        write_study_hdf5(&from_toml, &one).unwrap();
        let from_hdf5 = read_study(&one).unwrap();
        small::assert_same(&study, &from_hdf5);
        write_study_toml(&from_hdf5, &second).unwrap();
        write_study_hdf5(&from_hdf5, &other).unwrap();
        for name in ["study.toml", "recording.csv"] {
            prop_assert!(fs::read(first.join(name)).unwrap() == fs::read(second.join(name)).unwrap());
        }
        prop_assert!(fs::read(one).unwrap() == fs::read(other).unwrap());
    }
}
