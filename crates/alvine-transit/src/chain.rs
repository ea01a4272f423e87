//! The chain: exact inference in a left-to-right semi-Markov model with explicit durations.
//!
//! States 0 … K − 1 are passed in order, each for at least one bin; the sequence may begin in a later state and may end
//! in an earlier one. With log-likelihood `e(k, b)` of bin b in state k, duration law `d`, survival `S`, and reward
//! `r(k, t)` for entering state k at bin t:
//!
//! ```text
//! α(k, t) = ln π(k)                                                    at t = 0
//! α(k, t) = r(k, t) + ln Σ_{s<t} exp[α(k−1, s) + E(k−1, s, t) + ln d(k−1, t − s)]
//! β(k, s) = ln { Σ_{t>s} exp[E(k, s, t) + ln d(k, t − s) + r(k+1, t) + β(k+1, t)] + exp[E(k, s, N) + ln S(k, N − s)] }
//! P(k entered at t) = exp(α(k, t) + β(k, t) − ln Z),   E(k, s, t) = Σ_{s≤b<t} e(k, b)
//! ```
//!
//! A state in which the recording begins has been going on for an unknown time: its law is that of the residual,
//! proportional to the survival. Time and memory are of order K N² and K N.
//!
//! # Source
//!
//! S.-Z. Yu, *Hidden semi-Markov models*, Artif. Intell. 174 (2010), specialised to states in a fixed order.

/// What the chain needs to know of its states and bins.
#[derive(Debug, Clone)]
pub(crate) struct Chain {
    /// Log-likelihood of each bin in each state: states, each as long as there are bins.
    pub evidence: Vec<Vec<f64>>,
    /// Log-mass of each state's duration in bins: states, each one longer than there are bins; entry 0 is unused.
    pub ln_mass: Vec<Vec<f64>>,
    /// Log-probability that a state lasts longer than so many bins, from 0 on.
    pub ln_survival: Vec<Vec<f64>>,
    /// Log-probability that the recording begins in each state.
    pub ln_initial: Vec<f64>,
    /// Log-probability of the recording's ending in each state, beyond what the durations say: 0, or −∞ to forbid it.
    pub ln_final: Vec<f64>,
    /// Reward for entering a state at a bin, where there is any: states, each empty or as long as there are bins.
    pub reward: Vec<Vec<f64>>,
}

/// The posterior of a chain.
#[derive(Debug, Clone)]
pub(crate) struct Posterior {
    /// Log-likelihood of everything; −∞ when nothing can have happened.
    pub ln_evidence: f64,
    /// Probability that each state was entered at each bin; at bin 0 it is that of beginning in the state.
    pub entered: Vec<Vec<f64>>,
}

impl Posterior {
    /// The probability that the recording begins in a state beyond `state`, or in it.
    pub fn began_at_or_beyond(&self, state: usize) -> f64 {
        self.entered[state..]
            .iter()
            .map(|entered| entered.first().copied().unwrap_or(0.0))
            .sum()
    }

    /// The probability that a state is entered after the first bin.
    pub fn entered_within(&self, state: usize) -> f64 {
        self.entered[state].iter().skip(1).sum()
    }

    /// The probability of each state in each bin.
    pub fn occupancy(&self) -> Vec<Vec<f64>> {
        let states = self.entered.len();
        let bins = self.entered.first().map_or(0, Vec::len);
        let mut occupancy = vec![vec![0.0; bins]; states];
        for (state, row) in occupancy.iter_mut().enumerate() {
            let mut here = 0.0;
            for (bin, share) in row.iter_mut().enumerate() {
                here += self.entered[state][bin];
                // At bin 0 a later state was begun in, not entered from this one.
                if bin > 0 && state + 1 < states {
                    here -= self.entered[state + 1][bin];
                }
                *share = here.clamp(0.0, 1.0);
            }
        }
        occupancy
    }
}

impl Chain {
    fn states(&self) -> usize {
        self.evidence.len()
    }

    fn bins(&self) -> usize {
        self.evidence.first().map_or(0, Vec::len)
    }

