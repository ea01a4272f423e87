//! Open standards: recordings as EDF+ there and back, answers as FHIR, paths as glTF; and studies side by side.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;
use std::process::Command;

use alvine_study::read_study;
use program::{fail, names_in, succeed};

const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../datasets/demo");

#[test]
fn a_recording_goes_to_edf_and_back_with_levels_times_and_marks() {
    let dir = tempfile::tempdir().unwrap();
    let said = succeed(dir.path(), &["convert", DEMO, "demo.edf"]);
    assert!(said.contains("keep it, for --setup on the way back"), "{said}");
    succeed(dir.path(), &["convert", "demo.edf", "back", "--setup", DEMO]);
    let (demo, back) = (
        read_study(Path::new(DEMO)).unwrap(),
        read_study(&dir.path().join("back")).unwrap(),
    );
    assert_eq!(
        (&back.id, back.started, back.swallowed_s),
        (&demo.id, demo.started, demo.swallowed_s)
    );
    assert_eq!((&back.landmarks, &back.findings), (&demo.landmarks, &demo.findings));
    assert_eq!(back.recording.len(), demo.recording.len());
    for (one, other) in back.recording.rssi_dbm().iter().zip(demo.recording.rssi_dbm()) {
        assert!(
            one.is_nan() && other.is_nan() || (one - other).abs() <= 0.005 + 1e-5,
            "{one} {other}"
        );
    }
    for (one_s, other_s) in back.recording.time_s().iter().zip(demo.recording.time_s()) {
        assert!((one_s - other_s).abs() <= 1e-6);
    }
}

#[test]
fn edf_without_a_setup_or_with_another_and_files_that_are_there_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    succeed(dir.path(), &["convert", DEMO, "demo.edf", "--quiet"]);
    assert!(fail(dir.path(), &["convert", "demo.edf", "back"], 2).contains("expected --setup"));
    assert!(fail(dir.path(), &["convert", DEMO, "back", "--setup", DEMO], 2).contains("expected no --setup"));
    assert!(fail(dir.path(), &["convert", DEMO, "demo.edf"], 3).contains("demo.edf: is there already"));
    let layout = concat!(env!("CARGO_MANIFEST_DIR"), "/../../datasets/layouts/two-rows.toml");
    let said = fail(dir.path(), &["convert", "demo.edf", "back", "--setup", layout], 1);
    assert!(said.contains("demo.edf: has the sites right-hypochondriac, "), "{said}");
    fs::write(dir.path().join("bad.edf"), "EDF").unwrap();
    let said = fail(dir.path(), &["convert", "bad.edf", "back", "--setup", DEMO], 1);
    assert!(
        said.contains("bad.edf: byte 3: the file ends; expected version"),
        "{said}"
    );
    let said = fail(dir.path(), &["export", DEMO, "--fhir", "demo.xml"], 2);
    assert!(said.contains("a file that ends in .json for FHIR"), "{said}");
    assert_eq!(names_in(dir.path()), ["bad.edf", "demo.edf"]);
}

#[test]
fn the_bundle_holds_the_answers_of_the_report() {
    let dir = tempfile::tempdir().unwrap();
    succeed(
        dir.path(),
        &["export", DEMO, "--fhir", "demo.json", "--gltf", "demo.glb"],
    );
    let read = |text: &str| -> serde_json::Value { serde_json::from_str(text).unwrap() };
    let bundle = read(&fs::read_to_string(dir.path().join("demo.json")).unwrap());
    let phases = read(&succeed(dir.path(), &["phases", DEMO, "--json"]));
    let entries = bundle["entry"].as_array().unwrap();
    let observed = |what: &str| {
        let mut resources = entries.iter().map(|entry| &entry["resource"]);
        resources.find(|resource| resource["code"]["text"] == what).unwrap()
    };
    let gastric = observed("gastric transit time");
    assert_eq!(
        gastric["valueQuantity"]["value"],
        phases["transit"]["gastric"]["duration_s"]
    );
    assert_eq!(
        gastric["component"][0]["valueQuantity"]["value"],
        phases["transit"]["gastric"]["interval90_s"][0]
    );
    for landmark in phases["landmarks"].as_array().unwrap() {
        let kind = landmark["kind"].as_str().unwrap();
        let seen = observed(&format!("Time of the {kind} since the recording began"));
        match &landmark["time_s"] {
            serde_json::Value::Null => assert_eq!(seen["dataAbsentReason"]["text"], landmark["reason"]),
            time_s => assert_eq!(&seen["valueQuantity"]["value"], time_s),
        }
    }
    assert!(fs::read(dir.path().join("demo.glb")).unwrap().starts_with(b"glTF"));
    assert!(fail(dir.path(), &["export", DEMO, "--fhir", "demo.json"], 3).contains("is there already"));
}

