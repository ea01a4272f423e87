//! The antenna bench as a user runs it.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;
use std::process::Command;

use program::{fail, names_in, succeed};
use serde_json::Value;

/// Eight corners of a cube, 100 mm from its centre at (0, 115, −2.5) mm: a place of the 5 mm lattice.
fn cube(dir: &Path) {
    let half = 100.0 / 3.0_f64.sqrt();
    let mut text = "format = 1\n\n[torso]\nbreadth_mm = 330.0\ndepth_mm = 230.0\n\n\
                    [receiver]\nfloor_dbm = -200.0\n\n\
                    [propagation]\nmodel = \"log-distance\"\nreference_mm = 50.0\nloss_at_reference_db = 47.14\n\
                    exponent = 4.26\nshadowing_db = 7.85\nnoise_db = 0.01\n"
        .to_owned();
    for corner in 0..8 {
        let side = |bit: i32| if corner & bit == 0 { -half } else { half };
        text.push_str(&format!(
            "\n[[site]]\nname = \"corner-{corner}\"\nposition_mm = [{}, {}, {}]\n",
            side(1),
            115.0 + side(2),
            -2.5 + side(4)
        ));
    }
    fs::write(dir.join("cube.toml"), text).unwrap();
}

fn json(dir: &Path, arguments: &[&str]) -> Value {
    serde_json::from_str(&succeed(dir, arguments)).unwrap()
}

#[test]
fn the_map_of_a_cube_holds_the_closed_form_at_its_centre() {
    let dir = tempfile::tempdir().unwrap();
    cube(dir.path());
    succeed(
        dir.path(),
        &["layout", "evaluate", "cube.toml", "--out", "cube", "--no-png"],
    );
    assert_eq!(
        names_in(&dir.path().join("cube")),
        [
            "coverage.svg",
            "dilution.svg",
            "error.svg",
            "evaluation.json",
            "map.csv",
            "map.h5",
            "rivals.svg"
        ]
    );
    let csv = fs::read_to_string(dir.path().join("cube/map.csv")).unwrap();
    let mut lines = csv.lines();
    let header: Vec<&str> = lines.next().unwrap().split(',').collect();
    let centre = lines.find(|line| line.starts_with("0,115,-2.5,")).unwrap();
    let cells: Vec<&str> = centre.split(',').collect();
    let value = |name: &str| -> f64 {
        let column = header.iter().position(|column| *column == name).unwrap();
        cells[column].parse().unwrap()
    };
    // R √(9/8) / b with b = 10 n / (σ ln 10): 45.0041 mm for 7.85 dB, whatever is known of the level.
    for name in ["rmse_mm", "rmse_level_known_mm", "rmse_level_unknown_mm"] {
        assert!((value(name) - 45.0041).abs() < 1e-3, "{name}: {}", value(name));
    }
    // √(9/8) for eight corners.
    assert!((value("dilution") - 1.0607).abs() < 1e-4);
    assert_eq!(value("sites_above_floor"), 8.0);
}

#[test]
fn what_is_printed_is_what_is_written() {
    let dir = tempfile::tempdir().unwrap();
    let arguments = ["layout", "evaluate", "--spacing-mm", "10", "--out", "map", "--no-png"];
    let text = succeed(dir.path(), &arguments);
    let printed = json(dir.path(), &["layout", "evaluate", "--spacing-mm", "10", "--json"]);
    let written = fs::read_to_string(dir.path().join("map/evaluation.json")).unwrap();
    assert_eq!(serde_json::from_str::<Value>(&written).unwrap(), printed);
    let mean = printed["gut"]["rmse_mean_mm"].as_f64().unwrap();
    let row = text.lines().find(|line| line.starts_with("All of the gut")).unwrap();
    assert!(row.split_whitespace().any(|cell| cell == format!("{mean:.0}")), "{row}");
    assert_eq!(printed["organs"].as_array().unwrap().len(), 8);
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
    assert!(succeed(dir.path(), &["layout", "evaluate", "--spacing-mm", "20", "--quiet"]).is_empty());
}

