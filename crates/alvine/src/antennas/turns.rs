//! Turns: from when to when the capsule was held near which site.
//!
//! ```text
//! min over t₀ < t₁ < … < t_k of Σᵢ Σ_c Σ_{tᵢ ≤ t < tᵢ₊₁} (y(t, c) − ȳᵢ(c))²
//! ```
//!
//! The recording is cut into as many spans as there are sites in the order in which they were visited, so that the levels within
//! each span vary least: dynamic programming over all cuts.

use crate::recording::{Reading, Recording};
use crate::setup::Setup;

use super::AntennaCheckError;
use super::levels::median;

/// The recording is averaged into no more bins than this before it is cut.
const MOST_BINS: usize = 600;
/// No turn is shorter, s (common practice, no source).
pub(super) const SHORTEST_S: f64 = 2.0;

/// A span in which the capsule was held near one site.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turn {
    /// Index of the site.
    pub site: usize,
    /// From, s.
    pub start_s: f64,
    /// To, s.
    pub end_s: f64,
}

/// Finds the turns of a recording in which the capsule was held near sites in this order, from its first instant to its last.
///
/// # Errors
///
/// [`AntennaCheckError::TooShort`] when the recording has no room for so many turns, [`AntennaCheckError::TooFewTurns`] for
/// fewer than three, and [`AntennaCheckError::UnknownSite`] for a site that the layout does not have.
pub fn find_turns(setup: &Setup, recording: &Recording, order: &[usize]) -> Result<Vec<Turn>, AntennaCheckError> {
    super::check_sites(setup, order.iter().copied())?;
    let bins = Bins::of(setup, recording);
    let needed_s = SHORTEST_S * order.len() as f64;
    let too_short = || AntennaCheckError::TooShort {
        duration_s: recording.duration_s(),
        needed_s,
        turns: order.len(),
    };
    if recording.duration_s() < needed_s {
        return Err(too_short());
    }
    let per_bin_s = recording.duration_s() / bins.count() as f64;
    let shortest = ((SHORTEST_S / per_bin_s).floor() as usize).max(1);
    let cuts = cut(&bins, order.len(), shortest).ok_or_else(too_short)?;
    let turns = order.iter().zip(cuts.windows(2)).map(|(&site, pair)| Turn {
        site,
        start_s: bins.start_s[pair[0]],
        end_s: bins.start_s[pair[1]],
    });
    Ok(turns.collect())
}

/// Levels averaged in time, as running sums.
struct Bins {
    columns: usize,
    /// When each bin begins; and the last instant of all, s.
    start_s: Vec<f64>,
    /// Sums of the levels of the bins before each, by column.
    sums: Vec<Vec<f64>>,
    /// Sums of the squares over all columns.
    squares: Vec<f64>,
}

impl Bins {
    fn of(setup: &Setup, recording: &Recording) -> Self {
        let columns = recording.sites();
        let size = recording.len().div_ceil(MOST_BINS);
        let levels = filled(setup, recording);
        let mut bins = Self {
            columns,
            start_s: Vec::new(),
            sums: vec![vec![0.0; columns]],
            squares: vec![0.0],
        };
        for first in (0..recording.len()).step_by(size) {
            let rows = first..(first + size).min(recording.len());
            let mean = |column: usize| rows.clone().map(|row| levels[row][column]).sum::<f64>() / rows.len() as f64;
            let means: Vec<f64> = (0..columns).map(mean).collect();
            let last = bins.sums.len() - 1;
            let sums = bins.sums[last]
                .iter()
                .zip(&means)
                .map(|(sum, mean)| sum + mean)
                .collect();
            bins.squares
                .push(bins.squares[last] + means.iter().map(|mean| mean * mean).sum::<f64>());
            bins.sums.push(sums);
            bins.start_s.push(recording.time_s()[first]);
        }
        bins.start_s.extend(recording.time_s().last());
        bins
    }

    fn count(&self) -> usize {
        self.squares.len() - 1
    }

    /// How much the levels vary between two bins.
    fn scatter(&self, from: usize, to: usize) -> f64 {
        let length = (to - from) as f64;
        let mut scatter = self.squares[to] - self.squares[from];
        for column in 0..self.columns {
            let sum = self.sums[to][column] - self.sums[from][column];
            scatter -= sum * sum / length;
        }
        scatter.max(0.0)
    }
}

/// Levels about their column's median, dB; where no packet came, the last one that did.
fn filled(setup: &Setup, recording: &Recording) -> Vec<Vec<f64>> {
    let floor_dbm = setup.receiver.floor_dbm();
    let mut last: Vec<f64> = (0..recording.sites())
        .map(|site| {
            median(recording.rssi_dbm().column(site).iter().map(|&level| f64::from(level))).unwrap_or(floor_dbm)
        })
        .collect();
    let middle = last.clone();
    let rows = (0..recording.len()).map(|row| {
        for (site, &level_dbm) in recording.row(row).iter().enumerate() {
            match setup.receiver.read(level_dbm) {
                Reading::Heard(level_dbm) | Reading::Saturated(level_dbm) | Reading::BelowFloor(level_dbm) => {
                    last[site] = level_dbm;
                }
                Reading::Missing => {}
            }
        }
        last.iter().zip(&middle).map(|(level, middle)| level - middle).collect()
    });
    rows.collect()
}

/// The cuts between so many spans, each at least so long, that leave the least scatter; `None` where there is no room.
fn cut(bins: &Bins, spans: usize, shortest: usize) -> Option<Vec<usize>> {
    let count = bins.count();
    let mut least = vec![f64::INFINITY; count + 1];
    least[0] = 0.0;
    let mut begins = Vec::with_capacity(spans);
    for _ in 0..spans {
        let mut next = vec![f64::INFINITY; count + 1];
        let mut begin = vec![0; count + 1];
        for to in shortest..=count {
            for (from, &so_far) in least.iter().enumerate().take(to - shortest + 1) {
                if so_far.is_finite() {
                    let scatter = so_far + bins.scatter(from, to);
                    if scatter < next[to] {
                        next[to] = scatter;
                        begin[to] = from;
                    }
                }
            }
        }
        least = next;
        begins.push(begin);
    }
    if !least[count].is_finite() {
        return None;
    }
    let mut cuts = vec![count];
    let mut to = count;
    for begin in begins.iter().rev() {
        to = begin[to];
        cuts.push(to);
    }
    cuts.reverse();
    Some(cuts)
}
