//! What looks like personal data is refused, and dates are moved on the way out.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;

use alvine_study::read_study;
use program::{fail, run, simulate, succeed};

#[test]
fn a_study_that_names_someone_is_neither_sound_nor_converted_unless_told_to() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let file = dir.path().join("study/study.toml");
    let text = fs::read_to_string(&file).unwrap();
    succeed(dir.path(), &["check", "study", "--quiet"]);
    let id = text.lines().find(|line| line.starts_with("id = ")).unwrap();
    fs::write(&file, text.replacen(id, "id = \"Muster, Anna 4.7.1962\"", 1)).unwrap();
    let refused = fail(dir.path(), &["convert", "study", "out.h5"], 1);
    assert!(
        refused.contains("[study] id is \"Muster, Anna 4.7.1962\", which looks like a date, as of birth"),
        "{refused}"
    );
    assert!(refused.contains("--allow-personal-data"), "{refused}");
    assert!(!dir.path().join("out.h5").exists());
    assert_eq!(run(dir.path(), &["check", "study"]).status.code(), Some(1));
    succeed(dir.path(), &["convert", "study", "out.h5", "--allow-personal-data"]);
}

#[test]
fn dates_move_by_whole_days_or_go_and_all_else_stays() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    succeed(dir.path(), &["convert", "study", "moved", "--shift-days", "-61"]);
    succeed(dir.path(), &["convert", "study", "undated", "--no-date"]);
    let started = |name: &str| {
        read_study(&dir.path().join(name))
            .unwrap()
            .started
            .map(|started| started.to_string())
    };
    assert_eq!(started("study").as_deref(), Some("2026-03-02T08:14:00+01:00"));
    assert_eq!(started("moved").as_deref(), Some("2025-12-31T08:14:00+01:00"));
    assert_eq!(started("undated"), None);
    let rest = |name: &str| {
        let text = fs::read_to_string(dir.path().join(name).join("study.toml")).unwrap();
        let lines = text
            .lines()
            .filter(|line| !line.starts_with("started"))
            .map(str::to_owned);
        (
            lines.collect::<Vec<_>>(),
            fs::read(dir.path().join(name).join("recording.csv")).unwrap(),
        )
    };
    assert!(rest("study") == rest("moved") && rest("study") == rest("undated"));
}
