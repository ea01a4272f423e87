//! Laws beside each other against NumPy and SciPy on one survey, with and without a floor.
//!
//! `tests/data/calibrate_survey.csv` and `tests/data/calibrate_laws_scipy.csv` were made by
//! `tests/reference/calibrate_laws_reference.py` with the versions of `tests/reference/requirements.txt`: least
//! squares, variances by non-negative least squares on products of residuals, and the sandwich, all from dense
//! matrices; with a floor the most likely law by other methods and in other variables than alvine's.

#![allow(clippy::unwrap_used)]

use alvine::calibrate::{CalibrationOptions, LawForm, Parameter, fit_laws};
use alvine::{Layout, Position, Receiver, Torso};
use alvine_tests::Table;
use approx::assert_relative_eq;
use ndarray::Array2;

#[test]
fn laws_their_errors_and_their_criteria_match_numpy_and_scipy() {
    let survey = Table::read("tests/data/calibrate_survey.csv");
    let coordinates = |row| ["x_mm", "y_mm", "z_mm"].map(|name| survey.number(row, name));
    let places: Vec<Position> = (0..survey.len()).map(|row| Position::from(coordinates(row))).collect();
    let rssi_dbm = Array2::from_shape_fn((survey.len(), 8), |(row, site)| {
        survey.number(row, &format!("rssi{site}_dbm")) as f32
    });
    let layout = Layout::default_eight(&Torso::new(330.0, 230.0).unwrap());
    let expected = Table::read("tests/data/calibrate_laws_scipy.csv");
    assert_eq!(expected.len(), 6);
    for row in 0..expected.len() {
        let floor_dbm = expected.number(row, "floor_dbm");
        let has_floor = !floor_dbm.is_nan();
        let receiver = Receiver::new(if has_floor { floor_dbm } else { -200.0 }, None, None).unwrap();
        let options = CalibrationOptions::default();
        let found = fit_laws(&layout, &receiver, &places, rssi_dbm.view(), &options).unwrap();
        assert_eq!((found.places, found.censored > 100), (40, has_floor));
        let form = LawForm::ALL
            .into_iter()
            .find(|form| form.as_str() == expected.text(row, "law"))
            .unwrap();
        let law = found.laws.iter().find(|law| law.form == form).unwrap();
        let number = |name: &str| expected.number(row, name);
        // Rounding of sums over 640 readings; with a floor both searches end within 1e-6 of a standard error.
        let close = |found: f64, name: &str| {
            assert_relative_eq!(found, number(name), max_relative = 1e-6);
        };
        let parameter = |found: Option<Parameter>, name: &str| {
            assert_eq!(found.is_none(), number(name).is_nan(), "{name}");
            let Some(found) = found else { return };
            close(found.value, name);
            if !has_floor {
                close(found.standard_error, &format!("{name}_error"));
                close(found.independent_error, &format!("{name}_independent_error"));
            }
        };
        parameter(Some(law.level_dbm[0]), "level0_dbm");
        parameter(law.exponent, "exponent");
        parameter(law.attenuation_db_per_cm, "attenuation_db_per_cm");
        close(law.criteria.ln_likelihood, "ln_likelihood");
        close(law.criteria.aicc, "aicc");
        close(law.criteria.bic, "bic");
        if !has_floor {
            close(law.shared.shadowing_db, "shadowing_db");
            close(law.shared.noise_db.unwrap(), "noise_db");
            close(law.shared.correlation_mm, "correlation_mm");
            close(law.shared.effective_readings, "effective_readings");
        }
    }
}
