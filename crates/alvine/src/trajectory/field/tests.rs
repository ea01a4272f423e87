use nalgebra::{DMatrix, DVector, Matrix3};
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::likelihood::{Likelihood, Unknowns};
use super::stations::{Station, Told};
use super::*;
use crate::noise::NoiseModel;
use crate::recording::Receiver;
use crate::torso::Torso;

const SPREAD_DB: f64 = 5.0;
const LENGTH_MM: f64 = 60.0;
const PRIOR_MM: f64 = 40.0;

fn setup(floor_dbm: f64) -> Setup {
    Setup::default_eight(
        Torso::new(330.0, 230.0).unwrap(),
        NoiseModel::new(SPREAD_DB, 2.0).unwrap(),
        Receiver::new(floor_dbm, None, None).unwrap(),
    )
}

fn likelihood<'a>(setup: &'a Setup, options: &'a FieldOptions, stations: &'a [Station]) -> Likelihood<'a> {
    Likelihood {
        setup,
        options,
        stations,
        pivot_mm: 90.0,
        sample_db: 2.0,
        spread_db: SPREAD_DB,
        length_mm: LENGTH_MM,
        silences: unheard(setup, stations.len()),
    }
}

fn normal(rng: &mut Xoshiro256PlusPlus) -> f64 {
    StandardNormal.sample(rng)
}

/// Stations, their true places, and how the level truly was, less the stated one.
struct Drawn {
    stations: Vec<Station>,
    places_mm: Vec<Position>,
    level_db: f64,
}

/// Stations whose places are drawn about the middle of the belly and whose levels are drawn from the model itself; the track that
/// is to be refined is off by `off_mm` along each axis.
fn drawn(setup: &Setup, options: &FieldOptions, prior_mm: f64, count: usize, off_mm: f64, seed: u64) -> Drawn {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let middle_mm = Position::new(0.0, 95.0, 20.0);
    let places_mm: Vec<Position> = (0..count)
        .map(|_| middle_mm + Position::from_fn(|_, _| prior_mm * normal(&mut rng)))
        .collect();
    let prior = PositionPrior {
        mean_mm: middle_mm,
        information_per_mm2: Matrix3::from_diagonal_element(1.0 / (prior_mm * prior_mm)),
    };
    let mut stations: Vec<Station> = places_mm
        .iter()
        .enumerate()
        .map(|(index, place_mm)| Station {
            knots: index..index + 1,
            place_mm: place_mm + Position::from_fn(|_, _| off_mm * normal(&mut rng)),
            prior,
            dwell_s: 180.0,
            told: Vec::new(),
        })
        .collect();
    let exponent = options.exponent_spread * normal(&mut rng);
    let level_db = options.level_spread_db * normal(&mut rng);
    for site in 0..setup.layout.len() {
        let covariance = DMatrix::from_fn(count, count, |row, column| {
            let apart = (places_mm[row] - places_mm[column]).norm_squared();
            let own = if row == column { 1e-6 } else { 0.0 };
            SPREAD_DB * SPREAD_DB * (-0.5 * apart / (LENGTH_MM * LENGTH_MM)).exp() + own
        });
        let white = DVector::from_fn(count, |_, _| normal(&mut rng));
        let field_db = covariance.cholesky().unwrap().l() * white;
        let gain_db = options.gain_spread_db * normal(&mut rng);
        for (index, place_mm) in places_mm.iter().enumerate() {
            let site_mm = setup.layout.sites()[site].position_mm;
            let noise_db2 = 4.0 / 90.0
                + options.attitude_db.powi(2)
                + (options.unmodelled_share * setup.noise.shadowing_db()).powi(2);
            let level_dbm = setup.median_dbm(place_mm, site) + level_db + gain_db + field_db[index]
                - 10.0 * exponent * ((place_mm - site_mm).norm() / 90.0).log10()
                + noise_db2.sqrt() * normal(&mut rng);
            stations[index].told.push(if level_dbm > setup.receiver.floor_dbm() {
                Told::Level {
                    mean_dbm: level_dbm,
                    readings: 90.0,
                }
            } else {
                Told::Below
            });
        }
    }
    Drawn {
        stations,
        places_mm,
        level_db,
    }
}

