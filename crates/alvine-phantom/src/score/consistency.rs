//! Whether a covariance says honestly how large the errors are, and how much one recording can tell of that.
//!
//! ```text
//! e = x̂ − x,   NEES = eᵀ C⁻¹ e,   E NEES = 3 where C is right
//! x̂ mm estimated, x mm true, C mm² covariance
//! ```
//!
//! For Gaussian errors NEES is χ² of three degrees of freedom, so that the share of points inside the 50, 90 and 95 %
//! ellipsoids should be that much. Errors of neighbouring instants are alike, and n of them are worth only
//!
//! ```text
//! nₑ = n / (1 + 2 Σₖ ρₖ)
//! ρₖ correlation of NEES k instants apart, summed by trapezoids over k = 1, 2, 4, … until it is below 0.05
//! ```
//!
//! independent ones. Where C is right, the mean of NEES lies in 95 of 100 recordings between the 2.5 and 97.5 % points of
//! χ² of 3 nₑ degrees of freedom, divided by nₑ (Wilson and Hilferty's approximation). What makes NEES alike also makes nₑ
//! itself uncertain: the interval is context, not a test.

/// χ² of three degrees of freedom: its 50, 90 and 95 % points (tables of the distribution).
const CHI_SQUARED_3: [f64; 3] = [2.365_974, 6.251_389, 7.814_728];
/// The standard normal's 97.5 % point.
const NORMAL_975: f64 = 1.959_964;
/// Correlation below this is taken for none.
const UNCORRELATED: f64 = 0.05;

/// How well a covariance fits the errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Consistency {
    /// How many errors were compared.
    pub count: usize,
    /// How many independent ones they are worth, 1 to `count`.
    pub effective: f64,
    /// Mean normalised squared error, 3 where the covariance is right; more where it promises too much.
    pub nees_mean: f64,
    /// Where that mean lies in 95 of 100 such recordings if the covariance is right.
    pub nees_interval95: [f64; 2],
    /// Share of points inside their 50 % ellipsoid.
    pub inside_50: f64,
    /// Share of points inside their 90 % ellipsoid.
    pub inside_90: f64,
    /// Share of points inside their 95 % ellipsoid.
    pub inside_95: f64,
}

impl Consistency {
    /// Of normalised squared errors in the order of time; `None` of none.
    pub(super) fn of(nees: &[f64]) -> Option<Self> {
        if nees.is_empty() {
            return None;
        }
        let count = nees.len() as f64;
        let share = |limit: f64| nees.iter().filter(|&&value| value <= limit).count() as f64 / count;
        let [inside_50, inside_90, inside_95] = CHI_SQUARED_3.map(share);
        let effective = effective_count(nees);
        Some(Self {
            count: nees.len(),
            effective,
            nees_mean: nees.iter().sum::<f64>() / count,
            nees_interval95: [-NORMAL_975, NORMAL_975].map(|score| chi_squared(3.0 * effective, score) / effective),
            inside_50,
            inside_90,
            inside_95,
        })
    }
}

/// The point of χ² of so many degrees of freedom at a normal score (Wilson and Hilferty 1931).
fn chi_squared(degrees: f64, score: f64) -> f64 {
    let spread = 2.0 / (9.0 * degrees);
    let root = (1.0 - spread + score * spread.sqrt()).max(0.0);
    degrees * root * root * root
}

/// How many independent values a series is worth.
fn effective_count(values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let product = |lag: usize| {
        let pairs = values.iter().zip(&values[lag..]);
        pairs.map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>() / count
    };
    let variance = product(0);
    if variance <= 0.0 {
        return count;
    }
    let (mut sum, mut before) = (0.0, (0.0, 1.0));
    let mut lag = 1;
    while lag < values.len() {
        // Below the limit it is taken for none, and the last trapezoid ends there.
        let correlation = Some(product(lag) / variance)
            .filter(|&found| found >= UNCORRELATED)
            .unwrap_or(0.0);
        // The trapezoid from the last lag to this one, without its first end, which the last one had.
        let (last_lag, last) = before;
        let width = lag as f64 - last_lag;
        sum += 0.5 * (width - 1.0) * last + 0.5 * (width + 1.0) * correlation;
        if correlation == 0.0 {
            break;
        }
        before = (lag as f64, correlation);
        lag *= 2;
    }
    (count / (1.0 + 2.0 * sum)).clamp(1.0, count)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chance::normal;
    use crate::streams::{Purpose, stream};
    use crate::wander::Wander;

    #[test]
    fn chi_squared_points_match_tables() {
        // Tables: 97.5 % of χ² of 10, 20.483; of 30, 46.979; 2.5 % of 30, 16.791. The approximation is within 0.1 %.
        for (degrees, score, expected) in [
            (10.0, NORMAL_975, 20.483),
            (30.0, NORMAL_975, 46.979),
            (30.0, -NORMAL_975, 16.791),
        ] {
            assert!((chi_squared(degrees, score) / expected - 1.0).abs() < 1e-3);
        }
    }

    #[test]
    fn independent_errors_are_worth_their_number() {
        let mut rng = stream(1, Purpose::Noise);
        let nees: Vec<f64> = (0..20_000)
            .map(|_| (0..3).map(|_| normal(&mut rng)).map(|error| error * error).sum())
            .collect();
        let found = Consistency::of(&nees).unwrap();
        assert_eq!(found.effective, 20_000.0);
        let [least, most] = found.nees_interval95;
        // 3 ± 1.96 √(6 / 20 000).
        assert!((least - 2.966).abs() < 1e-3 && (most - 3.034).abs() < 1e-3);
    }

    #[test]
    fn errors_that_linger_are_worth_as_few_as_their_memory_leaves() {
        let mut effective = 0.0;
        for seed in 0..20 {
            let mut rng = stream(seed, Purpose::Noise);
            let mut errors = [0; 3].map(|_| Wander::new(1.0, 100.0, &mut rng));
            let nees: Vec<f64> = (0..40_000)
                .map(|_| errors.iter_mut().map(|error| error.step(1.0, &mut rng).powi(2)).sum())
                .collect();
            effective += Consistency::of(&nees).unwrap().effective / 20.0;
        }
        // Squares of a memory of 100 s forget in 50 s: 40 000 / 100 = 400. Trapezoids over doubling lags overrate an
        // exponential's sum by up to a fifth; taking off the series' own mean underrates it by a tenth or so.
        assert!((310.0..=470.0).contains(&effective), "{effective}");
    }

    #[test]
    fn a_right_covariance_lies_in_its_interval_in_nearly_all_recordings() {
        let inside = (0..200)
            .filter(|&seed| {
                let mut rng = stream(seed, Purpose::Noise);
                let mut errors = [0; 3].map(|_| Wander::new(1.0, 60.0, &mut rng));
                let nees: Vec<f64> = (0..8000)
                    .map(|_| errors.iter_mut().map(|error| error.step(1.0, &mut rng).powi(2)).sum())
                    .collect();
                let found = Consistency::of(&nees).unwrap();
                (found.nees_interval95[0]..=found.nees_interval95[1]).contains(&found.nees_mean)
            })
            .count();
        // 190 ± 3.1; four of them below, and none too many above.
        assert!(inside >= 178, "{inside}");
    }
}
