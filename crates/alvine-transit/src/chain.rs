//! The chain: exact inference in a hidden Markov model whose stages are passed in order.
//!
//! A *stage* lasts as a mixture of Erlang laws says (see [`crate::duration`]); each of their steps is one *state*, which a bin
//! of width Δ leaves with probability `1 − exp(−Δ / θ)`. With evidence `e`, transitions `a` and reward `r` for entering
//! a stage at a bin:
//!
//! ```text
//! α(j, t) ∝ e(j, t) Σᵢ α(i, t − 1) a(i, j) r(i, j, t)
//! β(i, t) ∝ Σⱼ a(i, j) r(i, j, t + 1) e(j, t + 1) β(j, t + 1)
//! P(k entered at t) = Σ over i, j that enter k of α(i, t − 1) a(i, j) r e(j, t) β(j, t) / c(t),   ln Z = Σ ln c(t)
//! ```
//!
//! each α scaled to a sum of one by c. Time and memory are linear in the number of bins, and the forward half alone is a
//! filter that can be fed bin by bin. A stage in which the recording begins has been going on for an unknown time: its steps
//! are as likely as they are long.
//!
//! # Source
//!
//! L. R. Rabiner, *A tutorial on hidden Markov models and selected applications in speech recognition*, Proc. IEEE 77 (1989);
//! explicit durations by states in series: M. Russell and A. Cook, ICASSP 1987 (both from memory).

mod remaining;

use crate::duration::Branch;
pub(crate) use remaining::Remaining;

/// One stage of the passage as the chain sees it.
#[derive(Debug, Clone)]
pub(crate) struct StageLaw {
    /// How long it lasts.
    pub branches: Vec<Branch>,
    /// Probability that the capsule never leaves it.
    pub stays: f64,
    /// Probability that a recording begins in it.
    pub begins: f64,
}

/// A way back: from a stage into the one before for a while, and on again.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reflux {
    /// From which stage.
    pub from: usize,
    /// Into which stage: its evidence counts meanwhile.
    pub into: usize,
    /// Mean time in the stage until it happens, s.
    pub every_s: f64,
    /// Mean time until it is over, s.
    pub lasts_s: f64,
}

/// One transition.
#[derive(Debug, Clone, Copy)]
struct Edge {
    from: usize,
    to: usize,
    probability: f64,
    /// The stage that it enters for the first time.
    enters: Option<usize>,
}

/// States, their stages and transitions.
#[derive(Debug, Clone)]
pub(crate) struct Chain {
    /// The stage whose evidence each state has.
    stage: Vec<usize>,
    /// The furthest stage that has been entered.
    progress: Vec<usize>,
    initial: Vec<f64>,
    edges: Vec<Edge>,
    stages: usize,
}

/// What is known of the bins.
#[derive(Debug, Clone)]
pub(crate) struct Observed {
    /// Log-likelihood of each bin in each stage: stages, each as long as there are bins.
    pub evidence: Vec<Vec<f64>>,
    /// Log-reward for entering a stage at a bin, where there is any: stages, each empty or as long as there are bins.
    pub reward: Vec<Vec<f64>>,
    /// The least and the greatest stage that may have been entered by each bin.
    pub allowed: Vec<(usize, usize)>,
}

/// The posterior of a chain.
#[derive(Debug, Clone)]
pub(crate) struct Posterior {
    /// Log-likelihood of everything; −∞ when nothing can have happened.
    pub ln_evidence: f64,
    /// Probability that each stage was entered at each bin; at bin 0 it is that of beginning in the stage.
    pub entered: Vec<Vec<f64>>,
    /// Probability of being in each stage in each bin.
    pub occupancy: Vec<Vec<f64>>,
}

impl Posterior {
    /// The probability that the recording begins in a stage beyond `stage`, or in it.
    pub fn began_at_or_beyond(&self, stage: usize) -> f64 {
        self.entered[stage..]
            .iter()
            .map(|entered| entered.first().copied().unwrap_or(0.0))
            .sum()
    }

