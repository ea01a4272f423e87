//! Files cut short and files with flipped bits: an error or a study, and never a panic.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod small;

use std::fs;
use std::path::{Path, PathBuf};

use alvine_study::{read_study, write_study_hdf5};
use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Reads a study; whatever comes out must be usable.
fn outcome(path: &Path) -> bool {
    match read_study(path) {
        Ok(study) => {
            assert_eq!(study.recording.sites(), study.setup.layout.len());
            true
        }
        Err(error) => {
            assert!(error.to_string().contains("expected"), "{error}");
            false
        }
    }
}

/// How many of the cuts of a file, one every `step` bytes, still give a study.
fn cuts(study: &Path, file: &Path, step: usize) -> usize {
    let whole = fs::read(file).unwrap();
    let readable = (0..whole.len()).step_by(step).filter(|&length| {
        fs::write(file, &whole[..length]).unwrap();
        outcome(study)
    });
    let readable = readable.count();
    fs::write(file, whole).unwrap();
    readable
}

/// How many of `rounds` copies of a file with up to four bytes changed still give a study.
fn flips(study: &Path, file: &Path, rounds: usize, seed: u64) -> usize {
    let whole = fs::read(file).unwrap();
    let mut random = Xoshiro256PlusPlus::seed_from_u64(seed);
    let readable = (0..rounds).filter(|_| {
        let mut bytes = whole.clone();
        for _ in 0..random.random_range(1..=4) {
            let at = random.random_range(0..bytes.len());
            bytes[at] ^= 1 << random.random_range(0..8);
        }
        fs::write(file, bytes).unwrap();
        outcome(study)
    });
    readable.count()
}

fn hdf5_study() -> (tempfile::TempDir, PathBuf) {
    let dir = small::folder();
    let file = dir.path().join("study.h5");
    write_study_hdf5(&read_study(dir.path()).unwrap(), &file).unwrap();
    (dir, file)
}

#[test]
fn toml_cut_anywhere_is_an_error_or_a_study() {
    let dir = small::folder();
    // Cut within its last tables the description may still be one.
    assert!(cuts(dir.path(), &dir.path().join("study.toml"), 1) < 100);
}

#[test]
fn csv_cut_anywhere_is_an_error_or_a_study() {
    let dir = small::folder();
    assert!(cuts(dir.path(), &dir.path().join("recording.csv"), 1) < 60);
}

#[test]
fn hdf5_cut_anywhere_is_an_error() {
    let (_dir, file) = hdf5_study();
    assert_eq!(cuts(&file, &file, 97), 0);
}

#[test]
fn text_with_flipped_bits_is_an_error_or_a_study() {
    let dir = small::folder();
    let readable = flips(dir.path(), &dir.path().join("study.toml"), 1500, 11);
    assert!((1..1500).contains(&readable), "{readable}");
    let dir = small::folder();
    let readable = flips(dir.path(), &dir.path().join("recording.csv"), 1500, 12);
    assert!((1..1500).contains(&readable), "{readable}");
}

#[test]
fn hdf5_with_flipped_bits_is_an_error_or_a_study() {
    let (_dir, file) = hdf5_study();
    let readable = flips(&file, &file, 800, 13);
    assert!((1..800).contains(&readable), "{readable}");
}