#[test]
fn gradient_matches_differences() {
    let (setup, options) = (setup(-85.0), FieldOptions::default());
    let Drawn { mut stations, .. } = drawn(&setup, &options, PRIOR_MM, 30, 15.0, 3);
    stations[4].told[2] = Told::Nothing;
    let likelihood = likelihood(&setup, &options, &stations);
    let mut at = Unknowns::new(&stations, 8);
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(1);
    at.values
        .rows_mut(90, 10)
        .iter_mut()
        .for_each(|value| *value = 0.2 * normal(&mut rng));
    let scored = likelihood.score(&at).unwrap();
    assert!((scored.value - likelihood.value(&at).unwrap()).abs() < 1e-8);
    for unknown in 0..at.values.len() {
        let value = |by: f64| {
            let mut step = DVector::zeros(at.values.len());
            step[unknown] = by;
            likelihood.value(&at.moved(&step)).unwrap()
        };
        let difference = (value(1e-4) - value(-1e-4)) / 2e-4;
        let error = (scored.gradient[unknown] - difference).abs();
        assert!(error < 1e-5 * (1.0 + difference.abs()), "{unknown}: {difference}");
    }
}

/// Where all sites hear all stations alike, the information is that of a Gaussian whose mean and covariance depend on the unknowns:
/// `∂hᵀ C⁻¹ ∂h + ½ tr(C⁻¹ ∂C C⁻¹ ∂C)`, here all by differences.
#[test]
fn information_is_that_of_a_gaussian_by_differences() {
    let (setup, options) = (setup(-150.0), FieldOptions::default());
    let Drawn { stations, .. } = drawn(&setup, &options, PRIOR_MM, 7, 0.0, 5);
    let of = likelihood(&setup, &options, &stations);
    let at = Unknowns::new(&stations, 8);
    let information = of.score(&at).unwrap().information;
    let count = stations.len();
    let noise_db2 = 4.0 / 90.0 + options.attitude_db.powi(2) + (options.unmodelled_share * 5.0).powi(2);
    let covariance = |at: &Unknowns| {
        DMatrix::from_fn(count, count, |row, column| {
            let apart = (at.place(row) - at.place(column)).norm_squared();
            25.0 * (-0.5 * apart / (LENGTH_MM * LENGTH_MM)).exp() + if row == column { noise_db2 } else { 0.0 }
        })
    };
    let mean =
        |at: &Unknowns, site: usize| DVector::from_fn(count, |station, _| setup.median_dbm(&at.place(station), site));
    let inverse = covariance(&at).try_inverse().unwrap();
    let by_place: Vec<_> = (0..3 * count)
        .map(|unknown| {
            let moved = |by: f64| {
                let mut step = DVector::zeros(at.values.len());
                step[unknown] = by;
                at.moved(&step)
            };
            let (up, down) = (moved(1e-3), moved(-1e-3));
            let means: Vec<_> = (0..8)
                .map(|site| (mean(&up, site) - mean(&down, site)) / 2e-3)
                .collect();
            ((covariance(&up) - covariance(&down)) / 2e-3, means)
        })
        .collect();
    for (row, (covariance_by_row, means_by_row)) in by_place.iter().enumerate() {
        for (column, (covariance_by_column, means_by_column)) in by_place.iter().enumerate() {
            let of_covariance = 4.0 * (&inverse * covariance_by_row * &inverse * covariance_by_column).trace();
            let of_mean: f64 = means_by_row
                .iter()
                .zip(means_by_column)
                .map(|(by_row, by_column)| by_row.dot(&(&inverse * by_column)))
                .sum();
            let prior = if row == column {
                1.0 / (PRIOR_MM * PRIOR_MM)
            } else {
                0.0
            };
            let wanted = of_covariance + of_mean + prior;
            assert!((information[(row, column)] - wanted).abs() < 1e-6, "{row}, {column}");
        }
    }
}

