//! Calibration as a user runs it, on the invented tank and on a flat that was really measured.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::{Path, PathBuf};

use program::{fail, names_in, succeed};
use serde_json::Value;

fn dataset(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../datasets").join(name)
}

/// A folder with the tank's survey and layout.
fn tank() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    for name in ["survey.csv", "layout.toml"] {
        fs::copy(dataset("tank").join(name), dir.path().join(name)).unwrap();
    }
    dir
}

const TANK: [&str; 4] = ["calibrate", "survey.csv", "--layout", "layout.toml"];

fn json(dir: &Path, more: &[&str]) -> Value {
    serde_json::from_str(&succeed(dir, &[&TANK[..], more, &["--json"]].concat())).unwrap()
}

fn law<'a>(found: &'a Value, name: &str) -> &'a Value {
    let laws = found["laws"].as_array().unwrap();
    laws.iter().find(|law| law["law"] == name).unwrap()
}

fn holds(parameter: &Value, truth: f64) -> bool {
    let end = |k: usize| parameter["interval95"][k].as_f64().unwrap();
    end(0) <= truth && truth <= end(1)
}

#[test]
fn the_tank_s_truth_lies_within_the_intervals_and_the_right_law_is_taken() {
    let dir = tank();
    let found = json(dir.path(), &[]);
    assert_eq!((&found["places"], &found["rows"]), (&75.into(), &150.into()));
    assert_eq!(found["preferred"], "log-distance");
    let fitted = law(&found, "log-distance");
    assert!(holds(&fitted["exponent"], 4.26), "{}", fitted["exponent"]);
    // -20 dBm less 47.14 dB, and the gain of each site: datasets/tank/README.md.
    let levels = fitted["level_dbm"].as_array().unwrap();
    let gains_db = [1.5, -2.0, 0.5, 2.0, -1.0, -1.5, 0.0, 0.5];
    let within = levels
        .iter()
        .zip(gains_db)
        .filter(|(level, gain_db)| holds(level, -67.14 + gain_db));
    assert!(within.count() >= 7, "{levels:?}");
    assert_eq!(fitted["adequacy"]["verdict"], "adequate");
    assert_eq!(law(&found, "free-space")["adequacy"]["verdict"], "not adequate");
    assert_eq!(fitted["noise_from"], "repeats");
    // The noise of 1.5 dB and a step of 0.5 dB, from some 550 repeats: four of 1/√(2 · 550).
    let noise_db = fitted["noise_db"].as_f64().unwrap();
    assert!(
        (noise_db / 1.5_f64.hypot(0.5 / 12.0_f64.sqrt()) - 1.0).abs() < 0.12,
        "{noise_db}"
    );
    assert!((fitted["shadowing_db"].as_f64().unwrap() - 4.0).abs() < 1.2, "{fitted}");
    // Intervals are wider than those of readings that err independently.
    let error = |name: &str| fitted["exponent"][name].as_f64().unwrap();
    assert!(error("standard_error") > 1.5 * error("independent_error"));
}

#[test]
fn the_tables_stand_in_a_layout_and_in_a_study() {
    let dir = tank();
    let text = succeed(dir.path(), &[&TANK[..], &["--out", "out", "--no-png"]].concat());
    let out = dir.path().join("out");
    assert_eq!(
        names_in(&out),
        [
            "calibration.json",
            "calibration.svg",
            "propagation.toml",
            "residuals.csv"
        ]
    );
    let tables = fs::read_to_string(out.join("propagation.toml")).unwrap();
    assert!(text.contains(&tables), "{text}");
    assert!(
        text.contains("Law to take: log-distance") && text.contains("Verdict: adequate"),
        "{text}"
    );
    assert!(tables.contains("Not estimated: the power sent"), "{tables}");
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
    let layout = fs::read_to_string(dir.path().join("layout.toml")).unwrap();
    fs::write(dir.path().join("calibrated.toml"), format!("{layout}\n{tables}")).unwrap();
    // The calibrated layout is a layout, and the survey fits it: its gains and level take the place of the sites' own.
    succeed(dir.path(), &["layout", "link-budget", "calibrated.toml"]);
    let again = [&[
        "calibrate",
        "survey.csv",
        "--layout",
        "calibrated.toml",
        "--common-level",
        "--json",
    ][..]]
    .concat();
    let again: Value = serde_json::from_str(&succeed(dir.path(), &again)).unwrap();
    let fitted = |found: &Value| law(found, "log-distance")["loss_at_reference_db"].as_f64().unwrap();
    // Gains are rounded to 0.01 dB.
    assert!((fitted(&again) - fitted(&json(dir.path(), &[]))).abs() < 0.02);
    let residuals = fs::read_to_string(out.join("residuals.csv")).unwrap();
    assert_eq!(residuals.lines().count(), 1201);
    let written: Value = serde_json::from_str(&fs::read_to_string(out.join("calibration.json")).unwrap()).unwrap();
    assert_eq!(written, json(dir.path(), &[]));
}