    /// The probability that a stage is entered after the first bin.
    pub fn entered_within(&self, stage: usize) -> f64 {
        self.entered[stage].iter().skip(1).sum()
    }
}

impl Chain {
    /// The chain of stages in order, in bins of `width_s`.
    pub fn new(laws: &[StageLaw], refluxes: &[Reflux], width_s: f64) -> Self {
        let mut made = Builder::new(laws, width_s);
        for reflux in refluxes {
            made.add_reflux(reflux);
        }
        made.finish()
    }

    /// How many states there are.
    pub fn states(&self) -> usize {
        self.stage.len()
    }

    /// The probability, in a distribution over the states, that each stage is the one whose evidence counts.
    pub fn in_stages(&self, distribution: &[f64]) -> Vec<f64> {
        self.shares(distribution, &self.stage)
    }

    /// The probability, in a distribution over the states, that each stage is the furthest that has been entered.
    pub fn furthest(&self, distribution: &[f64]) -> Vec<f64> {
        self.shares(distribution, &self.progress)
    }

    fn shares(&self, distribution: &[f64], of: &[usize]) -> Vec<f64> {
        let mut shares = vec![0.0; self.stages];
        for (&stage, share) in of.iter().zip(distribution) {
            shares[stage] += share;
        }
        shares
    }

    /// Takes the filter one bin on: `before` is its distribution after the last bin, `None` at the first; `row` holds the
    /// likelihood of the bin in each stage, `reward` the factor for entering a stage, `allowed` the least and the greatest stage that
    /// may have been entered. Returns the sum by which `after` was divided: the likelihood of the bin given those before.
    pub fn step(
        &self,
        before: Option<&[f64]>,
        after: &mut [f64],
        row: &[f64],
        reward: impl Fn(usize) -> f64,
        allowed: (usize, usize),
    ) -> f64 {
        match before {
            None => after.copy_from_slice(&self.initial),
            Some(before) => {
                after.fill(0.0);
                for edge in &self.edges {
                    let flow = before[edge.from] * edge.probability;
                    after[edge.to] += edge.enters.map_or(flow, |stage| flow * reward(stage));
                }
            }
        }
        let mut sum = 0.0;
        for (state, value) in after.iter_mut().enumerate() {
            *value *= self.likelihood(state, row, allowed);
            sum += *value;
        }
        if sum > 0.0 {
            after.iter_mut().for_each(|value| *value /= sum);
        }
        sum
    }

    fn likelihood(&self, state: usize, row: &[f64], (least, greatest): (usize, usize)) -> f64 {
        if (least..=greatest).contains(&self.progress[state]) {
            row[self.stage[state]]
        } else {
            0.0
        }
    }

    /// The log-likelihood of the bins and the filter's distribution after each: bins × states.
    fn forward(&self, observed: &Observed, likelihoods: &Likelihoods) -> (f64, Vec<f64>) {
        let size = self.states();
        let mut alpha = vec![0.0; observed.allowed.len() * size];
        let mut ln_evidence = 0.0;
        for (bin, &allowed) in observed.allowed.iter().enumerate() {
            let (done, rest) = alpha.split_at_mut(bin * size);
            let before = bin.checked_sub(1).map(|last| &done[last * size..]);
            let reward = |stage| observed.reward_at(stage, bin);
            let sum = self.step(before, &mut rest[..size], likelihoods.row(bin), reward, allowed);
            if sum <= 0.0 || !sum.is_finite() {
                return (f64::NEG_INFINITY, alpha);
            }
            ln_evidence += sum.ln() + likelihoods.shift[bin];
        }
        (ln_evidence, alpha)
    }

