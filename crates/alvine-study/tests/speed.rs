//! Twelve hours at 6 Hz of eight sites: how long reading and writing take.
//!
//! Run with `cargo test --release -p alvine-study --test speed -- --ignored --nocapture`.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;
use std::time::{Duration, Instant};

use alvine::{Flags, Layout, Position, Recording, Track, TrackPoint};
use alvine_study::results::{TrackHead, write_track_csv, write_track_hdf5};
use alvine_study::{Study, read_study, write_study_hdf5, write_study_toml};
use nalgebra::Matrix3;
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

mod small;

const INSTANTS: usize = 12 * 3600 * 6;

fn long_study() -> Study {
    let folder = small::folder();
    let mut study = read_study(folder.path()).unwrap();
    study.setup.layout = Layout::default_eight(&study.setup.torso);
    study.auxiliary.clear();
    let mut random = Xoshiro256PlusPlus::seed_from_u64(7);
    let times_s = (0..INSTANTS).map(|k| k as f64 / 6.0).collect();
    let levels = Array2::from_shape_fn((INSTANTS, 8), |_| {
        if random.random_bool(0.05) {
            f32::NAN
        } else {
            -random.random_range(50..105_i16) as f32
        }
    });
    study.recording = Recording::new(times_s, levels).unwrap();
    study
}

fn long_track() -> Track {
    let mut random = Xoshiro256PlusPlus::seed_from_u64(8);
    let mut mm = || random.random_range(-150.0..150.0);
    let points = (0..INSTANTS).map(|instant| TrackPoint {
        instant,
        time_s: instant as f64 / 6.0,
        position_mm: Position::new(mm(), mm(), mm()),
        covariance_mm2: Matrix3::from_diagonal_element(900.0 + mm()),
        sites_used: 8,
        flags: Flags::NONE,
    });
    Track {
        points: points.collect(),
    }
}

/// The quickest of five.
fn quickest<T>(name: &str, mut work: impl FnMut() -> T) -> Duration {
    let quickest = (0..5)
        .map(|_| {
            let from = Instant::now();
            std::hint::black_box(work());
            from.elapsed()
        })
        .min()
        .unwrap();
    println!("{name}: {:.0} ms", quickest.as_secs_f64() * 1e3);
    quickest
}

/// Peak resident memory of this process, MB, where the system tells.
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    let kb: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kb / 1024.0)
}

#[test]
#[ignore = "a measurement"]
fn twelve_hours_read_within_a_second_and_a_track_is_written_within_half_of_one() {
    let dir = tempfile::tempdir().unwrap();
    let (toml, hdf5): (&Path, _) = (dir.path(), dir.path().join("study.h5"));
    let study = long_study();
    quickest("write study.toml and recording.csv", || {
        write_study_toml(&study, toml).unwrap()
    });
    quickest("write study.h5", || write_study_hdf5(&study, &hdf5).unwrap());
    drop(study);
    let csv = quickest("read study.toml and recording.csv", || read_study(toml).unwrap());
    let h5 = quickest("read study.h5", || read_study(&hdf5).unwrap());
    println!("peak so far: {:.0} MB", peak_mb().unwrap_or(f64::NAN));
    let track = long_track();
    let head = TrackHead {
        study_id: "speed".to_owned(),
        started: None,
    };
    let track_csv = quickest("write track.csv", || {
        write_track_csv(&track, &dir.path().join("track.csv")).unwrap()
    });
    quickest("write track.h5", || {
        write_track_hdf5(&track, &head, &dir.path().join("track.h5")).unwrap()
    });
    for name in ["recording.csv", "study.h5", "track.csv", "track.h5"] {
        let bytes = std::fs::metadata(dir.path().join(name)).unwrap().len();
        println!("{name}: {:.1} MB", bytes as f64 / 1e6);
    }
    assert!(csv < Duration::from_secs(1) && h5 < Duration::from_secs(1));
    assert!(track_csv < Duration::from_millis(500));
}