    /// The posterior by the forward and backward recursions.
    pub fn infer(&self) -> Posterior {
        let sums = self.prefix_sums();
        let residual = self.ln_residual();
        let alpha = self.forward(&sums, &residual);
        let beta = self.backward(&sums);
        let bins = self.bins();
        // A first state's law differs, so that its paths are summed on their own.
        let first: Vec<f64> = (0..self.states())
            .map(|state| self.ln_initial[state] + self.onward(state, 0, &sums, &residual[state], true, &beta))
            .collect();
        let ln_evidence = ln_sum_exp(&first);
        let entered = (0..self.states())
            .map(|state| {
                (0..bins)
                    .map(|bin| {
                        let ln = if bin == 0 {
                            first[state]
                        } else {
                            alpha[state][bin] + beta[state][bin]
                        };
                        if ln_evidence == f64::NEG_INFINITY {
                            0.0
                        } else {
                            (ln - ln_evidence).exp()
                        }
                    })
                    .collect()
            })
            .collect();
        Posterior { ln_evidence, entered }
    }

    fn prefix_sums(&self) -> Vec<Vec<f64>> {
        self.evidence
            .iter()
            .map(|row| {
                let mut sum = 0.0;
                let mut sums = vec![0.0];
                sums.extend(row.iter().map(|value| {
                    sum += value;
                    sum
                }));
                sums
            })
            .collect()
    }

    /// Log-law of the time left in a state that was going on when the recording began.
    fn ln_residual(&self) -> Vec<Vec<f64>> {
        self.ln_survival
            .iter()
            .map(|survival| {
                let total = ln_sum_exp(survival);
                survival.iter().map(|ln| ln - total).collect()
            })
            .collect()
    }

    fn reward(&self, state: usize, bin: usize) -> f64 {
        self.reward[state].get(bin).copied().unwrap_or(0.0)
    }

    /// α for every bin but the first; paths that begin in a state use its residual law.
    fn forward(&self, sums: &[Vec<f64>], residual: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let bins = self.bins();
        let mut alpha = vec![vec![f64::NEG_INFINITY; bins]; self.states()];
        let mut terms = Vec::with_capacity(bins);
        for state in 1..self.states() {
            let before = state - 1;
            for bin in 1..bins {
                terms.clear();
                terms.push(self.ln_initial[before] + residual[before][bin] + sums[before][bin]);
                for start in 1..bin {
                    let entered = alpha[before][start];
                    if entered > f64::NEG_INFINITY {
                        let lasted = sums[before][bin] - sums[before][start] + self.ln_mass[before][bin - start];
                        terms.push(entered + lasted);
                    }
                }
                alpha[state][bin] = ln_sum_exp(&terms) + self.reward(state, bin);
            }
        }
        alpha
    }

    /// β for every bin.
    fn backward(&self, sums: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let bins = self.bins();
        let mut beta = vec![vec![f64::NEG_INFINITY; bins]; self.states()];
        for state in (0..self.states()).rev() {
            for start in 0..bins {
                beta[state][start] = self.onward(state, start, sums, &self.ln_mass[state], false, &beta);
            }
        }
        beta
    }

    /// Everything from entering `state` at bin `start`, under a law of its duration.
    fn onward(
        &self,
        state: usize,
        start: usize,
        sums: &[Vec<f64>],
        ln_law: &[f64],
        residual: bool,
        beta: &[Vec<f64>],
    ) -> f64 {
        let bins = self.bins();
        let mut terms = Vec::with_capacity(bins - start + 1);
        let sum = |end: usize| sums[state][end] - sums[state][start];
        let lasts = if residual {
            // What is left of the residual law beyond the recording.
            ln_sum_exp(ln_law.get(bins - start..).unwrap_or(&[]))
        } else {
            self.ln_survival[state][bins - start]
        };
        terms.push(sum(bins) + lasts + self.ln_final[state]);
        if state + 1 < self.states() {
            for end in start + 1..bins {
                let rest = beta[state + 1][end];
                if rest > f64::NEG_INFINITY {
                    terms.push(sum(end) + ln_law[end - start] + self.reward(state + 1, end) + rest);
                }
            }
        }
        ln_sum_exp(&terms)
    }
}