    /// The posterior by the forward and backward recursions.
    pub fn infer(&self, observed: &Observed) -> Posterior {
        let bins = observed.allowed.len();
        let size = self.states();
        let likelihoods = Likelihoods::new(observed, self.stages);
        let (ln_evidence, alpha) = self.forward(observed, &likelihoods);
        let mut posterior = Posterior {
            ln_evidence,
            entered: vec![vec![0.0; bins]; self.stages],
            occupancy: vec![vec![0.0; bins]; self.stages],
        };
        if ln_evidence == f64::NEG_INFINITY || bins == 0 {
            return posterior;
        }
        let mut beta = vec![1.0; size];
        let mut onward = vec![0.0; size];
        for bin in (0..bins).rev() {
            let here = &alpha[bin * size..(bin + 1) * size];
            let sum: f64 = here.iter().zip(&beta).map(|(a, b)| a * b).sum();
            for (state, (a, b)) in here.iter().zip(&beta).enumerate() {
                let share = a * b / sum;
                posterior.occupancy[self.stage[state]][bin] += share;
                if bin == 0 {
                    posterior.entered[self.progress[state]][0] += share;
                }
            }
            if bin == 0 {
                break;
            }
            // e β at this bin, by which the bin before looks onward.
            let row = likelihoods.row(bin);
            for (state, value) in beta.iter_mut().enumerate() {
                *value *= self.likelihood(state, row, observed.allowed[bin]);
            }
            let before = &alpha[(bin - 1) * size..bin * size];
            onward.fill(0.0);
            let mut total = 0.0;
            for edge in &self.edges {
                let reward = edge.enters.map_or(1.0, |stage| observed.reward_at(stage, bin));
                let value = edge.probability * reward * beta[edge.to];
                onward[edge.from] += value;
                let flow = before[edge.from] * value;
                total += flow;
                if let Some(stage) = edge.enters {
                    posterior.entered[stage][bin] += flow;
                }
            }
            for entered in &mut posterior.entered {
                entered[bin] /= total;
            }
            let greatest = onward.iter().copied().fold(0.0, f64::max);
            for (state, value) in onward.iter().enumerate() {
                beta[state] = value / greatest;
            }
        }
        posterior
    }
}

impl Observed {
    fn reward_at(&self, stage: usize, bin: usize) -> f64 {
        self.reward[stage].get(bin).map_or(1.0, |ln| ln.exp())
    }
}

/// No bin says more than this against a stage, so that one that a reader insists on can still be entered: the chance that
/// something quite unforeseen was heard.
const MOST_AGAINST: f64 = -50.0;

/// Adds the likelihoods of a bin in each stage, divided by that of the likeliest, of which it returns the logarithm.
pub(crate) fn scale(evidence: &[f64], (least, greatest): (usize, usize), scaled: &mut Vec<f64>) -> f64 {
    // Of those that may be: one that may not must not make all others vanish. A way back leads one stage lower.
    let lowest = least.saturating_sub(1);
    let best = evidence[lowest..=greatest]
        .iter()
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    scaled.extend(evidence.iter().map(|ln| (ln - best).clamp(MOST_AGAINST, 0.0).exp()));
    best
}

/// The likelihood of each bin, divided by that of its likeliest stage.
struct Likelihoods {
    stages: usize,
    scaled: Vec<f64>,
    shift: Vec<f64>,
}

impl Likelihoods {
    fn new(observed: &Observed, stages: usize) -> Self {
        let bins = observed.allowed.len();
        let mut scaled = Vec::with_capacity(bins * stages);
        let mut shift = Vec::with_capacity(bins);
        for (bin, &(least, greatest)) in observed.allowed.iter().enumerate() {
            let evidence: Vec<f64> = (0..stages).map(|stage| observed.evidence[stage][bin]).collect();
            shift.push(scale(&evidence, (least, greatest), &mut scaled));
        }
        Self { stages, scaled, shift }
    }

    fn row(&self, bin: usize) -> &[f64] {
        &self.scaled[bin * self.stages..(bin + 1) * self.stages]
    }
}

/// A chain in the making.
struct Builder<'a> {
    laws: &'a [StageLaw],
    width_s: f64,
    chain: Chain,
    /// First and last state of each branch of each stage, and its share; one that is never left has no last.
    branches: Vec<Vec<(usize, Option<usize>, f64)>>,
}