#[test]
fn a_flat_that_was_really_measured_has_the_exponent_that_scipy_finds_and_wide_intervals() {
    let dir = tempfile::tempdir().unwrap();
    let survey = fs::read_to_string(dataset("rss-flat/calibration.csv")).unwrap();
    // Every fourth row: the drive stands still between.
    let mut rows = survey.lines();
    let head = rows.next().unwrap().replace("heading_rad", "aux_heading_rad");
    let kept: Vec<&str> = rows.step_by(4).collect();
    fs::write(dir.path().join("flat.csv"), format!("{head}\n{}\n", kept.join("\n"))).unwrap();
    let sites = dataset("rss-flat/anchors.csv");
    let found = succeed(
        dir.path(),
        &[
            "calibrate",
            "flat.csv",
            "--layout",
            sites.to_str().unwrap(),
            "--reference-mm",
            "1000",
            "--floor-dbm",
            "-150",
            "--json",
        ],
    );
    let found: Value = serde_json::from_str(&found).unwrap();
    let exponent = &law(&found, "log-distance")["exponent"];
    // All rows give 2.15, by SciPy: datasets/rss-flat/README.md. A quarter of them errs by twice as much as all of them.
    assert!((exponent["value"].as_f64().unwrap() - 2.15).abs() < 0.1, "{exponent}");
    assert!(holds(exponent, 2.15));
    // A walk past walls is worth few independent readings.
    let readings = found["heard"].as_f64().unwrap();
    let effective = law(&found, "log-distance")["effective_readings"].as_f64().unwrap();
    assert!(effective < 0.1 * readings, "{effective} of {readings}");
}

#[test]
fn each_fault_of_a_survey_is_told_with_its_place_and_what_to_do() {
    let dir = tank();
    let survey = fs::read_to_string(dir.path().join("survey.csv")).unwrap();
    let with = |text: &str, code: i32| {
        fs::write(dir.path().join("bad.csv"), text).unwrap();
        fail(
            dir.path(),
            &["calibrate", "bad.csv", "--layout", "layout.toml", "--out", "out"],
            code,
        )
    };
    let said = with(&survey.replacen("-100,60,-80", "-100,sixty,-80", 1), 1);
    assert!(
        said.starts_with("error: bad.csv:2:6: y_mm is \"sixty\"; expected a finite number"),
        "{said}"
    );
    let said = with(&survey.replacen("epigastric", "epigastrik", 1), 1);
    assert!(
        said.contains("bad.csv:1:36") && said.contains("did you mean `epigastric`"),
        "{said}"
    );
    let head = survey.lines().next().unwrap();
    let said = with(head, 1);
    assert!(said.contains("found no rows"), "{said}");
    let silent: Vec<String> = survey
        .lines()
        .enumerate()
        .map(|(k, line)| {
            let mut cells: Vec<&str> = line.split(',').collect();
            if k > 0 {
                cells[5] = "-100";
            }
            cells.join(",")
        })
        .collect();
    let said = with(&silent.join("\n"), 1);
    assert!(
        said.contains("site `left-hypochondriac` heard nothing") && said.contains("--common-level"),
        "{said}"
    );
    let one = format!("{head}\n{}", "0,90,0,-80,-80,-81,-80,-80,-80,-80,-80\n".repeat(20));
    let said = with(&one, 1);
    assert!(
        said.contains("come from one distance") && said.contains("several distances"),
        "{said}"
    );
    let few = format!("{head}\n0,90,0,-80,-80,-81,-80,-80,-80,-80,-80\n");
    assert!(with(&few, 1).contains("unknowns need at least"));
    assert!(!dir.path().join("out").exists());
    let said = fail(dir.path(), &[&TANK[..], &["--reference-mm", "-5"]].concat(), 2);
    assert!(said.contains("expected 1 to 10000 mm"), "{said}");
    let said = fail(dir.path(), &[&TANK[..], &["--power-dbm", "200"]].concat(), 2);
    assert!(said.contains("--power-dbm is 200; expected"), "{said}");
    let said = fail(dir.path(), &["calibrate", "nowhere.csv", "--layout", "layout.toml"], 3);
    assert!(
        said.starts_with("error: nowhere.csv: no such file; expected a survey"),
        "{said}"
    );
}

#[test]
fn places_in_metres_and_a_reading_that_stands_out_are_told() {
    let dir = tank();
    let survey = fs::read_to_string(dir.path().join("survey.csv")).unwrap();
    let mut rows: Vec<String> = survey.lines().map(str::to_owned).collect();
    let cells: Vec<&str> = rows[40].split(',').collect();
    let mut stray: Vec<&str> = cells.clone();
    stray[4] = "-30";
    rows[40] = stray.join(",");
    fs::write(dir.path().join("survey.csv"), rows.join("\n")).unwrap();
    let text = succeed(dir.path(), &TANK);
    assert!(text.contains("line 41, epigastric (+"), "{text}");
    let metres: Vec<String> = rows
        .iter()
        .enumerate()
        .map(|(k, row)| {
            let cells = row.split(',').enumerate();
            let shrunk = cells.map(|(column, cell)| match cell.parse::<f64>() {
                Ok(value) if k > 0 && column < 3 => format!("{}", value / 1000.0),
                _ => cell.to_owned(),
            });
            shrunk.collect::<Vec<_>>().join(",")
        })
        .collect();
    fs::write(dir.path().join("survey.csv"), metres.join("\n")).unwrap();
    let output = program::run(dir.path(), &TANK);
    let said = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
    assert!(
        said.contains("are the places in millimetres?") || said.contains("one distance"),
        "{said}"
    );
}