/// `ln Σ exp`, leaving out what is below 1e-17 of the greatest term.
fn ln_sum_exp(terms: &[f64]) -> f64 {
    const NEGLIGIBLE: f64 = 40.0;
    let greatest = terms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if greatest == f64::NEG_INFINITY {
        return greatest;
    }
    let least = greatest - NEGLIGIBLE;
    let sum: f64 = terms
        .iter()
        .filter(|&&term| term > least)
        .map(|term| (term - greatest).exp())
        .sum();
    greatest + sum.ln()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A small chain from a list of numbers.
    fn chain(states: usize, bins: usize, numbers: &[f64]) -> Chain {
        let number = |index: usize| numbers[index % numbers.len()];
        let evidence = (0..states)
            .map(|k| (0..bins).map(|b| number(3 * k + 7 * b)).collect())
            .collect();
        let mass: Vec<Vec<f64>> = (0..states)
            .map(|k| {
                (0..=bins)
                    .map(|n| {
                        if n == 0 {
                            0.0
                        } else {
                            (0.3 + 0.1 * number(k + n).abs()) / (n as f64 + 1.0)
                        }
                    })
                    .collect()
            })
            .collect();
        let ln = |table: &Vec<Vec<f64>>| {
            table
                .iter()
                .map(|row| row.iter().map(|p: &f64| p.ln()).collect())
                .collect()
        };
        let survival: Vec<Vec<f64>> = (0..states)
            .map(|k| (0..=bins).map(|n| (-0.2 * n as f64 * (1.0 + k as f64)).exp()).collect())
            .collect();
        let mut reward = vec![Vec::new(); states];
        reward[states - 1] = (0..bins).map(|b| 0.3 * number(b)).collect();
        Chain {
            evidence,
            ln_mass: ln(&mass),
            ln_survival: ln(&survival),
            ln_initial: (0..states).map(|k| -(k as f64)).collect(),
            ln_final: vec![0.0; states],
            reward,
        }
    }

    /// The slow twin: every segmentation one by one. Returns ln Z and the entry probabilities.
    fn enumerate(chain: &Chain) -> (f64, Vec<Vec<f64>>) {
        let (states, bins) = (chain.states(), chain.bins());
        let mut weights = vec![vec![0.0; bins]; states];
        let mut total = 0.0;
        let residual = chain.ln_residual();
        for first in 0..states {
            for last in first..states {
                let mut entries = vec![0; last - first];
                visit(chain, first, last, 0, 0, &mut entries, &mut |entries| {
                    let mut ln = chain.ln_initial[first];
                    let mut start = 0;
                    for (index, state) in (first..=last).enumerate() {
                        let end = entries.get(index).copied().unwrap_or(bins);
                        ln += chain.evidence[state][start..end].iter().sum::<f64>();
                        if index < entries.len() {
                            ln += if index == 0 {
                                residual[state][end]
                            } else {
                                chain.ln_mass[state][end - start]
                            };
                            ln += chain.reward(state + 1, end);
                        } else if index == 0 {
                            ln += residual[state][bins..].iter().map(|x| x.exp()).sum::<f64>().ln();
                        } else {
                            ln += chain.ln_survival[state][bins - start];
                        }
                        start = end;
                    }
                    let weight = (ln + chain.ln_final[last]).exp();
                    total += weight;
                    weights[first][0] += weight;
                    for (index, &entry) in entries.iter().enumerate() {
                        weights[first + 1 + index][entry] += weight;
                    }
                });
            }
        }
        for row in &mut weights {
            for weight in row {
                *weight /= total;
            }
        }
        (total.ln(), weights)
    }

    fn visit(
        chain: &Chain,
        first: usize,
        last: usize,
        depth: usize,
        after: usize,
        entries: &mut Vec<usize>,
        found: &mut dyn FnMut(&[usize]),
    ) {
        if depth == last - first {
            found(&entries[..depth]);
            return;
        }
        for entry in after + 1..chain.bins() {
            entries[depth] = entry;
            visit(chain, first, last, depth + 1, entry, entries, found);
        }
    }

    proptest! {
        #[test]
        fn the_posterior_matches_brute_force(
            states in 2..5_usize, bins in 5..9_usize, numbers in prop::collection::vec(-2.0..2.0_f64, 11),
        ) {
            let chain = chain(states, bins, &numbers);
            let posterior = chain.infer();
            let (ln_evidence, entered) = enumerate(&chain);
            prop_assert!((posterior.ln_evidence - ln_evidence).abs() < 1e-9);
            for (found, expected) in posterior.entered.iter().flatten().zip(entered.iter().flatten()) {
                prop_assert!((found - expected).abs() < 1e-9);
            }
            for bin in 0..bins {
                let sum: f64 = posterior.occupancy().iter().map(|row| row[bin]).sum();
                prop_assert!((sum - 1.0).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_forbidden_ending_is_never_reached() {
        let mut chain = chain(3, 6, &[0.1, -0.4, 0.9, -1.1]);
        chain.ln_final = vec![f64::NEG_INFINITY, f64::NEG_INFINITY, 0.0];
        let posterior = chain.infer();
        let reached = posterior.began_at_or_beyond(2) + posterior.entered_within(2);
        assert!((reached - 1.0).abs() < 1e-12);
    }
}
