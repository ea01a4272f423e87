//! The built program, run as a user runs it.

#![allow(dead_code, reason = "each test file uses its part")]

use std::ffi::OsStr;
use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// The program with arguments, not yet started.
pub fn alvine<I: IntoIterator<Item = S>, S: AsRef<OsStr>>(arguments: I) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_alvine"));
    command.args(arguments);
    command
}

/// Runs the program in a folder.
pub fn run(folder: &Path, arguments: &[&str]) -> Output {
    alvine(arguments).current_dir(folder).output().unwrap()
}

/// Runs it, insists that it succeeds, and gives its standard output.
pub fn succeed(folder: &Path, arguments: &[&str]) -> String {
    let output = run(folder, arguments);
    assert!(
        output.status.success(),
        "alvine {arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).unwrap()
}

/// Runs it, insists that it fails with this code, says nothing on standard output and does not panic; gives what it
/// said on the error stream.
pub fn fail(folder: &Path, arguments: &[&str], code: i32) -> String {
    let output = run(folder, arguments);
    let stderr = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(code), "alvine {arguments:?}: {stderr}");
    assert!(output.stdout.is_empty(), "alvine {arguments:?}");
    assert!(
        !stderr.contains("panicked") && !stderr.contains("RUST_BACKTRACE"),
        "{stderr}"
    );
    stderr
}

/// Simulates half an hour at one instant a second into `folder/name`.
pub fn simulate(folder: &Path, name: &str) {
    succeed(
        folder,
        &[
            "simulate",
            "--seed",
            "5",
            "--hours",
            "0.5",
            "--rate-hz",
            "1",
            "--out",
            name,
        ],
    );
}

/// Starts the program in a folder, and sends it a signal (`-KILL` or `-INT`) once `reached` says so, at the latest after two
/// minutes. Insists that the signal met it at work, and that an interrupt ends with code 130 and a kill with none.
#[cfg(unix)]
pub fn stop_at_work(folder: &Path, arguments: &[&str], signal: &str, reached: impl Fn() -> bool) {
    let mut child = alvine(arguments)
        .current_dir(folder)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let began = Instant::now();
    while !reached() && began.elapsed() < Duration::from_secs(120) {
        sleep(Duration::from_millis(1));
    }
    let sent = Command::new("kill")
        .args([signal, &child.id().to_string()])
        .status()
        .unwrap();
    let status = child.wait().unwrap();
    assert!(
        sent.success() && !status.success(),
        "{signal}: too late to meet it at work"
    );
    assert_eq!(status.code(), (signal == "-INT").then_some(130), "{signal}");
}

/// Insists that each colour of the figures in a page without a script follows the reader's choice of day or night.
pub fn every_colour_has_its_own_by_night(page: &str) {
    let mut colours = 0;
    for attribute in ["fill", "stroke"] {
        let beginning = format!(" {attribute}=\"#");
        for (at, _) in page.match_indices(&beginning) {
            let colour = &page[at + attribute.len() + 3..][..7];
            assert!(
                page.contains(&format!(".card [{attribute}=\"{colour}\"]")),
                "{attribute} {colour}"
            );
            colours += 1;
        }
    }
    assert!(colours > 0, "no figure");
}

/// The names in a folder, sorted.
pub fn names_in(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}
