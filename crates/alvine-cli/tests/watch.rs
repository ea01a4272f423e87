//! An examination watched while it is recorded: killed, resumed, disturbed.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use program::{alvine, fail, simulate, succeed};

/// A study in `folder/live` without its recording, and the text of that.
fn live(folder: &Path) -> String {
    simulate(folder, "whole");
    fs::create_dir(folder.join("live")).unwrap();
    fs::copy(folder.join("whole/study.toml"), folder.join("live/study.toml")).unwrap();
    fs::read_to_string(folder.join("whole/recording.csv")).unwrap()
}

/// The events of an unbroken run over a recording.
fn unbroken(folder: &Path, recording: &str) -> String {
    fs::write(folder.join("whole/recording.csv"), recording).unwrap();
    succeed(folder, &["watch", "whole", "--once", "--events", "-"])
}

fn wait_for(what: &str, mut is_there: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !is_there() {
        assert!(begun.elapsed() < Duration::from_secs(60), "waited in vain for {what}");
        sleep(Duration::from_millis(10));
    }
}

fn read(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_default()
}

/// Numbers that look like chance and are the same each time.
struct Places(u64);

impl Places {
    fn next_below(&mut self, bound: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as usize % bound
    }
}

fn listening(folder: &Path) -> (Child, String) {
    let mut child = alvine([
        "watch",
        "live",
        "--from",
        "tcp:127.0.0.1:0",
        "--events",
        "events.jsonl",
        "--quiet",
    ])
    .current_dir(folder)
    .stderr(Stdio::piped())
    .spawn()
    .unwrap();
    let mut line = String::new();
    BufReader::new(child.stderr.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    let address = line
        .trim()
        .strip_prefix("listening at ")
        .unwrap_or_else(|| panic!("{line}"))
        .to_owned();
    (child, address)
}

/// Connects, and gives what the greeting says: the time of the last row that is there.
fn connect(address: &str) -> (TcpStream, Option<f64>) {
    let stream = TcpStream::connect(address).unwrap();
    let mut greeting = String::new();
    BufReader::new(stream.try_clone().unwrap())
        .read_line(&mut greeting)
        .unwrap();
    let last = greeting
        .trim()
        .strip_prefix("last ")
        .unwrap_or_else(|| panic!("{greeting}"));
    (stream, last.parse().ok())
}

fn time_of(row: &str) -> f64 {
    row.split(',').next().unwrap().parse().unwrap()
}

#[test]
fn a_socket_s_rows_are_kept_and_kills_at_any_place_leave_the_events_of_an_unbroken_run() {
    let dir = tempfile::tempdir().unwrap();
    let recording = live(dir.path());
    let expected = unbroken(dir.path(), &recording);
    let rows: Vec<&str> = recording.lines().skip(1).collect();
    let header = recording.lines().next().unwrap();
    let (kept, events) = (dir.path().join("live/recording.csv"), dir.path().join("events.jsonl"));
    let mut places = Places(7);
    for kill in 0..6 {
        let (mut child, address) = listening(dir.path());
        let (mut stream, last_s) = connect(&address);
        // The first time from the beginning again, so that rows are there already; later from where the greeting says.
        let resend = kill % 2 == 1;
        let next = rows
            .iter()
            .position(|row| resend || last_s.is_none_or(|last_s| time_of(row) > last_s))
            .unwrap_or(rows.len());
        let mut feed = format!("{header}\n");
        for row in &rows[next..] {
            feed.push_str(row);
            feed.push('\n');
        }
        if kill < 5 {
            // Cut anywhere, within a row most likely; then killed at once, or a little later.
            let upto = places.next_below(feed.len());
            let _ = stream.write_all(&feed.as_bytes()[..upto]);
            sleep(Duration::from_millis(places.next_below(120) as u64));
            child.kill().unwrap();
            child.wait().unwrap();
        } else {
            stream.write_all(feed.as_bytes()).unwrap();
            wait_for("all rows", || read(&kept).len() == recording.len());
            wait_for("all events", || read(&events).len() >= expected.len());
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }
    assert!(read(&kept) == recording, "the recording that was kept is another");
    let found: String = read(&events)
        .lines()
        .filter(|line| !line.contains("row-refused"))
        .map(|line| format!("{line}\n"))
        .collect();
    assert!(found == expected, "the events are others");
    assert!(expected.lines().count() > 30);
}

#[test]
fn a_file_that_grows_by_parts_of_rows_is_followed_through_kills() {
    let dir = tempfile::tempdir().unwrap();
    let recording = live(dir.path());
    let expected = unbroken(dir.path(), &recording);
    let (file, events) = (dir.path().join("live/recording.csv"), dir.path().join("events.jsonl"));
    let follow = || {
        alvine(["watch", "live", "--events", "events.jsonl", "--quiet"])
            .current_dir(dir.path())
            .spawn()
            .unwrap()
    };
    let mut places = Places(3);
    let mut written = 0;
    let mut child = follow();
    let mut out = fs::File::create(&file).unwrap();
    while written < recording.len() {
        let end = (written + 1 + places.next_below(16_000)).min(recording.len());
        out.write_all(&recording.as_bytes()[written..end]).unwrap();
        written = end;
        if places.next_below(3) == 0 {
            sleep(Duration::from_millis(150));
            child.kill().unwrap();
            child.wait().unwrap();
            child = follow();
        }
    }
    wait_for("all events", || read(&events).len() >= expected.len());
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(read(&events) == expected, "the events are others");
}

#[test]
fn the_end_is_told_within_twenty_five_minutes_and_a_bad_row_stops_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut recording = live(dir.path());
    let last_s = time_of(recording.lines().last().unwrap());
    recording.push_str("nonsense\n");
    for second in 1..1500 {
        recording.push_str(&format!("{},,,,,,,,\n", last_s + f64::from(second)));
    }
    let events = unbroken(dir.path(), &recording);
    let of_kind = |kind: &str| -> Vec<serde_json::Value> {
        let values = events
            .lines()
            .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap());
        values.filter(|value| value["kind"] == kind).collect()
    };
    let ended = of_kind("ended");
    assert_eq!(ended.len(), 1, "{events}");
    let since_s = ended[0]["time_s"].as_f64().unwrap() - ended[0]["last_heard_s"].as_f64().unwrap();
    assert!((0.0..=1500.0).contains(&since_s), "{since_s}");
    let refused = of_kind("row-refused");
    assert_eq!(refused.len(), 1);
    assert_eq!(refused[0]["line"], 1802);
    // A person without a terminal gets a line for each, and no states.
    let told = succeed(dir.path(), &["watch", "whole", "--once"]);
    assert!(
        told.contains("the examination has ended: it is heard no more"),
        "{told}"
    );
    assert!(told.contains("line 1802 was left out"), "{told}");
}

