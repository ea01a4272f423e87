//! Claims of the calibration, most over many simulated ones.

use approx::assert_relative_eq;
use ndarray::{Array2, Axis};
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::*;
use crate::propagation::Propagation;
use crate::torso::Torso;

const POWER_DBM: f64 = -20.0;
const SPREAD_DB: f64 = 4.0;
const GAINS_DB: [f64; 8] = [1.5, -2.0, 0.5, 3.0, -1.0, -2.5, 0.0, 0.5];
const LAW: LogDistance = LogDistance::DEEP_TISSUE_TO_SURFACE;
const SEEDS: u64 = 60;

fn layout() -> Layout {
    Layout::default_eight(&Torso::new(330.0, 230.0).unwrap())
}

fn receiver(floor_dbm: f64) -> Receiver {
    Receiver::new(floor_dbm, None, None).unwrap()
}

/// Readings at 60 random places, with a gain a site where asked.
fn readings(seed: u64, gains_db: &[f64; 8], spread_db: f64) -> (Vec<Position>, Array2<f32>) {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let noise = Normal::new(0.0, spread_db).unwrap();
    let sites = layout();
    let places: Vec<Position> = (0..60)
        .map(|_| {
            Position::new(
                rng.random_range(-120.0..120.0),
                rng.random_range(40.0..190.0),
                rng.random_range(-150.0..200.0),
            )
        })
        .collect();
    let rssi_dbm = Array2::from_shape_fn((60, 8), |(place, site)| {
        let loss_db = LAW.loss_db(&places[place], &sites.sites()[site].position_mm);
        (POWER_DBM + gains_db[site] - loss_db + noise.sample(&mut rng)) as f32
    });
    (places, rssi_dbm)
}

fn fit(floor_dbm: f64, places: &[Position], rssi_dbm: &Array2<f32>) -> Calibration {
    let options = CalibrationOptions::default();
    calibrate(&layout(), &receiver(floor_dbm), places, rssi_dbm.view(), &options).unwrap()
}

/// Mean and mean square of errors in units of their standard errors.
fn errors_in_standard_errors(errors: &[f64]) -> (f64, f64) {
    let n = errors.len() as f64;
    (
        errors.iter().sum::<f64>() / n,
        errors.iter().map(|error| error * error).sum::<f64>() / n,
    )
}

/// Over n independent errors in units of their standard errors the mean is within 4/√n, and the mean square, χ²ₙ/n,
/// within 4 √(2/n) of 1: each fails by chance once in some ten thousand.
fn assert_standard_errors_hold(what: &str, errors: &[f64]) {
    let n = errors.len() as f64;
    let (mean, square) = errors_in_standard_errors(errors);
    assert!(mean.abs() < 4.0 / n.sqrt(), "{what}: mean {mean}");
    assert!(
        (square - 1.0).abs() < 4.0 * (2.0 / n).sqrt(),
        "{what}: mean square {square}"
    );
}

fn error(found: Estimate, truth: f64) -> f64 {
    (found.value - truth) / found.standard_error
}

fn assert_recovers(floor_dbm: f64) {
    let (mut exponents, mut spreads, mut levels) = (Vec::new(), Vec::new(), Vec::new());
    for seed in 0..SEEDS {
        let (places, rssi_dbm) = readings(seed, &GAINS_DB, SPREAD_DB);
        let found = fit(floor_dbm, &places, &rssi_dbm);
        exponents.push(error(found.exponent, LAW.exponent()));
        // The most likely spread divides by N, not by N less the 9 unknowns, and is that much too small.
        let divisor = if found.censored > 0 {
            1.0 - 9.0 / found.heard as f64
        } else {
            1.0
        };
        spreads.push(error(found.spread_db, SPREAD_DB * divisor.sqrt()));
        // One site a seed, as the levels of one fit share the error of its exponent.
        let site = (seed % 8) as usize;
        let level_dbm = POWER_DBM + GAINS_DB[site] - LAW.loss_at_reference_db();
        levels.push(error(found.level_dbm[site], level_dbm));
    }
    assert_standard_errors_hold("exponent", &exponents);
    assert_standard_errors_hold("level", &levels);
    assert_standard_errors_hold("spread", &spreads);
}

#[test]
fn a_fit_to_readings_that_were_all_heard_errs_as_its_standard_errors_say() {
    assert_recovers(-200.0);
}

