//! Claims of the laws beside each other, over many simulated surveys.

use nalgebra::{DMatrix, DVector};
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::*;
use crate::calibrate::{NoiseFrom, Verdict};
use crate::torso::Torso;

const LEVEL_DBM: f64 = -60.0;
const EXPONENT: f64 = 4.26;
const SEEDS: u64 = 100;

/// What a survey is made of.
#[derive(Clone, Copy)]
struct Survey {
    places: usize,
    repeats: usize,
    exponent: f64,
    attenuation_db_per_cm: f64,
    shadowing_db: f64,
    correlation_mm: f64,
    noise_db: f64,
    floor_dbm: f64,
}

const USUAL: Survey = Survey {
    places: 50,
    repeats: 2,
    exponent: EXPONENT,
    attenuation_db_per_cm: 0.0,
    shadowing_db: 4.0,
    correlation_mm: 40.0,
    noise_db: 2.0,
    floor_dbm: -200.0,
};

fn layout() -> Layout {
    Layout::default_eight(&Torso::new(330.0, 230.0).unwrap())
}

impl Survey {
    /// Random places in a torso, each read so many times; shadowing exponentially correlated, one field a site.
    fn readings(&self, seed: u64) -> (Vec<Position>, Array2<f32>) {
        let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
        let places: Vec<Position> = (0..self.places)
            .map(|_| {
                Position::new(
                    rng.random_range(-120.0..120.0),
                    rng.random_range(40.0..190.0),
                    rng.random_range(-120.0..150.0),
                )
            })
            .collect();
        let correlation = DMatrix::from_fn(self.places, self.places, |one, other| {
            let apart_mm: f64 = (places[one] - places[other]).norm();
            (-apart_mm / self.correlation_mm).exp()
        });
        let root = correlation.cholesky().unwrap().unpack();
        let sites = layout();
        let mut rssi_dbm = Array2::zeros((self.places * self.repeats, sites.len()));
        for (site, antenna) in sites.sites().iter().enumerate() {
            let white = DVector::from_fn(self.places, |_, _| StandardNormal.sample(&mut rng));
            let shadowing = &root * white;
            for row in 0..self.places * self.repeats {
                let place = row / self.repeats;
                let distance_mm = (places[place] - antenna.position_mm).norm();
                let noise: f64 = StandardNormal.sample(&mut rng);
                let level_dbm = LEVEL_DBM
                    - 10.0 * self.exponent * (distance_mm / 50.0).log10()
                    - 0.1 * self.attenuation_db_per_cm * (distance_mm - 50.0)
                    + self.shadowing_db * shadowing[place]
                    + self.noise_db * noise;
                rssi_dbm[[row, site]] = level_dbm as f32;
            }
        }
        let rows = places
            .iter()
            .flat_map(|place| std::iter::repeat_n(*place, self.repeats));
        (rows.collect(), rssi_dbm)
    }

    fn fit(&self, seed: u64) -> SurveyFit {
        let (places, rssi_dbm) = self.readings(seed);
        let receiver = Receiver::new(self.floor_dbm, None, None).unwrap();
        let options = CalibrationOptions::default();
        fit_laws(&layout(), &receiver, &places, rssi_dbm.view(), &options).unwrap()
    }

    /// One law alone, without bends.
    fn attempt(&self, form: LawForm, seed: u64) -> LawFit {
        let (places, rssi_dbm) = self.readings(seed);
        let receiver = Receiver::new(self.floor_dbm, None, None).unwrap();
        let options = CalibrationOptions::default();
        let sample = Sample::new(&layout(), &receiver, &places, rssi_dbm.view(), &options).unwrap();
        let attempt = Attempt::without_bends(form, &sample, &places, &options).unwrap();
        attempt.describe(&layout(), &options, 1.0)
    }
}

fn law(fit: &SurveyFit, form: LawForm) -> &LawFit {
    fit.laws.iter().find(|law| law.form == form).unwrap()
}

fn holds(parameter: Parameter, truth: f64) -> bool {
    (parameter.interval95[0]..=parameter.interval95[1]).contains(&truth)
}

