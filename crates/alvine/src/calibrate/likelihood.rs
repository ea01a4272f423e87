//! The most likely law: levels, slopes and spread, where some readings may be known only by a limit.
//!
//! ```text
//! μ_i = p_s + Σ β_k r_ik
//! p_s level of the reading's group, dBm; β_k slopes; r_ik what the law makes of the distance (−10 log₁₀(d/d₀), …)
//! ```
//!
//! Where every reading was heard, levels and slopes are linear least squares. Else, with h = 1/σ, scaled levels a = h p
//! and scaled slopes b = h β, the negative log-likelihood
//!
//! ```text
//! −ln L = Σ_heard [½ (h z − a_s − Σ b_k r_k)² − ln h + ½ ln 2π] + Σ_limits −ln Φ(± (h c − a_s − Σ b_k r_k))
//! z dBm read, c dBm limit; + at the floor, − at the ceiling; Φ standard normal distribution
//! ```
//!
//! is convex in (a, b, h) together, so that it has one minimum, and Newton's steps, shortened where they overshoot,
//! lead there.
//!
//! # Source
//!
//! J. Tobin, *Estimation of relationships for limited dependent variables*, Econometrica 26 (1958); R. J. Olsen, *Note
//! on the uniqueness of the maximum likelihood estimator for the Tobit model*, Econometrica 46 (1978), for the change
//! of variables.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::sample::{Known, Sample};
use super::{CalibrationError, Estimate};
use crate::normal::ln_cdf_and_hazard;

/// An end this far above the minimum is none: 1e-6 of log-likelihood is 0.0014 standard errors.
const FAR_ABOVE: f64 = 1e-6;
/// The search stops once the quadratic model puts the minimum this close.
const SETTLED: f64 = 1e-12;
const MOST_STEPS: usize = 200;
/// Readings heard that scatter less than single-precision levels can tell have no spread, dB.
pub(super) const NO_SPREAD_DB: f64 = 1e-4;
/// The least that what a slope multiplies may spread about its groups' means, beyond what the slopes before it explain:
/// of decibels of distance a hundredth is a quarter of a per cent of distance.
const LEAST_SPREAD: f64 = 0.01;
/// `½ ln 2π`.
const HALF_LN_TAU: f64 = 0.918_938_533_204_672_8;

/// What a law makes of the readings' distances: one row a reading, one column a slope.
#[derive(Debug, Clone)]
pub(super) struct Design<'a> {
    pub sample: &'a Sample,
    pub columns: DMatrix<f64>,
}

/// Levels, slopes and spread with standard errors as if readings erred independently.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fitted {
    pub levels_dbm: Vec<Estimate>,
    pub slopes: Vec<Estimate>,
    /// From residuals per degree of freedom where all readings were heard, else the most likely value.
    pub spread_db: Estimate,
    /// The most likely spread, dB: of residuals per reading where all were heard.
    pub likely_spread_db: f64,
    pub ln_likelihood: f64,
}

impl<'a> Design<'a> {
    pub fn new(sample: &'a Sample, columns: DMatrix<f64>) -> Self {
        Self { sample, columns }
    }

    pub fn slopes(&self) -> usize {
        self.columns.ncols()
    }

    /// Levels, slopes, and the spread.
    pub fn unknowns(&self) -> usize {
        self.sample.groups + self.slopes() + 1
    }

    /// The most likely law.
    pub fn fit(&self) -> Result<Fitted, CalibrationError> {
        let least_squares = LeastSquares::of(self)?;
        if self.sample.censored() == 0 {
            return Ok(least_squares.fitted());
        }
        self.refine(&least_squares)
    }

    /// What a law says of a reading, dBm.
    pub fn median_dbm(&self, reading: usize, fitted: &Fitted) -> f64 {
        let slopes = fitted.slopes.iter().enumerate();
        let along: f64 = slopes.map(|(k, slope)| slope.value * self.columns[(reading, k)]).sum();
        fitted.levels_dbm[self.sample.points[reading].group].value + along
    }

    /// Newton's method in (a, b, h) from the closed form over what was heard.
    fn refine(&self, from: &LeastSquares) -> Result<Fitted, CalibrationError> {
        let spread_db = from.spread_db();
        if spread_db < NO_SPREAD_DB {
            return Err(CalibrationError::NoSpread);
        }
        let levels_and_slopes = from.levels_dbm.iter().chain(from.slopes.iter());
        let scaled = levels_and_slopes.chain([&1.0]).map(|value| value / spread_db);
        let mut at = DVector::from_iterator(self.unknowns(), scaled);
        let mut value = self.value(&at);
        for _ in 0..MOST_STEPS {
            let (gradient, information) = self.derivatives(&at);
            let Some(factor) = information.cholesky() else {
                break;
            };
            let step = factor.solve(&gradient);
            let above = 0.5 * gradient.dot(&step);
            if above <= SETTLED {
                return Ok(self.describe(&at, &factor, value));
            }
            match self.descend(&at, &step, value, above) {
                Some((next, least)) => (at, value) = (next, least),
                // No shorter step leads down: rounding ends the search, close to the minimum or not.
                None if above <= FAR_ABOVE => return Ok(self.describe(&at, &factor, value)),
                None => return Err(CalibrationError::NotSettled { above }),
            }
        }
        Err(CalibrationError::NotSettled { above: f64::INFINITY })
    }

