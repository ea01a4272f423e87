//! Cohorts: whole studies or none, gone on with after a kill, and the same whatever the number of jobs.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;

use alvine_study::{read_study, read_truth};
use program::{fail, names_in, run, succeed};

/// A scenario that takes a moment a study.
const SCENARIO: &str = "name = \"short\"\nradio = \"realistic\"\nseed = 40\nduration_h = 0.5\nrate_hz = 1.0\n";

fn with_scenario() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("short.toml"), SCENARIO).unwrap();
    dir
}

/// Every file of a folder and its folders, by name and bytes.
fn contents(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    for name in names_in(folder) {
        let path = folder.join(&name);
        if path.is_dir() {
            found.extend(
                contents(&path)
                    .into_iter()
                    .map(|(inner, bytes)| (format!("{name}/{inner}"), bytes)),
            );
        } else {
            found.push((name, fs::read(path).unwrap()));
        }
    }
    found
}

#[test]
fn a_cohort_is_the_same_whatever_the_jobs_and_each_study_is_the_single_one_of_its_seed() {
    let dir = with_scenario();
    for (jobs, out) in [("1", "one"), ("4", "four")] {
        let said = succeed(
            dir.path(),
            &[
                "simulate",
                "--cohort",
                "short.toml",
                "--count",
                "5",
                "--jobs",
                jobs,
                "--out",
                out,
            ],
        );
        assert_eq!(said, format!("5 studies in {out}: 5 made, 0 there already\n"));
    }
    assert_eq!(contents(&dir.path().join("one")), contents(&dir.path().join("four")));
    let folders: Vec<String> = (40..45).map(|seed| format!("phantom-short-{seed}")).collect();
    let mut names = vec!["cohort.toml".to_owned()];
    names.extend(folders);
    assert_eq!(names_in(&dir.path().join("one")), names);
    let single = [
        "simulate",
        "--scenario",
        "short.toml",
        "--seed",
        "43",
        "--out",
        "single",
    ];
    succeed(dir.path(), &single);
    let of_cohort = contents(&dir.path().join("one/phantom-short-43"));
    for (name, bytes) in contents(&dir.path().join("single")) {
        assert!(of_cohort.contains(&(name.clone(), bytes)), "{name}");
    }
    assert_eq!(of_cohort.len(), 5);
}

#[test]
fn a_cohort_can_be_made_larger_and_one_of_another_scenario_is_refused() {
    let dir = with_scenario();
    let cohort = |count, more: &[&'static str]| {
        let mut arguments = vec![
            "simulate",
            "--cohort",
            "short.toml",
            "--count",
            count,
            "--out",
            "out",
            "--hdf5",
        ];
        arguments.extend(more);
        arguments
    };
    succeed(dir.path(), &cohort("2", &[]));
    let said = succeed(dir.path(), &cohort("3", &[]));
    assert_eq!(said, "3 studies in out: 1 made, 2 there already\n");
    let study = read_study(&dir.path().join("out/phantom-short-42/study.h5")).unwrap();
    assert_eq!((study.id.as_str(), study.recording.len()), ("phantom-short-42", 1800));

    let before = contents(dir.path());
    let said = fail(dir.path(), &cohort("3", &["--hours", "0.25"]), 3);
    assert!(said.contains("out/cohort.toml: tells of another scenario"), "{said}");
    assert_eq!(contents(dir.path()), before);
    let said = succeed(dir.path(), &cohort("3", &["--hours", "0.25", "--force"]));
    assert_eq!(said, "3 studies in out: 3 made, 0 there already\n");
    let study = read_study(&dir.path().join("out/phantom-short-42/study.h5")).unwrap();
    assert_eq!(study.recording.len(), 900);
}

#[test]
fn what_no_cohort_made_is_never_replaced() {
    let dir = with_scenario();
    fs::create_dir_all(dir.path().join("out/phantom-short-41")).unwrap();
    fs::write(dir.path().join("out/phantom-short-41/letter.txt"), "dear").unwrap();
    for force in [&[] as &[&str], &["--force"]] {
        let mut arguments = vec!["simulate", "--cohort", "short.toml", "--count", "3", "--out", "out"];
        arguments.extend(force);
        let said = fail(dir.path(), &arguments, 3);
        assert!(said.contains("out/phantom-short-41: is there already"), "{said}");
    }
    assert_eq!(
        fs::read_to_string(dir.path().join("out/phantom-short-41/letter.txt")).unwrap(),
        "dear"
    );
}

