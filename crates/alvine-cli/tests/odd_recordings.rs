//! Odd recordings and odd landmarks through the program: each ends in a named error, or in an answer that says what is odd.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;

use program::{fail, succeed};
use serde_json::Value;

/// Nine hours at 0.5 Hz, of which the capsule is in the colon from the fourth on.
fn whole(folder: &Path) {
    let scenario = "format = 1\nname = \"odd\"\nbase = \"default\"\nradio = \"matched\"\nseed = 3\nrate_hz = 0.5\nduration_h = 9.0\n";
    fs::write(folder.join("odd.toml"), scenario).unwrap();
    succeed(folder, &["simulate", "--scenario", "odd.toml", "--out", "whole"]);
}

/// The study with other rows and more text.
fn changed(folder: &Path, name: &str, row: impl Fn(f64, &str) -> Option<String>, more: &str) {
    let to = folder.join(name);
    fs::create_dir_all(&to).unwrap();
    let text = fs::read_to_string(folder.join("whole/recording.csv")).unwrap();
    let (head, rows) = text.split_once('\n').unwrap();
    let kept = rows.lines().filter_map(|line| {
        let (time_s, levels) = line.split_once(',')?;
        row(time_s.parse().unwrap(), levels)
    });
    let rows: Vec<String> = kept.collect();
    fs::write(to.join("recording.csv"), format!("{head}\n{}\n", rows.join("\n"))).unwrap();
    let study = fs::read_to_string(folder.join("whole/study.toml")).unwrap();
    fs::write(to.join("study.toml"), format!("{study}\n{more}")).unwrap();
}

fn same(time_s: f64, levels: &str) -> Option<String> {
    Some(format!("{time_s},{levels}"))
}

fn landmark(kind: &str, time_s: f64) -> String {
    format!("\n[[landmark]]\nkind = \"{kind}\"\ntime_s = {time_s:?}\n")
}

fn phases(folder: &Path, name: &str) -> Value {
    serde_json::from_str(&succeed(folder, &["phases", name, "--json"])).unwrap()
}

fn cautions(answer: &Value) -> String {
    answer["cautions"].to_string()
}

#[test]
fn hours_of_nothing_get_an_answer_and_a_site_alone_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    whole(dir.path());
    let silent = |time_s: f64, levels: &str| {
        let gap = (9000.0..16_200.0).contains(&time_s);
        let levels = if gap {
            ",".repeat(levels.matches(',').count())
        } else {
            levels.to_owned()
        };
        Some(format!("{time_s},{levels}"))
    };
    changed(dir.path(), "gap", silent, "");
    let landmarks = phases(dir.path(), "gap")["landmarks"].clone();
    assert_eq!(landmarks.as_array().unwrap().len(), 6);
    let lone = |time_s: f64, levels: &str| {
        let mut cells: Vec<&str> = levels.split(',').map(|_| "").collect();
        cells[3] = levels.split(',').nth(3).unwrap();
        Some(format!("{time_s},{}", cells.join(",")))
    };
    changed(dir.path(), "lone", lone, "");
    assert!(fail(dir.path(), &["phases", "lone"], 1).contains("expected at least 4"));
}

#[test]
fn landmarks_out_of_order_or_twice_are_named_errors() {
    let dir = tempfile::tempdir().unwrap();
    whole(dir.path());
    let twisted = landmark("pylorus", 3000.0) + &landmark("ileocaecal-valve", 2000.0);
    changed(dir.path(), "twisted", same, &twisted);
    let error = fail(dir.path(), &["phases", "twisted"], 1);
    assert!(
        error.contains("`ileocaecal-valve` at 2000 s is given before `pylorus` at 3000 s"),
        "{error}"
    );
    let twice = landmark("swallow", 400.0) + &landmark("swallow", 900.0);
    changed(dir.path(), "twice", same, &twice);
    let error = fail(dir.path(), &["phases", "twice"], 1);
    assert!(error.contains("landmark \"swallow\" stands twice"), "{error}");
}

#[test]
fn a_landmark_outside_the_recording_and_a_second_swallow_are_said() {
    let dir = tempfile::tempdir().unwrap();
    whole(dir.path());
    changed(dir.path(), "late", same, &landmark("pylorus", 99_999.0));
    let late = cautions(&phases(dir.path(), "late"));
    assert!(
        late.contains("The pylorus is given at 99999 s, outside the recording"),
        "{late}"
    );
    changed(dir.path(), "swallows", same, &landmark("swallow", 900.0));
    let answer = phases(dir.path(), "swallows");
    assert!(cautions(&answer).contains("the reader gives 900 s"), "{answer}");
    // What follows the swallow does not come before it.
    assert!(answer["landmarks"][1]["time_s"].as_f64().unwrap() >= 900.0, "{answer}");
}

#[test]
fn a_recording_that_begins_in_the_colon_ends_there() {
    let dir = tempfile::tempdir().unwrap();
    whole(dir.path());
    let from_s = 27_000.0;
    let late = |time_s: f64, levels: &str| (time_s >= from_s).then(|| format!("{},{levels}", time_s - from_s));
    changed(dir.path(), "late", late, "");
    let file = dir.path().join("late/study.toml");
    let text = fs::read_to_string(&file).unwrap();
    let untold: Vec<&str> = text.lines().filter(|line| !line.starts_with("swallowed_s")).collect();
    fs::write(&file, untold.join("\n")).unwrap();
    let answer = phases(dir.path(), "late");
    assert_eq!(answer["completeness"]["last_phase"], "colon", "{answer}");
    let colon = &answer["phases"][0];
    assert_eq!(
        (colon["phase"].as_str(), colon["censored"].as_bool()),
        (Some("colon"), Some(true))
    );
    assert_eq!(answer["landmarks"][4]["reason"], "passed before the recording began");
}

#[test]
fn a_recording_of_three_rows_says_that_nothing_was_reached() {
    let dir = tempfile::tempdir().unwrap();
    whole(dir.path());
    changed(
        dir.path(),
        "short",
        |time_s, levels| same(time_s, levels).filter(|_| time_s < 5.0),
        "",
    );
    let answer = phases(dir.path(), "short");
    let reason = answer["landmarks"][2]["reason"].as_str().unwrap();
    assert!(reason.ends_with("reached unseen: 0 %)"), "{reason}");
    assert!(cautions(&answer).contains("The swallow is given at"), "{answer}");
}