/// The share of 95 % intervals that hold the truth, over independent surveys: binomial, with a standard deviation of
/// √(0.95 · 0.05 / n). Four of them below 0.95 are met by chance once in some ten thousand.
fn least_share(seeds: u64) -> f64 {
    0.95 - 4.0 * (0.95 * 0.05 / seeds as f64).sqrt()
}

/// Shares of surveys in which the intervals of exponent, of one level and of the spread hold the truth, and in which
/// the exponent's would as if readings erred independently.
fn shares(survey: Survey) -> [f64; 4] {
    let mut held = [0.0; 4];
    let spread_db = survey.shadowing_db.hypot(survey.noise_db);
    for seed in 0..SEEDS {
        let found = survey.attempt(LawForm::LogDistance, seed);
        let exponent = found.exponent.unwrap();
        let site = (seed % 8) as usize;
        let naive = (exponent.value - survey.exponent).abs() < 1.96 * exponent.independent_error;
        for (share, holds) in held.iter_mut().zip([
            holds(exponent, survey.exponent),
            holds(found.level_dbm[site], LEVEL_DBM),
            holds(found.spread_db, spread_db),
            naive,
        ]) {
            *share += f64::from(u8::from(holds)) / SEEDS as f64;
        }
    }
    println!("exponent, level, spread and exponent as if independent: {held:.2?}");
    held
}

#[test]
fn intervals_hold_the_truth_as_often_as_they_say_where_readings_err_independently() {
    let survey = Survey {
        places: 60,
        repeats: 1,
        shadowing_db: 4.0,
        noise_db: 0.0,
        correlation_mm: 0.01,
        ..USUAL
    };
    let [exponent, level, spread, naive] = shares(survey);
    for share in [exponent, level, spread, naive] {
        assert!(share >= least_share(SEEDS), "{exponent} {level} {spread} {naive}");
    }
    // And they are not wider than they need to be: all 100 of a 95 % interval have a chance of 0.006, of 99.9 % one of
    // 0.9.
    assert!(exponent < 1.0 || level < 1.0);
}

#[test]
fn intervals_hold_the_truth_where_neighbours_share_their_shadowing_and_those_for_independent_readings_do_not() {
    let [exponent, level, spread, naive] = shares(USUAL);
    for share in [exponent, level, spread] {
        assert!(share >= least_share(SEEDS), "{exponent} {level} {spread}");
    }
    assert!(naive < 0.75, "{naive}");
}

#[test]
fn intervals_hold_the_truth_where_neighbours_share_their_shadowing_and_many_readings_are_censored() {
    let survey = Survey {
        floor_dbm: -84.0,
        ..USUAL
    };
    let censored = survey.fit(0);
    let share = censored.censored as f64 / (censored.censored + censored.heard) as f64;
    assert!((0.2..0.6).contains(&share), "{share}");
    let [exponent, level, spread, naive] = shares(survey);
    for share in [exponent, level, spread] {
        assert!(share >= least_share(SEEDS), "{exponent} {level} {spread}");
    }
    assert!(naive < 0.8, "{naive}");
}

#[test]
fn repeats_part_noise_from_shadowing() {
    let mut sums = [0.0; 3];
    const FEW: u64 = 30;
    for seed in 0..FEW {
        let shared = USUAL.attempt(LawForm::LogDistance, seed).shared;
        assert_eq!(shared.noise_from, NoiseFrom::Repeats);
        let noise_db = shared.noise_db.unwrap();
        sums[0] += noise_db * noise_db / FEW as f64;
        sums[1] += shared.shadowing_db.powi(2) / FEW as f64;
        sums[2] += shared.correlation_mm.ln() / FEW as f64;
    }
    // 400 pairs a survey tell the noise's variance of 4 to √(2/400), 30 surveys to 0.05 in all; four of them.
    assert!((sums[0] - 4.0).abs() < 0.2, "{sums:?}");
    // Of a variance of 16 a survey has some 150 independent values: √(2/150) · 16 / √30 = 0.34; four of them.
    assert!((sums[1] - 16.0).abs() < 1.4, "{sums:?}");
    // The row of lengths is a third of a natural logarithm fine, and a length is known to about half of itself.
    assert!(
        (sums[2] - 40.0_f64.ln()).abs() < 4.0 * 0.5 / (FEW as f64).sqrt(),
        "{sums:?}"
    );
}

