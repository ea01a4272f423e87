//! The fall-back: a simplex search for the few instants at which the descent does not settle.
//!
//! The descent of [`super::search`] is the rule: it is a hundred times faster and uses the gradient. Where it runs
//! out of steps, mostly in the kinks of a robust loss or in a valley that censored sites leave flat, the simplex of
//! Nelder and Mead, which needs no derivative, polishes its end.
//!
//! # Source
//!
//! J. A. Nelder, R. Mead, *A simplex method for function minimization*, Comput. J. 7 (1965), as in the crate `argmin`.

use argmin::core::{CostFunction, Error, Executor};
use argmin::solver::neldermead::NelderMead;

use super::objective::{Candidate, Objective};
use crate::torso::Position;

/// Edge of the first simplex, mm and dB.
const EDGE: f64 = 5.0;
const MOST_ITERATIONS: u64 = 400;

struct Cost<'a, 'b>(&'b Objective<'a>);

impl Cost<'_, '_> {
    /// The candidate of a parameter vector.
    fn candidate(&self, parameters: &[f64]) -> Candidate {
        Candidate {
            position_mm: Position::new(parameters[0], parameters[1], parameters[2]),
            level_db: parameters.get(3).copied().unwrap_or(0.0),
        }
    }
}

impl CostFunction for Cost<'_, '_> {
    type Param = Vec<f64>;
    type Output = f64;

    fn cost(&self, parameters: &Vec<f64>) -> Result<f64, Error> {
        Ok(self.0.evaluate(&self.candidate(parameters)).value)
    }
}

/// Polishes a candidate; `None` when the simplex finds nothing better.
pub(super) fn polish(objective: &Objective<'_>, from: &Candidate) -> Option<Candidate> {
    let mut corner = vec![from.position_mm.x, from.position_mm.y, from.position_mm.z];
    if objective.level_free() {
        corner.push(from.level_db);
    }
    let mut simplex = vec![corner.clone()];
    for axis in 0..corner.len() {
        let mut other = corner.clone();
        other[axis] += EDGE;
        simplex.push(other);
    }
    let solver = NelderMead::new(simplex).with_sd_tolerance(1e-10).ok()?;
    let cost = Cost(objective);
    let before = cost.cost(&corner).ok()?;
    let outcome = Executor::new(Cost(objective), solver)
        .configure(|state| state.max_iters(MOST_ITERATIONS))
        .timer(false)
        .run()
        .ok()?;
    let best = outcome.state.best_param?;
    (outcome.state.best_cost < before).then(|| cost.candidate(&best))
}
