//! The search: a damped Newton descent.
//!
//! Each step solves, with the level eliminated by its Schur complement,
//!
//! ```text
//! (H + λ D) δ = −g,   D = diag(1/a², 1/b², 1/c²) · trace(H D⁻¹)
//! ```
//!
//! where H is the full second derivative, not the Gauss–Newton part alone: misfits of signal strength are large, and
//! without their part of the curvature the steps zigzag in the valleys that few sites leave. Where H + λ D is not positive
//! definite λ grows. a, b, c are the half sizes of the region searched, so that λ means the same at any noise and size. A step
//! that does not descend is not taken and λ grows, so that the search cannot diverge; outside the torso the objective
//! has a wall ([`super::region`]), so that it cannot escape.
//!
//! # Source
//!
//! D. W. Marquardt, *An algorithm for least-squares estimation of nonlinear parameters*, J. Soc. Indust. Appl. Math. 11
//! (1963); J. Nocedal, S. J. Wright, *Numerical Optimization* (2006), section 3.4.

use nalgebra::Vector3;

use super::objective::{Candidate, Evaluation, Objective};
use crate::torso::Torso;

/// Where a search ended.
#[derive(Debug, Clone, Copy)]
pub(super) struct Settled {
    pub candidate: Candidate,
    pub evaluation: Evaluation,
    pub settled: bool,
}

/// No step is longer than this, mm: the torso's own scale.
const LONGEST_STEP_MM: f64 = 120.0;

/// Descends from a candidate.
pub(super) fn search(objective: &Objective<'_>, start: Candidate) -> Settled {
    let metric = metric(&objective.setup.torso);
    let mut here = start;
    let mut evaluation = objective.evaluate(&here);
    let mut damping = 1e-4;
    let mut settled = false;
    for _ in 0..objective.options.most_steps {
        let Some((next, length_mm)) = step(objective, &here, &evaluation, &metric, damping) else {
            damping = (damping * 10.0).max(1e-2);
            continue;
        };
        let tried = objective.evaluate(&next);
        if tried.value <= evaluation.value {
            here = next;
            evaluation = tried;
            damping = (damping * 0.1).max(1e-9);
        } else {
            damping *= 8.0;
        }
        // A step this short that does not descend was decided by rounding, not by the objective.
        if length_mm < objective.options.tolerance_mm {
            settled = true;
            break;
        }
    }
    Settled {
        candidate: here,
        evaluation,
        settled,
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
    let mut curvature = at.curvature_pp;
    let size: f64 = (0..3).map(|axis| curvature[(axis, axis)].abs() / metric[axis]).sum();
    let damped = damping * size.max(1e-6);
    for axis in 0..3 {
        curvature[(axis, axis)] += damped * metric[axis];
    }
    let mut gradient = at.gradient_p;
    let level_free = objective.level_free();
    let level_curvature = at.curvature_ll * (1.0 + damping);
    if level_free {
        if level_curvature <= 0.0 {
            return None;
        }
        curvature -= at.curvature_pl * at.curvature_pl.transpose() / level_curvature;
        gradient -= at.curvature_pl * (at.gradient_l / level_curvature);
    }
    let mut delta = -curvature.cholesky()?.solve(&gradient);
    let share = objective.region.allowed_share(&here.position_mm, &delta);
    delta *= share.min(LONGEST_STEP_MM / delta.norm().max(LONGEST_STEP_MM));
    let length_mm = delta.norm();
    let level_db = if level_free {
        here.level_db - (at.gradient_l + at.curvature_pl.dot(&delta)) / level_curvature
    } else {
        here.level_db
    };
    let position_mm = here.position_mm + delta;
    Some((Candidate { position_mm, level_db }, length_mm))
}
