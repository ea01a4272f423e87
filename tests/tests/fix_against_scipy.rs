//! Fixes against `scipy.optimize.least_squares` on the same readings.
//!
//! `tests/data/fix_scipy.csv` was made by `tests/reference/fix_reference.py` with the versions of
//! `tests/reference/requirements.txt`: 30 cases each of six kinds, missing and censored readings among them. Made
//! equal: law, spread, loss and its scale, treatment of the floor. SciPy's answer is the least of 36 starts without
//! bounds, kept where it lies inside the torso.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use alvine::{FixOptions, FixSolver, Level, Loss, NoiseModel, Position, Receiver, Setup, Torso};
use alvine_tests::Table;
use approx::assert_relative_eq;

fn setup(floor_dbm: f64) -> Setup {
    let torso = Torso::new(330.0, 230.0).unwrap();
    Setup::default_eight(
        torso,
        NoiseModel::new(0.0, 4.0).unwrap(),
        Receiver::new(floor_dbm, None, None).unwrap(),
    )
}

fn options(table: &Table, row: usize) -> FixOptions {
    FixOptions {
        loss: match table.text(row, "loss") {
            "linear" => Loss::Squares,
            "huber" => Loss::Huber { k: 1.345 },
            "cauchy" => Loss::Cauchy { c: 2.385 },
            other => panic!("unknown loss {other}"),
        },
        level: match table.text(row, "level") {
            "known" => Level::Known,
            _ => Level::Unknown { prior_db: None },
        },
        tolerance_mm: 1e-8,
        most_steps: 400,
        ..FixOptions::default()
    }
}

#[test]
fn fix_matches_scipy_least_squares() {
    let table = Table::read("tests/data/fix_scipy.csv");
    assert_eq!(table.len(), 180);
    for row in 0..table.len() {
        let floor_dbm = table.number(row, "floor_dbm");
        let setup = setup(if floor_dbm.is_nan() { -150.0 } else { floor_dbm });
        let solver = FixSolver::new(&setup, options(&table, row)).unwrap();
        let levels: Vec<f32> = (0..8)
            .map(|site| table.number(row, &format!("rssi{site}_dbm")) as f32)
            .collect();
        let fix = solver.fix(&levels).unwrap().unwrap();
        let expected = Position::new(
            table.number(row, "x_mm"),
            table.number(row, "y_mm"),
            table.number(row, "z_mm"),
        );
        // Relative to the size of the place, as coordinates pass through zero.
        let apart = (fix.position_mm - expected).norm() / expected.norm();
        assert!(
            apart < 1e-6,
            "row {row}: {} against {expected}, relative {apart:e}",
            fix.position_mm
        );
        assert_relative_eq!(
            fix.objective,
            table.number(row, "objective"),
            max_relative = 1e-8,
            epsilon = 1e-10
        );
        assert!((fix.level_db - table.number(row, "level_db")).abs() < 1e-5);
    }
}

#[test]
fn covariance_matches_scipys_jacobian() {
    let table = Table::read("tests/data/fix_scipy.csv");
    let setup = setup(-150.0);
    let mut compared = 0;
    for row in (0..table.len()).filter(|&row| !table.number(row, "xx_mm2").is_nan()) {
        let solver = FixSolver::new(&setup, options(&table, row)).unwrap();
        let levels: Vec<f32> = (0..8)
            .map(|site| table.number(row, &format!("rssi{site}_dbm")) as f32)
            .collect();
        let covariance = solver.fix(&levels).unwrap().unwrap().covariance_mm2().unwrap();
        let names = [["xx", "xy", "xz"], ["xy", "yy", "yz"], ["xz", "yz", "zz"]];
        for (i, row_names) in names.iter().enumerate() {
            for (j, name) in row_names.iter().enumerate() {
                let expected = table.number(row, &format!("{name}_mm2"));
                let scale = (covariance[(i, i)] * covariance[(j, j)]).sqrt();
                assert!(
                    (covariance[(i, j)] - expected).abs() < 1e-5 * scale,
                    "row {row}, {name}"
                );
            }
        }
        compared += 1;
    }
    assert_eq!(compared, 60);
}
