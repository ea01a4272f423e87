//! How long it takes, when many were still on the way as the recording ended: the product-limit estimate.
//!
//! ```text
//! S(t)    = ∏ (1 − dᵢ / nᵢ)                       over the times tᵢ ≤ t at which someone passed
//! V(t)    = ∑ dᵢ / (nᵢ (nᵢ − dᵢ))                 Greenwood's sum
//! S^e^(±z √V / ln S)                              its interval, from log(−log S)
//! dᵢ passed at tᵢ, nᵢ not yet passed and still watched just before tᵢ
//! ```
//!
//! It holds where a recording's end has nothing to do with how soon the capsule would have passed.
//!
//! # Source
//!
//! E. L. Kaplan, P. Meier, *Nonparametric estimation from incomplete observations*, J. Am. Stat. Assoc. 53 (1958) 457–481.
//! Limits of a quantile where those of S cross it: R. Brookmeyer, J. Crowley, *A confidence interval for the median survival
//! time*, Biometrics 38 (1982) 29–41; the limits of S by log(−log S): J. D. Kalbfleisch, R. L. Prentice, *The Statistical
//! Analysis of Failure Time Data* (all three from memory). Held against another implementation in the repository's `tests`.

use serde::Serialize;

use crate::proportion::Z95;

/// One capsule's time in a part of the gut.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// How long, s.
    pub time_s: f64,
    /// Whether it passed then; otherwise it was only watched for so long.
    pub passed: bool,
}

/// The estimate from one time on, until the next.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Step {
    /// The time at which capsules passed, s.
    pub time_s: f64,
    /// Capsules still there and still watched just before.
    pub at_risk: usize,
    /// Capsules that passed then.
    pub passed: usize,
    /// Share that is still there afterwards, 0 to 1.
    pub remaining: f64,
    /// 95 % interval of that share; `None` once none remains.
    pub interval95: Option<[f64; 2]>,
}

/// A time by which a share of the capsules has passed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Quantile {
    /// The time, s; `None` where so many were never seen to pass.
    pub time_s: Option<f64>,
    /// 95 % limits, s, each `None` where the curve's limit never falls so far.
    pub interval95_s: [Option<f64>; 2],
}

/// The product-limit estimate.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KaplanMeier {
    /// How many capsules there were.
    pub observations: usize,
    /// How many were seen to pass.
    pub passed: usize,
    /// The last time at which any was watched, s: beyond it nothing is known.
    pub last_s: f64,
    /// Where the curve falls, in the order of time.
    pub steps: Vec<Step>,
    /// Times at which watching ended without a passage, s, in order.
    pub censored_s: Vec<f64>,
}

impl KaplanMeier {
    /// The estimate; observations that are no finite time are left out of it, and of the count.
    ///
    /// Those whose watch ended at the very time at which others passed count as watched then, as is usual.
    #[must_use]
    pub fn of(observations: impl IntoIterator<Item = Observation>) -> Self {
        let finite = |seen: &Observation| seen.time_s.is_finite();
        let mut seen: Vec<Observation> = observations.into_iter().filter(finite).collect();
        seen.sort_by(|one, other| one.time_s.total_cmp(&other.time_s));
        let mut steps = Vec::new();
        let (mut remaining, mut greenwood, mut at_risk) = (1.0, 0.0, seen.len());
        for together in seen.chunk_by(|one, other| one.time_s == other.time_s) {
            let passed = together.iter().filter(|seen| seen.passed).count();
            if passed > 0 {
                let (d, n) = (passed as f64, at_risk as f64);
                remaining *= 1.0 - d / n;
                greenwood += d / (n * (n - d));
                steps.push(Step {
                    time_s: together[0].time_s,
                    at_risk,
                    passed,
                    remaining,
                    interval95: interval95(remaining, greenwood),
                });
            }
            at_risk -= together.len();
        }
        Self {
            observations: seen.len(),
            passed: seen.iter().filter(|seen| seen.passed).count(),
            last_s: seen.last().map_or(0.0, |seen| seen.time_s),
            steps,
            censored_s: seen
                .iter()
                .filter(|seen| !seen.passed)
                .map(|seen| seen.time_s)
                .collect(),
        }
    }