#[test]
fn without_repeats_or_near_neighbours_noise_is_not_told_from_shadowing() {
    let survey = Survey {
        places: 40,
        repeats: 1,
        correlation_mm: 0.01,
        ..USUAL
    };
    let shared = survey.attempt(LawForm::LogDistance, 3).shared;
    assert_eq!((shared.noise_from, shared.noise_db), (NoiseFrom::Nothing, None));
    // The whole spread, √20 dB, is taken for shadowing: known to 1/√(2 · 320), four of them.
    assert!((shared.shadowing_db / 20.0_f64.sqrt() - 1.0).abs() < 0.16, "{shared:?}");
}

#[test]
fn the_law_that_made_the_readings_is_preferred_and_adequate_and_a_wrong_one_is_not() {
    // Absorption of 4 dB/cm bends far more than chance; an exponent of 4.26 is far from 2.
    let tissue = Survey {
        exponent: 2.0,
        attenuation_db_per_cm: 4.0,
        places: 80,
        shadowing_db: 1.0,
        noise_db: 1.0,
        ..USUAL
    };
    let straight = Survey {
        places: 80,
        shadowing_db: 1.0,
        noise_db: 1.0,
        ..USUAL
    };
    for seed in 0..4 {
        let bent = tissue.fit(seed);
        assert_eq!(bent.preferred().unwrap().form, LawForm::DistanceAndTissue);
        assert_eq!(law(&bent, LawForm::LogDistance).adequacy.verdict, Verdict::NotAdequate);
        assert_eq!(law(&bent, LawForm::FreeSpace).adequacy.verdict, Verdict::NotAdequate);
        assert_eq!(bent.preferred().unwrap().adequacy.verdict, Verdict::Adequate);
        let found = straight.fit(seed);
        assert_eq!(law(&found, LawForm::LogDistance).adequacy.verdict, Verdict::Adequate);
        assert_eq!(law(&found, LawForm::FreeSpace).adequacy.verdict, Verdict::NotAdequate);
        let weight: f64 = found.laws.iter().map(|law| law.criteria.weight).sum();
        assert!((weight - 1.0).abs() < 1e-12);
        assert!(law(&found, LawForm::FreeSpace).criteria.weight < 1e-6);
    }
}

#[test]
fn absorption_is_recovered_within_its_interval() {
    let tissue = Survey {
        exponent: 2.0,
        attenuation_db_per_cm: 1.68,
        ..USUAL
    };
    let held = (0..SEEDS)
        .map(|seed| tissue.attempt(LawForm::DistanceAndTissue, seed))
        .filter(|found| {
            assert!(found.exponent.is_some());
            holds(found.attenuation_db_per_cm.unwrap(), 1.68)
        })
        .count();
    assert!(held as f64 / SEEDS as f64 >= least_share(SEEDS), "{held}");
}

#[test]
fn a_handful_of_places_cannot_tell_whether_the_law_is_adequate() {
    let few = Survey { places: 6, ..USUAL };
    let verdicts: Vec<Verdict> = (0..5)
        .map(|seed| law(&few.fit(seed), LawForm::LogDistance).adequacy.verdict)
        .collect();
    assert_eq!(verdicts, [Verdict::CannotTell; 5]);
}

#[test]
fn a_right_law_is_seldom_called_inadequate() {
    // At a probability of 0.01 each; more than 3 of 30 have a chance of 2e-4 of that. Shadowing 4 dB over 40 mm.
    let wrong = (0..30)
        .filter(|&seed| law(&USUAL.fit(seed), LawForm::LogDistance).adequacy.verdict == Verdict::NotAdequate)
        .count();
    assert!(wrong <= 3, "{wrong} of 30");
}

