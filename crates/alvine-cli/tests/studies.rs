//! Studies made and turned from one container into the other.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;

use alvine_study::read_study;
use program::{fail, names_in, simulate, succeed};

fn bytes(folder: &Path, name: &str) -> Vec<u8> {
    fs::read(folder.join(name)).unwrap()
}

#[test]
fn one_seed_gives_the_same_bytes_twice_and_another_gives_others() {
    let dir = tempfile::tempdir().unwrap();
    for (seed, out) in [("7", "first"), ("7", "second"), ("8", "other")] {
        succeed(
            dir.path(),
            &[
                "simulate",
                "--seed",
                seed,
                "--hours",
                "0.5",
                "--rate-hz",
                "1",
                "--out",
                out,
            ],
        );
    }
    let names = names_in(&dir.path().join("first"));
    assert_eq!(names, ["recording.csv", "study.toml", "truth.csv", "truth.json"]);
    for name in names {
        let first = bytes(&dir.path().join("first"), &name);
        assert_eq!(first, bytes(&dir.path().join("second"), &name), "{name}");
        assert_ne!(first, bytes(&dir.path().join("other"), &name), "{name}");
    }
}

#[test]
fn every_scenario_makes_a_study_of_its_name_and_options() {
    let dir = tempfile::tempdir().unwrap();
    let scenarios = alvine_phantom::Scenario::NAMES.into_iter().chain(["demo"]);
    for scenario in scenarios {
        let options = ["--hours", "0.25", "--rate-hz", "2", "--shadowing-db", "6"];
        let mut arguments = vec!["simulate", "--seed", "3", "--scenario", scenario, "--out", scenario];
        arguments.extend(options);
        succeed(dir.path(), &arguments);
        let study = read_study(&dir.path().join(scenario)).unwrap();
        assert_eq!(study.id, format!("phantom-{scenario}-3"));
        assert_eq!(study.recording.len(), 1800);
        assert_eq!(study.setup.noise.shadowing_db(), 6.0);
        assert_eq!(study.swallowed_s.is_none(), scenario == "started-late");
        assert_eq!(study.started.unwrap().to_string(), "2026-03-02T08:14:00+01:00");
    }
}

#[test]
fn a_matched_radio_tells_the_study_of_no_shadowing_and_a_realistic_one_of_the_published_spread() {
    let dir = tempfile::tempdir().unwrap();
    for (radio, shadowing_db, step_db) in [("matched", 0.0, None), ("realistic", 7.85, Some(1.0))] {
        let options = ["--hours", "0.25", "--rate-hz", "1", "--out", radio, "--radio", radio];
        let mut arguments = vec!["simulate", "--seed", "3"];
        arguments.extend(options);
        succeed(dir.path(), &arguments);
        let study = read_study(&dir.path().join(radio)).unwrap();
        assert_eq!(study.id, format!("phantom-default-{radio}-3"));
        assert_eq!(study.setup.noise.shadowing_db(), shadowing_db);
        assert_eq!(study.setup.receiver.step_db(), step_db);
    }
}

#[test]
fn a_study_made_as_hdf5_is_the_one_made_as_text() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "text");
    succeed(
        dir.path(),
        &[
            "simulate",
            "--seed",
            "5",
            "--hours",
            "0.5",
            "--rate-hz",
            "1",
            "--hdf5",
            "--out",
            "hdf5",
        ],
    );
    assert_eq!(
        names_in(&dir.path().join("hdf5")),
        ["study.h5", "truth.csv", "truth.json"]
    );
    succeed(dir.path(), &["convert", "hdf5/study.h5", "back"]);
    for name in ["study.toml", "recording.csv"] {
        assert_eq!(
            bytes(&dir.path().join("text"), name),
            bytes(&dir.path().join("back"), name),
            "{name}"
        );
    }
}

#[test]
fn a_study_there_and_back_is_the_same_to_the_byte() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    succeed(dir.path(), &["convert", "study", "study.h5"]);
    succeed(dir.path(), &["convert", "study.h5", "back"]);
    for name in ["study.toml", "recording.csv"] {
        assert_eq!(
            bytes(&dir.path().join("study"), name),
            bytes(&dir.path().join("back"), name),
            "{name}"
        );
    }
}

