//! The descent: damped Gauss–Newton steps with reweighting, until none is worth taking.

use super::objective::{Objective, States};
use super::tridiagonal::Chain;

/// A round that gains less than this, in units of log-posterior a knot, is the last.
const WORTH_A_KNOT: f64 = 1e-4;
/// How often biases are told anew how far the capsule moves.
const REFRESHES: usize = 1;
/// The damping of a first step, as [`Objective::factor`] takes it.
const FIRST_DAMPING: f64 = 1.0;
/// No place moves further in one step, in units of the space's size.
const LONGEST_STEP: f64 = 0.2;
/// So little damping hardly shortens a step: spread over a day of knots it is as much as a spread beyond the space.
const HARDLY_DAMPED: f64 = 1.5e-4;
const LEAST_DAMPING: f64 = 1e-4;
/// The heaviest damping tried.
const HEAVIEST: f64 = 1e8;

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
    let longest_mm = longest_step_mm(objective);
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
            step(states, &chain.solve(), longest_mm, &mut tried);
            let value = objective.value(&tried);
            if value <= end.value {
                end.settled = end.value - value < worth && damping <= heaviest_to_settle;
                std::mem::swap(states, &mut tried);
                end.value = value;
                damping = (0.1 * damping).max(LEAST_DAMPING);
            } else {
                damping *= 10.0;
            }
        }
    }
    end
}

/// How far a place may move in one step, mm.
pub(super) fn longest_step_mm(objective: &Objective<'_>) -> f64 {
    LONGEST_STEP * objective.size_mm
}

/// The states after a step, each place's share of it held to `longest_mm`.
pub(super) fn step(from: &States, delta: &[f64], longest_mm: f64, to: &mut States) {
    let size = from.size;
    for ((to, from), delta) in to
        .values
        .chunks_exact_mut(size)
        .zip(from.values.chunks_exact(size))
        .zip(delta.chunks_exact(size))
    {
        let length_mm = delta[..3].iter().map(|d| d * d).sum::<f64>().sqrt();
        let share = longest_mm / length_mm.max(longest_mm);
        for ((to, from), delta) in to.iter_mut().zip(from).zip(delta) {
            *to = from + share * delta;
        }
    }
}
