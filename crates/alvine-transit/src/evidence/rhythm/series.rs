//! The sites' levels at even steps, for spectra.

use alvine::{Reading, Recording, Setup, median};

use super::window::{SiteLevels, Windows};

/// The sites' levels at even steps.
pub(super) struct Series {
    pub step_s: f64,
    pub count: usize,
    sites: usize,
    /// Sites × steps, gaps bridged and interference pulled back.
    levels_dbm: Vec<f64>,
    /// Sites × (steps + 1): how many steps before it were not heard.
    missing: Vec<u32>,
}

impl Series {
    pub fn new(setup: &Setup, recording: &Recording, until_s: f64) -> Self {
        let start_s = recording.time_s()[0];
        let step_s = super::step_s(recording.median_step_s());
        let count = (((until_s - start_s) / step_s).floor().max(0.0) as usize + 1).min(recording.len() * 4);
        let sites = recording.sites();
        let mut sums = vec![0.0; sites * count];
        let mut counts = vec![0_u32; sites * count];
        for (instant, &time_s) in recording.time_s().iter().enumerate() {
            let step = ((time_s - start_s) / step_s).round() as usize;
            if step >= count {
                break;
            }
            for (site, &level) in recording.row(instant).iter().enumerate() {
                if let Reading::Heard(dbm) = setup.receiver.read(level) {
                    sums[site * count + step] += dbm;
                    counts[site * count + step] += 1;
                }
            }
        }
        let mut levels_dbm: Vec<f64> = sums
            .iter()
            .zip(&counts)
            .map(|(sum, &count)| if count > 0 { sum / f64::from(count) } else { f64::NAN })
            .collect();
        let mut missing = Vec::with_capacity(sites * (count + 1));
        for row in levels_dbm.chunks_exact_mut(count) {
            let mut sum = 0;
            missing.push(0);
            missing.extend(row.iter().map(|level| {
                sum += u32::from(level.is_nan());
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
            missing,
        }
    }

    /// The levels of each site in a window from step `first` on.
    pub fn window(&self, first: usize, windows: &Windows) -> impl Iterator<Item = SiteLevels<'_>> {
        let end = first + windows.samples();
        (0..self.sites).map(move |site| {
            let before = |step: usize| self.missing[site * (self.count + 1) + step];
            SiteLevels {
                levels_dbm: &self.levels_dbm[site * self.count + first..site * self.count + end],
                missing: (before(end) - before(first)) as usize,
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
