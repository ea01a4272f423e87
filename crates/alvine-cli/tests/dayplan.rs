//! The plan of a day as a user gets it.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;
use std::process::Command;

use program::{fail, names_in, succeed};

/// A Sunday on which the clocks go back in the night before.
const PLAN: [&str; 9] = [
    "dayplan",
    "--swallow",
    "2026-10-25T08:00",
    "--zone",
    "Europe/Vienna",
    "--now",
    "2026-10-20T10:00",
    "--id",
    "p-117",
];

fn plan_into(folder: &Path, out: &str) -> String {
    let mut arguments = PLAN.to_vec();
    arguments.extend(["--out", out]);
    succeed(folder, &arguments)
}

#[test]
fn a_plan_is_printed_and_written_in_every_form_and_the_calendar_is_the_committed_one() {
    let dir = tempfile::tempdir().unwrap();
    let text = plan_into(dir.path(), "plan");
    let names = [
        "dayplan-unit.ics",
        "dayplan.html",
        "dayplan.ics",
        "dayplan.json",
        "dayplan.txt",
    ];
    assert_eq!(names_in(&dir.path().join("plan")), names);
    assert_eq!(fs::read_to_string(dir.path().join("plan/dayplan.txt")).unwrap(), text);
    assert!(text.contains("23:00         Stop eating and drinking"), "{text}");
    let reference = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/data/dayplan");
    for name in ["dayplan.ics", "dayplan-unit.ics"] {
        let expected = fs::read(reference.join(name)).unwrap();
        assert!(
            fs::read(dir.path().join("plan").join(name)).unwrap() == expected,
            "{name} is another"
        );
    }
    let page = fs::read_to_string(dir.path().join("plan/dayplan.html")).unwrap();
    assert!(!page.contains("http") && !page.contains("<script") && page.contains("These are for your clinician"));
}

#[test]
fn what_cannot_be_planned_is_refused_with_the_reason_and_its_exit_code() {
    let dir = tempfile::tempdir().unwrap();
    let late = [
        "dayplan",
        "--swallow",
        "2026-10-25T08:00[Europe/Vienna]",
        "--now",
        "2026-10-24T20:00",
    ];
    let late = fail(dir.path(), &late, 1);
    assert!(
        late.contains("`Last solid food` would have been due on Saturday 24 October 2026 at 12:00"),
        "{late}"
    );
    let past = fail(
        dir.path(),
        &["dayplan", "--swallow", "1999-10-25T08:00", "--zone", "Europe/Vienna"],
        1,
    );
    assert!(
        past.contains("the first swallow that can be planned at this time of day is on"),
        "{past}"
    );
    let no_zone = fail(dir.path(), &["dayplan", "--swallow", "2026-10-25T08:00"], 2);
    assert!(
        no_zone.starts_with("error: --swallow: `2026-10-25T08:00` has no time zone"),
        "{no_zone}"
    );
    let twice = fail(
        dir.path(),
        &["dayplan", "--swallow", "2026-10-25T02:30[Europe/Vienna]"],
        2,
    );
    assert!(twice.contains("comes twice in Europe/Vienna"), "{twice}");
    fail(dir.path(), &["dayplan"], 2);
    let flat = [
        "dayplan",
        "--swallow",
        "2026-10-25T08:00[Europe/Vienna]",
        "--battery-h",
        "-3",
    ];
    assert!(fail(dir.path(), &flat, 2).contains("--battery-h is -3; expected 0.5 to 240 h"));
    let mut named = PLAN.to_vec();
    named[8] = "Anna Muster";
    assert!(fail(dir.path(), &named, 2).contains("looks like a person's name"));
    assert!(names_in(dir.path()).is_empty());
}

#[test]
fn the_usual_protocol_is_printed_can_be_changed_and_its_faults_have_their_place() {
    let dir = tempfile::tempdir().unwrap();
    let usual = succeed(dir.path(), &["dayplan", "--print-protocol"]);
    fs::write(
        dir.path().join("ours.toml"),
        usual.replace("fast_h = 10.0", "fast_h = 12.0"),
    )
    .unwrap();
    let mut arguments = PLAN.to_vec();
    arguments.extend(["--protocol", "ours.toml"]);
    let text = succeed(dir.path(), &arguments);
    assert!(text.contains("21:00         Stop eating and drinking"), "{text}");
    fs::write(
        dir.path().join("ours.toml"),
        usual.replace("fast_h = 10.0", "fast_hours = 12.0"),
    )
    .unwrap();
    let fault = fail(dir.path(), &arguments, 1);
    assert!(fault.contains("ours.toml:17:1: unknown field `fast_hours`"), "{fault}");
    assert!(fault.contains("--print-protocol"), "{fault}");
    fs::remove_file(dir.path().join("ours.toml")).unwrap();
    fail(dir.path(), &arguments, 3);
}

/// Runs only where ALVINE_PYTHON names an interpreter with the packages of tests/reference/requirements.txt.
#[test]
fn an_independent_reader_finds_every_step_and_reminder() {
    let Some(python) = std::env::var_os("ALVINE_PYTHON") else {
        eprintln!("not run: ALVINE_PYTHON names no Python with the packages of tests/reference/requirements.txt");
        return;
    };
    let dir = tempfile::tempdir().unwrap();
    plan_into(dir.path(), "plan");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/check_calendar.py");
    let output = Command::new(python)
        .arg(script)
        .arg(dir.path().join("plan"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(String::from_utf8_lossy(&output.stdout).trim(), "13 events as planned");
}