#[test]
fn a_reading_that_stands_out_is_named_and_errors_shared_by_a_row_are_told() {
    let (places, mut rssi_dbm) = USUAL.readings(2);
    let fit = |rssi_dbm: &Array2<f32>| {
        let receiver = Receiver::new(-200.0, None, None).unwrap();
        let fit = fit_laws(
            &layout(),
            &receiver,
            &places,
            rssi_dbm.view(),
            &CalibrationOptions::default(),
        )
        .unwrap();
        law(&fit, LawForm::LogDistance).residuals.clone()
    };
    let before = fit(&rssi_dbm);
    assert!(before.outliers.is_empty());
    assert!(before.across_sites[0].abs() < 4.0 * before.across_sites[1]);
    assert!(before.normal_probability > 1e-4);
    rssi_dbm[[17, 5]] -= 40.0;
    let after = fit(&rssi_dbm);
    assert_eq!(after.outliers.len(), 1);
    assert_eq!((after.outliers[0].row, after.outliers[0].site), (17, 5));
    assert!(after.normal_probability < 1e-4);
    for (row, mut levels) in rssi_dbm.rows_mut().into_iter().enumerate() {
        levels += if row % 4 < 2 { 6.0 } else { -6.0 };
    }
    let shared = fit(&rssi_dbm).across_sites;
    assert!(shared[0] > 4.0 * shared[1] && shared[0] > 0.3, "{shared:?}");
}

#[test]
fn the_law_and_its_gains_say_what_was_fitted() {
    let found = USUAL.fit(1);
    for fitted in &found.laws {
        let (power_dbm, frequency_mhz) = (-20.0, 433.0);
        let (Ok(law), Ok(gains_db)) = (
            fitted.law(power_dbm, frequency_mhz),
            fitted.gains_db(power_dbm, frequency_mhz),
        ) else {
            assert_eq!(fitted.form, LawForm::DistanceAndTissue);
            continue;
        };
        for distance_mm in [50.0, 80.0, 200.0] {
            let said_dbm = power_dbm + gains_db[3] - law.at_distance(distance_mm).loss_db;
            assert!(
                (said_dbm - fitted.median_dbm(3, distance_mm)).abs() < 1e-9,
                "{:?}",
                fitted.form
            );
        }
    }
}

#[test]
fn readings_without_any_spread_and_readings_too_few_are_refused() {
    let exact = Survey {
        shadowing_db: 0.0,
        noise_db: 0.0,
        ..USUAL
    };
    let (places, rssi_dbm) = exact.readings(0);
    let receiver = Receiver::new(-200.0, None, None).unwrap();
    let options = CalibrationOptions::default();
    let found = fit_laws(&layout(), &receiver, &places, rssi_dbm.view(), &options).unwrap();
    // The exact law is told by name; free space, which is wrong, has a spread.
    assert_eq!(found.not_fitted.len(), 2);
    assert!(
        found
            .not_fitted
            .iter()
            .all(|(_, error)| *error == CalibrationError::NoSpread)
    );
    let few = rssi_dbm.select(ndarray::Axis(0), &[0]);
    assert!(matches!(
        fit_laws(&layout(), &receiver, &places[..1], few.view(), &options),
        Err(CalibrationError::TooFewReadings { .. })
    ));
}

#[test]
fn a_survey_of_many_rows_that_say_nothing_takes_no_more_room_than_one_of_those_that_do() {
    let (mut places, rssi_dbm) = USUAL.readings(4);
    let mut with_empty = Array2::from_elem((20_000, 8), f32::NAN);
    for (row, levels) in rssi_dbm.rows().into_iter().enumerate() {
        with_empty.row_mut(row * 7).assign(&levels);
    }
    let heard_at = places.clone();
    places = (0..20_000)
        .map(|row| Position::new(f64::from(row), 90.0, 0.0))
        .collect();
    for (row, place) in heard_at.iter().enumerate() {
        places[row * 7] = *place;
    }
    let receiver = Receiver::new(-200.0, None, None).unwrap();
    let options = CalibrationOptions::default();
    let found = fit_laws(&layout(), &receiver, &places, with_empty.view(), &options).unwrap();
    // Sums over pairs come in another order, and differ in their last bits.
    for (one, other) in USUAL.fit(4).laws.iter().zip(&found.laws) {
        let close = |one: f64, other: f64| assert!((one / other - 1.0).abs() < 1e-9, "{one} {other}");
        close(one.level_dbm[3].value, other.level_dbm[3].value);
        close(one.level_dbm[3].standard_error, other.level_dbm[3].standard_error);
        close(one.shared.correlation_mm, other.shared.correlation_mm);
        close(one.criteria.qaicc, other.criteria.qaicc);
    }
}
