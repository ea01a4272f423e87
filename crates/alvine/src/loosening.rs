//! Loosening: a site that hears less than the other sites say it should.
//!
//! For each block of a few minutes and each site, the capsule is placed by the *other* sites, and the site's reading
//! is compared with the law's there. The median over a block is that block's *excess*. Shadowing gives every site an
//! excess of its own that wanders as the capsule moves; an antenna that works loose falls, stays down, and falls far.
//! A span is reported when the excess lies below the site's own earlier median by more than a threshold for several
//! blocks in a row.
//!
//! # Source
//!
//! Common practice, no source. Shadowing that changes from one part of the belly to another looks much the same: on 60
//! simulated studies with 4 dB of shadowing, 15 of 48 spans found were right, and 15 of 60 that were there were found; with
//! 7.85 dB none. A span is therefore a remark, and nothing is left out of the track because of it.

use rayon::prelude::*;

use crate::fix::{FixError, FixOptions, FixSolver};
use crate::median::median;
use crate::recording::{Reading, Recording};
use crate::setup::Setup;

/// A span in which a site heard less than the others say it should.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loosening {
    /// Index of the site.
    pub site: usize,
    /// From, s.
    pub start_s: f64,
    /// To, s.
    pub end_s: f64,
    /// By how much it fell, dB.
    pub loss_db: f64,
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
    /// Time between the instants looked at, s.
    pub every_s: f64,
    /// A fall counts from this many times the spread of shadowing, and from `least_fall_db` at least.
    pub fall_spreads: f64,
    /// The least fall that counts, dB.
    pub least_fall_db: f64,
    /// Blocks in a row that must have fallen.
    pub blocks: usize,
}

impl Default for LooseningOptions {
    fn default() -> Self {
        Self {
            block_s: 300.0,
            every_s: 30.0,
            fall_spreads: 3.2,
            least_fall_db: 12.0,
            blocks: 6,
        }
    }
}

/// Finds the spans in which sites seem to have worked loose between two times (the capsule must be inside the body).
///
/// # Errors
///
/// [`FixError`] when the layout has too few sites to leave one out, or the options do not do.
pub fn find_loosenings(
    setup: &Setup,
    recording: &Recording,
    from_s: f64,
    to_s: f64,
    options: &LooseningOptions,
) -> Result<Vec<Loosening>, FixError> {
    let instants = instants(recording.time_s(), from_s, to_s, options.every_s);
    let solver = FixSolver::new(
        setup,
        FixOptions {
            tolerance_mm: 1.0,
            most_steps: 20,
            ..FixOptions::default()
        },
    )?;
    let sites: Vec<usize> = (0..setup.layout.len()).collect();
    let found: Vec<Vec<Loosening>> = sites
        .par_iter()
        .map(|&site| {
            let blocks = blocks(&solver, recording, &instants, site, options.block_s);
            spans(site, &blocks, setup, options)
        })
        .collect();
    Ok(found.concat())
}

/// The instants looked at: the first in every `every_s`.
fn instants(time_s: &[f64], from_s: f64, to_s: f64, every_s: f64) -> Vec<usize> {
    let mut chosen = Vec::new();
    let mut next_s = from_s;
    for (index, &time_s) in time_s.iter().enumerate() {
        if time_s >= next_s && time_s <= to_s {
            chosen.push(index);
            next_s = time_s + every_s;
        }
    }
    chosen
}

/// One block's excess of one site.
#[derive(Debug, Clone, Copy)]
struct Block {
    start_s: f64,
    end_s: f64,
    excess_db: f64,
}

fn blocks(solver: &FixSolver<'_>, recording: &Recording, instants: &[usize], site: usize, block_s: f64) -> Vec<Block> {
    let mut work = solver.workspace();
    let mut blocks = Vec::new();
    let mut excesses = Vec::new();
    let time_s = recording.time_s();
    let Some(&first) = instants.first() else {
        return blocks;
    };
    let mut start_s = time_s[first];
    let mut last_s = start_s;
    for &instant in instants {
        if time_s[instant] - start_s >= block_s {
            close(&mut blocks, &mut excesses, start_s, last_s);
            start_s = time_s[instant];
        }
        last_s = time_s[instant];
        let row = recording.row(instant);
        let others = row
            .iter()
            .enumerate()
            .map(|(other, &level)| if other == site { f32::NAN } else { level });
        let Some(fix) = solver.fix_with(others, &mut work) else {
            continue;
        };
        let setup = solver.setup();
        let predicted_dbm = setup.median_dbm(&fix.position_mm, site);
        match setup.receiver.read(row[site]) {
            Reading::Heard(level_dbm) => excesses.push(level_dbm - predicted_dbm),
            // All that is known of a censored site is a limit; it only matters where the limit is passed.
            Reading::BelowFloor(floor_dbm) => excesses.push((floor_dbm - predicted_dbm).min(0.0)),
            Reading::Saturated(ceiling_dbm) => excesses.push((ceiling_dbm - predicted_dbm).max(0.0)),
            Reading::Missing => {}
        }
    }
    close(&mut blocks, &mut excesses, start_s, last_s);
    blocks
}

/// Ends a block, if enough was seen in it for a median.
fn close(blocks: &mut Vec<Block>, excesses: &mut Vec<f64>, start_s: f64, end_s: f64) {
    const FEWEST: usize = 5;
    let enough = excesses.len() >= FEWEST;
    if let Some(excess_db) = median(excesses).filter(|_| enough) {
        blocks.push(Block {
            start_s,
            end_s,
            excess_db,
        });
    }
    excesses.clear();
}

/// Runs of fallen blocks against the median of the blocks before them.
fn spans(site: usize, blocks: &[Block], setup: &Setup, options: &LooseningOptions) -> Vec<Loosening> {
    let fall_db = options
        .least_fall_db
        .max(options.fall_spreads * setup.noise.shadowing_db());
    let mut spans = Vec::new();
    let mut sound: Vec<f64> = Vec::new();
    let mut run: Vec<usize> = Vec::new();
    for (index, block) in blocks.iter().enumerate() {
        let usual_db = median(&mut sound.clone()).filter(|_| sound.len() >= options.blocks);
        let fallen = usual_db.is_some_and(|usual_db| block.excess_db < usual_db - fall_db);
        if fallen {
            run.push(index);
        } else {
            end_run(site, blocks, &mut run, &sound, options, &mut spans);
            sound.push(block.excess_db);
        }
    }
    end_run(site, blocks, &mut run, &sound, options, &mut spans);
    spans
}

fn end_run(
    site: usize,
    blocks: &[Block],
    run: &mut Vec<usize>,
    sound: &[f64],
    options: &LooseningOptions,
    spans: &mut Vec<Loosening>,
) {
    if run.len() >= options.blocks
        && let (Some(&first), Some(&last)) = (run.first(), run.last())
    {
        let mut fallen: Vec<f64> = run.iter().map(|&index| blocks[index].excess_db).collect();
        if let Some((usual_db, fallen_db)) = median(&mut sound.to_vec()).zip(median(&mut fallen)) {
            spans.push(Loosening {
                site,
                start_s: blocks[first].start_s,
                end_s: blocks[last].end_s,
                loss_db: usual_db - fallen_db,
            });
        }
    }
    run.clear();
}
