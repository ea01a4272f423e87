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
//! A second search, from a distant place, is given up as soon as it comes to where the first one ended, or as its
//! quadratic model promises too little to matter.
//!
//! # Source
//!
//! D. W. Marquardt, *An algorithm for least-squares estimation of nonlinear parameters*, J. Soc. Indust. Appl. Math. 11
//! (1963); J. Nocedal, S. J. Wright, *Numerical Optimization* (2006), section 3.4. The constants are those that took
//! few evaluations and lost few minima, by `fix_from_everywhere`, on readings like those of `cargo bench -p
//! alvine-benches --bench fix` (common practice, no source).

use nalgebra::Vector3;

use super::objective::{Candidate, Evaluation, Objective};
use crate::space::Space;

/// Where a search ended.
#[derive(Debug, Clone, Copy)]
pub(super) struct Settled {
    pub candidate: Candidate,
    pub evaluation: Evaluation,
    pub settled: bool,
}

/// No step is longer than this share of the space's size.
const LONGEST_STEP: f64 = 1.0 / 6.0;
/// A second start is taken this far from the first end, in units of the space's size.
const DISTANT: f64 = 0.2;
/// The first λ, and the least.
const FIRST_DAMPING: f64 = 1e-4;
const LEAST_DAMPING: f64 = 1e-9;
/// By how much λ changes after a step that descended, after one that did not, and where the curvature is no use.
const AFTER_DESCENT: f64 = 0.1;
const AFTER_ASCENT: f64 = 10.0;
const AFTER_INDEFINITE: f64 = 4.0;
/// A search this near another's end goes there too, mm.
const SAME_MM: f64 = 1.0;
/// A search may descend by this many times what the quadratic model promises.
const TRUST: f64 = 2.0;
/// λ up to which the quadratic model is asked.
const MOST_DAMPING_ASKED: f64 = 1.0;

/// Descends from a candidate.
pub(super) fn search(objective: &Objective<'_>, start: Candidate) -> Settled {
    descend(objective, start, |_, _, _| false)
}

/// How a search beside a known end went.
pub(super) enum Beside {
    /// It came to where the known one ended.
    Same,
    /// It promised no end within the margin.
    Hopeless,
    /// It ended elsewhere.
    Elsewhere(Settled),
}

/// As [`search`], given up once it comes to where `rival` ended, or promises no end within `margin` of it.
pub(super) fn search_beside(objective: &Objective<'_>, start: Candidate, rival: &Settled, margin: f64) -> Beside {
    let bar = rival.evaluation.value + margin;
    let mut in_vain = None;
    let end = descend(objective, start, |here, value, promised| {
        let way = here.position_mm - rival.candidate.position_mm;
        if way.norm_squared() < SAME_MM * SAME_MM {
            in_vain = Some(Beside::Same);
        } else if value - TRUST * promised > bar {
            in_vain = Some(Beside::Hopeless);
        }
        in_vain.is_some()
    });
    in_vain.unwrap_or(Beside::Elsewhere(end))
}

/// Descends until it settles, or until `give_up` says so of a place, its value, and the descent promised from there.
#[inline]
fn descend(
    objective: &Objective<'_>,
    start: Candidate,
    mut give_up: impl FnMut(&Candidate, f64, f64) -> bool,
) -> Settled {
    let mut here = start;
    let mut evaluation = objective.evaluate(&here);
    let mut damping = FIRST_DAMPING;
    let mut settled = false;
    for _ in 0..objective.options.most_steps {
        let Some(step) = step(objective, &here, &evaluation, damping) else {
            damping = (damping * AFTER_INDEFINITE).max(FIRST_DAMPING);
            continue;
        };
        if damping <= MOST_DAMPING_ASKED && give_up(&here, evaluation.value, step.promised) {
            break;
        }
        let tried = objective.evaluate(&step.to);
        if tried.value <= evaluation.value {
            here = step.to;
            evaluation = tried;
            damping = (damping * AFTER_DESCENT).max(LEAST_DAMPING);
        } else {
            damping *= AFTER_ASCENT;
        }
        // A step this short that does not descend was decided by rounding, not by the objective.
        if step.length_mm < objective.options.tolerance_mm {
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

/// How large the space is, and what follows from it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    longest_step_mm: f64,
    /// A second start is taken this far from the first end.
    pub distant_mm: f64,
    /// Its squared half-sizes, mm², and their inverses: the diagonal of D without its factor.
    half_sizes_mm2: Vector3<f64>,
    inverse_per_mm2: Vector3<f64>,
}

impl Scale {
    pub fn of(space: &Space) -> Self {
        let half_sizes_mm2 = space.half_sizes_mm().map(|half_mm| half_mm * half_mm);
        Self {
            longest_step_mm: LONGEST_STEP * space.size_mm(),
            distant_mm: DISTANT * space.size_mm(),
            half_sizes_mm2,
            inverse_per_mm2: half_sizes_mm2.map(|square| 1.0 / square),
        }
    }
}

/// A step that may be taken.
struct Step {
    to: Candidate,
    length_mm: f64,
    /// By how much the quadratic model falls over the step in full: `½ gᵀ (H + λ D)⁻¹ g`.
    promised: f64,
}

/// The next step; `None` when the damped curvature is not positive definite.
#[inline]
fn step(objective: &Objective<'_>, here: &Candidate, at: &Evaluation, damping: f64) -> Option<Step> {
    let scale = objective.scale;
    let mut curvature = at.curvature_pp;
    let size = curvature.diagonal().abs().dot(&scale.half_sizes_mm2);
    curvature.add_diagonal(&(scale.inverse_per_mm2 * (damping * size.max(1e-6))));
    let mut gradient = at.gradient_p;
    let mut promised = 0.0;
    let level_free = objective.level_free();
    let level_curvature = at.curvature_ll * (1.0 + damping);
    if level_free {
        if level_curvature <= 0.0 {
            return None;
        }
        curvature.add_outer(&at.curvature_pl, -1.0 / level_curvature);
        gradient -= at.curvature_pl * (at.gradient_l / level_curvature);
        promised += 0.5 * at.gradient_l * at.gradient_l / level_curvature;
    }
    let mut delta = -curvature.solve(&gradient)?;
    promised -= 0.5 * gradient.dot(&delta);
    let share = objective.region.allowed_share(&here.position_mm, &delta);
    let whole_mm = delta.norm();
    let share = share.min(scale.longest_step_mm / whole_mm.max(scale.longest_step_mm));
    delta *= share;
    let level_db = if level_free {
        here.level_db - (at.gradient_l + at.curvature_pl.dot(&delta)) / level_curvature
    } else {
        here.level_db
    };
    Some(Step {
        to: Candidate {
            position_mm: here.position_mm + delta,
            level_db,
        },
        length_mm: share * whole_mm,
        promised,
    })
}