#[test]
fn a_study_beside_itself_differs_by_nothing_and_beside_another_by_what_the_summaries_say() {
    let dir = tempfile::tempdir().unwrap();
    for seed in ["5", "6"] {
        let simulate = [
            "simulate",
            "--seed",
            seed,
            "--hours",
            "8",
            "--rate-hz",
            "0.25",
            "--out",
            seed,
        ];
        succeed(dir.path(), &simulate);
    }
    succeed(dir.path(), &["report", "5", "--out", "report", "--no-png", "--quiet"]);
    let compare = |what: &[&str]| -> serde_json::Value {
        let arguments = [&["compare", "--json"], what].concat();
        serde_json::from_str(&succeed(dir.path(), &arguments)).unwrap()
    };
    let same = compare(&["5", "report"]);
    let pair = &same["pairs"][0];
    assert_eq!(pair["one_recording"], true);
    // A track on disk has places to 0.001 mm.
    assert!(pair["distance"]["percentile95_mm"].as_f64().unwrap() < 0.001);
    let own = compare(&["5", "report", "6"]);
    assert_eq!(own["pairs"].as_array().unwrap().len(), 2);
    let other = &own["pairs"][1];
    assert_eq!(
        (&other["one_recording"], &other["distance"]),
        (&false.into(), &serde_json::Value::Null)
    );
    let gastric = &other["durations"][1];
    let expected = gastric["second"]["value_s"].as_f64().unwrap() - gastric["first"]["value_s"].as_f64().unwrap();
    assert!((gastric["difference"]["value_s"].as_f64().unwrap() - expected).abs() < 1e-9);
    // 1.96 √2 of 97.97 min.
    assert!((other["durations"][2]["day_to_day_s"].as_f64().unwrap() / 60.0 - 271.56).abs() < 0.01);
    let said = succeed(dir.path(), &["compare", "5", "6"]);
    assert!(
        said.starts_with("6 beside 5\n") && said.contains("A smaller difference shows no effect."),
        "{said}"
    );
    fail(dir.path(), &["compare", "5"], 2);

    let page = |what: &[&str], out: &str| {
        let arguments = [&["compare"], what, &["--out", out, "--quiet"]].concat();
        assert_eq!(succeed(dir.path(), &arguments), "");
        let read = |name: &str| fs::read_to_string(dir.path().join(out).join(name)).unwrap();
        let page = read("compare.html");
        program::every_colour_has_its_own_by_night(&page);
        (
            page,
            serde_json::from_str::<serde_json::Value>(&read("compare.json")).unwrap(),
        )
    };
    let (alike, numbers) = page(&["5", "report"], "alike");
    assert_eq!(numbers, same);
    assert!(alike.contains("No duration is known to differ") && alike.contains("Both are of one recording"));
    assert!(alike.contains("The paths lie 0.0 mm apart"));
    let (two, numbers) = page(&["5", "report", "6"], "two");
    assert_eq!(numbers, own);
    assert!(two.contains(">6 beside 5</h2>") && two.contains("without any treatment"));
    assert_eq!(two.matches("<svg").count(), 2);
}

fn run_check(program: impl AsRef<std::ffi::OsStr>, script: &str, on: &Path, node_path: Option<&std::ffi::OsStr>) {
    let script = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../tests/reference")
        .join(script);
    let mut command = Command::new(program);
    command.arg(script).arg(on);
    if let Some(modules) = node_path {
        command.env("NODE_PATH", modules);
    }
    let checked = command.output().unwrap();
    assert!(
        checked.status.success(),
        "{}{}",
        String::from_utf8_lossy(&checked.stdout),
        String::from_utf8_lossy(&checked.stderr)
    );
}

/// Runs only where ALVINE_EXCHANGE_PYTHON names an interpreter with the packages of
/// tests/reference/requirements-exchange.txt.
#[test]
fn other_programs_read_what_is_exchanged() {
    let Some(python) = std::env::var_os("ALVINE_EXCHANGE_PYTHON") else {
        eprintln!(
            "not run: ALVINE_EXCHANGE_PYTHON names no Python with the packages of tests/reference/requirements-exchange.txt"
        );
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    succeed(dir.path(), &["convert", DEMO, "demo.edf"]);
    succeed(dir.path(), &["export", DEMO, "--fhir", "demo.json"]);
    fs::copy(Path::new(DEMO).join("recording.csv"), dir.path().join("recording.csv")).unwrap();
    run_check(python, "check_exchange.py", dir.path(), None);
}

/// Runs only where ALVINE_NODE_MODULES names a folder that holds the npm package gltf-validator.
#[test]
fn a_scene_passes_the_validator() {
    let Some(modules) = std::env::var_os("ALVINE_NODE_MODULES") else {
        eprintln!("not run: ALVINE_NODE_MODULES names no folder with gltf-validator");
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    succeed(dir.path(), &["export", DEMO, "--gltf", "demo.glb"]);
    run_check("node", "check_gltf.cjs", &dir.path().join("demo.glb"), Some(&modules));
}
