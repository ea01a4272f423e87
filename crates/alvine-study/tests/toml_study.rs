//! Reading and writing the TOML and CSV container.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod small;

use std::fs;

use alvine::LandmarkKind;
use alvine_study::{Started, read_study, write_study_toml};

#[test]
fn a_study_reads_from_its_file_and_from_its_folder() {
    let dir = small::folder();
    let study = read_study(&dir.path().join("study.toml")).unwrap();
    assert_eq!(study.id, "small-01");
    assert_eq!(study.started, Started::parse("2026-03-02T08:14:00+01:00"));
    assert_eq!(study.swallowed_s, Some(412.0));
    assert_eq!(study.setup.layout.len(), 5);
    assert_eq!(study.setup.layout.sites()[1].gain_db, -1.5);
    assert_eq!(study.landmarks[0].kind, LandmarkKind::Pylorus);
    assert_eq!(study.findings[0].note.as_deref(), Some("red, \"flat\""));
    assert_eq!(study.recording.time_s(), [0.0, 0.5, 1.25]);
    assert!(study.recording.row(1)[2].is_nan());
    assert_eq!(study.auxiliary[0].cells, ["98", "97, falling", ""]);
    small::assert_same(&study, &read_study(dir.path()).unwrap());
}

#[test]
fn a_study_without_sites_has_the_default_eight() {
    let dir = small::folder();
    let file = dir.path().join("study.toml");
    let text = fs::read_to_string(&file).unwrap();
    let without = text.split("[[site]]").next().unwrap();
    fs::write(&file, without).unwrap();
    let csv = "time_s,right-hypochondriac,epigastric,left-hypochondriac,right-lumbar,left-lumbar,right-iliac,\
               hypogastric,left-iliac\n0,-60,-61,-62,-63,,,,\n";
    fs::write(dir.path().join("recording.csv"), csv).unwrap();
    let study = read_study(dir.path()).unwrap();
    assert_eq!(study.setup.layout, alvine::Layout::default_eight(&study.setup.torso));
}

#[test]
fn what_is_written_reads_back_the_same() {
    let dir = small::folder();
    let study = read_study(dir.path()).unwrap();
    let copy = tempfile::tempdir().unwrap();
    write_study_toml(&study, &copy.path().join("new")).unwrap();
    small::assert_same(&study, &read_study(&copy.path().join("new")).unwrap());
    let mut names: Vec<_> = fs::read_dir(copy.path().join("new"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    names.sort();
    assert_eq!(names, ["recording.csv", "study.toml"]);
}
