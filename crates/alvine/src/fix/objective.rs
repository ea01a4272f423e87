//! The objective of a fix: the negative log-likelihood of one instant's readings by place and level offset.

use nalgebra::{Matrix3, Vector3};

use super::likelihood::{Term, term};
use super::options::{FixOptions, Level};
use super::region::Region;
use crate::propagation::{Loss, NEAREST_MM, Propagation};
use crate::recording::Reading;
use crate::setup::Setup;
use crate::torso::Position;

/// Place and level offset: the unknowns of a fix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Candidate {
    pub position_mm: Position,
    pub level_db: f64,
}

/// The objective at a candidate with what a step needs. Blocks: p place, l level; the latter zero unless it is free.
#[derive(Debug, Clone, Copy)]
pub(super) struct Evaluation {
    pub value: f64,
    pub gradient_p: Vector3<f64>,
    pub gradient_l: f64,
    pub curvature_pp: Matrix3<f64>,
    pub curvature_pl: Vector3<f64>,
    pub curvature_ll: f64,
}

/// One instant's readings under a setup.
#[derive(Clone, Copy)]
pub(super) struct Objective<'a> {
    pub setup: &'a Setup,
    pub options: &'a FixOptions,
    pub region: &'a Region,
    pub spread_db: f64,
    pub readings: &'a [Reading],
}

impl Objective<'_> {
    /// Whether the level is one of the unknowns.
    #[inline]
    pub fn level_free(&self) -> bool {
        matches!(self.options.level, Level::Unknown { .. })
    }

    /// The objective with its derivatives.
    pub fn evaluate(&self, at: &Candidate) -> Evaluation {
        let mut sum = Evaluation {
            value: 0.0,
            gradient_p: Vector3::zeros(),
            gradient_l: 0.0,
            curvature_pp: Matrix3::zeros(),
            curvature_pl: Vector3::zeros(),
            curvature_ll: 0.0,
        };
        let level_free = self.level_free();
        self.for_each_term(at, |slope, towards, across, term| {
            // The predicted level falls as the loss grows: ∇μ = −∇L, ∇²μ = −∇²L.
            sum.value += term.value;
            sum.gradient_p -= towards * (slope.slope_db_per_mm * term.gradient);
            let along = slope.slope_db_per_mm * slope.slope_db_per_mm * term.curvature
                - (slope.bend_db_per_mm2 - across) * term.gradient;
            add_outer(&mut sum.curvature_pp, towards, along);
            add_diagonal(&mut sum.curvature_pp, -across * term.gradient);
            if level_free {
                sum.gradient_l += term.gradient;
                sum.curvature_pl -= towards * (slope.slope_db_per_mm * term.curvature);
                sum.curvature_ll += term.curvature;
            }
        });
        mirror(&mut sum.curvature_pp);
        self.add_priors(at, &mut sum);
        if let Some(wall) = self.region.wall(&at.position_mm) {
            sum.value += wall.value;
            sum.gradient_p += wall.gradient;
            sum.curvature_pp += wall.curvature;
        }
        sum
    }

    /// Observed information on the place, 1/mm², the level marginalised by its Schur complement where it is free.
    pub fn information(&self, at: &Candidate) -> Matrix3<f64> {
        let mut place = Matrix3::zeros();
        let mut cross = Vector3::zeros();
        let mut level = 0.0;
        self.for_each_term(at, |slope, towards, _, term| {
            let gradient = towards * slope.slope_db_per_mm;
            add_outer(&mut place, &gradient, term.information);
            cross -= gradient * term.information;
            level += term.information;
        });
        mirror(&mut place);
        if let Some(prior) = &self.options.prior {
            place += prior.information_per_mm2;
        }
        if let Level::Unknown { prior_db } = self.options.level {
            level += prior_db.map_or(0.0, |prior_db| 1.0 / (prior_db * prior_db));
            if level > 0.0 {
                place -= cross * cross.transpose() / level;
            }
        }
        place
    }

    /// Calls `visit` for each site that reported, with the law's slope there, the direction from site to capsule, the
    /// curvature across it, dB/mm², and the reading's term.
    #[inline]
    fn for_each_term(&self, at: &Candidate, mut visit: impl FnMut(&Loss, &Vector3<f64>, f64, &Term)) {
        let emitted_dbm = self.setup.transmitter.power_dbm() + at.level_db;
        for (site, &reading) in self.setup.layout.sites().iter().zip(self.readings) {
            if matches!(reading, Reading::Missing) {
                continue;
            }
            let offset = at.position_mm - site.position_mm;
            let distance_mm = offset.norm().max(NEAREST_MM);
            let slope = self.setup.law.at_distance(distance_mm);
            let predicted_dbm = emitted_dbm + site.gain_db - slope.loss_db;
            if let Some(term) = term(reading, predicted_dbm, self.spread_db, self.options.loss) {
                let inverse = 1.0 / distance_mm;
                visit(&slope, &(offset * inverse), slope.slope_db_per_mm * inverse, &term);
            }
        }
    }

    fn add_priors(&self, at: &Candidate, sum: &mut Evaluation) {
        if let Some(prior) = &self.options.prior {
            let offset = at.position_mm - prior.mean_mm;
            let pull = prior.information_per_mm2 * offset;
            sum.value += 0.5 * offset.dot(&pull);
            sum.gradient_p += pull;
            sum.curvature_pp += prior.information_per_mm2;
        }
        if let Level::Unknown {
            prior_db: Some(prior_db),
        } = self.options.level
        {
            let information = 1.0 / (prior_db * prior_db);
            sum.value += 0.5 * at.level_db * at.level_db * information;
            sum.gradient_l += at.level_db * information;
            sum.curvature_ll += information;
        }
    }
}

/// Adds `weight · v vᵀ` to the lower triangle.
#[inline]
fn add_outer(matrix: &mut Matrix3<f64>, v: &Vector3<f64>, weight: f64) {
    let scaled = v * weight;
    matrix[(0, 0)] += scaled.x * v.x;
    matrix[(1, 0)] += scaled.y * v.x;
    matrix[(2, 0)] += scaled.z * v.x;
    matrix[(1, 1)] += scaled.y * v.y;
    matrix[(2, 1)] += scaled.z * v.y;
    matrix[(2, 2)] += scaled.z * v.z;
}

/// Adds to the diagonal.
#[inline]
fn add_diagonal(matrix: &mut Matrix3<f64>, value: f64) {
    matrix[(0, 0)] += value;
    matrix[(1, 1)] += value;
    matrix[(2, 2)] += value;
}

/// Copies the lower triangle to the upper.
#[inline]
fn mirror(matrix: &mut Matrix3<f64>) {
    matrix[(0, 1)] = matrix[(1, 0)];
    matrix[(0, 2)] = matrix[(2, 0)];
    matrix[(1, 2)] = matrix[(2, 1)];
}
