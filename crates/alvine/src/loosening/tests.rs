use super::*;
use crate::noise::NoiseModel;
use crate::recording::Receiver;
use crate::torso::{Position, Torso};
use crate::track::{Flags, Track};
use nalgebra::{DMatrix, DVector, Matrix3};
use ndarray::Array2;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

const MINUTES: usize = 240;
const STEP_S: f64 = 5.0;

fn setup() -> Setup {
    Setup::default_eight(
        Torso::default(),
        NoiseModel::new(4.0, 2.0).unwrap(),
        Receiver::new(-100.0, None, None).unwrap(),
    )
}

/// Four hours at rest, heard every 5 s with 1 dB of noise; `excess_db` is what a site hears beyond the law in a minute.
fn at_rest(setup: &Setup, excess_db: impl Fn(usize, usize) -> f64) -> (Recording, Track) {
    let place_mm = Position::new(20.0, 90.0, 10.0);
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(7);
    let instants = MINUTES * 12;
    let mut levels_dbm = Array2::zeros((instants, setup.layout.len()));
    let mut points = Vec::new();
    for instant in 0..instants {
        for site in 0..setup.layout.len() {
            let noise_db: f64 = StandardNormal.sample(&mut rng);
            let level_dbm = setup.median_dbm(&place_mm, site) + excess_db(site, instant / 12) + noise_db;
            levels_dbm[(instant, site)] = level_dbm as f32;
        }
        points.push(TrackPoint {
            instant,
            time_s: instant as f64 * STEP_S,
            position_mm: place_mm,
            covariance_mm2: Matrix3::identity(),
            sites_used: 8,
            flags: Flags::NONE,
        });
    }
    let time_s = points.iter().map(|point| point.time_s).collect();
    let recording = Recording::new(time_s, levels_dbm).unwrap();
    (recording, Track { points })
}

fn found(excess_db: impl Fn(usize, usize) -> f64) -> Vec<Loosening> {
    let setup = setup();
    let (recording, track) = at_rest(&setup, excess_db);
    find_loosenings(&setup, &recording, &track.points, &LooseningOptions::default())
}

#[test]
fn a_site_that_falls_and_returns_while_nothing_moves_is_found_with_its_span() {
    let found = found(|site, minute| {
        if site == 5 && (100..160).contains(&minute) {
            -9.0
        } else {
            0.0
        }
    });
    assert_eq!(found.len(), 1, "{found:?}");
    let span = found[0];
    assert_eq!(span.site, 5);
    assert_eq!([span.start_s, span.end_s], [6000.0, 9600.0]);
    // Medians over 60 and 120 medians of 12 readings of 1 dB.
    assert!((span.loss_db - 9.0).abs() < 0.5, "{span:?}");
    assert!(span.probability > 0.99, "{span:?}");
}

#[test]
fn a_site_that_falls_silent_is_found_and_lost_at_least_so_much() {
    let setup = setup();
    let usual_dbm = setup.median_dbm(&Position::new(20.0, 90.0, 10.0), 2);
    let to_floor_db = usual_dbm - setup.receiver.floor_dbm();
    let found = found(|site, minute| {
        if site == 2 && minute >= 150 {
            -to_floor_db - 6.0
        } else {
            0.0
        }
    });
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!((found[0].site, found[0].start_s), (2, 9000.0));
    assert!((found[0].loss_db - to_floor_db).abs() < 0.5, "{found:?}");
}

#[test]
fn sites_that_all_change_at_once_are_not_loose() {
    // The capsule goes somewhere else every 40 min: each site's excess is another one there, up to 10 dB off.
    let found = found(|site, minute| ((site * 5 + minute / 40 * 7) % 11) as f64 * 2.0 - 10.0);
    assert_eq!(found, []);
}

#[test]
fn a_site_that_drifts_like_a_shadow_is_not_loose() {
    let found = found(|site, minute| if site == 1 { -0.05 * minute as f64 } else { 0.0 });
    assert_eq!(found, []);
}

#[test]
fn a_law_that_is_wrong_by_far_loosens_nobody() {
    assert_eq!(found(|_, _| -68.0), []);
    assert_eq!(found(|_, _| 35.0), []);
}

#[test]
fn sites_that_fall_together_are_not_loose() {
    // Three of eight at once: the capsule turned, or its power fell.
    let falls = |site: usize, minute: usize| {
        if site < 3 && (100..160).contains(&minute) {
            -9.0
        } else {
            0.0
        }
    };
    assert_eq!(found(falls), []);
}

