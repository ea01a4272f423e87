//! The most likely law where some readings are known only by a limit.
//!
//! With h = 1/σ, scaled levels a = h p and scaled exponent b = h n, the negative log-likelihood
//!
//! ```text
//! −ln L = Σ_heard [½ (h z − a_s + b x)² − ln h] + Σ_limits −ln Φ(± (h c − a_s + b x))
//! z dBm read, c dBm limit, x = 10 log₁₀(d / d₀); + at the floor, − at the ceiling; Φ standard normal distribution
//! ```
//!
//! is convex in (a, b, h) together, so that it has one minimum. For given b and h each scaled level stands alone in a
//! convex function of one unknown, found by Newton's method. What is left, the least value as a function of b and h, is
//! convex again and goes to the simplex of Nelder and Mead. Standard errors come from the observed information in
//! (a, b, h), carried over to (p, n, σ) by the derivatives of the quotients.
//!
//! # Source
//!
//! R. J. Olsen, *Note on the uniqueness of the maximum likelihood estimator for the Tobit model*, Econometrica 46 (1978),
//! for the change of variables; J. A. Nelder, R. Mead, *A simplex method for function minimization*, Comput. J. 7 (1965).

use argmin::core::{CostFunction, Error, Executor};
use argmin::solver::neldermead::NelderMead;
use nalgebra::{DMatrix, DVector};

use super::sample::{Limit, Point, Sample};
use super::{CalibrationError, Estimate, LeastSquares, Parameters};
use crate::normal::ln_cdf_and_hazard;

/// Corners of the last simplex agree to this for each reading, in units of log-likelihood: rounding of their sum is less.
const SETTLED_PER_READING: f64 = 1e-13;
/// And never closer than this.
const SETTLED: f64 = 1e-10;
const MOST_ITERATIONS: u64 = 1000;
/// An end this far above the minimum is none: 1e-6 of log-likelihood is 0.0014 standard errors.
const FAR_ABOVE: f64 = 1e-6;
/// Readings heard that scatter less than single-precision levels can tell have no spread, dB.
const NO_SPREAD_DB: f64 = 1e-4;

/// Finds the most likely law, starting from the closed form over what was heard.
pub(super) fn refine(sample: &Sample, from: &LeastSquares) -> Result<Parameters, CalibrationError> {
    let spread_db = from.spread_db();
    if spread_db < NO_SPREAD_DB {
        return Err(CalibrationError::NoSpread);
    }
    let profile = Profile::new(sample, from);
    let best = minimise(&profile, from.exponent / spread_db, 1.0 / spread_db)
        .ok_or(CalibrationError::NotSettled { above: f64::INFINITY })?;
    let scaled = Scaled {
        levels: profile.levels(best[0], best[1]),
        exponent: best[0],
        inverse_spread: best[1],
    };
    describe(sample, &scaled)
}

/// The simplex search over scaled exponent and inverse spread.
fn minimise(profile: &Profile<'_>, exponent: f64, inverse_spread: f64) -> Option<Vec<f64>> {
    // Censoring hides spread and slope: both are likelier larger than what was heard says.
    let tilt = 0.2 * exponent.abs().max(0.1 * inverse_spread);
    let simplex = vec![
        vec![exponent, inverse_spread],
        vec![exponent + tilt, inverse_spread],
        vec![exponent, 0.8 * inverse_spread],
    ];
    let readings = profile.sample.heard.len() + profile.sample.limits.len();
    let tolerance = SETTLED.max(SETTLED_PER_READING * readings as f64);
    let solver = NelderMead::new(simplex).with_sd_tolerance(tolerance).ok()?;
    let outcome = Executor::new(profile.clone(), solver)
        .configure(|state| state.max_iters(MOST_ITERATIONS))
        .timer(false)
        .run()
        .ok()?;
    outcome.state.best_param
}

/// Levels, exponent and one, each in units of the spread.
struct Scaled {
    levels: Vec<f64>,
    exponent: f64,
    inverse_spread: f64,
}

/// The least negative log-likelihood for an exponent and a spread, over all levels.
#[derive(Clone)]
struct Profile<'a> {
    sample: &'a Sample,
    from: &'a LeastSquares,
    /// Limits by the level they share.
    limits: Vec<Vec<Limit>>,
}

impl CostFunction for Profile<'_> {
    type Param = Vec<f64>;
    type Output = f64;

    fn cost(&self, parameters: &Vec<f64>) -> Result<f64, Error> {
        let (b, h) = (parameters[0], parameters[1]);
        if h <= 0.0 {
            return Ok(f64::MAX);
        }
        let levels = self.levels(b, h);
        let misfit = |point: &Point| h * point.level_dbm - levels[point.group] + b * point.x_db;
        let heard = self.sample.heard.iter().map(|point| 0.5 * misfit(point).powi(2));
        let limits = self.sample.limits.iter();
        let limits = limits.map(|limit| -ln_cdf_and_hazard(limit.side * misfit(&limit.at)).0);
        Ok(heard.sum::<f64>() + limits.sum::<f64>() - self.sample.heard.len() as f64 * h.ln())
    }
}

