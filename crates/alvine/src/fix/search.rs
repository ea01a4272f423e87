//! The search: a damped Gauss–Newton (Levenberg–Marquardt) descent that stays inside the torso.
//!
//! Each step solves, with the level eliminated by its Schur complement,
//!
//! ```text
//! (H + λ D) δ = −g,   D = diag(1/a², 1/b², 1/c²)
//! ```
//!
//! and pulls the place back inside. In the coordinates that D scales the torso is a round cylinder, where pulling back
//! is the orthogonal projection; with growing λ the step becomes a projected gradient step, which always descends
//! until no feasible direction does. A step that does not descend is not taken, so the search cannot diverge.
//!
//! # Source
//!
//! D. W. Marquardt, J. Soc. Indust. Appl. Math. 11 (1963); projection as in D. P. Bertsekas, *Nonlinear Programming*
//! (1999), section 2.3.

use nalgebra::Vector3;

use super::objective::{Candidate, Evaluation, Objective};
use crate::torso::Torso;

/// The radius, in units of the skin's, within which the capsule is looked for: a capsule has a size.
pub(super) const INSIDE_FRACTION: f64 = 0.985;

/// Where a search ended.
#[derive(Debug, Clone, Copy)]
pub(super) struct Settled {
    pub candidate: Candidate,
    pub evaluation: Evaluation,
    pub settled: bool,
}

/// Descends from a candidate.
pub(super) fn search(objective: &Objective<'_>, start: Candidate) -> Settled {
    let metric = metric(&objective.setup.torso);
    let mut here = start;
    let mut evaluation = objective.evaluate(&here);
    let mut damping = 1e-4;
    for _ in 0..objective.options.most_steps {
        let Some((next, length_mm)) = step(objective, &here, &evaluation, &metric, damping) else {
            damping = f64::max(damping, 1e-8) * 10.0;
            continue;
        };
        let tried = objective.evaluate(&next);
        let descends = tried.value <= evaluation.value;
        if descends {
            here = next;
            evaluation = tried;
            damping = (damping * 0.1).max(1e-10);
        } else {
            damping *= 8.0;
        }
        // A rejected step this short means that rounding, not the objective, decides.
        if length_mm < objective.options.tolerance_mm {
            return Settled {
                candidate: here,
                evaluation,
                settled: true,
            };
        }
    }
    Settled {
        candidate: here,
        evaluation,
        settled: false,
    }
}

/// Squared inverse half-sizes of the region searched.
fn metric(torso: &Torso) -> Vector3<f64> {
    let (a, b) = torso.semi_axes_mm();
    let c = 0.5 * (Torso::HIGHEST_MM - Torso::LOWEST_MM);
    Vector3::new(1.0 / (a * a), 1.0 / (b * b), 1.0 / (c * c))
}

/// The next candidate and how far it is, mm; `None` when the damped curvature is not positive definite.
fn step(
    objective: &Objective<'_>,
    here: &Candidate,
    at: &Evaluation,
    metric: &Vector3<f64>,
    damping: f64,
) -> Option<(Candidate, f64)> {
    let level_free = objective.level_free();
    let mut curvature = at.curvature_pp;
    // λ counts in units of the curvature's own size, so that it means the same at any signal-to-noise ratio.
    let size: f64 = (0..3).map(|axis| curvature[(axis, axis)] / metric[axis]).sum();
    let damped = damping * size.max(1e-6);
    for axis in 0..3 {
        curvature[(axis, axis)] += damped * metric[axis];
    }
    let mut gradient = at.gradient_p;
    let level_curvature = at.curvature_ll * (1.0 + damping);
    if level_free {
        if level_curvature <= 0.0 {
            return None;
        }
        curvature -= at.curvature_pl * at.curvature_pl.transpose() / level_curvature;
        gradient -= at.curvature_pl * (at.gradient_l / level_curvature);
    }
    let delta = -curvature.cholesky()?.solve(&gradient);
    let position_mm = objective
        .setup
        .torso
        .clamp(&(here.position_mm + delta), INSIDE_FRACTION);
    let moved = position_mm - here.position_mm;
    let level_db = if level_free {
        here.level_db - (at.gradient_l + at.curvature_pl.dot(&moved)) / level_curvature
    } else {
        here.level_db
    };
    Some((Candidate { position_mm, level_db }, moved.norm()))
}