#[test]
fn nothing_is_replaced_unless_forced_and_the_source_never() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let before = bytes(&dir.path().join("study"), "recording.csv");
    succeed(dir.path(), &["convert", "study/study.toml", "study.h5"]);
    let said = fail(dir.path(), &["convert", "study", "study.h5"], 3);
    assert!(said.contains("study.h5: is there already") && said.contains("help: ") && said.contains("--force"));
    succeed(dir.path(), &["convert", "study", "study.h5", "--force"]);
    for (from, to) in [
        ("study", "study"),
        ("study/study.toml", "./study/../study"),
        ("study.h5", "study.h5"),
    ] {
        let said = fail(dir.path(), &["convert", from, to, "--force"], 3);
        assert!(said.contains("is the study itself"), "{said}");
    }
    let said = fail(dir.path(), &["simulate", "--seed", "1", "--out", "study"], 3);
    assert!(said.contains("study/study.toml: is there already"), "{said}");
    assert_eq!(before, bytes(&dir.path().join("study"), "recording.csv"));
}

#[test]
fn a_track_never_takes_the_place_of_a_recording_or_a_study() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    succeed(dir.path(), &["convert", "study", "study.h5"]);
    fs::copy(dir.path().join("study.h5"), dir.path().join("track.h5")).unwrap();
    for (study, out, why) in [
        ("study", "study/recording.csv", "is no track"),
        ("study", "study.h5", "is no track"),
        ("study.h5", "study.h5", "is the study itself"),
    ] {
        let before = fs::read(dir.path().join(out)).unwrap();
        let said = fail(dir.path(), &["locate", study, "--out", out], 3);
        assert!(said.contains(why), "{said}");
        assert_eq!(before, fs::read(dir.path().join(out)).unwrap());
    }
    let said = fail(dir.path(), &["report", "track.h5", "--out", "."], 3);
    assert!(said.contains("track.h5: is the study itself"), "{said}");
    let said = fail(dir.path(), &["report", "study", "--out", "."], 3);
    assert!(said.contains("track.h5: is there already, and is no track"), "{said}");
}

#[test]
fn a_law_or_a_power_that_nothing_has_is_refused_with_its_place_and_its_range() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let toml = dir.path().join("study/study.toml");
    let sound = fs::read_to_string(&toml).unwrap();
    for (key, value, range) in [
        ("exponent", "0.1", "expected 0.5 to 12 (free space has 2"),
        ("exponent", "40.0", "expected 0.5 to 12 (free space has 2"),
        (
            "loss_at_reference_db",
            "-300.0",
            "expected −50 to 200 dB (IEEE 802.15.6 has 47.14 dB",
        ),
        ("power_dbm", "200.0", "expected −150 to 50 dBm"),
        ("shadowing_db", "90.0", "expected 0 to 40 dB"),
        ("noise_db", "0.0", "expected 0.01 to 40 dB"),
    ] {
        let text: Vec<String> = sound
            .lines()
            .map(|line| {
                if line.starts_with(&format!("{key} =")) {
                    format!("{key} = {value}")
                } else {
                    line.to_owned()
                }
            })
            .collect();
        let line = 1 + text
            .iter()
            .position(|line| *line == format!("{key} = {value}"))
            .unwrap();
        fs::write(&toml, text.join("\n")).unwrap();
        let said = fail(dir.path(), &["phases", "study"], 1);
        assert!(said.starts_with(&format!("error: study/study.toml:{line}:")), "{said}");
        assert!(said.contains(&format!("{key} is")) && said.contains(range), "{said}");
    }
}

#[test]
fn the_check_before_the_swallow_lets_a_sound_belt_go_and_ends_faulty_where_it_says_stop() {
    let dir = tempfile::tempdir().unwrap();
    let held = |faults: &[&str], out: &str| {
        let arguments = [&["simulate", "--before-swallow", "--out", out], faults].concat();
        succeed(dir.path(), &arguments);
    };
    held(&[], "sound");
    held(&["--swap", "epigastric,left-lumbar"], "swapped");
    held(&["--dead", "hypogastric"], "dead");
    let said = succeed(dir.path(), &["check", "sound", "--before-swallow"]);
    assert!(said.contains("GO. Every antenna hears"), "{said}");
    for (study, what) in [
        ("swapped", "epigastric and left-lumbar seem to have each other's place"),
        ("dead", "hypogastric"),
    ] {
        let quiet = fail(dir.path(), &["check", study, "--before-swallow", "--quiet"], 1);
        assert!(quiet.contains("stop: no capsule is to be given"), "{quiet}");
        let loud = program::run(dir.path(), &["check", study, "--before-swallow"]);
        assert_eq!(loud.status.code(), Some(1));
        let said = String::from_utf8(loud.stdout).unwrap();
        assert!(said.contains("STOP.") && said.contains(what), "{said}");
        let json = program::run(dir.path(), &["check", study, "--before-swallow", "--json"]);
        let json: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
        assert_eq!(json["answer"], "stop");
    }
}