    /// The share still there at a time, 0 to 1.
    #[must_use]
    pub fn remaining(&self, time_s: f64) -> f64 {
        let after = self.steps.partition_point(|step| step.time_s <= time_s);
        after.checked_sub(1).map_or(1.0, |at| self.steps[at].remaining)
    }

    /// The first time by which a share of the capsules, 0 to 1, has passed.
    #[must_use]
    pub fn quantile(&self, passed: f64) -> Quantile {
        let left = 1.0 - passed;
        let first = |share: &dyn Fn(&Step) -> Option<f64>| {
            let fallen = self
                .steps
                .iter()
                .find(|step| share(step).is_some_and(|share| share <= left));
            fallen.map(|step| step.time_s)
        };
        Quantile {
            time_s: first(&|step| Some(step.remaining)),
            interval95_s: [
                first(&|step| Some(step.interval95.map_or(0.0, |limits| limits[0]))),
                first(&|step| step.interval95.map(|limits| limits[1])),
            ],
        }
    }
}

fn interval95(remaining: f64, greenwood: f64) -> Option<[f64; 2]> {
    if remaining <= 0.0 {
        return None;
    }
    let stretch = Z95 * greenwood.sqrt() / remaining.ln();
    // The logarithm is negative, and so is the stretch: the first power is the smaller share.
    Some([remaining.powf((-stretch).exp()), remaining.powf(stretch.exp())])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(time_s: f64, passed: bool) -> Observation {
        Observation { time_s, passed }
    }

    #[test]
    fn without_censoring_the_curve_is_the_share_that_is_left() {
        let curve = KaplanMeier::of((1..=10).map(|k| seen(f64::from(k), true)));
        for k in 1..10 {
            assert!((curve.remaining(f64::from(k)) - (1.0 - f64::from(k) / 10.0)).abs() < 1e-12);
        }
        assert_eq!(curve.remaining(0.5), 1.0);
        assert_eq!(curve.quantile(0.5).time_s, Some(5.0));
        assert_eq!(curve.steps[9].interval95, None);
        // Greenwood's sum of the binomial is (1 − S) / (n S).
        let [low, high] = curve.steps[3].interval95.unwrap();
        let stretch = Z95 * (0.4_f64 / (10.0 * 0.6)).sqrt() / 0.6_f64.ln();
        assert!((low - 0.6_f64.powf((-stretch).exp())).abs() < 1e-12);
        assert!((high - 0.6_f64.powf(stretch.exp())).abs() < 1e-12 && low < 0.6 && high > 0.6);
    }

    #[test]
    fn who_was_only_watched_counts_until_then_and_a_tie_goes_to_the_passage() {
        let curve = KaplanMeier::of([seen(2.0, true), seen(2.0, false), seen(1.0, false), seen(3.0, true)]);
        // Three were there just before 2, of whom one passed; then one alone.
        assert_eq!((curve.steps[0].at_risk, curve.steps[1].at_risk), (3, 1));
        assert!((curve.remaining(2.5) - 2.0 / 3.0).abs() < 1e-12);
        assert_eq!(curve.censored_s, [1.0, 2.0]);
        assert_eq!((curve.observations, curve.passed, curve.last_s), (4, 2, 3.0));
    }

    #[test]
    fn a_median_that_was_never_reached_is_none_and_no_observation_makes_no_curve() {
        let curve = KaplanMeier::of([seen(1.0, true), seen(9.0, false), seen(9.0, false)]);
        assert_eq!(curve.quantile(0.5).time_s, None);
        let empty = KaplanMeier::of([seen(f64::NAN, true)]);
        assert_eq!((empty.observations, empty.steps.len()), (0, 0));
        assert_eq!(empty.quantile(0.5).interval95_s, [None, None]);
    }
}
