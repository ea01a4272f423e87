//! The descent: damped Gauss–Newton steps with reweighting, until none is worth taking.

use super::objective::{Objective, States};
use super::tridiagonal::Chain;

/// A round that gains less than this, in units of log-posterior a knot, is the last.
const WORTH_A_KNOT: f64 = 1e-4;
/// How often biases are told anew how far the capsule moves.
const REFRESHES: usize = 1;
/// The damping of a first step, 1/mm².
const FIRST_DAMPING: f64 = 1e-5;
/// No place moves further in one step, mm.
const LONGEST_STEP_MM: f64 = 60.0;
/// So little damping hardly shortens a step: spread over a day of knots it is as much as a spread of 400 mm, 1/mm².
const HARDLY_DAMPED: f64 = 1.5e-9;
/// The heaviest damping tried, 1/mm².
const HEAVIEST: f64 = 1e3;

/// Where a descent ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Descent {
    pub value: f64,
    pub rounds: usize,
    pub settled: bool,
}

/// Descends from the given states, which become the end's. Biases forget by the distance moved in the states before each
/// step, so that the objective itself follows the path.
pub(super) fn descend(
    objective: &mut Objective<'_>,
    states: &mut States,
    chain: &mut Chain,
    most_rounds: usize,
) -> Descent {
    let knots = (states.values.len() / states.size) as f64;
    let mut tried = states.clone();
    let mut end = Descent {
        value: f64::INFINITY,
        rounds: 0,
        settled: false,
    };
    let heaviest_to_settle = if objective.settles_undamped() {
        HARDLY_DAMPED
    } else {
        HEAVIEST
    };
    for refreshed in 0..=REFRESHES {
        objective.forget_by_distance(states);
        end.value = objective.value(states);
        end.settled = false;
        let mut damping = FIRST_DAMPING;
        let worth = if refreshed < REFRESHES { 100.0 } else { 1.0 } * WORTH_A_KNOT * knots;
        while !end.settled && end.rounds < most_rounds && damping < HEAVIEST {
            end.rounds += 1;
            if objective.factor(states, damping, chain).is_err() {
                damping *= 10.0;
                continue;
            }
            step(states, &chain.solve(), &mut tried);
            let value = objective.value(&tried);
            if value <= end.value {
                end.settled = end.value - value < worth && damping <= heaviest_to_settle;
                std::mem::swap(states, &mut tried);
                end.value = value;
                damping = (0.1 * damping).max(1e-9);
            } else {
                damping *= 10.0;
            }
        }
    }
    end
}

/// The states after a step, each place's share of it held to [`LONGEST_STEP_MM`].
pub(super) fn step(from: &States, delta: &[f64], to: &mut States) {
    let size = from.size;
    for ((to, from), delta) in to
        .values
        .chunks_exact_mut(size)
        .zip(from.values.chunks_exact(size))
        .zip(delta.chunks_exact(size))
    {
        let length_mm = delta[..3].iter().map(|d| d * d).sum::<f64>().sqrt();
        let share = LONGEST_STEP_MM / length_mm.max(LONGEST_STEP_MM);
        for ((to, from), delta) in to.iter_mut().zip(from).zip(delta) {
            *to = from + share * delta;
        }
    }
}
