//! The same rhythms, row by row: a window speaks as soon as its last reading is in.
//!
//! What is kept is one window of the longest kind. A gap is joined from what was heard before the window, as far as that is kept, to
//! what is heard within a few steps after it; beyond, the last level is taken to last.

use std::collections::VecDeque;
use std::ops::Range;

use alvine::Setup;

use super::follower::Speaker;
use super::series::{HALF, StepSum, bridge, clip};
use super::window::{SiteLevels, Windows};
use super::{Band, Breathing, Ranges, step_s};

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
    /// The step that is open, and what each site's readings in it add up to.
    open_step: usize,
    open: Vec<StepSum>,
    /// Those of the last closed steps.
    kept: Vec<VecDeque<StepSum>>,
    /// How many steps are kept.
    longest: usize,
}

/// Windows of one length.
#[derive(Debug)]
struct Listener {
    windows: Windows,
    speakers: Vec<(Band, Speaker)>,
    breathing: Breathing,
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
                    breathing: windows.breathing(),
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
            open: vec![StepSum::default(); sites],
            kept: vec![VecDeque::new(); sites],
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
            slot.add(setup.receiver.read(level));
        }
    }

    /// The first bin of which a window may still speak.
    pub fn first_open_bin(&self) -> usize {
        let first = |of: &Listener| of.windows.bins(of.next, self.width_s).start;
        self.listeners.iter().map(first).min().unwrap_or(usize::MAX)
    }

    fn close_step(&mut self) {
        for (kept, open) in self.kept.iter_mut().zip(&mut self.open) {
            kept.push_back(std::mem::take(open));
            if kept.len() > self.longest {
                kept.pop_front();
            }
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
            .kept
            .iter()
            .map(|kept| levels_in(kept, self.open_step, first..end))
            .collect();
        let sites = levels.iter().map(|(levels_dbm, heard)| SiteLevels {
            levels_dbm,
            heard: *heard,
        });
        let mut spectra = of.windows.spectra(sites);
        if let Some(spectra) = &mut spectra {
            of.breathing.bring_down(&mut spectra.lines);
        }
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

/// The levels of one site in some steps, gaps bridged and interference pulled back, and in how many it heard.
fn levels_in(kept: &VecDeque<StepSum>, open_step: usize, steps: Range<usize>) -> (Vec<f64>, usize) {
    let oldest = open_step - kept.len();
    let from = steps.start.saturating_sub(BEFORE).max(oldest);
    let mut levels_dbm: Vec<f64> = kept.iter().skip(from - oldest).map(|step| step.level_dbm()).collect();
    let window = steps.start - from..steps.end - from;
    let of_window = kept.iter().skip(steps.start - oldest).take(window.len());
    let heard = of_window.filter(|step| step.is_heard()).count();
    bridge(&mut levels_dbm);
    clip(&mut levels_dbm);
    (levels_dbm[window].to_vec(), heard)
}
