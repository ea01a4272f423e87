//! Loosening: a site that comes to hear less than before while the capsule hardly moves.
//!
//! Along a track each site hears more or less than the law says there: its *excess*. As the capsule moves the body's shadowing changes
//! every site's excess. An antenna that works loose changes its own alone, at once or within minutes, and changes it back when it is
//! pressed on again. So each site's excess is followed minute by minute (*blocks*) by a bank of Kalman filters, one for each history of
//! loose and firm that is still likely (*histories*), in which the excess may wander by as much as the *other* sites' levels change.
//! The weights the histories have at the end say how likely the site was loose in each minute. A site that fell silent tells by how
//! likely it is below the floor.
//!
//! # Source
//!
//! Multiple-model filtering with the most likely histories kept: Bar-Shalom, Li and Kirubarajan, *Estimation with Applications to
//! Tracking and Navigation* (2001), chapter 11 (from memory). The numbers of the model are common practice, no source: chosen on 40
//! simulated studies (seeds 5001 to 5020, each with 4 and with 7.85 dB of shadowing).
//!
//! # What it is worth
//!
//! On studies that chose nothing (seeds 101 to 140, 1 Hz): with 4 dB of shadowing 19 of the 40 loosenings were found and 19 of 20 spans
//! were right, with 7.85 dB 9 of 24 and 10 of 11. What is missed is mostly an antenna whose loss the track has taken for a movement, or
//! one that was at the floor anyway.

mod blocks;
mod histories;

use rayon::prelude::*;

use crate::median::median;
use crate::recording::Recording;
use crate::setup::Setup;
use crate::track::TrackPoint;
use blocks::{Block, Changes, Heard, blocks, changes_db2, movement_db2};
use histories::{Bank, Observed};

/// A span in which a site seems to have been loose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loosening {
    /// Index of the site.
    pub site: usize,
    /// From, s.
    pub start_s: f64,
    /// To, s.
    pub end_s: f64,
    /// By how much less it heard than in the hour before and after, dB; at least so much where it fell silent. Where a track has
    /// followed the loose site, it is less than the antenna's true loss.
    pub loss_db: f64,
    /// How likely it was loose at the likeliest minute of the span.
    pub probability: f64,
}

impl Loosening {
    /// Whether a time lies in the span.
    #[must_use]
    pub fn contains(&self, time_s: f64) -> bool {
        (self.start_s..=self.end_s).contains(&time_s)
    }
}

/// Whether a site lies in one of the spans at a time, s.
pub(crate) fn is_loose(loosenings: &[Loosening], site: usize, time_s: f64) -> bool {
    loosenings.iter().any(|span| span.site == site && span.contains(time_s))
}

/// How loosening is told from shadowing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LooseningOptions {
    /// Length of a block, s.
    pub block_s: f64,
    /// Spread of a firm site's excess, dB.
    pub excess_spread_db: f64,
    /// How far an excess wanders from block to block though nothing moves, dB.
    pub drift_db: f64,
    /// The share of the other sites' mean square change of level by which an excess may wander.
    pub movement_share: f64,
    /// Blocks on either side between which the others' change is taken.
    pub movement_blocks: usize,
    /// What a change of the others is at rest, root mean square, dB.
    pub rest_db: f64,
    /// Spread of one block's excess, dB.
    pub block_spread_db: f64,
    /// What a loose site loses, as the track lets it be seen, dB, and its spread.
    pub loss_db: f64,
    /// See [`LooseningOptions::loss_db`].
    pub loss_spread_db: f64,
    /// How long a site stays firm in the mean, s, and how long loose.
    pub firm_s: f64,
    /// See [`LooseningOptions::firm_s`].
    pub loose_s: f64,
    /// Histories kept for each site.
    pub histories: usize,
    /// A span is told from this probability on.
    pub least_probability: f64,
}

impl Default for LooseningOptions {
    fn default() -> Self {
        Self {
            block_s: 60.0,
            excess_spread_db: 10.0,
            drift_db: 0.2,
            movement_share: 0.5,
            movement_blocks: 3,
            rest_db: 1.5,
            block_spread_db: 3.0,
            loss_db: 9.0,
            loss_spread_db: 3.5,
            firm_s: 200.0 * 3600.0,
            loose_s: 3600.0,
            histories: 64,
            least_probability: 0.9,
        }
    }
}