impl<'a> Builder<'a> {
    fn new(laws: &'a [StageLaw], width_s: f64) -> Self {
        let mut made = Self {
            laws,
            width_s,
            chain: Chain {
                stage: Vec::new(),
                progress: Vec::new(),
                initial: Vec::new(),
                edges: Vec::new(),
                stages: laws.len(),
            },
            branches: vec![Vec::new(); laws.len()],
        };
        for (stage, law) in laws.iter().enumerate() {
            made.add_stage(stage, law);
        }
        for stage in 1..laws.len() {
            made.join(stage);
        }
        made
    }

    fn leaves(&self, mean_s: f64) -> f64 {
        1.0 - (-self.width_s / mean_s).exp()
    }

    fn add_state(&mut self, stage: usize, progress: usize, initial: f64) -> usize {
        self.chain.stage.push(stage);
        self.chain.progress.push(progress);
        self.chain.initial.push(initial);
        self.chain.stage.len() - 1
    }

    fn add_edge(&mut self, from: usize, to: usize, probability: f64, enters: Option<usize>) {
        self.chain.edges.push(Edge {
            from,
            to,
            probability,
            enters,
        });
    }

    fn add_stage(&mut self, stage: usize, law: &StageLaw) {
        // A branch is met as often as it is taken and as long as it lasts.
        let length = |branch: &Branch| branch.weight * branch.steps as f64 * branch.step_s;
        let whole: f64 = law.branches.iter().map(length).sum();
        for branch in &law.branches {
            let leaves = self.leaves(branch.step_s);
            let initial = law.begins * (1.0 - law.stays) * length(branch) / whole / branch.steps as f64;
            let first = self.chain.stage.len();
            for step in 0..branch.steps {
                let state = self.add_state(stage, stage, initial);
                self.add_edge(state, state, 1.0 - leaves, None);
                if step + 1 < branch.steps {
                    self.add_edge(state, state + 1, leaves, None);
                }
            }
            let last = first + branch.steps - 1;
            self.branches[stage].push((first, Some(last), (1.0 - law.stays) * branch.weight));
        }
        if law.stays > 0.0 {
            let state = self.add_state(stage, stage, law.begins * law.stays);
            self.add_edge(state, state, 1.0, None);
            self.branches[stage].push((state, None, law.stays));
        }
    }

    /// From every branch of the stage before into every branch of a stage that goes on at its pace.
    fn join(&mut self, stage: usize) {
        let before = self.branches[stage - 1].clone();
        let here = self.branches[stage].clone();
        for (branch, &(_, last, _)) in before.iter().enumerate() {
            let Some(last) = last else { continue };
            let law = &self.laws[stage - 1].branches[branch];
            let leaves = self.leaves(law.step_s);
            for (onward, &(first, _, share)) in here.iter().enumerate() {
                let given_pace = self.share_given_pace(stage, onward, law.pace);
                if given_pace > 0.0 {
                    self.add_edge(last, first, leaves * share * given_pace, Some(stage));
                }
            }
        }
    }

    /// By how much the pace at which a stage is reached makes one of its branches likelier: not at all where either has none.
    fn share_given_pace(&self, stage: usize, branch: usize, pace: Option<usize>) -> f64 {
        let branches = &self.laws[stage].branches;
        let own = branches.get(branch).and_then(|of| of.pace);
        match (pace, own) {
            (Some(pace), Some(own)) if pace != own => 0.0,
            (Some(pace), Some(_)) => {
                let alike = branches.iter().filter(|of| of.pace == Some(pace));
                1.0 / alike.map(|of| of.weight).sum::<f64>()
            }
            _ => 1.0,
        }
    }

    /// Beside every state of the stage another in which the capsule is back, and from which it returns to where it was: were it to begin
    /// the stage anew, one that lasts for hours would hardly ever end, and one that is never left would be.
    fn add_reflux(&mut self, reflux: &Reflux) {
        let back = self.leaves(reflux.every_s);
        let over = self.leaves(reflux.lasts_s);
        for state in 0..self.chain.stage.len() {
            if self.chain.progress[state] != reflux.from || self.chain.stage[state] != reflux.from {
                continue;
            }
            for edge in &mut self.chain.edges {
                if edge.from == state {
                    edge.probability *= 1.0 - back;
                }
            }
            let aside = self.add_state(reflux.into, reflux.from, 0.0);
            self.add_edge(state, aside, back, None);
            self.add_edge(aside, aside, 1.0 - over, None);
            self.add_edge(aside, state, over, None);
        }
    }