#[test]
fn results_do_not_depend_on_the_number_of_threads() {
    let dir = tempfile::tempdir().unwrap();
    for (threads, out) in [("1", "one"), ("2", "two")] {
        let common = ["--threads", threads, "--out", out, "--quiet", "--no-png"];
        let evaluate = ["layout", "evaluate", "--spacing-mm", "10"];
        succeed(dir.path(), &[evaluate.as_slice(), &common].concat());
        let compare = ["layout", "compare", "default", "--trials", "300"];
        succeed(dir.path(), &[compare.as_slice(), &common].concat());
        let design = ["layout", "design", "--sites", "5"];
        succeed(dir.path(), &[design.as_slice(), &common].concat());
    }
    let names = names_in(&dir.path().join("one"));
    assert!(names.len() >= 12, "{names:?}");
    for name in names {
        let of = |folder: &str| fs::read(dir.path().join(folder).join(&name)).unwrap();
        assert_eq!(of("one"), of("two"), "{name}");
    }
}

#[test]
fn layouts_are_compared_on_four_torsos_each_whole_and_with_each_site_lost() {
    let dir = tempfile::tempdir().unwrap();
    cube(dir.path());
    let arguments = [
        "layout",
        "compare",
        "default",
        "cube.toml",
        "--spacing-mm",
        "20",
        "--trials",
        "500",
        "--out",
        "review",
    ];
    let text = succeed(dir.path(), &arguments);
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
    let names = [
        "comparison.csv",
        "comparison.json",
        "comparison.md",
        "comparison.png",
        "comparison.svg",
    ];
    assert_eq!(names_in(&dir.path().join("review")), names);
    let found: Value =
        serde_json::from_str(&fs::read_to_string(dir.path().join("review/comparison.json")).unwrap()).unwrap();
    let entries = found["entries"].as_array().unwrap();
    assert_eq!(entries.len(), 8);
    for entry in entries {
        let whole = entry["gut"]["rmse_mean_mm"].as_f64().unwrap();
        let lost = entry["lost"].as_array().unwrap();
        assert_eq!(lost.len(), 8);
        assert!(lost.iter().all(|lost| lost["rmse_mean_mm"].as_f64().unwrap() > whole));
        assert!(entry["trials"]["rmse_mm"].as_f64().unwrap() > 0.0);
    }
    let markdown = fs::read_to_string(dir.path().join("review/comparison.md")).unwrap();
    let cells: Vec<usize> = markdown.lines().map(|line| line.matches(" | ").count()).collect();
    assert_eq!(cells, [10; 10], "{markdown}");
    let csv = fs::read_to_string(dir.path().join("review/comparison.csv")).unwrap();
    assert!(csv.lines().all(|line| line.split(',').count() == 15), "{csv}");
    let printed = succeed(
        dir.path(),
        &["layout", "compare", "default", "--spacing-mm", "20", "--form", "csv"],
    );
    assert_eq!(printed.lines().count(), 5);
}

#[test]
fn a_designed_layout_is_a_layout_file_and_is_as_good_as_was_said() {
    let dir = tempfile::tempdir().unwrap();
    let arguments = ["layout", "design", "--sites", "8", "--curve", "--out", "eight"];
    let text = succeed(dir.path(), &arguments);
    assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
    let names = [
        "curve.csv",
        "curve.png",
        "curve.svg",
        "design.json",
        "difference.png",
        "difference.svg",
        "layout.toml",
    ];
    assert_eq!(names_in(&dir.path().join("eight")), names);
    let design: Value =
        serde_json::from_str(&fs::read_to_string(dir.path().join("eight/design.json")).unwrap()).unwrap();
    let (value, default) = (&design["value_mm"], &design["default_value_mm"]);
    assert!(value.as_f64().unwrap() < 0.96 * default.as_f64().unwrap());
    let evaluated = json(dir.path(), &["layout", "evaluate", "eight/layout.toml", "--json"]);
    assert_eq!(evaluated["gut"], design["gut"]);
    assert_eq!(evaluated["layout"], "eight");
    let curve = design["curve"].as_array().unwrap();
    assert_eq!(
        (curve[0]["sites"].as_u64(), curve[12]["sites"].as_u64()),
        (Some(4), Some(32))
    );
    assert!(
        curve
            .windows(2)
            .all(|pair| pair[1]["value_mm"].as_f64() < pair[0]["value_mm"].as_f64())
    );
}

