//! The smoother against the Kalman filter and Rauch–Tung–Striebel smoother of filterpy on the same measurements.
//!
//! `tests/data/smoother_filterpy.csv` was made by `tests/reference/filter_reference.py` with the versions of
//! `tests/reference/requirements.txt`: irregular steps, a gap of 45 s, instants without a fix, a full covariance that
//! changes from instant to instant. Made equal: density 0.7 mm²/s³, first speed 5 mm/s, no outlier gate.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use alvine::Position;
use alvine::smoother::{ConstantVelocity, Measurement};
use alvine_tests::Table;
use nalgebra::Matrix3;

fn symmetric(table: &Table, row: usize, prefix: &str) -> Matrix3<f64> {
    let entry = |name: &str| table.number(row, &format!("{prefix}{name}_mm2"));
    let (xy, xz, yz) = (entry("xy"), entry("xz"), entry("yz"));
    Matrix3::new(entry("xx"), xy, xz, xy, entry("yy"), yz, xz, yz, entry("zz"))
}

#[test]
fn smoother_matches_filterpy() {
    let table = Table::read("tests/data/smoother_filterpy.csv");
    assert_eq!(table.len(), 60);
    let time_s: Vec<f64> = (0..table.len()).map(|row| table.number(row, "time_s")).collect();
    let measurements: Vec<_> = (0..table.len())
        .map(|row| {
            (table.text(row, "heard") == "1").then(|| Measurement {
                position_mm: Position::new(
                    table.number(row, "zx_mm"),
                    table.number(row, "zy_mm"),
                    table.number(row, "zz_mm"),
                ),
                covariance_mm2: symmetric(&table, row, "r"),
            })
        })
        .collect();
    let smoother = ConstantVelocity::new(0.7, 5.0).unwrap();
    let smoothed = smoother.smooth(&time_s, &measurements).unwrap();
    for (row, point) in smoothed.iter().enumerate() {
        let point = point.unwrap();
        let expected = Position::new(
            table.number(row, "sx_mm"),
            table.number(row, "sy_mm"),
            table.number(row, "sz_mm"),
        );
        assert!(
            (point.position_mm - expected).norm() < 1e-6 * expected.norm(),
            "row {row}"
        );
        let expected = symmetric(&table, row, "p");
        // The gap of 45 s makes covariances of 1e5 mm² whose differences both sides round.
        assert!(
            (point.covariance_mm2 - expected).norm() < 1e-6 * expected.norm(),
            "row {row}"
        );
    }
}