#[test]
fn spans_that_too_many_sites_share_are_left_out() {
    let span = |site: usize, start_s: f64, end_s: f64| Loosening {
        site,
        start_s,
        end_s,
        loss_db: 9.0,
        probability: 0.95,
    };
    let two = [span(0, 0.0, 600.0), span(1, 300.0, 900.0)];
    assert_eq!(believable(two.to_vec(), 8), two);
    let alone = span(3, 2000.0, 3000.0);
    let crowd = [two[0], two[1], span(2, 500.0, 700.0), alone];
    assert_eq!(believable(crowd.to_vec(), 8), [alone]);
}

#[test]
fn without_a_track_or_readings_nothing_is_found() {
    let setup = setup();
    let (recording, track) = at_rest(&setup, |_, _| 0.0);
    let options = LooseningOptions::default();
    assert_eq!(find_loosenings(&setup, &recording, &[], &options), []);
    let silent = Recording::new(
        recording.time_s().to_vec(),
        Array2::from_elem((recording.len(), 8), f32::NAN),
    )
    .unwrap();
    assert_eq!(find_loosenings(&setup, &silent, &track.points, &options), []);
}

/// The log density of excesses under one sequence of firm and loose, all at once: excesses wander as a stationary process, each span
/// of loose has a loss of its own.
fn ln_density(excess_db: &[f64], moved_db2: &[f64], is_loose: &[bool], options: &LooseningOptions) -> f64 {
    let count = excess_db.len();
    let variance = options.excess_spread_db.powi(2);
    let kept = |from: usize, to: usize| -> f64 {
        moved_db2[from + 1..=to]
            .iter()
            .map(|moved_db2| (1.0 - moved_db2 / variance).sqrt())
            .product()
    };
    let span = |block: usize| {
        (0..=block)
            .filter(|&one| is_loose[one] && (one == 0 || !is_loose[one - 1]))
            .count()
    };
    let covariance = DMatrix::from_fn(count, count, |row, column| {
        let (first, last) = (row.min(column), row.max(column));
        let together = is_loose[row] && is_loose[column] && span(row) == span(column);
        variance * kept(first, last)
            + if together { options.loss_spread_db.powi(2) } else { 0.0 }
            + if row == column {
                options.block_spread_db.powi(2)
            } else {
                0.0
            }
    });
    let off = DVector::from_fn(count, |block, _| {
        excess_db[block] + if is_loose[block] { options.loss_db } else { 0.0 }
    });
    let factor = covariance.cholesky().unwrap();
    -0.5 * off.dot(&factor.solve(&off)) - 0.5 * factor.determinant().ln()
}

#[test]
fn a_bank_with_room_for_all_histories_is_exact() {
    let options = LooseningOptions {
        firm_s: 1200.0,
        loose_s: 300.0,
        histories: 1 << 9,
        ..LooseningOptions::default()
    };
    let excess_db = [1.0, 2.0, -6.0, -5.0, -9.0, 0.0, 3.0, -4.0, 1.0];
    let moved_db2 = [0.0, 0.3, 2.0, 0.1, 0.1, 9.0, 0.5, 0.2, 0.4];
    let blocks = excess_db.len();
    let mut bank = Bank::new(&options);
    for block in 0..blocks {
        bank.step(block, moved_db2[block], Some(Observed::Excess(excess_db[block])));
    }
    let chance = |before: bool, after: bool| {
        let turns = options.block_s / if before { options.loose_s } else { options.firm_s };
        if before == after { 1.0 - turns } else { turns }
    };
    let mut sum = 0.0;
    let mut exact = vec![0.0; blocks];
    for history in 0..1_usize << blocks {
        let is_loose: Vec<bool> = (0..blocks).map(|block| history >> block & 1 == 1).collect();
        let mut weight = ln_density(&excess_db, &moved_db2, &is_loose, &options).exp();
        let mut before = false;
        for &after in &is_loose {
            weight *= chance(before, after);
            before = after;
        }
        sum += weight;
        for (total, _) in exact.iter_mut().zip(&is_loose).filter(|(_, loose)| **loose) {
            *total += weight;
        }
    }
    for (told, exact) in bank.looseness(blocks).iter().zip(&exact) {
        // A history a factor of e²⁵ less likely than the likeliest is dropped.
        assert!((told - exact / sum).abs() < 1e-8, "{told} {}", exact / sum);
    }
}