impl<'a> Profile<'a> {
    fn new(sample: &'a Sample, from: &'a LeastSquares) -> Self {
        let mut limits = vec![Vec::new(); sample.groups];
        for limit in &sample.limits {
            limits[limit.at.group].push(*limit);
        }
        Self { sample, from, limits }
    }

    fn levels(&self, b: f64, h: f64) -> Vec<f64> {
        (0..self.sample.groups).map(|group| self.level(group, b, h)).collect()
    }

    /// The scaled level of one group that fits best: the zero of the derivative of its convex part.
    ///
    /// The derivative's slope is at least the number of readings heard, which brackets the zero from their mean on.
    /// Newton's steps that leave the bracket are replaced by halving it.
    fn level(&self, group: usize, b: f64, h: f64) -> f64 {
        const MOST_STEPS: usize = 100;
        let heard = self.from.counts[group];
        let mean_z_dbm = self.from.levels_dbm[group] - self.from.exponent * self.from.mean_x_db[group];
        let mean = h * mean_z_dbm + b * self.from.mean_x_db[group];
        let derivative = |level: f64| {
            let mut sum = (heard * (level - mean), heard);
            for limit in &self.limits[group] {
                let u = limit.side * (h * limit.at.level_dbm - level + b * limit.at.x_db);
                let (_, hazard) = ln_cdf_and_hazard(u);
                sum.0 += limit.side * hazard;
                sum.1 += (hazard * (hazard + u)).max(0.0);
            }
            sum
        };
        let mut level = mean;
        let (mut slope, mut bend) = derivative(level);
        let far = mean - slope / heard;
        let (mut low, mut high) = (far.min(mean), far.max(mean));
        for _ in 0..MOST_STEPS {
            let newton = level - slope / bend;
            let next = if newton >= low && newton <= high {
                newton
            } else {
                0.5 * (low + high)
            };
            let step = (next - level).abs();
            level = next;
            if step <= 1e-13 * (1.0 + level.abs()) {
                break;
            }
            (slope, bend) = derivative(level);
            if slope > 0.0 {
                high = level;
            } else {
                low = level;
            }
        }
        level
    }
}

/// Checks that the end is a minimum and states it with standard errors.
fn describe(sample: &Sample, found: &Scaled) -> Result<Parameters, CalibrationError> {
    let (gradient, information) = derivatives(sample, found);
    let unsettled = |above| CalibrationError::NotSettled { above };
    let factor = information.cholesky().ok_or(unsettled(f64::INFINITY))?;
    let above = 0.5 * gradient.dot(&factor.solve(&gradient));
    if above.is_nan() || above > FAR_ABOVE {
        return Err(unsettled(above));
    }
    let (groups, h) = (sample.groups, found.inverse_spread);
    // Rows: levels p = a / h, exponent n = b / h, spread σ = 1 / h.
    let mut jacobian = DMatrix::identity(groups + 2, groups + 2) / h;
    for (row, a) in found.levels.iter().chain([&found.exponent]).enumerate() {
        jacobian[(row, groups + 1)] = -a / (h * h);
    }
    jacobian[(groups + 1, groups + 1)] = -1.0 / (h * h);
    let covariance = &jacobian * factor.inverse() * jacobian.transpose();
    let estimate = |row: usize, value: f64| Estimate {
        value,
        standard_error: covariance[(row, row)].max(0.0).sqrt(),
    };
    let levels = found.levels.iter().enumerate();
    Ok(Parameters {
        levels_dbm: levels.map(|(group, a)| estimate(group, a / h)).collect(),
        exponent: estimate(groups, found.exponent / h),
        spread_db: estimate(groups + 1, 1.0 / h),
    })
}

/// Gradient and second derivatives of the negative log-likelihood by (a, b, h).
fn derivatives(sample: &Sample, at: &Scaled) -> (DVector<f64>, DMatrix<f64>) {
    let (groups, h) = (sample.groups, at.inverse_spread);
    let mut gradient = DVector::zeros(groups + 2);
    let mut information = DMatrix::zeros(groups + 2, groups + 2);
    let mut add = |point: &Point, slope_and_bend: &dyn Fn(f64) -> (f64, f64)| {
        let entries = [(point.group, -1.0), (groups, point.x_db), (groups + 1, point.level_dbm)];
        let misfit = h * point.level_dbm - at.levels[point.group] + at.exponent * point.x_db;
        let (slope, bend) = slope_and_bend(misfit);
        for (row, by_row) in entries {
            gradient[row] += slope * by_row;
            for (column, by_column) in entries {
                information[(row, column)] += bend * by_row * by_column;
            }
        }
    };
    for point in &sample.heard {
        add(point, &|misfit| (misfit, 1.0));
    }
    for limit in &sample.limits {
        add(&limit.at, &|misfit| {
            let u = limit.side * misfit;
            let (_, hazard) = ln_cdf_and_hazard(u);
            (-limit.side * hazard, (hazard * (hazard + u)).max(0.0))
        });
    }
    let heard = sample.heard.len() as f64;
    gradient[groups + 1] -= heard / h;
    information[(groups + 1, groups + 1)] += heard / (h * h);
    (gradient, information)
}