#[test]
fn faulty_scenario_files_are_told_with_file_line_and_column() {
    let dir = with_scenario();
    for (text, said) in [
        ("rate_hz = 2\nseed = \"x\"\n", "error: bad.toml:2:8: invalid type"),
        ("[noise]\nnoise_db = 0\n", "error: bad.toml:2:12: noise_db is 0 dB"),
        ("depth = 3\n", "error: bad.toml:1:1: unknown field `depth`"),
    ] {
        fs::write(dir.path().join("bad.toml"), text).unwrap();
        for of in [
            &["--scenario", "bad.toml"] as &[&str],
            &["--cohort", "bad.toml", "--count", "2"],
        ] {
            let mut arguments = vec!["simulate", "--out", "new"];
            arguments.extend(of);
            let found = fail(dir.path(), &arguments, 1);
            assert!(found.starts_with(said), "{found}");
            assert!(found.ends_with("help: alvine simulate --print-scenario prints every key with its default\n"));
        }
    }
    assert!(fail(dir.path(), &["simulate", "--scenario", "none.toml", "--out", "new"], 3).contains("none.toml"));
    fail(dir.path(), &["simulate", "--cohort", "short.toml", "--out", "new"], 2);
    fail(dir.path(), &["simulate", "--count", "3", "--out", "new"], 2);
    assert_eq!(names_in(dir.path()), ["bad.toml", "short.toml"]);
}

#[test]
fn the_printed_scenario_makes_the_study_it_was_printed_for() {
    let dir = tempfile::tempdir().unwrap();
    let options = [
        "--seed",
        "9",
        "--hours",
        "0.25",
        "--rate-hz",
        "1",
        "--radio",
        "realistic",
    ];
    let mut print = vec!["simulate", "--print-scenario", "--scenario", "started-late"];
    print.extend(options);
    fs::write(dir.path().join("printed.toml"), succeed(dir.path(), &print)).unwrap();
    let mut named = vec!["simulate", "--scenario", "started-late", "--out", "named"];
    named.extend(options);
    succeed(dir.path(), &named);
    succeed(
        dir.path(),
        &["simulate", "--scenario", "printed.toml", "--out", "printed"],
    );
    assert_eq!(
        contents(&dir.path().join("named")),
        contents(&dir.path().join("printed"))
    );
}

/// Twelve studies that take a while, into a folder.
#[cfg(unix)]
fn long(out: &str) -> Vec<&str> {
    let mut arguments = vec![
        "simulate",
        "--cohort",
        "short.toml",
        "--hours",
        "6",
        "--count",
        "12",
        "--jobs",
        "2",
    ];
    arguments.extend(["--out", out]);
    arguments
}

#[cfg(unix)]
#[test]
fn a_killed_cohort_leaves_whole_studies_and_is_gone_on_with_to_the_same_bytes() {
    let dir = with_scenario();
    succeed(dir.path(), &long("whole"));
    for signal in ["-KILL", "-INT"] {
        let out = &format!("out{signal}");
        let folder = dir.path().join(out);
        let studies = || {
            let names = if folder.is_dir() { names_in(&folder) } else { Vec::new() };
            names
                .into_iter()
                .filter(|name| name.starts_with("phantom-"))
                .collect::<Vec<_>>()
        };
        program::stop_at_work(dir.path(), &long(out), signal, || studies().len() >= 2);
        let there = studies();
        assert!((2..12).contains(&there.len()), "{signal}: {there:?}");
        for study in &there {
            read_study(&folder.join(study)).unwrap();
            read_truth(&folder.join(study)).unwrap();
        }
        let said = String::from_utf8(run(dir.path(), &long(out)).stdout).unwrap();
        let made = 12 - there.len();
        assert_eq!(
            said,
            format!("12 studies in {out}: {made} made, {} there already\n", there.len())
        );
        assert!(contents(&folder) == contents(&dir.path().join("whole")), "{signal}");
    }
}