    /// The longest of a step, its half, its quarter and so on that lowers the value by a tenth of what the slope
    /// promises.
    fn descend(&self, at: &DVector<f64>, step: &DVector<f64>, value: f64, above: f64) -> Option<(DVector<f64>, f64)> {
        (0..40).map(|halvings| 0.5_f64.powi(halvings)).find_map(|share| {
            let next = at - step * share;
            let least = self.value(&next);
            (least <= value - 0.2 * share * above).then_some((next, least))
        })
    }

    /// The negative log-likelihood; infinite outside h > 0.
    fn value(&self, at: &DVector<f64>) -> f64 {
        let h = at[self.unknowns() - 1];
        if h <= 0.0 {
            return f64::INFINITY;
        }
        let points = self.sample.points.iter().enumerate();
        points
            .map(|(reading, point)| {
                let misfit = self.misfit(reading, at);
                match point.known {
                    Known::Heard => 0.5 * misfit * misfit - h.ln() + HALF_LN_TAU,
                    known => -ln_cdf_and_hazard(known.side() * misfit).0,
                }
            })
            .sum()
    }

    /// `h z − a_s − Σ b_k r_k`.
    fn misfit(&self, reading: usize, at: &DVector<f64>) -> f64 {
        let point = &self.sample.points[reading];
        let along: f64 = (0..self.slopes())
            .map(|k| at[self.sample.groups + k] * self.columns[(reading, k)])
            .sum();
        at[self.unknowns() - 1] * point.level_dbm - at[point.group] - along
    }

    /// Gradient and second derivatives of the negative log-likelihood by (a, b, h).
    fn derivatives(&self, at: &DVector<f64>) -> (DVector<f64>, DMatrix<f64>) {
        let (groups, last) = (self.sample.groups, self.unknowns() - 1);
        let h = at[last];
        let mut gradient = DVector::zeros(self.unknowns());
        let mut information = DMatrix::zeros(self.unknowns(), self.unknowns());
        let mut entries = vec![(0, 0.0); self.slopes() + 2];
        for (reading, point) in self.sample.points.iter().enumerate() {
            entries[0] = (point.group, -1.0);
            for k in 0..self.slopes() {
                entries[k + 1] = (groups + k, -self.columns[(reading, k)]);
            }
            entries[self.slopes() + 1] = (last, point.level_dbm);
            let misfit = self.misfit(reading, at);
            let (slope, bend) = match point.known {
                Known::Heard => (misfit, 1.0),
                known => {
                    let u = known.side() * misfit;
                    let (_, hazard) = ln_cdf_and_hazard(u);
                    (-known.side() * hazard, (hazard * (hazard + u)).max(0.0))
                }
            };
            for &(row, by_row) in &entries {
                gradient[row] += slope * by_row;
                for &(column, by_column) in &entries {
                    information[(row, column)] += bend * by_row * by_column;
                }
            }
        }
        let heard = self.sample.heard as f64;
        gradient[last] -= heard / h;
        information[(last, last)] += heard / (h * h);
        (gradient, information)
    }

    /// States the end with standard errors from the observed information, carried over from (a, b, h) to (p, β, σ) by
    /// the derivatives of the quotients.
    fn describe(&self, at: &DVector<f64>, factor: &Cholesky<f64, Dyn>, value: f64) -> Fitted {
        let last = self.unknowns() - 1;
        let h = at[last];
        let mut jacobian = DMatrix::identity(last + 1, last + 1) / h;
        for row in 0..last {
            jacobian[(row, last)] = -at[row] / (h * h);
        }
        jacobian[(last, last)] = -1.0 / (h * h);
        let covariance = &jacobian * factor.inverse() * jacobian.transpose();
        let estimate = |row: usize, value: f64| Estimate {
            value,
            standard_error: covariance[(row, row)].max(0.0).sqrt(),
        };
        let groups = self.sample.groups;
        Fitted {
            levels_dbm: (0..groups).map(|group| estimate(group, at[group] / h)).collect(),
            slopes: (groups..last).map(|row| estimate(row, at[row] / h)).collect(),
            spread_db: estimate(last, 1.0 / h),
            likely_spread_db: 1.0 / h,
            ln_likelihood: -value,
        }
    }
}