/// Finds the spans in which sites seem to have been loose, at the points of a track, in the order of time; leave those out at which the
/// capsule is not inside the body. Spans come site by site, in the order of time.
#[must_use]
pub fn find_loosenings(
    setup: &Setup,
    recording: &Recording,
    points: &[TrackPoint],
    options: &LooseningOptions,
) -> Vec<Loosening> {
    let blocks = blocks(setup, recording, points, options.block_s);
    let changes: Vec<Changes> = (0..blocks.len())
        .map(|index| changes_db2(&blocks, index, options))
        .collect();
    let sites: Vec<usize> = (0..setup.layout.len()).collect();
    let found: Vec<Vec<Loosening>> = sites
        .par_iter()
        .map(|&site| spans(&blocks, site, &looseness(&blocks, &changes, site, options), options))
        .collect();
    believable(found.concat(), sites.len())
}

/// At most one site in so many is loose at a time: where more seem to be, it is rather the capsule that fell, or the law that is wrong.
const LOOSE_IN: usize = 4;

/// Leaves out spans that share a time with too many others.
fn believable(spans: Vec<Loosening>, sites: usize) -> Vec<Loosening> {
    let most = (sites / LOOSE_IN).max(1);
    let at = |time_s: f64| spans.iter().filter(|span| span.contains(time_s)).count();
    // The number of spans at a time is greatest where one begins.
    let crowded_s: Vec<f64> = spans
        .iter()
        .map(|span| span.start_s)
        .filter(|&start_s| at(start_s) > most)
        .collect();
    let is_alone = |span: &&Loosening| !crowded_s.iter().any(|&time_s| span.contains(time_s));
    spans.iter().filter(is_alone).copied().collect()
}

/// How likely a site was loose in each block. Its excess counts from its own median: a wrong law or gain is no loosening.
fn looseness(blocks: &[Block], changes: &[Changes], site: usize, options: &LooseningOptions) -> Vec<f64> {
    let mut bank = Bank::new(options);
    let mut excesses_db: Vec<f64> = blocks.iter().filter_map(|block| block.excess_db(site)).collect();
    let usual_db = median(&mut excesses_db).unwrap_or(0.0);
    for (index, (block, changes)) in blocks.iter().zip(changes).enumerate() {
        let observed = block.excess_db(site).map(|excess_db| match block.heard[site] {
            Heard::Below(_) => Observed::Below(excess_db - usual_db),
            Heard::Level(_) | Heard::Nothing => Observed::Excess(excess_db - usual_db),
        });
        bank.step(index, movement_db2(changes, site, options), observed);
    }
    bank.looseness(blocks.len())
}

/// A block is counted as loose from this probability on.
const LIKELIER_THAN_NOT: f64 = 0.5;

fn spans(blocks: &[Block], site: usize, looseness: &[f64], options: &LooseningOptions) -> Vec<Loosening> {
    let mut spans = Vec::new();
    let mut first = 0;
    for run in looseness.chunk_by(|one, next| (*one >= LIKELIER_THAN_NOT) == (*next >= LIKELIER_THAN_NOT)) {
        let end = first + run.len();
        let probability = run.iter().copied().fold(0.0, f64::max);
        if probability >= options.least_probability {
            spans.push(Loosening {
                site,
                start_s: blocks[first].start_s,
                end_s: blocks[end - 1].end_s,
                loss_db: loss_db(blocks, site, first..end),
                // A sum of shares may exceed one by its rounding.
                probability: probability.min(1.0),
            });
        }
        first = end;
    }
    spans
}

/// How long before and after a span a site is taken for what it usually is, s.
const ABOUT_S: f64 = 3600.0;

/// By how much the median excess over some blocks lies below that of the hour before and after; 0 where either says nothing.
fn loss_db(blocks: &[Block], site: usize, span: std::ops::Range<usize>) -> f64 {
    let (from_s, to_s) = (
        blocks[span.start].start_s - ABOUT_S,
        blocks[span.end - 1].end_s + ABOUT_S,
    );
    let mut within = Vec::new();
    let mut about = Vec::new();
    for (index, block) in blocks.iter().enumerate() {
        let Some(excess_db) = block.excess_db(site) else {
            continue;
        };
        if span.contains(&index) {
            within.push(excess_db);
        } else if block.end_s >= from_s && block.start_s <= to_s {
            about.push(excess_db);
        }
    }
    match (median(&mut about), median(&mut within)) {
        (Some(usual_db), Some(loose_db)) => (usual_db - loose_db).max(0.0),
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests;
