//! The antenna bench against NumPy and SciPy on the same layouts.
//!
//! `tests/data/layout_numpy.csv` and `link_scipy.csv` were made by `tests/reference/layout_reference.py` with the versions
//! of `tests/reference/requirements.txt`. Nothing is shared with the code under test: gradients there are differences, the
//! information of a censored reading is an integral, the level is a fourth unknown of a 4 × 4 matrix, and the chance that
//! four sites are heard is a sum over all outcomes.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use alvine::bounds::{BoundOptions, cramer_rao_mm2};
use alvine::siting::{Heard, LinkBudget, SurveyOptions, outlook};
use alvine::{Law, Level, LogDistance, NoiseModel, Position, Receiver, Setup, Torso};
use alvine_tests::Table;
use approx::assert_relative_eq;

fn setup(floor_dbm: f64) -> Setup {
    let torso = Torso::new(330.0, 230.0).unwrap();
    Setup::default_eight(
        torso,
        NoiseModel::new(7.85, 2.0).unwrap(),
        Receiver::new(floor_dbm, None, None).unwrap(),
    )
}

fn place(table: &Table, row: usize) -> Position {
    Position::new(
        table.number(row, "x_mm"),
        table.number(row, "y_mm"),
        table.number(row, "z_mm"),
    )
}

#[test]
fn bounds_coverage_and_dilution_match_numpy() {
    let table = Table::read("tests/data/layout_numpy.csv");
    assert_eq!(table.len(), 80);
    let mut diluted = 0;
    for row in 0..table.len() {
        let setup = setup(table.number(row, "floor_dbm"));
        let found = outlook(&setup, &place(&table, row), &SurveyOptions::default());
        // Kept in single precision; differences of the law there are good to 1e-7.
        for (name, value) in [
            ("known_mm", found.rmse_level_known_mm),
            ("prior_mm", found.rmse_mm),
            ("unknown_mm", found.rmse_level_unknown_mm),
            ("expected", found.sites_expected),
        ] {
            assert_relative_eq!(f64::from(value), table.number(row, name), max_relative = 1e-5);
        }
        assert_relative_eq!(f64::from(found.four_heard), table.number(row, "four"), epsilon = 1e-6);
        let dilution = table.number(row, "dilution");
        if !dilution.is_nan() {
            diluted += 1;
            assert_relative_eq!(f64::from(found.dilution), dilution, max_relative = 1e-5);
        }
    }
    assert!(diluted >= 40, "{diluted}");
}

#[test]
fn bounds_without_a_floor_match_numpy() {
    let table = Table::read("tests/data/layout_numpy.csv");
    for row in 0..table.len() {
        let setup = setup(table.number(row, "floor_dbm"));
        for (name, level) in [
            ("known_free_mm", Level::Known),
            ("prior_free_mm", Level::Unknown { prior_db: Some(2.0) }),
            ("unknown_free_mm", Level::Unknown { prior_db: None }),
        ] {
            let options = BoundOptions {
                spread_db: setup.noise.total_db(None),
                level,
                floor: false,
            };
            let bound = cramer_rao_mm2(&setup, &place(&table, row), &options).unwrap();
            assert_relative_eq!(bound.trace().sqrt(), table.number(row, name), max_relative = 1e-5);
        }
    }
}

#[test]
fn link_budgets_match_scipy() {
    let table = Table::read("tests/data/link_scipy.csv");
    assert_eq!(table.len(), 4);
    for row in 0..table.len() {
        let number = |name: &str| table.number(row, name);
        let link = LinkBudget {
            law: Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE),
            power_dbm: number("power_dbm"),
            gain_db: 0.0,
            bandwidth_khz: number("bandwidth_khz"),
            noise_figure_db: number("noise_figure_db"),
            needed_snr_db: number("snr_db"),
            floor_dbm: Some(number("floor_dbm")),
            shadowing_db: number("shadowing_db"),
        };
        assert_relative_eq!(link.noise_dbm(), number("noise_dbm"), epsilon = 1e-9);
        assert_relative_eq!(link.sensitivity_dbm(), number("weakest_dbm"), epsilon = 1e-9);
        for (chance, name) in [(0.5, "half_mm"), (0.9, "nine_tenths_mm")] {
            let Heard::To(depth_mm) = link.heard_to(chance) else {
                panic!("heard somewhere");
            };
            assert_relative_eq!(depth_mm, number(name), max_relative = 1e-7);
        }
    }
}
