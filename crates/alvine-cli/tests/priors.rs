//! What is expected beforehand: chosen by name, replaced by a file, learned from studies that a reader saw.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;

use program::{fail, simulate, succeed};

fn report(folder: &Path, prior: &str) -> serde_json::Value {
    let args = [
        "report", "whole", "--out", "report", "--no-png", "--json", "--prior", prior,
    ];
    serde_json::from_str(&succeed(folder, &args)).unwrap()
}

#[test]
fn results_and_page_say_which_prior_was_used() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "whole");
    let plain: serde_json::Value = serde_json::from_str(&succeed(
        dir.path(),
        &["report", "whole", "--out", "plain", "--no-png", "--json"],
    ))
    .unwrap();
    assert_eq!(plain["method"]["prior"], "fasting");
    assert_eq!(report(dir.path(), "fasting"), plain);
    let fed = report(dir.path(), "fed");
    assert_eq!(fed["method"]["prior"], "fed");
    assert_ne!(fed["landmarks"], plain["landmarks"]);
    let page = fs::read_to_string(dir.path().join("report/report.html")).unwrap();
    assert!(page.contains("fed: a median of 2.99 h in the stomach"));
    // Every command that tells phases takes it.
    succeed(dir.path(), &["phases", "whole", "--prior", "fed"]);
    succeed(dir.path(), &["locate", "whole", "--prior", "fed", "--out", "-"]);
    succeed(dir.path(), &["compare", "whole", "plain", "--prior", "fed"]);
    succeed(
        dir.path(),
        &["watch", "whole", "--prior", "fed", "--once", "--events", "-"],
    );
    succeed(dir.path(), &["audit", ".", "--prior", "fed", "--out", "audit"]);
}

/// The same study under another name, as a reader saw it who placed the pylorus then.
fn seen(folder: &Path, name: &str, pylorus_s: f64) {
    let to = folder.join("studies").join(name);
    fs::create_dir_all(&to).unwrap();
    fs::copy(folder.join("whole/recording.csv"), to.join("recording.csv")).unwrap();
    let mut text = fs::read_to_string(folder.join("whole/study.toml")).unwrap();
    text.push_str(&format!("\n[[landmark]]\nkind = \"pylorus\"\ntime_s = {pylorus_s:?}\n"));
    fs::write(to.join("study.toml"), text).unwrap();
}

#[test]
fn a_prior_that_was_learned_holds_what_readers_saw_and_every_command_takes_it() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "whole");
    for index in 1..=7 {
        // The swallow is at 412 s: six to twelve minutes in the stomach.
        seen(dir.path(), &format!("s{index}"), 412.0 + 60.0 * f64::from(5 + index));
    }
    let told = succeed(dir.path(), &["fit-priors", "studies", "--out", "ours.toml"]);
    assert!(
        told.contains("stomach: seen to its end in 7 studies, not in 0; median 8.8 ("),
        "{told}"
    );
    assert!(
        told.contains("small-bowel: seen to its end in 0 studies, not in 7; too few"),
        "{told}"
    );
    let written = fs::read_to_string(dir.path().join("ours.toml")).unwrap();
    assert!(
        written.contains("[learned.stomach]\nended = 7\nnot_ended = 0\n"),
        "{written}"
    );
    // Geometric mean of 6 to 12 min: (12! / 5!)^(1/7) = 8.7705 min.
    let law = written.split("[stage.stomach.duration]\nmedian_s = ").nth(1).unwrap();
    let median_s: f64 = law.lines().next().unwrap().parse().unwrap();
    assert!((median_s / 60.0 - 8.7705).abs() < 0.001, "{median_s}");
    assert_eq!(report(dir.path(), "ours.toml")["method"]["prior"], "ours");
    let page = fs::read_to_string(dir.path().join("report/report.html")).unwrap();
    assert!(page.contains("ours, from a file"));
    // What is there is not replaced unasked.
    fail(dir.path(), &["fit-priors", "studies", "--out", "ours.toml"], 3);
    succeed(
        dir.path(),
        &[
            "fit-priors",
            "studies/s1",
            "--prior",
            "ours.toml",
            "--out",
            "ours.toml",
            "--force",
        ],
    );
}

#[test]
fn a_prior_that_is_none_is_refused_with_its_place() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "whole");
    let missing = fail(dir.path(), &["phases", "whole", "--prior", "fastign"], 3);
    assert!(
        missing.contains("--prior fastign: cannot be read") && missing.contains("expected fasting, fed"),
        "{missing}"
    );
    fs::write(dir.path().join("p.toml"), "format = 1\nnaem = \"x\"\n").unwrap();
    let unknown = fail(dir.path(), &["phases", "whole", "--prior", "p.toml"], 1);
    assert!(
        unknown.contains("p.toml:2:1: the prior has no key `naem`; did you mean `name`?"),
        "{unknown}"
    );
    fs::create_dir(dir.path().join("empty")).unwrap();
    assert!(fail(dir.path(), &["fit-priors", "empty", "--out", "o.toml"], 1).contains("no study lies in it"));
}
