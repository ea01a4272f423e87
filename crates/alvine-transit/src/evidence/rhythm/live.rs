//! The same rhythms, row by row: a window speaks as soon as its last reading is in.
//!
//! What is kept is one window of the longest kind. A gap is joined from what was heard before the window, as far as that is kept, to
//! what is heard within a few steps after it; beyond, the last level is taken to last.

use std::collections::VecDeque;
use std::ops::Range;

use alvine::{Reading, Setup};

use super::follower::Speaker;
use super::series::{HALF, bridge, clip};
use super::window::{SiteLevels, Windows};
use super::{Band, Ranges, step_s};

/// What one window says of the bins in its middle.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Word {
    pub band: Band,
    pub bins: Range<usize>,
    /// Log-likelihood of each of the bins.
    pub ln: f64,
}

/// Listens row by row.
#[derive(Debug)]
pub(crate) struct LiveRhythms {
    start_s: f64,
    step_s: f64,
    width_s: f64,
    listeners: Vec<Listener>,
    /// The step that is open, and the sum and number of each site's levels in it.
    open_step: usize,
    open: Vec<(f64, u32)>,
    /// Each site's levels in the last closed steps; NaN where it was not heard, dBm.
    kept_dbm: Vec<VecDeque<f64>>,
    /// How many steps are kept.
    longest: usize,
}

/// Windows of one length.
#[derive(Debug)]
struct Listener {
    windows: Windows,
    speakers: Vec<(Band, Speaker)>,
    /// The next window.
    next: usize,
}

/// Steps before a window that are kept for its edge.
const BEFORE: usize = 32;

impl LiveRhythms {
    /// Of `sites` sites, rows about `median_step_s` apart from `start_s` on, for bins of `width_s`.
    pub fn new(sites: usize, start_s: f64, median_step_s: Option<f64>, width_s: f64, ranges: &Ranges) -> Self {
        let step_s = step_s(median_step_s);
        let listeners: Vec<Listener> = Band::OF_ONE_WINDOW
            .map(|bands| {
                let windows = Windows::new(bands, ranges, step_s);
                let speaker = |&band| (band, Speaker::new(band, ranges, windows.per_minute(), step_s));
                Listener {
                    speakers: bands.iter().map(speaker).collect(),
                    windows,
                    next: 0,
                }
            })
            .into();
        let longest = listeners.iter().map(|of| of.windows.samples()).max().unwrap_or(0);
        Self {
            start_s,
            step_s,
            width_s,
            listeners,
            open_step: 0,
            open: vec![(0.0, 0); sites],
            kept_dbm: vec![VecDeque::new(); sites],
            longest: BEFORE + longest + HALF,
        }
    }

    /// Takes a row, and adds what the windows say that it completes.
    pub fn take(&mut self, setup: &Setup, time_s: f64, levels_dbm: &[f32], words: &mut Vec<Word>) {
        let step = ((time_s - self.start_s) / self.step_s).round() as usize;
        while self.open_step < step {
            self.close_step();
            for index in 0..self.listeners.len() {
                self.listen(index, words);
            }
        }
        for (slot, &level) in self.open.iter_mut().zip(levels_dbm) {
            if let Reading::Heard(dbm) = setup.receiver.read(level) {
                slot.0 += dbm;
                slot.1 += 1;
            }
        }
    }

    /// The first bin of which a window may still speak.
    pub fn first_open_bin(&self) -> usize {
        let first = |of: &Listener| of.windows.bins(of.next, self.width_s).start;
        self.listeners.iter().map(first).min().unwrap_or(usize::MAX)
    }

    fn close_step(&mut self) {
        for (kept, (sum, count)) in self.kept_dbm.iter_mut().zip(&mut self.open) {
            kept.push_back(if *count > 0 { *sum / f64::from(*count) } else { f64::NAN });
            if kept.len() > self.longest {
                kept.pop_front();
            }
            (*sum, *count) = (0.0, 0);
        }
        self.open_step += 1;
    }

    /// Takes the next window of a length if it is complete, and the few steps after it by which interference is told.
    fn listen(&mut self, index: usize, words: &mut Vec<Word>) {
        let of = &mut self.listeners[index];
        let first = of.windows.first_step(of.next);
        let end = first + of.windows.samples();
        if end + HALF > self.open_step {
            return;
        }
        let levels: Vec<(Vec<f64>, usize)> = self
            .kept_dbm
            .iter()
            .map(|kept| levels_in(kept, self.open_step, first..end))
            .collect();
        let sites = levels.iter().map(|(levels_dbm, missing)| SiteLevels {
            levels_dbm,
            missing: *missing,
        });
        let spectra = of.windows.spectra(sites);
        let lines = spectra.as_ref().map(|spectra| &spectra.lines);
        let bins = of.windows.bins(of.next, self.width_s);
        for (band, speaker) in &mut of.speakers {
            let ln = speaker.take(lines) / bins.len().max(1) as f64;
            words.push(Word {
                band: *band,
                bins: bins.clone(),
                ln,
            });
        }
        of.next += 1;
    }
}

/// The levels of one site in some steps, gaps bridged and interference pulled back, and how many were missing.
fn levels_in(kept_dbm: &VecDeque<f64>, open_step: usize, steps: Range<usize>) -> (Vec<f64>, usize) {
    let oldest = open_step - kept_dbm.len();
    let from = steps.start.saturating_sub(BEFORE).max(oldest);
    let mut levels_dbm: Vec<f64> = kept_dbm.iter().skip(from - oldest).copied().collect();
    let window = steps.start - from..steps.end - from;
    let missing = levels_dbm[window.clone()].iter().filter(|level| level.is_nan()).count();
    bridge(&mut levels_dbm);
    clip(&mut levels_dbm);
    (levels_dbm[window].to_vec(), missing)
}
