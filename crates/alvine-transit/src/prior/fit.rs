//! A log-normal law from durations of which some were not seen to their end.
//!
//! ```text
//! ℓ(μ, σ) = Σ ended { −ln σ − z² / 2 } + Σ not ended ln Φ(−z),   z = (ln t − μ) / σ
//! ```
//!
//! is greatest at the law; a 90 % interval of μ holds the values at which ℓ, made greatest over σ, is within χ²₁(0.9) / 2 of that, and
//! the other way about. In μ / σ and 1 / σ it is concave (Olsen 1978), so that a line search finds its top.
//!
//! # Source
//!
//! Likelihood under right-censoring: J. D. Kalbfleisch and R. L. Prentice, *The Statistical Analysis of Failure Time Data*, ch. 3;
//! R. J. Olsen, Econometrica 46 (1978) 1211 (both from memory).

use alvine::normal::ln_cdf_and_hazard;

use crate::duration::LogNormal;

/// One duration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen {
    /// How long, or at least how long, s.
    pub duration_s: f64,
    /// Whether it was seen to its end.
    pub ended: bool,
}

/// A law and how well it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fitted {
    /// The likeliest law.
    pub law: LogNormal,
    /// 90 % interval of its median, s.
    pub median90_s: [f64; 2],
    /// 90 % interval of the standard deviation of its logarithm.
    pub spread90_ln: [f64; 2],
}

/// With fewer durations that ended nothing is fitted (common practice, no source).
pub(super) const FEWEST_ENDED: usize = 5;
/// Bounds between which the spread of the logarithm is sought, and how far beyond the durations their median is.
const SPREADS_LN: [f64; 2] = [0.02, 5.0];
const BEYOND_LN: f64 = 10.0;
/// Half of the 90 % point of χ² with one degree of freedom.
const HALF_CHI_SQUARED: f64 = 1.352_772;

/// The likeliest law; `None` with fewer than five durations that ended, or with one that is no positive number.
#[must_use]
pub fn fit_log_normal(seen: &[Seen]) -> Option<Fitted> {
    let possible = seen
        .iter()
        .all(|one| one.duration_s > 0.0 && one.duration_s.is_finite());
    if !possible || seen.iter().filter(|one| one.ended).count() < FEWEST_ENDED {
        return None;
    }
    let durations = Durations::new(seen);
    let [low, high] = durations.median_ln;
    let spreads = SPREADS_LN.map(f64::ln);
    let best_spread = greatest(spreads, |spread_ln| durations.best_over_median(spread_ln));
    let best_median = greatest([low, high], |median_ln| durations.ln_likelihood(median_ln, best_spread));
    let enough = durations.ln_likelihood(best_median, best_spread) - HALF_CHI_SQUARED;
    let of_median = |median_ln: f64| durations.best_over_spread(median_ln) - enough;
    let of_spread = |spread_ln: f64| durations.best_over_median(spread_ln) - enough;
    Some(Fitted {
        law: LogNormal::new(best_median.exp(), best_spread.exp()),
        median90_s: [low, high].map(|end| crossing(best_median, end, of_median).exp()),
        spread90_ln: spreads.map(|end| crossing(best_spread, end, of_spread).exp()),
    })
}

struct Durations {
    /// Logarithm of each, and whether it ended.
    ln: Vec<(f64, bool)>,
    /// Between which the logarithm of the median is sought.
    median_ln: [f64; 2],
}

impl Durations {
    fn new(seen: &[Seen]) -> Self {
        let ln: Vec<(f64, bool)> = seen.iter().map(|one| (one.duration_s.ln(), one.ended)).collect();
        let least = ln.iter().map(|one| one.0).fold(f64::INFINITY, f64::min);
        let greatest = ln.iter().map(|one| one.0).fold(f64::NEG_INFINITY, f64::max);
        Self {
            ln,
            median_ln: [least - BEYOND_LN, greatest + BEYOND_LN],
        }
    }

    /// ℓ, of the logarithm of σ.
    fn ln_likelihood(&self, median_ln: f64, spread_ln: f64) -> f64 {
        let spread = spread_ln.exp();
        let one = |&(ln, ended): &(f64, bool)| {
            let z = (ln - median_ln) / spread;
            if ended {
                -spread_ln - 0.5 * z * z
            } else {
                ln_cdf_and_hazard(-z).0
            }
        };
        self.ln.iter().map(one).sum()
    }

    fn best_over_median(&self, spread_ln: f64) -> f64 {
        let at = greatest(self.median_ln, |median_ln| self.ln_likelihood(median_ln, spread_ln));
        self.ln_likelihood(at, spread_ln)
    }

    fn best_over_spread(&self, median_ln: f64) -> f64 {
        let at = greatest(SPREADS_LN.map(f64::ln), |spread_ln| {
            self.ln_likelihood(median_ln, spread_ln)
        });
        self.ln_likelihood(median_ln, at)
    }
}

