//! What each site heard and should have heard, minute by minute, and by how much the others say that the capsule moved.

use super::LooseningOptions;
use crate::median::median;
use crate::recording::{Reading, Recording};
use crate::setup::Setup;
use crate::track::TrackPoint;

/// What one site heard of one block.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Heard {
    /// The median level, dBm; a saturated reading counts as the ceiling, one below the floor as lower than all.
    Level(f64),
    /// At most this level, dBm: most readings were below the floor.
    Below(f64),
    /// Nothing can be said.
    Nothing,
}

/// Some time in a row.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Block {
    pub start_s: f64,
    pub end_s: f64,
    /// What each site heard.
    pub heard: Vec<Heard>,
    /// What each site should hear along the track, dBm.
    pub expected_dbm: Vec<f64>,
}

impl Block {
    /// A site's level, or the limit on it, less what it should hear, dB.
    pub fn excess_db(&self, site: usize) -> Option<f64> {
        match self.heard[site] {
            Heard::Level(level_dbm) | Heard::Below(level_dbm) => Some(level_dbm - self.expected_dbm[site]),
            Heard::Nothing => None,
        }
    }
}

/// Fewest readings of a site from which a block says anything.
const FEWEST_READINGS: usize = 5;

/// The blocks in which a track has points, in the order of time; time between them is left out.
pub(super) fn blocks(setup: &Setup, recording: &Recording, points: &[TrackPoint], block_s: f64) -> Vec<Block> {
    let time_s = recording.time_s();
    let Some(&start_s) = time_s.first() else {
        return Vec::new();
    };
    let number = |time_s: f64| ((time_s - start_s) / block_s).floor();
    let mut first = 0;
    let mut blocks = Vec::new();
    for points in points.chunk_by(|one, next| number(one.time_s) == number(next.time_s)) {
        let number = number(points[0].time_s);
        let (from_s, to_s) = (start_s + number * block_s, start_s + (number + 1.0) * block_s);
        first += time_s[first..].partition_point(|&time_s| time_s < from_s);
        let instants = first..first + time_s[first..].partition_point(|&time_s| time_s < to_s);
        blocks.push(Block {
            start_s: from_s,
            end_s: to_s,
            heard: heard(setup, recording, instants),
            expected_dbm: expected_dbm(setup, points),
        });
    }
    blocks
}

fn expected_dbm(setup: &Setup, points: &[TrackPoint]) -> Vec<f64> {
    let mean = |site: usize| {
        let sum: f64 = points
            .iter()
            .map(|point| setup.median_dbm(&point.position_mm, site))
            .sum();
        sum / points.len() as f64
    };
    (0..setup.layout.len()).map(mean).collect()
}

fn heard(setup: &Setup, recording: &Recording, instants: std::ops::Range<usize>) -> Vec<Heard> {
    let mut levels = Vec::with_capacity(instants.len());
    (0..setup.layout.len())
        .map(|site| {
            levels.clear();
            let rows = instants.clone().map(|instant| recording.row(instant)[site]);
            levels.extend(rows.filter_map(|level| match setup.receiver.read(level) {
                Reading::Heard(level_dbm) | Reading::Saturated(level_dbm) => Some(level_dbm),
                Reading::BelowFloor(_) => Some(f64::NEG_INFINITY),
                Reading::Missing => None,
            }));
            let enough = levels.len() >= FEWEST_READINGS;
            match median(&mut levels).filter(|_| enough) {
                Some(level_dbm) if level_dbm.is_finite() => Heard::Level(level_dbm),
                Some(_) => Heard::Below(setup.receiver.floor_dbm()),
                None => Heard::Nothing,
            }
        })
        .collect()
}

/// A change of more than this counts as this, dB.
const MOST_CHANGE_DB: f64 = 20.0;
/// The mean square change where fewer than two other sites tell of it, dB².
const UNTOLD_DB2: f64 = 9.0;

/// The square by which each site's level changes into a block, dB²; `None` where that is not told.
pub(super) type Changes = Vec<Option<f64>>;

/// How each site's level changes into a block.
pub(super) fn changes_db2(blocks: &[Block], index: usize, options: &LooseningOptions) -> Changes {
    let reach = options.movement_blocks;
    let before = &blocks[index.saturating_sub(reach)..index];
    let after = &blocks[index..(index + reach).min(blocks.len())];
    let change_db = |site: usize| Some(mean_dbm(after, site)? - mean_dbm(before, site)?);
    (0..blocks[index].heard.len())
        .map(|site| Some(change_db(site)?.abs().min(MOST_CHANGE_DB).powi(2)))
        .collect()
}

/// By how much a site's excess may wander into a block, dB²: the mean square by which the other sites' levels change there beyond
/// what they change at rest.
pub(super) fn movement_db2(changes_db2: &Changes, site: usize, options: &LooseningOptions) -> f64 {
    let others = changes_db2.iter().enumerate().filter(|&(other, _)| other != site);
    let (count, sum_db2) = others
        .filter_map(|(_, change_db2)| *change_db2)
        .fold((0, 0.0), |(count, sum), change_db2| (count + 1, sum + change_db2));
    let moved_db2 = if count < 2 {
        UNTOLD_DB2
    } else {
        (sum_db2 / f64::from(count) - options.rest_db.powi(2)).max(0.0)
    };
    options.movement_share * moved_db2 + options.drift_db.powi(2)
}

/// The mean of a site's levels over some blocks, dBm.
fn mean_dbm(blocks: &[Block], site: usize) -> Option<f64> {
    let levels = blocks.iter().filter_map(|block| match block.heard[site] {
        Heard::Level(level_dbm) => Some(level_dbm),
        Heard::Below(_) | Heard::Nothing => None,
    });
    let (count, sum) = levels.fold((0.0, 0.0), |(count, sum), level_dbm| (count + 1.0, sum + level_dbm));
    (count > 0.0).then(|| sum / count)
}