#[test]
fn designed_sites_keep_out_of_where_they_must_not_sit() {
    let dir = tempfile::tempdir().unwrap();
    let arguments = [
        "layout",
        "design",
        "--sites",
        "6",
        "--keep-out=-60,8,-40,70",
        "--keep-out",
        "0,0,0,40",
        "--lowest-mm=-60",
        "--json",
    ];
    let design = json(dir.path(), &arguments);
    let sites = design["designed"]["sites"].as_array().unwrap();
    assert_eq!(sites.len(), 6);
    for site in sites {
        let place: Vec<f64> = (0..3).map(|axis| site["position_mm"][axis].as_f64().unwrap()).collect();
        let far =
            |x: f64, y: f64, z: f64| ((place[0] - x).powi(2) + (place[1] - y).powi(2) + (place[2] - z).powi(2)).sqrt();
        assert!(
            far(-60.0, 8.0, -40.0) >= 70.0 && far(0.0, 0.0, 0.0) >= 40.0,
            "{place:?}"
        );
        assert!(place[2] >= -60.0);
    }
}

#[test]
fn a_link_budget_gives_the_worked_ranges() {
    let dir = tempfile::tempdir().unwrap();
    let found = json(dir.path(), &["layout", "link-budget", "--json"]);
    // −100 dBm from −20 dBm by 47.14 dB at 50 mm and n = 4.26: 295.346 mm.
    assert!((found["heard_to"][0]["depth_mm"].as_f64().unwrap() - 295.346).abs() < 1e-3);
    let row = |depth: f64| {
        let rows = found["rows"].as_array().unwrap();
        rows.iter()
            .find(|row| row["depth_mm"].as_f64() == Some(depth))
            .unwrap()
            .clone()
    };
    assert!((row(100.0)["loss_db"].as_f64().unwrap() - 59.964).abs() < 1e-3);
    // ITU-R P.525 at 433 MHz: 14.720 dB at 0.3 m; nothing within a wavelength over 2π, 110 mm.
    assert!((row(300.0)["free_space_loss_db"].as_f64().unwrap() - 14.720).abs() < 1e-3);
    assert!(row(100.0)["free_space_loss_db"].is_null());
    // Four-term Cole–Cole, muscle at 433 MHz: 1.6803 dB/cm.
    assert!((row(100.0)["muscle_absorption_db"].as_f64().unwrap() - 16.803).abs() < 1e-3);
    let text = succeed(dir.path(), &["layout", "link-budget", "--out", "link"]);
    assert!(text.contains("differs by country"));
    assert_eq!(
        names_in(&dir.path().join("link")),
        [
            "link-budget.csv",
            "link-budget.json",
            "link-budget.png",
            "link-budget.svg"
        ]
    );
}

#[test]
fn files_that_are_no_layout_are_refused_with_their_place_and_leave_nothing_behind() {
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(dir.path().join(name), text).unwrap();
    write("empty.toml", "");
    write("torn.toml", "format = 1\n[torso\n");
    write("flat.toml", &flat());
    write("later.toml", "format = 9\n");
    write("letters.csv", "a,b\n1,2\n");
    write("noise.h5", "no HDF5 at all");
    for (file, says) in [
        ("empty.toml", "format = 1 above the first table"),
        ("torn.toml", "torn.toml:2"),
        ("flat.toml", "one plane"),
        ("later.toml", "format is 9"),
        ("letters.csv", "a CSV file"),
        ("noise.h5", "no readable HDF5"),
    ] {
        for command in ["evaluate", "compare"] {
            let message = fail(dir.path(), &["layout", command, file, "--out", "out"], 1);
            assert!(
                message.contains(file) && message.contains(says),
                "{command} {file}: {message}"
            );
        }
    }
    let message = fail(dir.path(), &["layout", "evaluate", "nowhere.toml", "--out", "out"], 3);
    assert!(message.contains("nowhere.toml"), "{message}");
    assert!(!dir.path().join("out").exists());
}

