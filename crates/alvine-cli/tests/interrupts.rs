//! A report that is stopped half-way leaves all of its files or none.

#![cfg(unix)]
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use program::{alvine, names_in, succeed};

/// What stands in the folder before, in place of an earlier report.
const EARLIER: [(&str, &str); 2] = [
    ("track.csv", "time_s,x_mm,y_mm,z_mm,earlier\n"),
    ("report.html", "<p>earlier</p>\n"),
];
/// How often to try to hit the moment of writing.
const ATTEMPTS: usize = 10;

/// A study large enough that writing its report takes a while, and a folder with an earlier report.
fn prepare(dir: &Path) {
    succeed(
        dir,
        &[
            "simulate",
            "--seed",
            "3",
            "--hours",
            "6",
            "--rate-hz",
            "6",
            "--hdf5",
            "--out",
            "big",
        ],
    );
    set_earlier(dir);
}

fn set_earlier(dir: &Path) {
    let report = dir.join("report");
    let _ = fs::remove_dir_all(&report);
    fs::create_dir(&report).unwrap();
    for (name, text) in EARLIER {
        fs::write(report.join(name), text).unwrap();
    }
}

fn start(dir: &Path) -> Child {
    alvine(["report", "big/study.h5", "--out", "report", "--no-png"])
        .current_dir(dir)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

/// Waits for the folder in which the files are made; `false` when the process ended before one was seen.
fn sees_staging(dir: &Path, child: &mut Child) -> bool {
    let began = Instant::now();
    while began.elapsed() < Duration::from_secs(120) {
        if names_in(&dir.join("report")).iter().any(|name| name.starts_with('.')) {
            return true;
        }
        if child.try_wait().unwrap().is_some() {
            return false;
        }
        sleep(Duration::from_millis(1));
    }
    panic!("no report after two minutes");
}

fn send(signal: &str, child: &mut Child) -> ExitStatus {
    let id = child.id().to_string();
    let sent = Command::new("kill").args([signal, &id]).status().unwrap();
    assert!(sent.success());
    child.wait().unwrap()
}

/// Whether the earlier report is there, whole.
fn is_earlier(dir: &Path) -> bool {
    EARLIER
        .iter()
        .all(|(name, text)| fs::read_to_string(dir.join("report").join(name)).is_ok_and(|found| found == *text))
}

/// Starts reports until a signal meets one in the midst of writing; gives its exit code.
fn hit_while_writing(dir: &Path, signal: &str) -> Option<i32> {
    for _ in 0..ATTEMPTS {
        set_earlier(dir);
        let mut child = start(dir);
        if sees_staging(dir, &mut child) {
            let status = send(signal, &mut child);
            // The signal may come a moment too late: then the whole new report is there.
            if !status.success() {
                return status.code();
            }
        }
        assert!(!is_earlier(dir));
    }
    panic!("never met a report in the midst of writing");
}

#[test]
fn a_report_interrupted_while_it_is_written_leaves_the_earlier_one_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    prepare(dir.path());
    for signal in ["-INT", "-TERM"] {
        assert_eq!(hit_while_writing(dir.path(), signal), Some(130), "{signal}");
        assert!(is_earlier(dir.path()), "{signal}");
        assert_eq!(
            names_in(&dir.path().join("report")),
            ["report.html", "track.csv"],
            "{signal}"
        );
    }
}

#[test]
fn a_report_interrupted_while_it_is_computed_makes_no_folder() {
    let dir = tempfile::tempdir().unwrap();
    prepare(dir.path());
    fs::remove_dir_all(dir.path().join("report")).unwrap();
    let mut child = start(dir.path());
    // Long enough to be listening, far too short to have computed six hours.
    sleep(Duration::from_millis(150));
    assert_eq!(send("-INT", &mut child).code(), Some(130));
    assert_eq!(names_in(dir.path()), ["big"]);
}

#[test]
fn a_report_killed_while_it_is_written_leaves_no_half_of_a_file_and_the_next_cleans_up() {
    let dir = tempfile::tempdir().unwrap();
    prepare(dir.path());
    // A kill that comes while the finished files take their places is too late; each of them is whole all the same.
    let met = (0..ATTEMPTS).any(|_| {
        assert_eq!(hit_while_writing(dir.path(), "-KILL"), None);
        is_earlier(dir.path())
    });
    assert!(met);
    let hidden = |names: Vec<String>| names.into_iter().filter(|name| name.starts_with('.')).count();
    assert_eq!(hidden(names_in(&dir.path().join("report"))), 1);
    succeed(dir.path(), &["report", "big/study.h5", "--out", "report", "--no-png"]);
    assert!(!is_earlier(dir.path()));
    assert_eq!(hidden(names_in(&dir.path().join("report"))), 0);
}
