//! Knots: the recording in blocks of a few seconds, each site's readings reduced to what the likelihood needs of them.
//!
//! Within a block the capsule and all that is slow hold still, so that a site's heard levels count by their number and
//! mean, and those below the floor or above the ceiling by their number. The mean is clipped about the median, so that one
//! burst of interference in a block of many readings cannot move it.

use std::ops::Range;

use crate::recording::{Reading, Recording};
use crate::setup::Setup;

/// One site's readings in one block.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Heard {
    /// Readings between floor and ceiling.
    pub heard: u32,
    /// Their clipped mean, dBm; zero where there is none.
    pub mean_dbm: f64,
    /// Readings at or below the floor.
    pub below: u32,
    /// Readings at or above the ceiling.
    pub saturated: u32,
}

impl Heard {
    /// Whether any packet came.
    pub const fn is_present(&self) -> bool {
        self.heard + self.below + self.saturated > 0
    }
}

/// The blocks in which at least one site heard the capsule.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Knots {
    /// Mean time of each block's instants, s; strictly increasing.
    pub time_s: Vec<f64>,
    /// The first instant of each block and the one after its last.
    pub instants: Vec<(usize, usize)>,
    /// Blocks × sites.
    pub readings: Vec<Heard>,
    /// Number of sites.
    pub sites: usize,
}

/// Levels further than this many spreads from the median of their block are pulled back to there.
const CLIP_SPREADS: f64 = 2.5;

impl Knots {
    /// Gathers a recording into blocks of `spacing_s`. `trusted` tells whether a site may be used at a time.
    pub fn gather(setup: &Setup, recording: &Recording, spacing_s: f64, trusted: impl Fn(usize, f64) -> bool) -> Self {
        let sites = setup.layout.len();
        let mut knots = Self {
            time_s: Vec::new(),
            instants: Vec::new(),
            readings: Vec::new(),
            sites,
        };
        let time_s = recording.time_s();
        let mut gathering = vec![Gathering::default(); sites];
        let mut first = 0;
        while first < time_s.len() {
            let block = (time_s[first] / spacing_s).floor();
            let end = first + time_s[first..].partition_point(|time_s| (time_s / spacing_s).floor() <= block);
            let end = end.max(first + 1);
            gathering.iter_mut().for_each(Gathering::clear);
            for (instant, &time_s) in time_s.iter().enumerate().take(end).skip(first) {
                for (site, (gathered, &level)) in gathering.iter_mut().zip(recording.row(instant)).enumerate() {
                    if trusted(site, time_s) {
                        gathered.take(setup.receiver.read(level));
                    }
                }
            }
            if gathering.iter().any(Gathering::is_heard) {
                let count = (end - first) as f64;
                knots.time_s.push(time_s[first..end].iter().sum::<f64>() / count);
                knots.instants.push((first, end));
                let spread_db = setup.noise.sample_db(setup.receiver.step_db());
                knots
                    .readings
                    .extend(gathering.iter_mut().map(|gathered| gathered.reduce(spread_db)));
            }
            first = end;
        }
        knots
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    /// The readings of one block, one a site.
    pub fn row(&self, knot: usize) -> &[Heard] {
        &self.readings[knot * self.sites..(knot + 1) * self.sites]
    }

    /// One site's readings of several blocks as of one.
    pub fn together(&self, knots: Range<usize>, site: usize) -> Heard {
        let mut all = Heard::default();
        let mut sum = 0.0;
        for knot in knots {
            let of = &self.row(knot)[site];
            all.heard += of.heard;
            all.below += of.below;
            all.saturated += of.saturated;
            sum += f64::from(of.heard) * of.mean_dbm;
        }
        if all.heard > 0 {
            all.mean_dbm = sum / f64::from(all.heard);
        }
        all
    }
}

/// One site's readings of one block while they are gathered.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Gathering {
    pub levels_dbm: Vec<f32>,
    pub below: u32,
    pub saturated: u32,
}

impl Gathering {
    fn clear(&mut self) {
        self.levels_dbm.clear();
        self.below = 0;
        self.saturated = 0;
    }

    pub fn is_heard(&self) -> bool {
        self.saturated > 0 || !self.levels_dbm.is_empty()
    }

    pub fn take(&mut self, reading: Reading) {
        match reading {
            Reading::Heard(level_dbm) => self.levels_dbm.push(level_dbm as f32),
            Reading::BelowFloor(_) => self.below += 1,
            Reading::Saturated(_) => self.saturated += 1,
            Reading::Missing => {}
        }
    }

    /// What the likelihood needs of them; `spread_db` is that of one reading.
    pub fn reduce(&mut self, spread_db: f64) -> Heard {
        Heard {
            heard: self.levels_dbm.len() as u32,
            mean_dbm: clipped_mean(&mut self.levels_dbm, CLIP_SPREADS * spread_db),
            below: self.below,
            saturated: self.saturated,
        }
    }
}

/// The mean of values clipped to `reach` about their median; zero of none.
fn clipped_mean(values: &mut [f32], reach: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let count = values.len() as f64;
    if values.len() < 3 {
        return values.iter().map(|&value| f64::from(value)).sum::<f64>() / count;
    }
    let middle = values.len() / 2;
    let median = f64::from(*values.select_nth_unstable_by(middle, f32::total_cmp).1);
    let sum: f64 = values
        .iter()
        .map(|&value| (f64::from(value) - median).clamp(-reach, reach))
        .sum();
    median + sum / count
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_burst_in_a_block_hardly_moves_its_mean() {
        let mut levels: Vec<f32> = vec![-70.0, -71.0, -69.0, -70.0, -72.0, -68.0, -70.0, -30.0];
        let plain = -65.0;
        let clipped = clipped_mean(&mut levels, 5.0);
        assert!((clipped - -70.0).abs() < 1.0 && clipped < plain);
        assert_eq!(clipped_mean(&mut [-60.0, -62.0], 5.0), -61.0);
        assert_eq!(clipped_mean(&mut [], 5.0), 0.0);
    }
}
