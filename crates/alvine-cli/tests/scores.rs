//! Scores of a track alone, and what a score says of a covariance.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use program::{simulate, succeed};
use serde_json::Value;

#[test]
fn a_track_alone_is_scored_by_its_places_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    succeed(dir.path(), &["locate", "study", "--out", "track.csv"]);
    let score: Value = serde_json::from_str(&succeed(dir.path(), &["score", "track.csv", "study", "--json"])).unwrap();
    assert!(score["space"]["median_mm"].as_f64().unwrap() > 0.0);
    assert!(score.get("landmarks").is_none() && score.get("loosenings").is_none());
    let said = succeed(dir.path(), &["score", "track.csv", "study"]);
    assert!(!said.contains("Landmark"), "{said}");
}

#[test]
fn a_score_tells_how_far_one_recording_can_judge_its_covariance() {
    let dir = tempfile::tempdir().unwrap();
    simulate(dir.path(), "study");
    succeed(dir.path(), &["locate", "study", "--out", "track.csv"]);
    let score: Value = serde_json::from_str(&succeed(dir.path(), &["score", "track.csv", "study", "--json"])).unwrap();
    let fit = &score["consistency"];
    let number = |value: &Value| value.as_f64().unwrap();
    let (effective, count) = (number(&fit["effective"]), number(&fit["count"]));
    // A smoothed track's errors are alike over many seconds.
    assert!(effective >= 1.0 && effective < 0.2 * count, "{effective} of {count}");
    let [least, most] = [0, 1].map(|end| number(&fit["nees_interval95"][end]));
    assert!(least < 3.0 && 3.0 < most);
    let phases = score["consistency_by_phase"].as_object().unwrap();
    let in_phases: f64 = phases.values().map(|fit| number(&fit["count"])).sum();
    assert_eq!(in_phases, count);
    let said = succeed(dir.path(), &["score", "track.csv", "study"]);
    assert!(said.contains("chi-squared") && said.contains("if right"), "{said}");
    assert!(said.lines().all(|line| line.chars().count() <= 100), "{said}");
}
