//! The objective of a fix: the negative log-likelihood of one instant's readings by place and level offset.

use nalgebra::{Matrix3, Vector3};

use super::likelihood::{Term, term};
use super::options::{FixOptions, Level};
use super::region::Region;
use super::search::Scale;
use crate::propagation::{LANES, NEAREST_MM, Propagation};
use crate::recording::Reading;
use crate::setup::Setup;
use crate::torso::Position;

/// Place and level offset: the unknowns of a fix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Candidate {
    pub position_mm: Position,
    pub level_db: f64,
}

/// A symmetric matrix of three rows: its lower triangle, row by row.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Symmetric {
    pub xx: f64,
    pub yx: f64,
    pub yy: f64,
    pub zx: f64,
    pub zy: f64,
    pub zz: f64,
}

impl Symmetric {
    /// Adds `weight · v vᵀ`.
    #[inline(always)]
    pub fn add_outer(&mut self, v: &Vector3<f64>, weight: f64) {
        let scaled = v * weight;
        self.xx += scaled.x * v.x;
        self.yx += scaled.y * v.x;
        self.yy += scaled.y * v.y;
        self.zx += scaled.z * v.x;
        self.zy += scaled.z * v.y;
        self.zz += scaled.z * v.z;
    }

    /// Adds to the diagonal.
    #[inline(always)]
    pub fn add_diagonal(&mut self, of: &Vector3<f64>) {
        self.xx += of.x;
        self.yy += of.y;
        self.zz += of.z;
    }

    /// Adds a symmetric matrix, of which it reads the lower triangle.
    fn add(&mut self, matrix: &Matrix3<f64>) {
        self.xx += matrix[(0, 0)];
        self.yx += matrix[(1, 0)];
        self.yy += matrix[(1, 1)];
        self.zx += matrix[(2, 0)];
        self.zy += matrix[(2, 1)];
        self.zz += matrix[(2, 2)];
    }

    pub fn diagonal(&self) -> Vector3<f64> {
        Vector3::new(self.xx, self.yy, self.zz)
    }

    fn full(&self) -> Matrix3<f64> {
        Matrix3::new(
            self.xx, self.yx, self.zx, self.yx, self.yy, self.zy, self.zx, self.zy, self.zz,
        )
    }

    /// The solution of `self · x = b` by L D Lᵀ; `None` unless the matrix is positive definite.
    #[inline]
    pub fn solve(&self, b: &Vector3<f64>) -> Option<Vector3<f64>> {
        let inverse_x = 1.0 / self.xx;
        let (l_yx, l_zx) = (self.yx * inverse_x, self.zx * inverse_x);
        let d_y = self.yy - l_yx * self.yx;
        let inverse_y = 1.0 / d_y;
        let below = self.zy - l_zx * self.yx;
        let l_zy = below * inverse_y;
        let d_z = self.zz - l_zx * self.zx - l_zy * below;
        // Written so that a matrix with a NaN is refused too.
        if !(self.xx > 0.0 && d_y > 0.0 && d_z > 0.0) {
            return None;
        }
        let y = b.y - l_yx * b.x;
        let z = (b.z - l_zx * b.x - l_zy * y) / d_z;
        let y = y * inverse_y - l_zy * z;
        Some(Vector3::new(b.x * inverse_x - l_yx * y - l_zx * z, y, z))
    }
}

/// The objective at a candidate with what a step needs. Blocks: p place, l level; the latter zero unless it is free.
#[derive(Debug, Clone, Copy)]
pub(super) struct Evaluation {
    pub value: f64,
    pub gradient_p: Vector3<f64>,
    pub gradient_l: f64,
    pub curvature_pp: Symmetric,
    pub curvature_pl: Vector3<f64>,
    pub curvature_ll: f64,
}

