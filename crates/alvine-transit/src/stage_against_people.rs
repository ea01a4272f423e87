//! The default durations against times measured in people (`datasets/transit-times`).
//!
//! The distance is Kolmogorov's, the greatest between two distribution functions. Of n people it is uncertain by the bound of
//! Dvoretzky, Kiefer, Wolfowitz and Massart: with a probability of 95 % the people's own distribution lies within √(ln 40 / 2n) of what
//! n of them show, 0.147 for 85.

use alvine::Phase;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::prior::Prior;
use crate::stage::stages;

/// Hours of the volunteers for whom they are known, ascending; `column` counts from 0.
fn volunteers_h(column: usize) -> Vec<f64> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../datasets/transit-times/transit.csv");
    let text = std::fs::read_to_string(path).unwrap();
    let rows = text.lines().skip(1).map(|line| line.split(',').collect::<Vec<_>>());
    let mut hours: Vec<f64> = rows
        .filter(|row| row[1] == "volunteer")
        .filter_map(|row| row[column].parse().ok())
        .collect();
    hours.sort_by(f64::total_cmp);
    hours
}

/// Draws of the time that a phase lasts, h, ascending: the sum over its stages, at a common pace where they share one.
fn drawn_h(phase: Phase, prior: &Prior) -> Vec<f64> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(1);
    let stages: Vec<_> = stages(prior).into_iter().filter(|stage| stage.phase == phase).collect();
    let mut draws: Vec<f64> = (0..100_000)
        .map(|_| {
            let pace: f64 = rng.sample(StandardNormal);
            let of_each = stages.iter().map(|stage| {
                let z: f64 = rng.sample(StandardNormal);
                stage.duration.median_s() * (stage.duration.spread_ln() * z + stage.pace_ln * pace).exp()
            });
            of_each.sum::<f64>() / 3600.0
        })
        .collect();
    draws.sort_by(f64::total_cmp);
    draws
}

fn share_below(sorted: &[f64], value: f64) -> f64 {
    sorted.partition_point(|&other| other <= value) as f64 / sorted.len() as f64
}

fn quantile(sorted: &[f64], share: f64) -> f64 {
    sorted[(share * (sorted.len() - 1) as f64).round() as usize]
}

/// Kolmogorov's distance of people from draws.
fn distance(people: &[f64], draws: &[f64]) -> f64 {
    let count = people.len() as f64;
    people
        .iter()
        .enumerate()
        .map(|(index, &hours)| {
            let expected = share_below(draws, hours);
            (expected - index as f64 / count).max((index + 1) as f64 / count - expected)
        })
        .fold(0.0, f64::max)
}

fn uncertainty(people: &[f64]) -> f64 {
    (40.0_f64.ln() / (2.0 * people.len() as f64)).sqrt()
}

#[test]
fn default_durations_lie_as_near_to_peoples_as_the_notes_say() {
    for (name, column, phase, prior, most) in [
        ("stomach, fed", 2, Phase::Stomach, &Prior::fed(), 0.15),
        ("small bowel", 3, Phase::SmallBowel, &Prior::fed(), 0.15),
        ("colon", 4, Phase::Colon, &Prior::fed(), 0.15),
    ] {
        let (people, draws) = (volunteers_h(column), drawn_h(phase, prior));
        let distance = distance(&people, &draws);
        println!(
            "{name}: distance {distance:.3}, uncertain by {:.3} ({} people); quartiles {:.2?} h of people, {:.2?} h of the prior",
            uncertainty(&people),
            people.len(),
            [0.25, 0.5, 0.75].map(|share| quantile(&people, share)),
            [0.25, 0.5, 0.75].map(|share| quantile(&draws, share)),
        );
        assert!(distance < most, "{name} {distance}");
    }
    // Of 82 people 11 had a colon time of less than 6.5 h; a share of 0.1 of 82 is uncertain by 0.033.
    let quick = |hours: &[f64]| share_below(hours, 6.5);
    let (people, draws) = (
        quick(&volunteers_h(4)),
        quick(&drawn_h(Phase::Colon, &Prior::fasting())),
    );
    println!("colon in less than 6.5 h: {people:.3} of people, {draws:.3} of the prior");
    assert!((people - draws).abs() < 2.0 * 0.033);
    // A fasting stomach is no fed one: the same people are nearly all beyond it.
    assert!(distance(&volunteers_h(2), &drawn_h(Phase::Stomach, &Prior::fasting())) > 0.7);
}

#[test]
fn the_small_bowel_lasts_between_what_is_published_of_volunteers_and_of_patients() {
    // O'Grady and others 2020, 71 fasting volunteers: median 198.5 (157 to 240.5) min. Tominaga and others 2020, 397 patients: mean
    // 282.1, standard deviation 132.2 min.
    let draws = drawn_h(Phase::SmallBowel, &Prior::fasting());
    let minutes = [0.25, 0.5, 0.75].map(|share| 60.0 * quantile(&draws, share));
    println!("quartiles of the prior {minutes:.1?} min");
    assert!((198.5..282.1).contains(&minutes[1]));
    assert!(minutes[0] < 198.5 && minutes[2] > 282.1);
    // Of 397 log-normal values with a spread of 0.45 the coefficient of variation is uncertain by about 5 % (a standard error, by 2000
    // draws with NumPy).
    let mean = draws.iter().sum::<f64>() / draws.len() as f64;
    let variance = draws.iter().map(|draw| (draw - mean).powi(2)).sum::<f64>() / draws.len() as f64;
    let (varies, of_patients) = (variance.sqrt() / mean, 132.2 / 282.1);
    println!("varies by {varies:.3} of its mean, patients by {of_patients:.3}");
    assert!((varies / of_patients - 1.0).abs() < 0.1);
}
