//! The objective of a fix: the negative log-likelihood of one instant's readings by place and level offset.

use nalgebra::{Matrix3, Vector3};

use super::likelihood::term;
use super::options::{FixOptions, Level};
use crate::propagation::Propagation;
use crate::recording::Reading;
use crate::setup::Setup;
use crate::torso::Position;

/// Place and level offset: the unknowns of a fix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Candidate {
    pub position_mm: Position,
    pub level_db: f64,
}

/// The objective at a candidate with what a step needs. Blocks: p place, l level.
#[derive(Debug, Clone, Copy)]
pub(super) struct Evaluation {
    pub value: f64,
    pub gradient_p: Vector3<f64>,
    pub gradient_l: f64,
    pub curvature_pp: Matrix3<f64>,
    pub curvature_pl: Vector3<f64>,
    pub curvature_ll: f64,
    pub information_pp: Matrix3<f64>,
    pub information_pl: Vector3<f64>,
    pub information_ll: f64,
}

impl Evaluation {
    fn zero() -> Self {
        Self {
            value: 0.0,
            gradient_p: Vector3::zeros(),
            gradient_l: 0.0,
            curvature_pp: Matrix3::zeros(),
            curvature_pl: Vector3::zeros(),
            curvature_ll: 0.0,
            information_pp: Matrix3::zeros(),
            information_pl: Vector3::zeros(),
            information_ll: 0.0,
        }
    }

    /// Information on the place once the level is marginalised: the Schur complement of the level.
    pub fn place_information(&self, level_free: bool) -> Matrix3<f64> {
        if level_free && self.information_ll > 0.0 {
            self.information_pp - self.information_pl * self.information_pl.transpose() / self.information_ll
        } else {
            self.information_pp
        }
    }
}

/// One instant's readings under a setup.
#[derive(Clone, Copy)]
pub(super) struct Objective<'a> {
    pub setup: &'a Setup,
    pub options: &'a FixOptions,
    pub spread_db: f64,
    pub readings: &'a [Reading],
}

impl Objective<'_> {
    /// Whether the level is one of the unknowns.
    pub fn level_free(&self) -> bool {
        matches!(self.options.level, Level::Unknown { .. })
    }

    /// The objective with its derivatives. Symmetric matrices are accumulated in their lower triangle only.
    pub fn evaluate(&self, at: &Candidate) -> Evaluation {
        let mut sum = Evaluation::zero();
        let emitted_dbm = self.setup.transmitter.power_dbm() + at.level_db;
        for (site, &reading) in self.setup.layout.sites().iter().zip(self.readings) {
            if matches!(reading, Reading::Missing) {
                continue;
            }
            let (loss_db, loss_gradient) = self.setup.law.loss_and_gradient(&at.position_mm, &site.position_mm);
            let predicted_dbm = emitted_dbm + site.gain_db - loss_db;
            let Some(term) = term(reading, predicted_dbm, self.spread_db, self.options.loss) else {
                continue;
            };
            sum.value += term.value;
            // The predicted level falls as the loss grows.
            sum.gradient_p -= loss_gradient * term.gradient;
            sum.gradient_l += term.gradient;
            add_outer(&mut sum.curvature_pp, &loss_gradient, term.curvature);
            sum.curvature_pl -= loss_gradient * term.curvature;
            sum.curvature_ll += term.curvature;
            add_outer(&mut sum.information_pp, &loss_gradient, term.information);
            sum.information_pl -= loss_gradient * term.information;
            sum.information_ll += term.information;
        }
        self.add_priors(at, &mut sum);
        mirror(&mut sum.curvature_pp);
        mirror(&mut sum.information_pp);
        sum
    }

    fn add_priors(&self, at: &Candidate, sum: &mut Evaluation) {
        if let Some(prior) = &self.options.prior {
            let offset = at.position_mm - prior.mean_mm;
            let pull = prior.information_per_mm2 * offset;
            sum.value += 0.5 * offset.dot(&pull);
            sum.gradient_p += pull;
            sum.curvature_pp += prior.information_per_mm2;
            sum.information_pp += prior.information_per_mm2;
        }
        if let Level::Unknown {
            prior_db: Some(prior_db),
        } = self.options.level
        {
            let information = 1.0 / (prior_db * prior_db);
            sum.value += 0.5 * at.level_db * at.level_db * information;
            sum.gradient_l += at.level_db * information;
            sum.curvature_ll += information;
            sum.information_ll += information;
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

/// Copies the lower triangle to the upper.
#[inline]
fn mirror(matrix: &mut Matrix3<f64>) {
    matrix[(0, 1)] = matrix[(1, 0)];
    matrix[(0, 2)] = matrix[(2, 0)];
    matrix[(1, 2)] = matrix[(2, 1)];
}
