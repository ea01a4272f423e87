//! Whether a law is adequate: does it bend as the readings do, over the distances that were surveyed?
//!
//! The law is fitted again with bends: the powers up to the third of the logarithm of distance, with what levels and
//! law already explain taken off (those of which nothing is left are dropped). Each bend is scaled to a root mean
//! square of 1 over the readings, so that
//!
//! ```text
//! D = √Σ b_k²,   D_high = D + t √λ,   F = bᵀ V⁻¹ b / m
//! b_k size of a bend, dB; D root-mean-square departure from the law; V covariance of b with what readings share; λ its
//! greatest eigenvalue; m number of bends; t Student's for 95 %
//! ```
//!
//! # The rule
//!
//! A departure is tolerable up to half of the spread: it then adds at most an eighth to the spread of a reading, as
//! √(1 + ¼) = 1.12 (common practice, no source).
//!
//! | | D_high tolerable | D_high more than tolerable |
//! | --- | --- | --- |
//! | P(F) ≥ 0.01 | adequate | cannot tell |
//! | P(F) < 0.01 | adequate | not adequate |
//!
//! Departure is measured against what neighbouring places share, not against the noise of one place read again: static
//! shadowing makes every law miss single places, and is no fault of the law.

use nalgebra::{DMatrix, DVector};

use super::laws::MISS;
use super::likelihood::{Design, Fitted};
use super::sharing::{self, Robust};
use crate::student::{f_tail, two_sided_point};
use crate::torso::Position;

/// Departures that chance gives less often are real.
const SIGNIFICANT: f64 = 0.01;
/// Tolerable departure in units of the spread.
const TOLERABLE: f64 = 0.5;
/// Powers of the logarithm of distance.
const POWERS: i32 = 3;
/// A bend of which less is left is no bend of its own.
const LEAST_LEFT: f64 = 1e-3;

/// Whether a law does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It departs from the readings by no more than is tolerable.
    Adequate,
    /// It departs by more, and not by chance.
    NotAdequate,
    /// The readings do not tell.
    CannotTell,
}

impl Verdict {
    /// In plain words.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Adequate => "adequate",
            Self::NotAdequate => "not adequate",
            Self::CannotTell => "cannot tell",
        }
    }
}

/// How far a law departs from the readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Adequacy {
    /// By the rule of this module.
    pub verdict: Verdict,
    /// Root-mean-square departure over the readings, dB; `None` where no bend could be fitted.
    pub departure_db: Option<f64>,
    /// The most that it may be, dB.
    pub departure_high_db: Option<f64>,
    /// The most that is tolerable, dB.
    pub tolerable_db: f64,
    /// Probability of such a departure, or a greater one, were the law right.
    pub probability: Option<f64>,
}

/// A law with bends.
pub(super) struct Bends {
    sizes_db: DVector<f64>,
    robust: Robust,
    /// How many bends there are.
    bends: usize,
    /// Slopes of the law and bends.
    pub slopes: usize,
}

impl Bends {
    /// Fits the law with bends; `None` where there are none left or they cannot be fitted.
    pub fn fit(design: &Design<'_>, places_mm: &[Position]) -> Option<Self> {
        let bends = bend_columns(design);
        let (own, added) = (design.slopes(), bends.ncols());
        if added == 0 {
            return None;
        }
        let mut columns = design.columns.clone().resize_horizontally(own + added, 0.0);
        columns.columns_mut(own, added).copy_from(&bends);
        let bent = Design::new(design.sample, columns);
        let fitted: Fitted = bent.fit().ok()?;
        let robust = sharing::robust(&bent, &fitted, places_mm).ok()?;
        Some(Self {
            sizes_db: DVector::from_fn(added, |k, _| fitted.slopes[own + k].value),
            robust,
            bends: added,
            slopes: own + added,
        })
    }

    /// Mean of the factors by which the variances of slopes and bends grow through what readings share.
    pub fn inflation(&self) -> f64 {
        let unknowns = self.robust.covariance.nrows();
        let from = unknowns - 1 - self.slopes;
        let block = |of: &DMatrix<f64>| of.view((from, from), (self.slopes, self.slopes)).into_owned();
        let independent = block(&self.robust.independent).cholesky();
        independent.map_or(1.0, |independent| {
            independent.solve(&block(&self.robust.covariance)).trace() / self.slopes as f64
        })
    }