/// Root mean square error over what the information says, and the NEES of each, of tracks drawn from the model.
fn matched(options: &FieldOptions, prior_mm: f64, tracks: u64) -> (f64, Vec<f64>) {
    let setup = setup(-150.0);
    let (mut squares, mut said, mut nees) = (0.0, 0.0, Vec::new());
    for seed in 0..tracks {
        let Drawn {
            stations, places_mm, ..
        } = drawn(&setup, options, prior_mm, 40, 0.25 * prior_mm, 100 + seed);
        let settled = settle(&mut likelihood(&setup, options, &stations)).unwrap();
        let mut sum = 0.0;
        for (index, place_mm) in places_mm.iter().enumerate() {
            let shift = settled.shift(index, &stations[index], options);
            let error = stations[index].place_mm + shift.by_mm - place_mm;
            squares += error.norm_squared();
            said += shift.covariance_mm2.trace();
            sum += error.dot(&(shift.covariance_mm2.try_inverse().unwrap() * error)) / places_mm.len() as f64;
        }
        nees.push(sum);
    }
    ((squares / said).sqrt(), nees)
}

/// The field's own places and covariance.
fn whole(options: FieldOptions) -> FieldOptions {
    FieldOptions {
        taken_share: 1.0,
        widened: 1.0,
        ..options
    }
}

/// Where places are known to a centimetre or so beforehand the model is nearly linear, and error and covariance are those of the
/// information.
#[test]
fn where_the_model_holds_and_hardly_bends_the_covariance_is_right() {
    let options = FieldOptions {
        attitude_db: 0.5,
        unmodelled_share: 0.1,
        ..FieldOptions::default()
    };
    let (ratio, nees) = matched(&whole(options), 8.0, 24);
    let count = nees.len() as f64;
    let mean = nees.iter().sum::<f64>() / count;
    let error = (nees.iter().map(|one| (one - mean).powi(2)).sum::<f64>() / (count * (count - 1.0))).sqrt();
    println!("error over information {ratio:.3}, NEES {mean:.2} ± {error:.2}");
    // Four standard errors of the mean, and a tenth for what bends all the same.
    assert!((mean - 3.0).abs() < 0.3 + 4.0 * error, "{mean} ± {error}");
}

/// Where they are known to 40 mm only it bends, the most likely places are no mean, and the covariance is too sure.
#[test]
fn averaging_over_a_blur_brings_the_error_nearer_to_the_information() {
    let blurred = FieldOptions::default();
    let sharp = FieldOptions { blurs: 0, ..blurred };
    let [(sharp, _), (blurred, _)] = [sharp, blurred].map(|options| matched(&whole(options), PRIOR_MM, 24));
    println!("error over information {sharp:.3} without, {blurred:.3} with");
    assert!(blurred < 0.95 * sharp, "{blurred} of {sharp}");
}

#[test]
fn a_recording_calibrates_its_own_law() {
    let (setup, options) = (setup(-150.0), FieldOptions::default());
    let Drawn { stations, .. } = drawn(&setup, &options, PRIOR_MM, 60, 5.0, 9);
    let calibration = settle(&mut likelihood(&setup, &options, &stations))
        .unwrap()
        .calibration(8);
    assert!(calibration.level_db.spread < options.level_spread_db);
    assert!(calibration.exponent.spread < options.exponent_spread);
    assert_eq!(calibration.gains_db.len(), 8);
    assert!(
        calibration
            .gains_db
            .iter()
            .all(|gain| gain.spread < options.gain_spread_db)
    );
}