/// The closed form over what was heard.
///
/// ```text
/// β = S⁻¹ Σ (r − r̄_s)(z − z̄_s),   p_s = z̄_s − βᵀ r̄_s,   σ² = Σ e² / (N − unknowns),   S = Σ (r − r̄_s)(r − r̄_s)ᵀ
/// cov β = σ² S⁻¹,   var p_s = σ² (1/N_s + r̄_sᵀ S⁻¹ r̄_s)
/// ```
///
/// Linear least squares over groups: any text on the analysis of covariance.
#[derive(Debug, Clone, PartialEq)]
struct LeastSquares {
    heard: f64,
    counts: Vec<f64>,
    means: DMatrix<f64>,
    levels_dbm: Vec<f64>,
    slopes: DVector<f64>,
    inverse_scatter: DMatrix<f64>,
    residual_squares: f64,
    freedom: f64,
}

impl LeastSquares {
    fn of(design: &Design<'_>) -> Result<Self, CalibrationError> {
        let sample = design.sample;
        let (heard, unknowns, slopes) = (sample.heard, design.unknowns() - 1, design.slopes());
        if heard <= unknowns {
            return Err(CalibrationError::TooFewReadings { heard, unknowns });
        }
        let readings = || {
            let points = sample.points.iter().enumerate();
            points.filter(|(_, point)| point.known == Known::Heard)
        };
        let mut counts = vec![0.0; sample.groups];
        let mut mean_z_dbm = vec![0.0; sample.groups];
        let mut means = DMatrix::zeros(sample.groups, slopes);
        for (reading, point) in readings() {
            counts[point.group] += 1.0;
            mean_z_dbm[point.group] += point.level_dbm;
            let mut mean = means.row_mut(point.group);
            mean += design.columns.row(reading);
        }
        for (group, count) in counts.iter().enumerate() {
            mean_z_dbm[group] /= count;
            means.row_mut(group).unscale_mut(*count);
        }
        let mut centred = DMatrix::zeros(heard, slopes);
        let mut levels_dbm = DVector::zeros(heard);
        for (row, (reading, point)) in readings().enumerate() {
            centred.set_row(row, &(design.columns.row(reading) - means.row(point.group)));
            levels_dbm[row] = point.level_dbm - mean_z_dbm[point.group];
        }
        check_spread(&centred)?;
        let one_distance = CalibrationError::OneDistance { spread_db: 0.0 };
        let scatter = (centred.transpose() * &centred).cholesky().ok_or(one_distance)?;
        let slopes = scatter.solve(&(centred.transpose() * &levels_dbm));
        let residuals = levels_dbm - &centred * &slopes;
        let levels_dbm = mean_z_dbm.iter().enumerate();
        Ok(Self {
            heard: heard as f64,
            counts,
            levels_dbm: levels_dbm
                .map(|(group, mean)| mean - (means.row(group) * &slopes)[0])
                .collect(),
            means,
            slopes,
            inverse_scatter: scatter.inverse(),
            residual_squares: residuals.norm_squared(),
            freedom: (heard - unknowns) as f64,
        })
    }

    fn spread_db(&self) -> f64 {
        (self.residual_squares / self.freedom).sqrt()
    }

    fn fitted(&self) -> Fitted {
        let spread_db = self.spread_db();
        let levels = self.levels_dbm.iter().enumerate();
        let slopes = self.slopes.iter().enumerate();
        let likely_spread_db = (self.residual_squares / self.heard).sqrt();
        Fitted {
            levels_dbm: levels
                .map(|(group, &value)| {
                    let mean = self.means.row(group);
                    let lever = (mean * &self.inverse_scatter * mean.transpose())[0];
                    Estimate {
                        value,
                        standard_error: spread_db * (1.0 / self.counts[group] + lever).sqrt(),
                    }
                })
                .collect(),
            slopes: slopes
                .map(|(k, &value)| Estimate {
                    value,
                    standard_error: spread_db * self.inverse_scatter[(k, k)].sqrt(),
                })
                .collect(),
            // The standard deviation of √(χ²_f / f) is near 1 / √(2 f).
            spread_db: Estimate {
                value: spread_db,
                standard_error: spread_db / (2.0 * self.freedom).sqrt(),
            },
            likely_spread_db,
            ln_likelihood: -self.heard * (likely_spread_db.ln() + 0.5 + HALF_LN_TAU),
        }
    }
}

/// Each column must spread about its groups' means by itself, beyond what the columns before it explain (Gram and
/// Schmidt).
fn check_spread(centred: &DMatrix<f64>) -> Result<(), CalibrationError> {
    let root = (centred.nrows() as f64).sqrt();
    let mut units: Vec<DVector<f64>> = Vec::new();
    for column in centred.column_iter() {
        let mut rest = column.into_owned();
        for unit in &units {
            let share = unit.dot(&rest);
            rest.axpy(-share, unit, 1.0);
        }
        let length = rest.norm();
        let spread_db = length / root;
        if spread_db < LEAST_SPREAD {
            return Err(CalibrationError::OneDistance { spread_db });
        }
        units.push(rest / length);
    }
    Ok(())
}