    /// A last stage that would be left is not: nothing comes after it.
    fn finish(mut self) -> Chain {
        let mut leaving = vec![0.0; self.chain.stage.len()];
        for edge in &self.chain.edges {
            leaving[edge.from] += edge.probability;
        }
        for (state, sum) in leaving.into_iter().enumerate() {
            if sum < 1.0 - 1e-12 {
                self.add_edge(state, state, 1.0 - sum, None);
            }
        }
        self.chain
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn laws() -> Vec<StageLaw> {
        let branch = |weight, steps, step_s| Branch {
            weight,
            steps,
            step_s,
            pace: None,
        };
        vec![
            StageLaw {
                branches: vec![branch(1.0, 1, 15.0)],
                stays: 0.0,
                begins: 0.7,
            },
            StageLaw {
                branches: vec![branch(0.6, 1, 12.0), branch(0.4, 2, 9.0)],
                stays: 0.1,
                begins: 0.2,
            },
            StageLaw {
                branches: vec![branch(1.0, 1, 30.0)],
                stays: 0.0,
                begins: 0.1,
            },
        ]
    }

    fn small() -> Chain {
        let reflux = Reflux {
            from: 1,
            into: 0,
            every_s: 60.0,
            lasts_s: 20.0,
        };
        Chain::new(&laws(), &[reflux], 10.0)
    }

    fn observed(bins: usize, numbers: &[f64]) -> Observed {
        let number = |index: usize| numbers[index % numbers.len()];
        Observed {
            evidence: (0..3)
                .map(|stage| (0..bins).map(|bin| number(3 * stage + 7 * bin)).collect())
                .collect(),
            reward: vec![Vec::new(), (0..bins).map(|bin| 0.3 * number(bin)).collect(), Vec::new()],
            allowed: vec![(0, 2); bins],
        }
    }

    /// The slow twin: every path of states one by one. Returns Z, and the weights of entries and of occupancy.
    fn enumerate(chain: &Chain, observed: &Observed) -> (f64, Vec<Vec<f64>>, Vec<Vec<f64>>) {
        let bins = observed.allowed.len();
        let mut total = 0.0;
        let mut entered = vec![vec![0.0; bins]; 3];
        let mut occupancy = vec![vec![0.0; bins]; 3];
        let mut path = vec![0; bins];
        // A path is a choice of first state and of an edge for each later bin; edges are unique between two states.
        let mut stack: Vec<(usize, usize, f64)> = (0..chain.states()).map(|s| (0, s, chain.initial[s])).collect();
        let mut entries: Vec<Option<usize>> = vec![None; bins];
        while let Some((bin, state, weight)) = stack.pop() {
            path[bin] = state;
            entries[bin] = if bin == 0 {
                Some(chain.progress[state])
            } else {
                let edge = chain
                    .edges
                    .iter()
                    .find(|e| e.from == path[bin - 1] && e.to == state)
                    .unwrap();
                edge.enters
            };
            let (least, greatest) = observed.allowed[bin];
            if !(least..=greatest).contains(&chain.progress[state]) {
                continue;
            }
            let weight = weight * observed.evidence[chain.stage[state]][bin].exp();
            if bin + 1 == bins {
                total += weight;
                for (at, &state) in path.iter().enumerate() {
                    occupancy[chain.stage[state]][at] += weight;
                    if let Some(stage) = entries[at] {
                        entered[stage][at] += weight;
                    }
                }
                continue;
            }
            for edge in chain.edges.iter().filter(|edge| edge.from == state) {
                let reward = edge.enters.map_or(1.0, |stage| observed.reward_at(stage, bin + 1));
                stack.push((bin + 1, edge.to, weight * edge.probability * reward));
            }
        }
        for row in entered.iter_mut().chain(&mut occupancy).flatten() {
            *row /= total;
        }
        (total, entered, occupancy)
    }

    proptest! {
        #[test]
        fn the_posterior_matches_brute_force(bins in 2..6_usize, numbers in prop::collection::vec(-2.0..2.0_f64, 11)) {
            let (chain, observed) = (small(), observed(bins, &numbers));
            let posterior = chain.infer(&observed);
            let (total, entered, occupancy) = enumerate(&chain, &observed);
            prop_assert!((posterior.ln_evidence - total.ln()).abs() < 1e-9);
            for (found, expected) in posterior.entered.iter().flatten().zip(entered.iter().flatten()) {
                prop_assert!((found - expected).abs() < 1e-9);
            }
            for (found, expected) in posterior.occupancy.iter().flatten().zip(occupancy.iter().flatten()) {
                prop_assert!((found - expected).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn what_leaves_each_state_adds_up_to_one() {
        let chain = small();
        for state in 0..chain.states() {
            let sum: f64 = chain
                .edges
                .iter()
                .filter(|e| e.from == state)
                .map(|e| e.probability)
                .sum();
            assert!((sum - 1.0).abs() < 1e-12, "{state}: {sum}");
        }
        assert!((chain.initial.iter().sum::<f64>() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn who_is_quick_in_one_stage_is_quick_in_the_next() {
        // Two paces, ten times apart: the sum of two stages in a chain that shares them, by its survival, against that of each pace.
        let paced = |weight, step_s, pace| Branch {
            weight,
            steps: 1,
            step_s,
            pace: Some(pace),
        };
        let law = StageLaw {
            branches: vec![paced(0.4, 100.0, 0), paced(0.6, 1000.0, 1)],
            stays: 0.1,
            begins: 0.0,
        };
        let first = StageLaw {
            stays: 0.0,
            begins: 1.0,
            ..law.clone()
        };
        let last = StageLaw {
            branches: vec![Branch {
                pace: None,
                ..paced(1.0, 60.0, 0)
            }],
            ..law.clone()
        };
        let chain = Chain::new(&[first, law, last], &[], 10.0);
        let mut now = vec![0.0; chain.states()];
        (now[0], now[1]) = (0.4, 0.6);
        for bin in 1..=200 {
            let mut next = now.clone();
            chain.step(Some(&now), &mut next, &[1.0; 3], |_| 1.0, (0, 2));
            now = next;
            // Neither of two geometric steps in series has been left, or one has: qⁿ + n (1 − q) qⁿ⁻¹.
            let n = f64::from(bin);
            let still = |step_s: f64| {
                let q = (-10.0 / step_s).exp();
                q.powf(n) + n * (1.0 - q) * q.powf(n - 1.0)
            };
            // One in ten stays in the second stage, at whatever pace it came.
            let expected = 0.1 + 0.9 * (0.4 * still(100.0) + 0.6 * still(1000.0));
            let found = 1.0 - chain.furthest(&now)[2];
            assert!((found - expected).abs() < 1e-12, "{bin}: {found} {expected}");
        }
    }

    #[test]
    fn a_stage_that_must_be_entered_is() {
        let chain = small();
        let mut observed = observed(6, &[0.1, -0.4, 0.9, -1.1]);
        observed.allowed[5] = (2, 2);
        let posterior = chain.infer(&observed);
        let reached = posterior.began_at_or_beyond(2) + posterior.entered_within(2);
        assert!((reached - 1.0).abs() < 1e-12);
    }

    #[test]
    fn evidence_that_is_overwhelming_does_not_make_a_stage_unreachable() {
        // 2000 nats against it at every bin, and yet the reader says that it was entered.
        let chain = small();
        let mut observed = observed(40, &[0.0]);
        observed.evidence[2] = vec![-2000.0; 40];
        for allowed in &mut observed.allowed[30..] {
            *allowed = (2, 2);
        }
        let posterior = chain.infer(&observed);
        assert!(posterior.ln_evidence.is_finite());
        assert!(posterior.occupancy[2][35] > 0.999);
    }
}