/// Stations at one place share their shadowing: that a site was silent at forty of them is hardly more of a fact than at two.
#[test]
fn forty_silences_at_one_place_say_little_more_than_two() {
    let options = FieldOptions {
        attitude_db: 0.2,
        unmodelled_share: 0.05,
        ..FieldOptions::default()
    };
    let gain_db = |count: usize| {
        let place_mm = Position::new(0.0, 95.0, 20.0);
        let level_dbm = setup(-150.0).median_dbm(&place_mm, 0);
        // Expected 5 dB above the floor, and yet not heard.
        let setup = setup(level_dbm - 5.0);
        let mut stations = drawn(&setup, &options, 1.0, count, 0.0, 8).stations;
        for station in &mut stations {
            station.place_mm = place_mm;
            station.told = (0..8)
                .map(|site| match site {
                    0 => Told::Below,
                    _ => Told::Level {
                        mean_dbm: setup.median_dbm(&place_mm, site),
                        readings: 90.0,
                    },
                })
                .collect();
        }
        let settled = settle(&mut likelihood(&setup, &options, &stations)).unwrap();
        settled.calibration(8).gains_db[0].value
    };
    let [two, forty] = [2, 40].map(gain_db);
    println!("gain {two:.2} dB by two silences, {forty:.2} by forty");
    assert!(two < -0.3, "{two}");
    assert!((forty - two).abs() < 0.2 * two.abs(), "{forty} after {two}");
}

/// With sixty in a hundred readings below the floor.
#[test]
fn many_silences_leave_the_level_unbiased() {
    let (setup, options) = (setup(-85.0), FieldOptions::default());
    let recordings = 24;
    let (mut silent, mut all, mut errors) = (0, 0, Vec::new());
    for seed in 0..recordings {
        let drawn = drawn(&setup, &options, PRIOR_MM, 40, 10.0, 700 + seed);
        let told = drawn.stations.iter().flat_map(|station| &station.told);
        all += told.clone().count();
        silent += told.filter(|&&told| told == Told::Below).count();
        let calibration = settle(&mut likelihood(&setup, &options, &drawn.stations))
            .unwrap()
            .calibration(8);
        errors.push((calibration.level_db.value - drawn.level_db) / calibration.level_db.spread);
    }
    let count = errors.len() as f64;
    let mean = errors.iter().sum::<f64>() / count;
    println!("{silent} of {all} silent; the level errs by {mean:.2} of its spread in the mean");
    assert!(2 * silent > all, "{silent} of {all}");
    // Four standard errors of the mean where the spread is right, and a quarter of a spread for what bends.
    assert!(mean.abs() < 0.25 + 4.0 / count.sqrt(), "{mean}");
}

#[test]
fn windows_hold_each_station_once_and_none_is_too_large() {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(4);
    for _ in 0..200 {
        let stations = rng.random_range(0..5000);
        let mut next = 0;
        for window in windows(stations) {
            assert_eq!(window.own.start, next);
            assert!(window.with_overlap.len() <= MOST_IN_WINDOW);
            next = window.own.end;
        }
        assert_eq!(next, stations);
    }
}

#[test]
fn one_station_or_silent_ones_give_finite_places() {
    let (setup, options) = (setup(-100.0), FieldOptions::default());
    for count in [1, 2, 12] {
        let Drawn { mut stations, .. } = drawn(&setup, &options, PRIOR_MM, count, 0.0, 2);
        for silent in [Told::Nothing, Told::Below] {
            for station in &mut stations {
                station.told.fill(silent);
            }
            let settled = settle(&mut likelihood(&setup, &options, &stations)).unwrap();
            for (index, station) in stations.iter().enumerate() {
                let shift = settled.shift(index, station, &whole(options));
                assert!(shift.by_mm.iter().all(|value| value.is_finite()));
                // Nothing was heard: little more is known than was beforehand.
                assert!(shift.covariance_mm2.trace() > 0.2 * 3.0 * PRIOR_MM * PRIOR_MM);
            }
        }
    }
}
