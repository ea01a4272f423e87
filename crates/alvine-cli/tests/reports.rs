//! From a simulated study to its report and its score.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;

use alvine::LandmarkKind;
use alvine_study::results::summary::SUMMARY_SCHEMA;
use alvine_study::results::{read_summary, read_track_csv, read_track_hdf5};
use program::{fail, names_in, run, simulate, succeed};
use serde_json::Value;

const FIGURES: [&str; 8] = [
    "axial", "coronal", "course", "planes", "sagittal", "signals", "timeline", "transit",
];

fn json_of(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

fn file_json(file: &Path) -> Value {
    json_of(&fs::read_to_string(file).unwrap())
}

#[test]
fn a_simulated_study_is_reported_and_scored() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let answer = succeed(dir.path(), &["report", "study", "--out", "new/report"]);
    let report = dir.path().join("new/report");

    let mut expected: Vec<String> = ["report.html", "summary.json", "track.csv", "track.h5"]
        .map(str::to_owned)
        .to_vec();
    expected.extend(
        FIGURES
            .iter()
            .flat_map(|name| [format!("{name}.svg"), format!("{name}.png")]),
    );
    expected.sort();
    assert_eq!(names_in(&report), expected);

    assert!(answer.contains("Report: new/report/report.html"), "{answer}");
    for kind in LandmarkKind::ALL {
        assert!(answer.contains(kind.as_str()), "{kind} in {answer}");
    }
    // The capsule is swallowed 412 s after 08:14:00.
    assert!(answer.contains("08:20:52"), "{answer}");
    assert!(answer.lines().all(|line| line.chars().count() <= 100), "{answer}");
    assert!(!answer.contains('\u{A0}'), "{answer}");

    let schema = jsonschema::draft202012::new(&json_of(SUMMARY_SCHEMA)).unwrap();
    let summary = file_json(&report.join("summary.json"));
    let faults: Vec<String> = schema.iter_errors(&summary).map(|fault| fault.to_string()).collect();
    assert!(faults.is_empty(), "{faults:?}");

    let csv = read_track_csv(&report.join("track.csv")).unwrap();
    let hdf5 = read_track_hdf5(&report.join("track.h5")).unwrap();
    assert_eq!(csv.points.len(), hdf5.points.len());
    assert_eq!(csv.points.len() as u64, summary["quality"]["instants_located"]);
    for name in FIGURES {
        let png = fs::read(report.join(format!("{name}.png"))).unwrap();
        assert!(
            png.starts_with(b"\x89PNG") && png.ends_with(b"IEND\xaeB`\x82"),
            "{name}"
        );
    }

    let text = succeed(dir.path(), &["score", "new/report", "study"]);
    for word in [
        "in space",
        "stomach",
        "NEES",
        "pylorus",
        "agreed",
        "precision",
        "recall",
    ] {
        assert!(text.contains(word), "{word} in {text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
    let score = json_of(&succeed(
        dir.path(),
        &["score", "new/report", "study/truth.json", "--json"],
    ));
    assert_eq!(score["space"]["count"], score["compared"]);
    assert_eq!(score["landmarks"][0]["kind"], "swallow");
    assert_eq!(score["landmarks"][0]["source"], "recording");
    assert_eq!(score["landmarks"][0]["error_s"], 0.0);
    // A torso of 230 mm depth: a track that follows the capsule at all is better than this.
    let median_mm = score["space"]["median_mm"].as_f64().unwrap();
    assert!(median_mm > 0.0 && median_mm < 120.0, "{median_mm}");
}

#[test]
fn a_score_of_the_truth_itself_is_nought() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    succeed(dir.path(), &["report", "study", "--out", "report", "--no-png"]);
    let truth = alvine_study::read_truth(&dir.path().join("study")).unwrap();
    let mut track = read_track_csv(&dir.path().join("report/track.csv")).unwrap();
    for point in &mut track.points {
        let instant = truth.points.iter().find(|truth| truth.time_s == point.time_s).unwrap();
        if let Some(position_mm) = instant.position_mm {
            point.position_mm = position_mm;
        }
    }
    alvine_study::results::write_track_csv(&track, &dir.path().join("report/track.csv")).unwrap();
    let score = json_of(&succeed(dir.path(), &["score", "report", "study", "--json"]));
    // The file holds places to 0.001 mm.
    assert!(score["space"]["rmse_mm"].as_f64().unwrap() < 0.001, "{score}");
    assert_eq!(score["consistency"]["inside_50"], 1.0);
}

#[test]
fn the_json_of_each_command_is_part_of_the_summary() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let printed = json_of(&succeed(
        dir.path(),
        &["report", "study", "--out", "report", "--no-png", "--json"],
    ));
    let summary = file_json(&dir.path().join("report/summary.json"));
    assert_eq!(printed, summary);
    for (command, members) in [
        (
            "phases",
            &["study", "completeness", "landmarks", "phases", "transit", "cautions"] as &[&str],
        ),
        ("check", &["study", "quality"]),
    ] {
        let part = json_of(&succeed(dir.path(), &[command, "study", "--json"]));
        for member in members {
            assert_eq!(part[member], summary[member], "{command} {member}");
        }
    }
}