#[test]
fn each_state_tells_the_next_landmark_with_its_interval_until_the_last_is_passed() {
    let dir = tempfile::tempdir().unwrap();
    let recording = live(dir.path());
    let events = unbroken(dir.path(), &recording);
    let states: Vec<serde_json::Value> = events
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .filter(|event: &serde_json::Value| event["kind"] == "state")
        .collect();
    let told: Vec<&serde_json::Value> = states
        .iter()
        .filter(|state| !state["next_landmark"].is_null())
        .collect();
    assert!(told.len() > 5, "{events}");
    for state in told {
        let next = &state["next_landmark"];
        let of = |key: &str, index: usize| next[key][index].as_f64().unwrap();
        let bounds = [
            state["time_s"].as_f64().unwrap() - 10.0,
            of("interval90_s", 0),
            of("interval50_s", 0),
            of("interval50_s", 1),
            of("interval90_s", 1),
        ];
        assert!(bounds.is_sorted(), "{state}");
        let expected_s = next["expected_s"].as_f64().unwrap();
        assert!((bounds[1]..=bounds[4]).contains(&expected_s), "{state}");
        assert!((0.0..=1.0).contains(&next["reached"].as_f64().unwrap()));
    }
}

#[test]
fn standard_input_fills_the_recording_of_the_study() {
    let dir = tempfile::tempdir().unwrap();
    let recording = live(dir.path());
    let mut child = alvine(["watch", "live", "--from", "-", "--events", "-"])
        .current_dir(dir.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    let text = recording.clone();
    let feed = std::thread::spawn(move || input.write_all(text.as_bytes()));
    let mut events = String::new();
    child.stdout.take().unwrap().read_to_string(&mut events).unwrap();
    assert!(child.wait().unwrap().success());
    feed.join().unwrap().unwrap();
    assert_eq!(read(&dir.path().join("live/recording.csv")), recording);
    assert_eq!(events, unbroken(dir.path(), &recording));
    // And the folder is a study like any other.
    succeed(dir.path(), &["convert", "live", "live.h5"]);
}

#[test]
fn the_steps_of_the_day_plan_are_told_as_they_are_due_after_the_true_swallow() {
    let dir = tempfile::tempdir().unwrap();
    live(dir.path());
    fs::write(
        dir.path().join("ours.toml"),
        "format = 1\n[food]\nclear_liquids_after_h = 0.25\n[recorder]\ncapsule_on_before_min = 0\n",
    )
    .unwrap();
    let plan = [
        "dayplan",
        "--swallow",
        "2026-03-02T08:20",
        "--zone",
        "Europe/Vienna",
        "--now",
        "any",
    ];
    let mut plan = plan.to_vec();
    plan.extend(["--protocol", "ours.toml", "--out", "plan", "--quiet"]);
    succeed(dir.path(), &plan);
    let events = succeed(
        dir.path(),
        &[
            "watch",
            "whole",
            "--once",
            "--events",
            "-",
            "--plan",
            "plan/dayplan.json",
        ],
    );
    // The recording began at 08:14:00 and the capsule was swallowed 412 s later, so that a quarter of an hour ends at 1312 s.
    assert!(
        events.contains("{\"time_s\":1312.0,\"kind\":\"step-due\",\"id\":\"clear-liquids\""),
        "{events}"
    );
    assert!(events.contains("\"id\":\"swallow\""));
}

#[test]
fn what_cannot_be_watched_is_refused_with_its_exit_code() {
    let dir = tempfile::tempdir().unwrap();
    live(dir.path());
    let open = fail(dir.path(), &["watch", "live", "--from", "tcp:0.0.0.0:0"], 2);
    assert!(
        open.contains("other machines could connect there") && open.contains("--allow-remote"),
        "{open}"
    );
    assert!(fail(dir.path(), &["watch", "live", "--from", "tcp:here"], 2).contains("is no source"));
    fail(dir.path(), &["watch", "nowhere"], 3);
    fail(dir.path(), &["watch", "live", "--once"], 3);
    fs::write(dir.path().join("live/recording.csv"), "time_s,a,b\n").unwrap();
    assert!(fail(dir.path(), &["watch", "live", "--once"], 1).contains("recording.csv:1:8: column \"a\""));
    fs::write(dir.path().join("no.json"), "{}").unwrap();
    assert!(fail(dir.path(), &["watch", "whole", "--once", "--plan", "no.json"], 1).contains("is no day plan"));
    // Events of another recording are not continued.
    fs::write(
        dir.path().join("events.jsonl"),
        "{\"time_s\":0.0,\"kind\":\"began\",\"study\":\"x\",\"sites\":[]}\n",
    )
    .unwrap();
    let other = fail(dir.path(), &["watch", "whole", "--once", "--events", "events.jsonl"], 1);
    assert!(other.contains("tells of something else"), "{other}");
}
