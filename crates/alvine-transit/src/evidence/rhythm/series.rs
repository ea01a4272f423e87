//! The sites' levels at even steps, for spectra.

use alvine::{Reading, Recording, Setup, median};

use super::window::{SiteLevels, Windows};

/// How far below the floor what is not heard is taken to lie, dB (common practice, no source; chosen on simulated studies, of which 2 dB
/// made landmarks worse). A site that hears every other reading follows a rhythm nearly as well as one that hears all: its silences are
/// the troughs.
const BELOW_FLOOR_DB: f64 = 1.0;

/// What a site's readings in one step add up to.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct StepSum {
    sum_dbm: f64,
    count: u32,
    is_heard: bool,
}

impl StepSum {
    /// Adds a reading; a missing one adds nothing.
    pub fn add(&mut self, reading: Reading) {
        self.sum_dbm += match reading {
            Reading::Missing => return,
            Reading::BelowFloor(floor_dbm) => floor_dbm - BELOW_FLOOR_DB,
            Reading::Heard(dbm) | Reading::Saturated(dbm) => dbm,
        };
        self.count += 1;
        self.is_heard |= reading.is_heard();
    }

    /// The mean level, dBm; NaN where nothing came.
    pub fn level_dbm(self) -> f64 {
        if self.count > 0 {
            self.sum_dbm / f64::from(self.count)
        } else {
            f64::NAN
        }
    }

    /// Whether the site heard the capsule in it.
    pub const fn is_heard(self) -> bool {
        self.is_heard
    }
}

/// The sites' levels at even steps.
pub(super) struct Series {
    pub step_s: f64,
    pub count: usize,
    sites: usize,
    /// Sites × steps, gaps bridged and interference pulled back.
    levels_dbm: Vec<f64>,
    /// Sites × (steps + 1): in how many steps before it the site heard.
    heard: Vec<u32>,
}

impl Series {
    pub fn new(setup: &Setup, recording: &Recording, until_s: f64) -> Self {
        let start_s = recording.time_s()[0];
        let step_s = super::step_s(recording.median_step_s());
        let count = (((until_s - start_s) / step_s).floor().max(0.0) as usize + 1).min(recording.len() * 4);
        let sites = recording.sites();
        let mut steps = vec![StepSum::default(); sites * count];
        for (instant, &time_s) in recording.time_s().iter().enumerate() {
            let step = ((time_s - start_s) / step_s).round() as usize;
            if step >= count {
                break;
            }
            for (site, &level) in recording.row(instant).iter().enumerate() {
                steps[site * count + step].add(setup.receiver.read(level));
            }
        }
        let mut levels_dbm: Vec<f64> = steps.iter().map(|step| step.level_dbm()).collect();
        let mut heard = Vec::with_capacity(sites * (count + 1));
        for (row, steps) in levels_dbm.chunks_exact_mut(count).zip(steps.chunks_exact(count)) {
            let mut sum = 0;
            heard.push(0);
            heard.extend(steps.iter().map(|step| {
                sum += u32::from(step.is_heard());
                sum
            }));
            bridge(row);
            clip(row);
        }
        Self {
            step_s,
            count,
            sites,
            levels_dbm,
            heard,
        }
    }

    /// The levels of each site in a window from step `first` on.
    pub fn window(&self, first: usize, windows: &Windows) -> impl Iterator<Item = SiteLevels<'_>> {
        let end = first + windows.samples();
        (0..self.sites).map(move |site| {
            let before = |step: usize| self.heard[site * (self.count + 1) + step];
            SiteLevels {
                levels_dbm: &self.levels_dbm[site * self.count + first..site * self.count + end],
                heard: (before(end) - before(first)) as usize,
            }
        })
    }
}

/// Joins the values about missing ones by straight lines; all zero where there is none.
pub(super) fn bridge(values: &mut [f64]) {
    let mut last: Option<(usize, f64)> = None;
    for index in 0..values.len() {
        let value = values[index];
        if value.is_nan() {
            continue;
        }
        let (from, before) = last.map_or((0, value), |(at, before)| (at + 1, before));
        let steps = (index + 1 - from) as f64;
        for (missing, slot) in values[from..index].iter_mut().enumerate() {
            *slot = before + (value - before) * (missing + 1) as f64 / steps;
        }
        last = Some((index, value));
    }
    if let Some((at, value)) = last {
        values[at + 1..].fill(value);
    } else {
        values.fill(0.0);
    }
}

/// How many values on either side interference is told by.
pub(super) const HALF: usize = 4;

/// Pulls values back to within a reach of the median of nine about them: interference.
pub(super) fn clip(values: &mut [f64]) {
    const REACH_DB: f64 = 5.0;
    let raw = values.to_vec();
    let mut around = Vec::with_capacity(2 * HALF + 1);
    for (index, value) in values.iter_mut().enumerate() {
        around.clear();
        around.extend_from_slice(&raw[index.saturating_sub(HALF)..(index + HALF + 1).min(raw.len())]);
        let middle = median(&mut around).unwrap_or(*value);
        *value = middle + (*value - middle).clamp(-REACH_DB, REACH_DB);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_the_mean_of_what_came_in_it() {
        let mut step = StepSum::default();
        assert!(step.level_dbm().is_nan() && !step.is_heard());
        step.add(Reading::Missing);
        assert!(step.level_dbm().is_nan() && !step.is_heard());
        step.add(Reading::BelowFloor(-100.0));
        assert!(!step.is_heard());
        assert_eq!(step.level_dbm(), -101.0);
        step.add(Reading::Heard(-97.0));
        assert!(step.is_heard());
        assert_eq!(step.level_dbm(), -99.0);
    }

    #[test]
    fn gaps_are_joined_and_interference_is_pulled_back() {
        let mut values = vec![f64::NAN, 1.0, f64::NAN, f64::NAN, 4.0, f64::NAN];
        bridge(&mut values);
        assert_eq!(values, vec![1.0, 1.0, 2.0, 3.0, 4.0, 4.0]);
        let mut values = vec![0.0; 20];
        values[9] = 30.0;
        clip(&mut values);
        assert_eq!(values[9], 5.0);
    }
}