/// Four sites in one plane.
fn flat() -> String {
    let mut text = "format = 1\n[torso]\nbreadth_mm = 330.0\ndepth_mm = 230.0\n".to_owned();
    for (k, (x, z)) in [(-90, 0), (90, 0), (0, 90), (0, -90)].into_iter().enumerate() {
        text.push_str(&format!("[[site]]\nname = \"s{k}\"\nposition_mm = [{x}, 0, {z}]\n"));
    }
    text
}

#[test]
fn options_that_make_no_sense_are_refused_with_what_would() {
    let dir = tempfile::tempdir().unwrap();
    for (arguments, says) in [
        (&["evaluate", "--spacing-mm", "0"][..], "2 to 40 mm"),
        (&["evaluate", "--spacing-mm", "nan"], "2 to 40 mm"),
        (&["evaluate", "--breadth-mm", "-3"], "80 to 900 mm"),
        (&["evaluate", "--through", "1,2,3"], "--out"),
        (&["evaluate", "--no-png"], "--out"),
        (&["compare"], "LAYOUT"),
        (&["compare", "default", "--trials", "0"], "--trials"),
        (&["design"], "--sites"),
        (&["design", "--sites", "3"], "expected 4 to 32"),
        (&["design", "--sites", "4", "--survive-loss"], "expected 5 to 32"),
        (&["design", "--sites", "8", "--keep-out", "1,2,3"], "4 numbers"),
        (
            &["design", "--sites", "8", "--lowest-mm", "200"],
            "no lower than the lowest",
        ),
        (&["design", "--sites", "30", "--apart-mm", "120"], "leave room for"),
        (&["design", "--sites", "8", "--criterion", "best"], "d-optimal"),
        (&["link-budget", "--bandwidth-khz", "0"], "bandwidth_khz"),
        (&["link-budget", "--exponent", "3"], "--loss-db"),
        (&["link-budget", "--frequency-mhz", "nan"], "1 to 100000 MHz"),
    ] {
        let message = fail(dir.path(), &[&["layout"], arguments].concat(), 2);
        assert!(message.contains(says), "{arguments:?}: {message}");
    }
    assert!(names_in(dir.path()).is_empty());
}

#[test]
fn every_layout_of_the_datasets_is_one() {
    let datasets = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../datasets");
    let files = names_in(&datasets.join("layouts"));
    let layouts: Vec<_> = files.iter().filter(|name| name.ends_with(".toml")).collect();
    assert!(layouts.len() >= 3);
    for name in layouts {
        let path = datasets.join("layouts").join(name);
        let found = json(
            &datasets,
            &[
                "layout",
                "evaluate",
                path.to_str().unwrap(),
                "--spacing-mm",
                "20",
                "--json",
            ],
        );
        assert_eq!(found["cautions"].as_array().unwrap().len(), 0, "{name}");
    }
    let demo = json(
        &datasets,
        &["layout", "evaluate", "demo", "--spacing-mm", "20", "--json"],
    );
    assert_eq!(demo["setup"]["sites"].as_array().unwrap().len(), 8);
}

#[test]
fn netcdf_readers_open_the_maps() {
    let Some(python) = std::env::var_os("ALVINE_PYTHON") else {
        eprintln!("not run: ALVINE_PYTHON names no Python with the packages of tests/reference/requirements.txt");
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    succeed(
        dir.path(),
        &["layout", "evaluate", "--out", "map", "--no-png", "--quiet"],
    );
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/check_map.py");
    let output = Command::new(python)
        .arg(script)
        .arg(dir.path().join("map"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && said.contains("as in map.csv"), "{said}");
}