#[test]
fn a_fit_to_censored_readings_errs_as_its_standard_errors_say() {
    // A floor of −94 dBm hides about four readings in ten.
    assert_recovers(-94.0);
}

#[test]
fn dropping_or_trusting_floored_readings_biases_the_exponent_and_their_likelihood_does_not() {
    let floor_dbm = -94.0;
    let (mut censored, mut dropped, mut trusted) = (Vec::new(), Vec::new(), Vec::new());
    let mut hidden = 0;
    for seed in 0..SEEDS {
        let (places, rssi_dbm) = readings(seed, &GAINS_DB, SPREAD_DB);
        let floored = rssi_dbm.mapv(|level| level.max(floor_dbm as f32));
        let found = fit(floor_dbm, &places, &floored);
        hidden += found.censored;
        censored.push(error(found.exponent, LAW.exponent()));
        let without = rssi_dbm.mapv(|level| if level <= floor_dbm as f32 { f32::NAN } else { level });
        dropped.push(error(fit(floor_dbm, &places, &without).exponent, LAW.exponent()));
        trusted.push(error(fit(-200.0, &places, &floored).exponent, LAW.exponent()));
    }
    let share = hidden as f64 / (SEEDS as f64 * 480.0);
    assert!((0.3..0.6).contains(&share), "{share} below the floor");
    // Both ways of ignoring the floor see too little slope, by many standard errors; the mean of 60 errors of an
    // unbiased fit stays within 4/√60 = 0.52.
    let [censored, dropped, trusted] = [censored, dropped, trusted].map(|errors| errors_in_standard_errors(&errors).0);
    println!(
        "mean error in standard errors: censored {censored}, dropped {dropped}, trusted {trusted}; hidden {share}"
    );
    assert!(censored.abs() < 0.52, "{censored}");
    assert!(dropped < -3.0, "{dropped}");
    assert!(trusted < -3.0, "{trusted}");
}

#[test]
fn saturated_readings_count_as_no_lower_than_the_ceiling() {
    let mut errors = Vec::new();
    for seed in 0..SEEDS {
        let (places, rssi_dbm) = readings(seed, &GAINS_DB, SPREAD_DB);
        let receiver = Receiver::new(-200.0, Some(-82.0), None).unwrap();
        let clipped = rssi_dbm.mapv(|level| level.min(-82.0));
        let found = calibrate(
            &layout(),
            &receiver,
            &places,
            clipped.view(),
            &CalibrationOptions::default(),
        )
        .unwrap();
        assert!(found.censored > 20);
        errors.push(error(found.exponent, LAW.exponent()));
    }
    assert_standard_errors_hold("exponent", &errors);
}

#[test]
fn a_floor_that_hides_nothing_changes_nothing_but_the_divisor() {
    // One reading far below its floor says almost nothing: the two ways of fitting must then agree, apart from the
    // spread, which the likelihood divides by N and least squares by N less the unknowns.
    let (places, mut rssi_dbm) = readings(3, &GAINS_DB, SPREAD_DB);
    let (row, site) = (0..60)
        .flat_map(|row| (0..8).map(move |site| (row, site)))
        .min_by(|a, b| rssi_dbm[[a.0, a.1]].total_cmp(&rssi_dbm[[b.0, b.1]]))
        .unwrap();
    let floor_dbm = f64::from(rssi_dbm[[row, site]]) + 0.01;
    let with = fit(floor_dbm, &places, &rssi_dbm);
    rssi_dbm[[row, site]] = f32::NAN;
    let without = fit(floor_dbm, &places, &rssi_dbm);
    assert_eq!((with.heard, with.censored), (479, 1));
    // One reading in 480 moves an estimate by less than a few times 1/480 of its own weight: a fifth of an error.
    let moved = (with.exponent.value - without.exponent.value) / without.exponent.standard_error;
    assert!(moved.abs() < 0.2, "{moved}");
    assert_relative_eq!(
        with.spread_db.value,
        without.spread_db.value * (470.0_f64 / 479.0).sqrt(),
        max_relative = 0.02
    );
}