#[test]
fn the_track_alone_is_that_of_the_report_in_every_form() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    succeed(dir.path(), &["report", "study", "--out", "report", "--no-png"]);
    let expected = fs::read_to_string(dir.path().join("report/track.csv")).unwrap();
    assert_eq!(succeed(dir.path(), &["locate", "study", "--out", "-"]), expected);
    for out in ["track.csv", "track.h5", "track.csv"] {
        assert_eq!(succeed(dir.path(), &["locate", "study", "--out", out]), "");
    }
    assert_eq!(fs::read_to_string(dir.path().join("track.csv")).unwrap(), expected);
    assert_eq!(
        read_track_hdf5(&dir.path().join("track.h5")).unwrap(),
        read_track_hdf5(&dir.path().join("report/track.h5")).unwrap()
    );
}

#[test]
fn any_number_of_threads_gives_the_same_bytes() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    for threads in ["1", "3"] {
        let out = format!("report-{threads}");
        succeed(dir.path(), &["report", "study", "--threads", threads, "--out", &out]);
    }
    for name in names_in(&dir.path().join("report-1")) {
        // HDF5 files hold times of their making.
        if name != "track.h5" {
            let [one, three] = ["report-1", "report-3"].map(|out| fs::read(dir.path().join(out).join(&name)).unwrap());
            assert!(one == three, "{name}");
        }
    }
}

#[test]
fn a_level_that_is_not_known_is_said_in_the_summary() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    for (option, known) in [(None, true), (Some("--level-unknown"), false)] {
        let mut arguments = vec!["report", "study", "--out", "report", "--no-png"];
        arguments.extend(option);
        succeed(dir.path(), &arguments);
        let summary = read_summary(&dir.path().join("report")).unwrap();
        assert_eq!(summary.method.level_known, known);
    }
}

#[test]
fn a_failed_report_leaves_the_earlier_one_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    succeed(dir.path(), &["report", "study", "--out", "report", "--no-png"]);
    let before = fs::read(dir.path().join("report/summary.json")).unwrap();
    let names = names_in(&dir.path().join("report"));
    // A folder stands where a file is to go: all is made, and nothing may be put in place.
    fs::remove_file(dir.path().join("report/report.html")).unwrap();
    fs::create_dir(dir.path().join("report/report.html")).unwrap();
    fail(
        dir.path(),
        &["report", "study", "--level-unknown", "--out", "report", "--no-png"],
        3,
    );
    assert_eq!(before, fs::read(dir.path().join("report/summary.json")).unwrap());
    assert_eq!(names, names_in(&dir.path().join("report")));
}

#[test]
fn pictures_of_an_earlier_report_do_not_stay_beside_a_new_one() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    succeed(dir.path(), &["report", "study", "--out", "report"]);
    fs::write(dir.path().join("report/own.png"), "mine").unwrap();
    succeed(dir.path(), &["report", "study", "--out", "report", "--no-png"]);
    let names = names_in(&dir.path().join("report"));
    let pictures: Vec<&String> = names.iter().filter(|name| name.ends_with(".png")).collect();
    assert_eq!(pictures, ["own.png"]);
}

#[test]
fn what_cannot_be_scored_is_named() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let said = fail(dir.path(), &["score", "nowhere", "study"], 3);
    assert!(said.contains("nowhere/summary.json: no such file"), "{said}");
    succeed(dir.path(), &["report", "study", "--out", "report", "--no-png"]);
    let said = fail(dir.path(), &["score", "report", "report"], 3);
    assert!(said.contains("report/truth.json: no such file"), "{said}");
    fs::write(dir.path().join("report/track.csv"), "time_s\n1\n").unwrap();
    let said = fail(dir.path(), &["score", "report", "study"], 1);
    assert!(said.contains("report/track.csv:1:"), "{said}");
}

#[test]
fn check_prints_a_row_for_each_site() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let output = run(dir.path(), &["check", "study"]);
    let text = String::from_utf8(output.stdout).unwrap();
    let study = alvine_study::read_study(&dir.path().join("study")).unwrap();
    for site in study.setup.layout.sites() {
        let row = text.lines().find(|line| line.starts_with(&site.name));
        assert!(row.is_some_and(|row| row.matches('%').count() == 4), "{text}");
    }
    assert!(text.contains("1800 instants, 1.000 s apart"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
}
