//! The end of a descent against `scipy.optimize.least_squares` on the same problem.
//!
//! `tests/data/map_scipy.csv` was made by `tests/reference/map_reference.py`, which states the problem.

use ndarray::Array2;

use super::tests::{exact, setup};
use super::*;
use crate::recording::{Receiver, Recording};
use crate::torso::Position;

/// SciPy's problem: readings, its cost and its places.
fn reference() -> (Recording, f64, Vec<Position>) {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/map_scipy.csv");
    let text = std::fs::read_to_string(path).unwrap();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .filter(|line| !line.starts_with(['#', 't']))
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect())
        .collect();
    let levels = Array2::from_shape_fn((rows.len(), 8), |(knot, site)| rows[knot][2 + site] as f32);
    let recording = Recording::new(rows.iter().map(|row| row[0]).collect(), levels).unwrap();
    let places = rows
        .iter()
        .map(|row| Position::new(row[10], row[11], row[12]))
        .collect();
    (recording, rows[0][1], places)
}

#[test]
fn a_general_least_squares_library_ends_at_the_same_cost_and_places() {
    let (recording, cost, places) = reference();
    let mut setup = setup(4.0, 2.0);
    setup.receiver = Receiver::new(-150.0, None, None).unwrap();
    let usual = TrajectoryOptions::default();
    let options = TrajectoryOptions {
        slow_level: usual.slow_level,
        fast_level: usual.fast_level,
        // Biases go on but for the least variance.
        shadowing_memory_mm: 1e9,
        settle_undamped: true,
        most_rounds: 1000,
        ..exact()
    };
    let knots = Knots::gather(&setup, &recording, options.knot_s, |_, _| true);
    assert_eq!(knots.len(), 150);
    let starts = cells::weigh(&setup, &knots, &options).starts;
    let mut objective = Objective::new(&setup, &options, &knots, vec![None; 150]);
    let mut states = first_states(&knots, &starts, Position::zeros(), objective.size());
    let mut chain = Chain::new(objective.size());
    let first = descend(&mut objective, &mut states, &mut chain, options.most_rounds);
    // Once more: a round that gains less than 1e-4 a knot is the last one.
    let end = descend(&mut objective, &mut states, &mut chain, options.most_rounds);
    println!("after the first descent {:.9}, {} rounds", first.value, first.rounds);
    let apart_mm = (0..150)
        .map(|knot| (states.place(knot) - places[knot]).norm())
        .fold(0.0, f64::max);
    println!(
        "cost {:.9} against {cost:.9}, relative {:.1e}; places at most {apart_mm:.4} mm apart; {} rounds",
        end.value,
        (end.value - cost).abs() / cost,
        end.rounds
    );
    assert!((end.value - cost).abs() < 1e-6 * cost);
    // Gradients end at 1e-6 of SciPy's scaled ones; the flattest direction of the place has a standard deviation of 30 mm.
    assert!(apart_mm < 0.1, "{apart_mm} mm");
}
