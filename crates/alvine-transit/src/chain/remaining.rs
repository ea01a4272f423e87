//! How long it still takes until a stage is entered, by the chain's own law of durations.
//!
//! With a(i, j) the transitions and u(i, n) the probability that a stage k is not entered within n bins from state i:
//!
//! ```text
//! u(i, 0) = 1,   u(i, n + 1) = Σⱼ a(i, j) u(j, n) over the states j in which k has not been entered
//! S(n) = Σᵢ α(i) u(i, n) / Σᵢ α(i)   over the states in which k has not been entered, α the filter's distribution
//! ```
//!
//! u is computed once and kept at times that grow by a twentieth; a distribution then costs one product a kept time. A stage may
//! never be left, so that S ends above zero: that is the probability that k is not reached at all within [`MOST_AHEAD_S`].
//!
//! # Source
//!
//! First passage in a Markov chain: J. G. Kemeny and J. L. Snell, *Finite Markov Chains* (1960), ch. III, from memory.

use super::Chain;

/// As far ahead as is looked, s: two days.
const MOST_AHEAD_S: f64 = 172_800.0;
/// From one time that is kept to the next, as a share of it.
const GROWTH: f64 = 0.05;

/// The law of the time until one stage is entered.
#[derive(Debug, Clone)]
pub(crate) struct Remaining {
    /// States in which the stage has been entered already.
    entered: Vec<bool>,
    width_s: f64,
    /// Bins ahead, and the probability that the stage is not entered within them from each state.
    kept: Vec<(usize, Vec<f64>)>,
}

/// When a stage is entered, s from now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Arrival {
    /// Probability that it is entered at all.
    pub reached: f64,
    /// The mean, given that it is.
    pub mean_s: f64,
    /// 50 % interval, given that it is.
    pub interval50_s: [f64; 2],
    /// 90 % interval, given that it is.
    pub interval90_s: [f64; 2],
}

impl Remaining {
    /// Until `stage` is entered, in a chain of bins of `width_s`.
    pub fn new(chain: &Chain, stage: usize, width_s: f64) -> Self {
        let entered: Vec<bool> = chain.progress.iter().map(|&progress| progress >= stage).collect();
        let edges: Vec<_> = chain
            .edges
            .iter()
            .filter(|edge| !entered[edge.from] && !entered[edge.to])
            .collect();
        let most = (MOST_AHEAD_S / width_s).ceil() as usize;
        let mut not_yet: Vec<f64> = entered.iter().map(|&entered| f64::from(u8::from(!entered))).collect();
        let mut kept = vec![(0, not_yet.clone())];
        let mut due = 1;
        for bin in 1..=most {
            let mut next = vec![0.0; not_yet.len()];
            for edge in &edges {
                next[edge.from] += edge.probability * not_yet[edge.to];
            }
            not_yet = next;
            if bin >= due || bin == most {
                kept.push((bin, not_yet.clone()));
                due = bin + ((GROWTH * bin as f64) as usize).max(1);
            }
        }
        Self { entered, width_s, kept }
    }

    /// When it is entered from a distribution over the states, given that it has not been; `None` where it surely has been, or
    /// cannot be any more.
    pub fn arrival(&self, distribution: &[f64]) -> Option<Arrival> {
        let not_entered = |(share, entered): (&f64, &bool)| if *entered { 0.0 } else { *share };
        let whole: f64 = distribution.iter().zip(&self.entered).map(not_entered).sum();
        let survival = |not_yet: &Vec<f64>| distribution.iter().zip(not_yet).map(|(a, u)| a * u).sum::<f64>() / whole;
        let curve: Vec<(f64, f64)> = self
            .kept
            .iter()
            .map(|(bin, not_yet)| (*bin as f64 * self.width_s, survival(not_yet)))
            .collect();
        let never = curve.last()?.1;
        let reached = 1.0 - never;
        if reached.is_nan() || reached < 1e-9 {
            return None;
        }
        let mean_s = curve
            .windows(2)
            .map(|pair| (pair[1].0 - pair[0].0) * (0.5 * (pair[0].1 + pair[1].1) - never) / reached)
            .sum();
        let quantile = |share: f64| quantile(&curve, 1.0 - share * reached);
        Some(Arrival {
            reached,
            mean_s,
            interval50_s: [quantile(0.25), quantile(0.75)],
            interval90_s: [quantile(0.05), quantile(0.95)],
        })
    }
}

/// Where a falling curve passes a level.
fn quantile(curve: &[(f64, f64)], level: f64) -> f64 {
    let after = curve.partition_point(|&(_, survival)| survival > level);
    let (Some(&(to_s, below)), Some(&(from_s, above))) = (curve.get(after), curve.get(after.wrapping_sub(1))) else {
        return curve.first().map_or(0.0, |first| first.0);
    };
    from_s + (to_s - from_s) * (above - level) / (above - below)
}

#[cfg(test)]
mod tests {
    use super::super::{Reflux, StageLaw};
    use super::*;
    use crate::duration::Branch;

    fn law(steps: usize, step_s: f64, stays: f64) -> StageLaw {
        StageLaw {
            branches: vec![Branch {
                weight: 1.0,
                steps,
                step_s,
                pace: None,
            }],
            stays,
            begins: 0.5,
        }
    }