/// One instant's readings under a setup.
#[derive(Clone, Copy)]
pub(super) struct Objective<'a> {
    pub setup: &'a Setup,
    pub options: &'a FixOptions,
    pub region: &'a Region,
    pub scale: &'a Scale,
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
        if self.level_free() {
            self.evaluate_by::<true>(at)
        } else {
            self.evaluate_by::<false>(at)
        }
    }

    #[inline]
    fn evaluate_by<const LEVEL: bool>(&self, at: &Candidate) -> Evaluation {
        let mut sum = Evaluation {
            value: 0.0,
            gradient_p: Vector3::zeros(),
            gradient_l: 0.0,
            curvature_pp: Symmetric::default(),
            curvature_pl: Vector3::zeros(),
            curvature_ll: 0.0,
        };
        let mut across = 0.0;
        self.for_each_term(at, |slope, bend, offset, term| {
            // The predicted level falls as the loss grows: ∇μ = −∇L, ∇²μ = −∇²L.
            sum.value += term.value;
            sum.gradient_p -= offset * (slope * term.gradient);
            let along = slope * slope * term.curvature - bend * term.gradient;
            sum.curvature_pp.add_outer(offset, along);
            across -= slope * term.gradient;
            if LEVEL {
                sum.gradient_l += term.gradient;
                sum.curvature_pl -= offset * (slope * term.curvature);
                sum.curvature_ll += term.curvature;
            }
        });
        sum.curvature_pp.add_diagonal(&Vector3::repeat(across));
        self.add_priors(at, &mut sum);
        if let Some(wall) = self.region.wall(&at.position_mm) {
            sum.value += wall.value;
            sum.gradient_p += wall.gradient;
            sum.curvature_pp.add(&wall.curvature);
        }
        sum
    }

    /// Observed information on the place, 1/mm², the level marginalised by its Schur complement where it is free.
    pub fn information(&self, at: &Candidate) -> Matrix3<f64> {
        let mut place = Symmetric::default();
        let mut cross = Vector3::zeros();
        let mut level = 0.0;
        self.for_each_term(at, |slope, _, offset, term| {
            place.add_outer(offset, slope * slope * term.information);
            cross -= offset * (slope * term.information);
            level += term.information;
        });
        let mut place = place.full();
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

    /// Calls `visit` for each site that reported, with 2 L_q and 4 L_qq of the law there ([`LossesBySquare`]), the way
    /// from site to capsule, mm, and the reading's term.
    #[inline(always)]
    fn for_each_term(&self, at: &Candidate, mut visit: impl FnMut(f64, f64, &Vector3<f64>, &Term)) {
        let emitted_dbm = self.setup.transmitter.power_dbm() + at.level_db;
        let per_spread = 1.0 / self.spread_db;
        let sites = self.setup.layout.sites();
        for (sites, readings) in sites.chunks(LANES).zip(self.readings.chunks(LANES)) {
            let mut squares_mm2 = [1.0; LANES];
            for (square, site) in squares_mm2.iter_mut().zip(sites) {
                let offset = at.position_mm - site.position_mm;
                *square = offset.norm_squared().max(NEAREST_MM * NEAREST_MM);
            }
            let losses = self.setup.law.at_squares(&squares_mm2);
            for (lane, (site, &reading)) in sites.iter().zip(readings).enumerate() {
                let predicted_dbm = emitted_dbm + site.gain_db - losses.loss_db[lane];
                if let Some(term) = term(reading, predicted_dbm, per_spread, self.options.loss) {
                    let (slope, bend) = (2.0 * losses.slope_db_per_mm2[lane], 4.0 * losses.bend_db_per_mm4[lane]);
                    visit(slope, bend, &(at.position_mm - site.position_mm), &term);
                }
            }
        }
    }

    fn add_priors(&self, at: &Candidate, sum: &mut Evaluation) {
        if let Some(prior) = &self.options.prior {
            let offset = at.position_mm - prior.mean_mm;
            let pull = prior.information_per_mm2 * offset;
            sum.value += 0.5 * offset.dot(&pull);
            sum.gradient_p += pull;
            sum.curvature_pp.add(&prior.information_per_mm2);
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_symmetric_system_is_solved_and_an_indefinite_one_refused() {
        let mut matrix = Symmetric::default();
        matrix.add_outer(&Vector3::new(3.0, -1.0, 2.0), 2.0);
        matrix.add_outer(&Vector3::new(0.5, 4.0, 1.0), 1.0);
        matrix.add_diagonal(&Vector3::new(1.0, 2.0, 0.5));
        let x = Vector3::new(-2.0, 0.25, 7.0);
        let found = matrix.solve(&(matrix.full() * x)).unwrap();
        // The condition is near 60: some hundred roundings of 7.
        assert!((found - x).norm() < 1e-12);
        matrix.add_diagonal(&Vector3::new(0.0, 0.0, -20.0));
        assert!(matrix.solve(&x).is_none());
        matrix.xx = f64::NAN;
        assert!(matrix.solve(&x).is_none());
    }
}
