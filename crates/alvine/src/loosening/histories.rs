//! The bank: one Kalman filter for each history of firm and loose that is still likely.
//!
//! The state is a site's excess were it firm, and what it loses where it is loose. A history says when it turned from one to the other;
//! each block every history may turn once more, and the likeliest are kept.

use nalgebra::{Matrix2, Vector2};

use super::LooseningOptions;
use crate::fix::one_sided;

/// What a block says of a site's excess.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Observed {
    /// It is this, dB.
    Excess(f64),
    /// It is at most this, dB.
    Below(f64),
}

/// One history, and what is known under it.
#[derive(Debug, Clone, Copy)]
struct History {
    ln_weight: f64,
    is_loose: bool,
    /// Where it turned last, in the bank's list.
    turned: Option<usize>,
    /// Excess were it firm, and loss, dB.
    mean_db: Vector2<f64>,
    covariance_db2: Matrix2<f64>,
}

/// A block at which a history turned, and the turn before.
#[derive(Debug, Clone, Copy)]
struct Turn {
    before: Option<usize>,
    block: usize,
}

/// The likeliest histories of one site.
pub(super) struct Bank<'a> {
    options: &'a LooseningOptions,
    histories: Vec<History>,
    /// Room for the next ones, each with whether it has just turned.
    next: Vec<(History, bool)>,
    turns: Vec<Turn>,
}

/// A history less likely than the likeliest by a factor of e to this is dropped.
const LEAST_LN_WEIGHT: f64 = -25.0;

impl<'a> Bank<'a> {
    /// Before the first block the site is firm.
    pub fn new(options: &'a LooseningOptions) -> Self {
        let firm = History {
            ln_weight: 0.0,
            is_loose: false,
            turned: None,
            mean_db: Vector2::new(0.0, options.loss_db),
            covariance_db2: Matrix2::new(
                options.excess_spread_db.powi(2),
                0.0,
                0.0,
                options.loss_spread_db.powi(2),
            ),
        };
        Self {
            options,
            histories: vec![firm],
            next: Vec::with_capacity(2 * options.histories),
            turns: Vec::new(),
        }
    }

    /// One block on: the excess may have wandered by so much, the site may have turned, and something was observed.
    pub fn step(&mut self, block: usize, moved_db2: f64, observed: Option<Observed>) {
        for history in &mut self.histories {
            history.wander(moved_db2, self.options.excess_spread_db);
        }
        let Some(observed) = observed else { return };
        self.next.clear();
        for &history in &self.histories {
            for turns in [false, true] {
                let mut next = history.after(turns, self.options);
                next.observe(observed, self.options.block_spread_db);
                self.next.push((next, turns));
            }
        }
        self.keep_likeliest(block);
    }

    fn keep_likeliest(&mut self, block: usize) {
        self.next
            .sort_by(|(one, _), (other, _)| other.ln_weight.total_cmp(&one.ln_weight));
        let most = self.next.first().map_or(0.0, |(likeliest, _)| likeliest.ln_weight);
        self.histories.clear();
        for &(mut history, has_turned) in self.next.iter().take(self.options.histories) {
            history.ln_weight -= most;
            if history.ln_weight < LEAST_LN_WEIGHT {
                break;
            }
            if has_turned {
                self.turns.push(Turn {
                    before: history.turned,
                    block,
                });
                history.turned = Some(self.turns.len() - 1);
            }
            self.histories.push(history);
        }
    }

    /// How likely the site was loose in each of so many blocks.
    pub fn looseness(&self, blocks: usize) -> Vec<f64> {
        let sum: f64 = self.histories.iter().map(|history| history.ln_weight.exp()).sum();
        let mut looseness = vec![0.0; blocks];
        for history in &self.histories {
            let share = history.ln_weight.exp() / sum;
            let (mut end, mut is_loose, mut turned) = (blocks, history.is_loose, history.turned);
            while let Some(turn) = turned.map(|turn| self.turns[turn]) {
                if is_loose {
                    looseness[turn.block..end].iter_mut().for_each(|sum| *sum += share);
                }
                (end, is_loose, turned) = (turn.block, !is_loose, turn.before);
            }
        }
        looseness
    }
}

impl History {
    /// The excess returns towards nothing by what it wanders, so that its spread stays what it is.
    fn wander(&mut self, moved_db2: f64, spread_db: f64) {
        let variance = spread_db * spread_db;
        let kept2 = (1.0 - moved_db2 / variance).clamp(0.0, 1.0);
        let kept = kept2.sqrt();
        self.mean_db.x *= kept;
        self.covariance_db2.m11 = self.covariance_db2.m11 * kept2 + variance * (1.0 - kept2);
        self.covariance_db2.m12 *= kept;
        self.covariance_db2.m21 *= kept;
    }

    /// The same history a block on, having turned or not. What a site loses is drawn anew each time it works loose.
    fn after(mut self, turns: bool, options: &LooseningOptions) -> Self {
        let stays_s = if self.is_loose { options.loose_s } else { options.firm_s };
        let chance = (options.block_s / stays_s).clamp(f64::MIN_POSITIVE, 0.5);
        self.ln_weight += if turns { chance.ln() } else { (-chance).ln_1p() };
        if turns {
            self.is_loose = !self.is_loose;
            if self.is_loose {
                self.mean_db.y = options.loss_db;
                self.covariance_db2.m12 = 0.0;
                self.covariance_db2.m21 = 0.0;
                self.covariance_db2.m22 = options.loss_spread_db.powi(2);
            }
        }
        self
    }

    /// Takes in an observation and weighs the history by how likely it was. What is below the floor is matched in mean and covariance.
    fn observe(&mut self, observed: Observed, block_spread_db: f64) {
        let by_state = Vector2::new(1.0, if self.is_loose { -1.0 } else { 0.0 });
        let shared = self.covariance_db2 * by_state;
        let variance = by_state.dot(&shared) + block_spread_db * block_spread_db;
        let expected_db = by_state.dot(&self.mean_db);
        let (cost, slope, curvature) = match observed {
            Observed::Excess(excess_db) => {
                let off_db = excess_db - expected_db;
                let cost = 0.5 * (variance.ln() + off_db * off_db / variance);
                (cost, -off_db / variance, 1.0 / variance)
            }
            Observed::Below(limit_db) => {
                let per_db = 1.0 / variance.sqrt();
                let term = one_sided((limit_db - expected_db) * per_db, per_db);
                (term.value, term.gradient, term.curvature)
            }
        };
        self.ln_weight -= cost;
        self.mean_db -= shared * slope;
        self.covariance_db2 -= shared * shared.transpose() * curvature;
    }
}