/// Where a function with one top is greatest, by the golden section.
fn greatest([mut low, mut high]: [f64; 2], of: impl Fn(f64) -> f64) -> f64 {
    const GOLDEN: f64 = 0.618_033_988_749_894_8;
    const ROUNDS: usize = 60;
    let (mut left, mut right) = (high - GOLDEN * (high - low), low + GOLDEN * (high - low));
    let (mut at_left, mut at_right) = (of(left), of(right));
    for _ in 0..ROUNDS {
        if at_left < at_right {
            (low, left, at_left) = (left, right, at_right);
            right = low + GOLDEN * (high - low);
            at_right = of(right);
        } else {
            (high, right, at_right) = (right, left, at_left);
            left = high - GOLDEN * (high - low);
            at_left = of(left);
        }
    }
    0.5 * (low + high)
}

/// Where a function falls below zero on the way from its top to an end; the end where it does not.
fn crossing(top: f64, end: f64, of: impl Fn(f64) -> f64) -> f64 {
    const ROUNDS: usize = 40;
    if of(end) > 0.0 {
        return end;
    }
    let (mut inside, mut outside) = (top, end);
    for _ in 0..ROUNDS {
        let middle = 0.5 * (inside + outside);
        if of(middle) > 0.0 {
            inside = middle;
        } else {
            outside = middle;
        }
    }
    inside
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ended(duration_s: f64) -> Seen {
        Seen {
            duration_s,
            ended: true,
        }
    }

    #[test]
    fn with_all_ended_it_is_the_mean_and_deviation_of_the_logarithms() {
        let durations = [600.0, 900.0, 1500.0, 4000.0, 2500.0, 800.0];
        let seen = durations.map(ended);
        let fitted = fit_log_normal(&seen).unwrap();
        let n = durations.len() as f64;
        let mean = durations.iter().map(|d: &f64| d.ln()).sum::<f64>() / n;
        let variance = durations.iter().map(|d| (d.ln() - mean).powi(2)).sum::<f64>() / n;
        assert!((fitted.law.median_s().ln() - mean).abs() < 1e-6);
        assert!((fitted.law.spread_ln() - variance.sqrt()).abs() < 1e-6);
        // ℓ made greatest over σ is −n/2 ln Σ(y − μ)² + const: the interval's ends have n/2 ln(1 + (μ − ȳ)² / s²) = 1.353.
        let half = variance.sqrt() * ((2.0 * HALF_CHI_SQUARED / n).exp() - 1.0).sqrt();
        assert!((fitted.median90_s[1].ln() - mean - half).abs() < 1e-6);
        assert!((mean - fitted.median90_s[0].ln() - half).abs() < 1e-6);
    }

    #[test]
    fn too_few_and_impossible_durations_are_not_fitted() {
        let mut seen = vec![ended(100.0); 4];
        seen.extend(
            [Seen {
                duration_s: 500.0,
                ended: false,
            }; 20],
        );
        assert_eq!(fit_log_normal(&seen), None);
        for bad in [0.0, -3.0, f64::NAN, f64::INFINITY] {
            let mut seen = vec![ended(100.0); 9];
            seen.push(ended(bad));
            assert_eq!(fit_log_normal(&seen), None);
        }
        // All alike: the spread is at its bound, and nothing fails.
        let fitted = fit_log_normal(&[ended(100.0); 9]).unwrap();
        assert!((fitted.law.median_s() - 100.0).abs() < 0.1 && fitted.law.spread_ln() < 0.021);
    }

    #[test]
    fn its_intervals_hold_the_law_nine_times_in_ten_with_a_quarter_not_ended() {
        const TRIALS: usize = 400;
        const EACH: usize = 60;
        let mut state = 11_u64;
        let mut uniform = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            ((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        };
        let (median_s, spread_ln) = (1320.0, 1.16);
        let (mut in_median, mut in_spread) = (0, 0);
        for _ in 0..TRIALS {
            let seen: Vec<Seen> = (0..EACH)
                .map(|_| {
                    let (one, other) = (uniform(), uniform());
                    let z = (-2.0 * one.ln()).sqrt() * (std::f64::consts::TAU * other).cos();
                    let duration_s = median_s * (spread_ln * z).exp();
                    // Φ(0.674) = 3/4: a quarter lasts longer than the recording.
                    let longest_s = median_s * (spread_ln * 0.674_f64).exp();
                    Seen {
                        duration_s: duration_s.min(longest_s),
                        ended: duration_s < longest_s,
                    }
                })
                .collect();
            let fitted = fit_log_normal(&seen).unwrap();
            let holds = |[low, high]: [f64; 2], truth: f64| usize::from((low..=high).contains(&truth));
            in_median += holds(fitted.median90_s, median_s);
            in_spread += holds(fitted.spread90_ln, spread_ln);
        }
        // Binomial: a standard deviation of √(0.9 · 0.1 / 400) = 0.015; four of them, and 0.01 as the interval is right for many only.
        for count in [in_median, in_spread] {
            let share = count as f64 / TRIALS as f64;
            assert!((share - 0.9).abs() < 0.07, "{in_median} {in_spread}");
        }
    }
}
