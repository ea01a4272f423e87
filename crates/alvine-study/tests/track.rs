//! The track on disk.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::path::Path;
use std::process::Command;

use alvine::{Flags, Position, Track, TrackPoint};
use alvine_study::Started;
use alvine_study::results::{TrackHead, read_track_hdf5, write_track_hdf5};
use nalgebra::Matrix3;

fn track() -> Track {
    let points = (0..20_000).filter(|k| k % 7 != 3).map(|k| {
        let t = k as f64 / 6.0;
        TrackPoint {
            instant: k,
            time_s: t,
            position_mm: Position::new(80.0 * (t / 90.0).sin(), 60.0 + 0.01 * t, -20.0),
            covariance_mm2: Matrix3::new(400.0, 10.0, -5.0, 10.0, 900.0, 1.0 / 3.0, -5.0, 1.0 / 3.0, 250.0),
            sites_used: (k % 9) as u16,
            flags: Flags::from_bits((k % 512) as u16),
        }
    });
    Track {
        points: points.collect(),
    }
}

fn head(started: Option<&str>) -> TrackHead {
    TrackHead {
        study_id: "small-01 é".to_owned(),
        started: started.and_then(Started::parse),
    }
}

#[test]
fn a_track_survives_hdf5_bit_by_bit() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("track.h5");
    write_track_hdf5(&track(), &head(Some("2026-03-02T08:14:00+01:00")), &file).unwrap();
    assert_eq!(read_track_hdf5(&file).unwrap(), track());
    let bytes = std::fs::metadata(&file).unwrap().len();
    assert!(bytes < 700_000, "{bytes} bytes: not compressed");
}

#[test]
fn an_empty_track_is_a_file_too() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("track.h5");
    write_track_hdf5(&Track::default(), &head(None), &file).unwrap();
    assert_eq!(read_track_hdf5(&file).unwrap(), Track::default());
}

/// Runs only where ALVINE_PYTHON names an interpreter with the packages of tests/reference/requirements.txt.
#[test]
fn netcdf_readers_open_tracks_and_studies_with_named_dimensions() {
    let Some(python) = std::env::var_os("ALVINE_PYTHON") else {
        eprintln!("not run: ALVINE_PYTHON names no Python with the packages of tests/reference/requirements.txt");
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    for (name, started) in [
        ("dated.h5", Some("2026-03-02T08:14:00+01:00")),
        ("fraction.h5", Some("2026-03-02T23:14:00.25-09:30")),
        ("undated.h5", None),
    ] {
        write_track_hdf5(&track(), &head(started), &dir.path().join(name)).unwrap();
    }
    let small = small::folder();
    let study = alvine_study::read_study(small.path()).unwrap();
    alvine_study::write_study_hdf5(&study, &dir.path().join("study.h5")).unwrap();
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/check_cf.py");
    let output = Command::new(python).arg(script).arg(dir.path()).output().unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}");
    assert!(said.contains("8 files opened as named"), "{said}");
}

mod small;

#[test]
fn a_track_s_file_names_the_flags_as_the_library_does() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("track.h5");
    write_track_hdf5(&track(), &head(None), &file).unwrap();
    let names: Vec<&str> = Flags::NAMED.iter().map(|(_, name)| *name).collect();
    let meanings = names.join(" ");
    let bytes = std::fs::read(&file).unwrap();
    let at = bytes
        .windows(meanings.len())
        .position(|window| window == meanings.as_bytes());
    // And no further name behind them.
    assert_ne!(bytes[at.unwrap() + meanings.len()], b' ');
}