#[test]
fn a_common_level_takes_the_stated_gains_off_first() {
    let (places, rssi_dbm) = readings(5, &GAINS_DB, 0.01);
    let mut sites = layout().sites().to_vec();
    for (site, gain_db) in sites.iter_mut().zip(GAINS_DB) {
        site.gain_db = gain_db;
    }
    let options = CalibrationOptions {
        site_levels: SiteLevels::Common,
        ..CalibrationOptions::default()
    };
    let stated = Layout::new(sites).unwrap();
    let found = calibrate(&stated, &receiver(-200.0), &places, rssi_dbm.view(), &options).unwrap();
    let law = found.law(POWER_DBM).unwrap();
    let mean_gain_db = GAINS_DB.iter().sum::<f64>() / 8.0;
    // Errors are a few times 0.01 dB / √480; levels at 50 mm lie outside most readings, hence the margin of 0.01.
    assert_relative_eq!(law.exponent(), LAW.exponent(), epsilon = 0.01);
    assert_relative_eq!(
        law.loss_at_reference_db(),
        LAW.loss_at_reference_db() - mean_gain_db,
        epsilon = 0.01
    );
    for (found_db, gain_db) in found.gains_db().into_iter().zip(GAINS_DB) {
        assert_relative_eq!(found_db, gain_db - mean_gain_db, epsilon = 1e-9);
    }
}

#[test]
fn the_reference_distance_moves_levels_and_nothing_else() {
    let (places, rssi_dbm) = readings(8, &GAINS_DB, SPREAD_DB);
    let at = |reference_mm| {
        let options = CalibrationOptions {
            reference_mm,
            ..CalibrationOptions::default()
        };
        calibrate(&layout(), &receiver(-94.0), &places, rssi_dbm.view(), &options).unwrap()
    };
    let (near, far) = (at(50.0), at(150.0));
    assert_relative_eq!(near.exponent.value, far.exponent.value, max_relative = 1e-4);
    assert_relative_eq!(near.spread_db.value, far.spread_db.value, max_relative = 1e-4);
    let drop_db = 10.0 * near.exponent.value * 3.0_f64.log10();
    assert_relative_eq!(
        near.level_dbm[2].value - far.level_dbm[2].value,
        drop_db,
        max_relative = 1e-4
    );
}

#[test]
fn each_fault_of_a_calibration_has_its_own_error() {
    let (places, rssi_dbm) = readings(1, &GAINS_DB, SPREAD_DB);
    let options = CalibrationOptions::default();
    let fault = |places: &[Position], rssi_dbm: &Array2<f32>, floor_dbm| {
        calibrate(&layout(), &receiver(floor_dbm), places, rssi_dbm.view(), &options).unwrap_err()
    };
    assert!(matches!(
        fault(&places[1..], &rssi_dbm, -200.0),
        CalibrationError::LengthMismatch { places: 59, rows: 60 }
    ));
    assert!(matches!(
        fault(&places, &rssi_dbm.select(Axis(1), &[0, 1, 2, 3, 4, 5, 6]), -200.0),
        CalibrationError::OtherLayout { found: 7, expected: 8 }
    ));
    let mut lost = places.clone();
    lost[4].y = f64::NAN;
    assert!(matches!(
        fault(&lost, &rssi_dbm, -200.0),
        CalibrationError::PlaceNotFinite { row: 4 }
    ));
    let mut absurd = rssi_dbm.clone();
    absurd[[2, 3]] = f32::INFINITY;
    assert!(matches!(
        fault(&places, &absurd, -200.0),
        CalibrationError::ImpossibleLevel { row: 2, site: 3, .. }
    ));
    let mut silent = rssi_dbm.clone();
    silent.column_mut(6).fill(-120.0);
    assert!(matches!(
        fault(&places, &silent, -110.0),
        CalibrationError::SiteUnheard { site } if site == "hypogastric"
    ));
    let few = rssi_dbm.select(Axis(0), &[0]);
    assert!(matches!(
        fault(&places[..1], &few, -200.0),
        CalibrationError::TooFewReadings { heard: 8, unknowns: 9 }
    ));
    let still = vec![places[0]; 60];
    assert!(matches!(
        fault(&still, &rssi_dbm, -200.0),
        CalibrationError::OneDistance { .. }
    ));
    let (_, exact) = readings(1, &[0.0; 8], 1e-9);
    assert!(matches!(fault(&places, &exact, -90.0), CalibrationError::NoSpread));
    let nowhere = CalibrationOptions {
        reference_mm: 0.0,
        ..options
    };
    assert!(matches!(
        calibrate(&layout(), &receiver(-200.0), &places, rssi_dbm.view(), &nowhere),
        Err(CalibrationError::ImpossibleOption {
            what: "reference_mm",
            ..
        })
    ));
}
