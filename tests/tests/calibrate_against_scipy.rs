//! Fitted laws against `numpy.linalg.lstsq` and, with a floor, `scipy.optimize.minimize` on the same readings.
//!
//! `tests/data/calibrate_readings.csv` and `tests/data/calibrate_scipy.csv` were made by
//! `tests/reference/calibrate_reference.py` with the versions of `tests/reference/requirements.txt`. The reference
//! minimises over levels, exponent and the logarithm of the spread by gradient methods; alvine over other variables by
//! another method, so that agreement is no accident of either.

#![allow(clippy::unwrap_used)]

use alvine::{CalibrationOptions, Layout, Position, Receiver, SiteLevels, Torso, calibrate};
use alvine_tests::Table;
use approx::assert_relative_eq;
use ndarray::Array2;

#[test]
fn fitted_laws_match_numpy_and_scipy() {
    let readings = Table::read("tests/data/calibrate_readings.csv");
    let place = |row| {
        Position::new(
            readings.number(row, "x_mm"),
            readings.number(row, "y_mm"),
            readings.number(row, "z_mm"),
        )
    };
    let places: Vec<Position> = (0..readings.len()).map(place).collect();
    let rssi_dbm = Array2::from_shape_fn((readings.len(), 8), |(row, site)| {
        readings.number(row, &format!("rssi{site}_dbm")) as f32
    });
    let layout = Layout::default_eight(&Torso::new(330.0, 230.0).unwrap());

    let expected = Table::read("tests/data/calibrate_scipy.csv");
    assert_eq!(expected.len(), 6);
    for row in 0..expected.len() {
        let floor_dbm = expected.number(row, "floor_dbm");
        let receiver = Receiver::new(if floor_dbm.is_nan() { -200.0 } else { floor_dbm }, None, None).unwrap();
        let options = CalibrationOptions {
            reference_mm: 50.0,
            site_levels: match expected.text(row, "site_levels") {
                "common" => SiteLevels::Common,
                _ => SiteLevels::PerSite,
            },
        };
        let found = calibrate(&layout, &receiver, &places, rssi_dbm.view(), &options).unwrap();
        assert_eq!(found.censored > 0, !floor_dbm.is_nan());
        // Least squares differ by rounding. The simplex ends within 1e-4 of a standard error of the most likely values,
        // and a standard error follows them to about as many digits.
        let (of_error, relative) = if floor_dbm.is_nan() { (1e-9, 1e-9) } else { (1e-4, 1e-4) };
        let compare = |found: alvine::calibrate::Estimate, value: &str, error: &str| {
            let standard_error = expected.number(row, error);
            let apart = (found.value - expected.number(row, value)).abs() / standard_error;
            assert!(apart < of_error, "row {row}, {value}: {apart:e} standard errors apart");
            assert_relative_eq!(found.standard_error, standard_error, max_relative = relative);
        };
        compare(found.exponent, "exponent", "exponent_error");
        compare(found.spread_db, "spread_db", "spread_error_db");
        for (site, &level) in found.level_dbm.iter().enumerate() {
            compare(level, &format!("level{site}_dbm"), &format!("level{site}_error_db"));
        }
    }
}
