//! The product-limit estimate, its interval and its median against `lifelines` on the same samples.
//!
//! `tests/data/kaplan_meier_observations.csv` and `tests/data/kaplan_meier_lifelines.csv` were made by
//! `tests/reference/kaplan_meier_reference.py` with the versions of `tests/reference/requirements-audit.txt`. Both use
//! Greenwood's sum and limits by log(−log S). Where none remains the interval is not defined: alvine gives none, and what
//! lifelines writes there is not compared.

#![allow(clippy::unwrap_used)]

use alvine_audit::{KaplanMeier, Observation};
use alvine_tests::Table;
use approx::assert_relative_eq;

fn curve(observations: &Table, sample: &str) -> KaplanMeier {
    let rows = (0..observations.len()).filter(|&row| observations.text(row, "sample") == sample);
    KaplanMeier::of(rows.map(|row| Observation {
        time_s: observations.number(row, "time"),
        passed: observations.text(row, "passed") == "1",
    }))
}

#[test]
fn curves_intervals_and_medians_match_lifelines() {
    // Twelve digits are in the file.
    const DIGITS: f64 = 1e-11;
    let observations = Table::read("tests/data/kaplan_meier_observations.csv");
    let expected = Table::read("tests/data/kaplan_meier_lifelines.csv");
    let mut steps = 0;
    for row in 0..expected.len() {
        let curve = curve(&observations, expected.text(row, "sample"));
        let [value, low, high] = ["value", "low", "high"].map(|column| expected.number(row, column));
        if expected.text(row, "kind") == "median" {
            let median = curve.quantile(0.5);
            let finite = |value: f64| value.is_finite().then_some(value);
            assert_eq!(median.time_s, finite(value), "row {row}");
            assert_eq!(median.interval95_s, [finite(low), finite(high)], "row {row}");
            continue;
        }
        let time = expected.number(row, "time");
        let step = curve.steps.iter().find(|step| step.time_s == time).unwrap();
        assert_relative_eq!(step.remaining, value, epsilon = DIGITS, max_relative = DIGITS);
        if let Some([from, to]) = step.interval95 {
            assert_relative_eq!(from, low, epsilon = DIGITS, max_relative = DIGITS);
            assert_relative_eq!(to, high, epsilon = DIGITS, max_relative = DIGITS);
        }
        steps += 1;
    }
    assert!(steps > 60, "{steps}");
    let mine: usize = ["ties", "censored", "all-passed", "two"]
        .iter()
        .map(|sample| curve(&observations, sample).steps.len())
        .sum();
    assert_eq!(mine, steps);
}