    #[test]
    fn a_memoryless_stage_is_left_as_a_geometric_law_says() {
        const STEP_S: f64 = 1800.0;
        let chain = Chain::new(&[law(1, STEP_S, 0.0), law(1, 60.0, 0.0)], &[], 10.0);
        let arrival = Remaining::new(&chain, 1, 10.0).arrival(&[1.0, 0.0]).unwrap();
        // Mean number of bins 1 / (1 − e^(−Δ/θ)). Trapezia a twentieth wide in a curve e^(−x) err by Σ (0.05 x)² h / 12, less than
        // 0.001 of the mean; a probability is lost in quantiles by as little.
        let mean_s = 10.0 / (1.0 - (-10.0 / STEP_S).exp());
        assert!((arrival.mean_s / mean_s - 1.0).abs() < 0.005, "{}", arrival.mean_s);
        for (found_s, share) in [
            (arrival.interval90_s[0], 0.05),
            (arrival.interval50_s[0], 0.25),
            (arrival.interval50_s[1], 0.75),
            (arrival.interval90_s[1], 0.95),
        ] {
            let expected_s = -STEP_S * f64::ln(1.0 - share);
            assert!((found_s / expected_s - 1.0).abs() < 0.01, "{share}: {found_s}");
        }
        assert!((arrival.reached - 1.0).abs() < 1e-9);
    }

    #[test]
    fn steps_in_series_take_the_sum_of_their_times_and_a_stage_that_may_stay_is_not_always_left() {
        let chain = Chain::new(&[law(4, 900.0, 0.2), law(2, 300.0, 0.0), law(1, 60.0, 0.0)], &[], 10.0);
        let remaining = Remaining::new(&chain, 2, 10.0);
        let mut begun = vec![0.0; chain.states()];
        (begun[0], begun[4]) = (0.8, 0.2);
        let arrival = remaining.arrival(&begun).unwrap();
        assert!((arrival.reached - 0.8).abs() < 1e-9);
        // Each step takes half a bin more than its mean, as it is left at the end of one: 4 (900 + 5) + 2 (300 + 5).
        assert!((arrival.mean_s - 4230.0).abs() < 0.005 * 4230.0, "{}", arrival.mean_s);
    }

    #[test]
    fn slipping_back_for_a_moment_neither_begins_a_stage_anew_nor_frees_what_never_leaves_it() {
        const WIDTH_S: f64 = 10.0;
        let (every_s, lasts_s, step_s) = (600.0, 60.0, 900.0);
        let reflux = Reflux {
            from: 1,
            into: 0,
            every_s,
            lasts_s,
        };
        let laws = [law(1, 60.0, 0.0), law(8, step_s, 0.2), law(1, 60.0, 0.0)];
        let chain = Chain::new(&laws, &[reflux], WIDTH_S);
        // The stage as it is entered: the first step, or the state that is never left, after it.
        let mut begun = vec![0.0; chain.states()];
        (begun[1], begun[9]) = (0.8, 0.2);
        let arrival = Remaining::new(&chain, 2, WIDTH_S).arrival(&begun).unwrap();
        assert!((arrival.reached - 0.8).abs() < 1e-9, "{}", arrival.reached);
        // A bin in a step ends it with (1 − b) l and is followed by a moment back with b, of 1 / o bins in the mean.
        let [l, b, o] = [step_s, every_s, lasts_s].map(|mean_s| 1.0 - (-WIDTH_S / mean_s).exp());
        let mean_s = 8.0 * WIDTH_S / ((1.0 - b) * l) * (1.0 + b / o);
        assert!(
            (arrival.mean_s / mean_s - 1.0).abs() < 0.005,
            "{} {mean_s}",
            arrival.mean_s
        );
    }

    #[test]
    fn what_has_been_entered_or_cannot_be_has_no_arrival() {
        let chain = Chain::new(&[law(1, 900.0, 0.5), law(1, 300.0, 0.0)], &[], 10.0);
        let remaining = Remaining::new(&chain, 1, 10.0);
        assert_eq!(remaining.arrival(&[0.0, 1.0, 0.0]).map(|a| a.reached), None);
        assert_eq!(remaining.arrival(&[0.0, 0.0, 1.0]), None);
    }

    #[test]
    fn the_law_is_that_of_the_filter_left_alone() {
        // The twin: the filter itself, fed bins that say nothing.
        let chain = Chain::new(&[law(3, 200.0, 0.1), law(2, 100.0, 0.0), law(1, 60.0, 0.0)], &[], 10.0);
        let remaining = Remaining::new(&chain, 2, 10.0);
        let mut now: Vec<f64> = (1..=chain.states()).map(|state| state as f64).collect();
        let whole: f64 = now.iter().sum();
        now.iter_mut().for_each(|share| *share /= whole);
        let before = chain.furthest(&now)[2];
        let begun = now.clone();
        let (bins, not_yet) = remaining.kept.iter().rfind(|(bins, _)| *bins <= 60).unwrap();
        for _ in 0..*bins {
            let mut next = now.clone();
            chain.step(Some(&now), &mut next, &[1.0; 3], |_| 1.0, (0, 2));
            now = next;
        }
        let expected = 1.0 - chain.furthest(&now)[2];
        let found: f64 = begun.iter().zip(not_yet).map(|(share, u)| share * u).sum();
        assert!((found - expected).abs() < 1e-12, "{found} {expected} {before}");
    }
}
