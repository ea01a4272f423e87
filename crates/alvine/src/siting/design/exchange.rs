//! The exchange: from a start, each site in turn makes way for the candidate that serves best in its place, until none
//! does better.
//!
//! The greedy start adds one candidate after the other, each time the one that helps most; while there are too few to
//! determine a place, that it is inside the torso counts as known. The other starts are random. An exchange ends in a
//! minimum that no single swap leaves; from several starts the best is taken.

use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_xoshiro::Xoshiro256PlusPlus;
use rayon::prelude::*;

use super::super::information::{Information, torso_prior_per_mm2};
use super::Design;
use crate::layout::FEWEST_SITES;

/// Random starts beside the greedy one.
const RANDOM_STARTS: u64 = 5;
/// An exchange that has not ended after so many rounds is cut; it ends within ten in all that was tried.
const MOST_ROUNDS: usize = 40;
/// A swap must gain more than this share, so that rounding starts no circle.
const LEAST_GAIN: f64 = 1e-9;

/// Candidates that were chosen, by index.
#[derive(Debug, Clone)]
pub(super) struct Chosen {
    pub indices: Vec<usize>,
    pub value_mm: f64,
}

impl Chosen {
    /// Worse than any choice.
    pub fn none() -> Self {
        Self {
            indices: Vec::new(),
            value_mm: f64::INFINITY,
        }
    }
}

/// The starts that found room for so many sites; a start that did not is as long as it got, and the only one.
pub(super) fn starts(design: &Design<'_>, sites: usize) -> Vec<Vec<usize>> {
    let mut greedy = Vec::new();
    grow(design, &mut greedy, sites);
    let mut starts = vec![greedy];
    starts.extend((0..RANDOM_STARTS).map(|seed| random(design, sites, seed)));
    if starts.iter().any(|start| start.len() == sites) {
        starts.retain(|start| start.len() == sites);
    }
    starts
}

/// Candidates in random order, as far as they keep apart.
fn random(design: &Design<'_>, sites: usize, seed: u64) -> Vec<usize> {
    let mut order: Vec<usize> = (0..design.candidates()).collect();
    order.shuffle(&mut Xoshiro256PlusPlus::seed_from_u64(seed));
    let mut chosen = Vec::with_capacity(sites);
    for candidate in order {
        if chosen.len() < sites && fits(design, candidate, &chosen) {
            chosen.push(candidate);
        }
    }
    chosen
}

/// Adds the best candidate again and again until there are so many, or no room.
pub(super) fn grow(design: &Design<'_>, chosen: &mut Vec<usize>, sites: usize) {
    let prior = torso_prior_per_mm2(&design.setup.torso);
    while chosen.len() < sites {
        let totals = totals(design, chosen);
        let few = chosen.len() < FEWEST_SITES + usize::from(design.objective.survive_loss);
        let best = best_candidate(design, chosen, |candidate| {
            let sums = totals
                .iter()
                .zip(design.field.part(candidate))
                .map(|(sum, part)| sum.plus(part));
            if few {
                design.objective.value_in_torso_mm(sums, &prior)
            } else {
                with(design, &sums.collect::<Vec<_>>(), chosen, candidate, f64::INFINITY)
            }
        });
        match best {
            Some((candidate, _)) => chosen.push(candidate),
            None => return,
        }
    }
}

/// Swaps until no swap helps.
pub(super) fn exchange(design: &Design<'_>, start: Vec<usize>) -> Chosen {
    let mut chosen = start;
    let mut value_mm = value_of(design, &chosen);
    for _ in 0..MOST_ROUNDS {
        let mut swapped = false;
        for place in 0..chosen.len() {
            let mut others = chosen.clone();
            let own = others.remove(place);
            sort_by_loss(design, &chosen, &mut others);
            let rest = totals(design, &others);
            let best = best_candidate(design, &others, |candidate| {
                let sums = rest
                    .iter()
                    .zip(design.field.part(candidate))
                    .map(|(sum, part)| sum.plus(part));
                with(design, &sums.collect::<Vec<_>>(), &others, candidate, value_mm)
            });
            if let Some((candidate, found_mm)) = best
                && candidate != own
                && found_mm < value_mm * (1.0 - LEAST_GAIN)
            {
                chosen[place] = candidate;
                value_mm = found_mm;
                swapped = true;
            }
        }
        if !swapped {
            break;
        }
    }
    Chosen {
        indices: chosen,
        value_mm,
    }
}

/// Puts those first whose loss is felt most, so that bad candidates are found out early.
fn sort_by_loss(design: &Design<'_>, chosen: &[usize], others: &mut [usize]) {
    if design.objective.survive_loss {
        let all = totals(design, chosen);
        others.sort_by_cached_key(|&other| {
            let left_mm = design.objective.without_mm(&all, design.field.part(other));
            // Lengths are not negative, and the bits of such numbers are in their order.
            std::cmp::Reverse(left_mm.to_bits())
        });
    }
}

fn value_of(design: &Design<'_>, chosen: &[usize]) -> f64 {
    let parts = chosen.iter().map(|&candidate| design.field.part(candidate));
    design
        .objective
        .value_of_totals_mm(&totals(design, chosen), parts, f64::INFINITY)
}

/// The criterion of chosen candidates and one more, whose sums are given; `limit_mm` or more where it is no less.
fn with(design: &Design<'_>, totals: &[Information], chosen: &[usize], candidate: usize, limit_mm: f64) -> f64 {
    let parts = chosen.iter().chain([&candidate]);
    let parts = parts.map(|&candidate| design.field.part(candidate));
    design.objective.value_of_totals_mm(totals, parts, limit_mm)
}

/// The candidate of the least value among those that keep apart from the chosen; the first of equals.
fn best_candidate(
    design: &Design<'_>,
    chosen: &[usize],
    value_mm: impl Fn(usize) -> f64 + Sync,
) -> Option<(usize, f64)> {
    let values: Vec<Option<f64>> = (0..design.candidates())
        .into_par_iter()
        .map(|candidate| fits(design, candidate, chosen).then(|| value_mm(candidate)))
        .collect();
    let valued = values.into_iter().enumerate();
    valued
        .filter_map(|(candidate, value_mm)| Some((candidate, value_mm?)))
        .min_by(|(_, one), (_, other)| one.total_cmp(other))
}

fn fits(design: &Design<'_>, candidate: usize, chosen: &[usize]) -> bool {
    let sites_mm = &design.field.sites_mm;
    let others = chosen.iter().map(|&other| sites_mm[other]);
    design.space.is_apart(&sites_mm[candidate], others)
}

fn totals(design: &Design<'_>, chosen: &[usize]) -> Vec<Information> {
    let mut totals = vec![Information::default(); design.places()];
    for &candidate in chosen {
        for (total, part) in totals.iter_mut().zip(design.field.part(candidate)) {
            *total = total.plus(part);
        }
    }
    totals
}