    fn covariance(&self) -> DMatrix<f64> {
        let from = self.robust.covariance.nrows() - 1 - self.bends;
        let block = self.robust.covariance.view((from, from), (self.bends, self.bends));
        block.into_owned()
    }
}

/// Powers of the logarithm of distance, with levels and the law's own columns taken off, of root mean square 1.
fn bend_columns(design: &Design<'_>) -> DMatrix<f64> {
    let sample = design.sample;
    let readings = sample.points.len();
    let mean = sample.points.iter().map(|point| point.x_db).sum::<f64>() / readings as f64;
    let square = sample
        .points
        .iter()
        .map(|point| (point.x_db - mean).powi(2))
        .sum::<f64>()
        / readings as f64;
    let spread = square.sqrt().max(f64::MIN_POSITIVE);
    let power = |power: i32| {
        let scaled = sample
            .points
            .iter()
            .map(|point| ((point.x_db - mean) / spread).powi(power));
        DVector::from_iterator(readings, scaled)
    };
    let root = (readings as f64).sqrt();
    let mut taken: Vec<DVector<f64>> = Vec::new();
    let mut bends: Vec<DVector<f64>> = Vec::new();
    let own = design.columns.column_iter().map(|column| (column.into_owned(), false));
    for (column, is_bend) in own.chain((1..=POWERS).map(|k| (power(k), true))) {
        let whole = column.norm();
        let mut rest = column;
        // Twice, as rounding leaves a share of what was taken off first.
        for _ in 0..2 {
            less_levels(design, &mut rest);
            for unit in &taken {
                let share = unit.dot(&rest);
                rest.axpy(-share, unit, 1.0);
            }
        }
        let left = rest.norm();
        if left <= LEAST_LEFT * whole || left == 0.0 {
            continue;
        }
        let unit = rest / left;
        if is_bend {
            bends.push(&unit * root);
        }
        taken.push(unit);
    }
    if bends.is_empty() {
        return DMatrix::zeros(readings, 0);
    }
    DMatrix::from_columns(&bends)
}

fn less_levels(design: &Design<'_>, column: &mut DVector<f64>) {
    let sample = design.sample;
    let (mut sums, mut counts) = (vec![0.0; sample.groups], vec![0.0_f64; sample.groups]);
    for (value, point) in column.iter().zip(&sample.points) {
        sums[point.group] += value;
        counts[point.group] += 1.0;
    }
    for (value, point) in column.iter_mut().zip(&sample.points) {
        *value -= sums[point.group] / counts[point.group];
    }
}

/// Judges a law by its bends.
pub(super) fn judge(bends: Option<&Bends>, of_law: &Robust) -> Adequacy {
    // Of a law that departs, the spread holds the departure too; that of the law with bends does not.
    let spread_db = bends.map_or(of_law.spread_db, |bends| bends.robust.spread_db);
    let tolerable_db = TOLERABLE * spread_db;
    let unknown = Adequacy {
        verdict: Verdict::CannotTell,
        departure_db: None,
        departure_high_db: None,
        tolerable_db,
        probability: None,
    };
    let Some(bends) = bends else {
        return unknown;
    };
    let covariance = bends.covariance();
    let widest = covariance.symmetric_eigenvalues().max().max(0.0).sqrt();
    let Some(factor) = covariance.cholesky() else {
        return unknown;
    };
    let freedom = bends.robust.freedom;
    let terms = bends.bends as f64;
    let probability = f_tail(
        bends.sizes_db.dot(&factor.solve(&bends.sizes_db)) / terms,
        terms,
        freedom,
    );
    let departure_db = bends.sizes_db.norm();
    let departure_high_db = departure_db + two_sided_point(MISS, freedom) * widest;
    Adequacy {
        verdict: match (departure_high_db <= tolerable_db, probability < SIGNIFICANT) {
            (true, _) => Verdict::Adequate,
            (false, true) => Verdict::NotAdequate,
            (false, false) => Verdict::CannotTell,
        },
        departure_db: Some(departure_db),
        departure_high_db: Some(departure_high_db),
        tolerable_db,
        probability: Some(probability),
    }
}
