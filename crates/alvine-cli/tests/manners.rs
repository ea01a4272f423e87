//! How the program behaves on a command line: help, completions, exit codes, messages, pipes.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::io::Read;
use std::process::Stdio;

use program::{alvine, fail, run, simulate, succeed};

const COMMANDS: [&str; 14] = [
    "calibrate",
    "audit",
    "compare",
    "dayplan",
    "export",
    "watch",
    "report",
    "locate",
    "phases",
    "convert",
    "check",
    "simulate",
    "score",
    "completions",
];

#[test]
fn every_command_has_help_that_says_when_to_use_it_and_shows_an_example() {
    let dir = tempfile::tempdir().unwrap();
    for command in COMMANDS {
        let help = succeed(dir.path(), &[command, "--help"]);
        let examples = help.split_once("Examples:\n").map_or("", |(_, examples)| examples);
        assert!(examples.contains(&format!("  alvine {command} ")), "{help}");
        let words = help.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(words.contains("Use this "), "{help}");
        assert!(help.lines().all(|line| line.chars().count() <= 100), "{help}");
        let short = succeed(dir.path(), &[command, "-h"]);
        assert!(short.lines().count() < help.lines().count(), "{command}");
    }
}

#[test]
fn the_help_lists_every_command_and_every_exit_code() {
    let dir = tempfile::tempdir().unwrap();
    let help = succeed(dir.path(), &["--help"]);
    for word in COMMANDS
        .into_iter()
        .chain(["  0  ", "  1  ", "  2  ", "  3  ", "130  "])
    {
        assert!(help.contains(word), "{word:?} in {help}");
    }
    assert!(help.lines().all(|line| line.chars().count() <= 100), "{help}");
    let version = succeed(dir.path(), &["--version"]);
    assert_eq!(version, format!("alvine {}\n", env!("CARGO_PKG_VERSION")));
}

#[test]
fn completions_name_the_commands_in_every_shell() {
    let dir = tempfile::tempdir().unwrap();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = succeed(dir.path(), &["completions", shell]);
        assert!(script.contains("simulate") && script.contains("no-png"), "{shell}");
    }
}

#[test]
fn a_command_line_that_makes_no_sense_ends_with_2() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    for (arguments, said) in [
        (&["report", "study"] as &[&str], "--out <DIR>"),
        (&["raport"], "report"),
        (&["phases", "study", "--threads", "0"], "--threads"),
        (&["locate", "study", "--out", "track.txt"], ".csv or .h5"),
        (&["convert", "study", "study.csv"], "a folder"),
        (
            &["simulate", "--seed", "1", "--out", "new", "--scenario", "gastric"],
            "gastric-retention",
        ),
        (
            &["simulate", "--seed", "1", "--out", "new", "--hours", "-1"],
            "--hours is -1; expected",
        ),
        (
            &["simulate", "--seed", "1", "--out", "new", "--rate-hz", "NaN"],
            "--rate-hz is NaN",
        ),
        (
            &["simulate", "--seed", "1", "--out", "new", "--shadowing-db", "90"],
            "--shadowing-db",
        ),
    ] {
        let said_instead = fail(dir.path(), arguments, 2);
        assert!(said_instead.contains(said), "{said:?} in {said_instead}");
    }
    assert!(!dir.path().join("new").exists());
}

#[test]
fn a_study_that_is_not_there_is_named_and_ends_with_3() {
    let dir = tempfile::tempdir().unwrap();
    for command in ["report", "locate", "phases", "check", "convert"] {
        let mut arguments = vec![command, "nowhere/study.toml"];
        match command {
            "report" | "locate" => arguments.extend(["--out", "out.csv"]),
            "convert" => arguments.push("out.h5"),
            _ => {}
        }
        let said = fail(dir.path(), &arguments, 3);
        assert!(
            said.starts_with("error: nowhere/study.toml: no such file; expected "),
            "{said}"
        );
        assert_eq!(said.lines().count(), 1, "{said}");
    }
    assert!(program::names_in(dir.path()).is_empty());
}

#[test]
fn a_faulty_study_is_told_with_file_line_column_and_help_and_ends_with_1() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let csv = dir.path().join("study/recording.csv");
    let text = fs::read_to_string(&csv).unwrap();
    let mut rows: Vec<&str> = text.lines().collect();
    rows[9] = rows[8];
    fs::write(&csv, rows.join("\n")).unwrap();
    for command in ["check", "phases"] {
        let said = fail(dir.path(), &[command, "study"], 1);
        let lines: Vec<&str> = said.lines().collect();
        assert_eq!(lines.len(), 2, "{said}");
        assert!(
            lines[0].starts_with("error: study/recording.csv:10:1: time_s is 7; expected "),
            "{said}"
        );
        assert!(lines[1].starts_with("help: times must increase"), "{said}");
    }
}

#[test]
fn landmarks_that_contradict_each_other_name_the_study_and_end_with_1() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let toml = dir.path().join("study/study.toml");
    let mut text = fs::read_to_string(&toml).unwrap();
    text.push_str("\n[[landmark]]\nkind = \"pylorus\"\ntime_s = 900.0\n");
    text.push_str("\n[[landmark]]\nkind = \"cardia\"\ntime_s = 1500.0\n");
    fs::write(&toml, text).unwrap();
    let said = fail(dir.path(), &["phases", "study"], 1);
    assert!(said.starts_with("error: study: "), "{said}");
}

#[test]
fn a_place_that_cannot_be_written_ends_with_3() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    fs::write(dir.path().join("file"), "").unwrap();
    let said = fail(dir.path(), &["locate", "study", "--out", "file/track.csv"], 3);
    assert!(said.starts_with("error: file"), "{said}");
    let said = fail(dir.path(), &["report", "study", "--out", "file/report", "--no-png"], 3);
    assert!(said.starts_with("error: file/report"), "{said}");
}

#[test]
fn quiet_silences_people_s_text_and_keeps_what_scripts_ask_for() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    for arguments in [
        &["report", "study", "--out", "report", "--no-png", "--quiet"] as &[&str],
        &["--quiet", "phases", "study"],
        &["check", "study", "--quiet"],
    ] {
        let output = run(dir.path(), arguments);
        assert!(output.status.success() && output.stdout.is_empty() && output.stderr.is_empty());
    }
    let json = succeed(dir.path(), &["check", "study", "--quiet", "--json"]);
    assert!(serde_json::from_str::<serde_json::Value>(&json).unwrap()["quality"].is_object());
    let csv = succeed(dir.path(), &["locate", "study", "--quiet", "--out", "-"]);
    assert!(csv.starts_with("time_s,x_mm,"));
}

#[test]
fn no_one_is_told_of_progress_where_no_one_watches() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let output = run(dir.path(), &["phases", "study"]);
    assert!(output.status.success() && output.stderr.is_empty());
}

/// Starts a command, reads a little of its output and goes away.
#[cfg(unix)]
#[test]
fn a_reader_who_goes_away_is_no_failure() {
    let dir = tempfile::tempdir().unwrap();
    // More than a pipe holds.
    succeed(
        dir.path(),
        &[
            "simulate",
            "--seed",
            "5",
            "--hours",
            "1",
            "--rate-hz",
            "1",
            "--out",
            "study",
        ],
    );
    for arguments in [
        &["locate", "study", "--out", "-"] as &[&str],
        &["phases", "study", "--json"],
        &["completions", "zsh"],
        &["report", "--help"],
    ] {
        let mut child = alvine(arguments)
            .current_dir(dir.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut few = [0; 10];
        let mut stdout = child.stdout.take().unwrap();
        if arguments[0] == "locate" {
            stdout.read_exact(&mut few).unwrap();
        }
        drop(stdout);
        let output = child.wait_with_output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{arguments:?}");
        assert_eq!(String::from_utf8(output.stderr).unwrap(), "", "{arguments:?}");
    }
}

/// Linux has a device that is always full.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_under_standard_output_is_a_failure() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let full = fs::File::options().write(true).open("/dev/full").unwrap();
    let output = alvine(["phases", "study"])
        .current_dir(dir.path())
        .stdout(full)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    assert!(output.stderr.starts_with(b"error: standard output: "));
}

#[cfg(target_os = "linux")]
#[test]
fn paths_need_not_be_text() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;

    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    let odd = dir.path().join(OsStr::from_bytes(b"st\xffudy"));
    fs::rename(dir.path().join("study"), &odd).unwrap();
    let report = dir.path().join(OsStr::from_bytes(b"rep\xfeort"));
    let output = alvine([
        OsStr::new("report"),
        odd.as_os_str(),
        OsStr::new("--no-png"),
        OsStr::new("--out"),
    ])
    .arg(&report)
    .output()
    .unwrap();
    assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    assert!(report.join("summary.json").is_file());
    let hdf5 = dir.path().join(OsStr::from_bytes(b"\xff.h5"));
    let back = dir.path().join("back");
    for (from, to) in [(&odd, &hdf5), (&hdf5, &back)] {
        let output = alvine([OsStr::new("convert"), from.as_os_str(), to.as_os_str()])
            .output()
            .unwrap();
        assert_eq!(String::from_utf8_lossy(&output.stderr), "");
    }
    let [before, after] = [odd, back].map(|folder| fs::read(folder.join("recording.csv")).unwrap());
    assert!(before == after);
}
