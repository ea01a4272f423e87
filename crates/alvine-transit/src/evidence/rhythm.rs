//! Rhythm: the to-and-fro of a contracting gut, near 3 a minute in the stomach and 8 to 13 in the small bowel.
//!
//! Each window's spectrum, averaged over the sites, is divided by its own neighbourhood (see [`crate::spectrum`]). With ρ the
//! power of a rhythm of f cycles a minute over it, the ratio R has the density of a mean of n squares:
//!
//! ```text
//! ln Λ(f, ρ) = n { R(f) ρ / (1 + ρ) − ln(1 + ρ) }
//! ```
//!
//! against no rhythm. Frequency and power are followed from window to window by a filter on a grid, as both change slowly and
//! contractions come and go; the evidence of a window is its likelihood given those before. It needs no threshold, and a rhythm too
//! weak to be seen in one window still counts over many.
//!
//! # Where it is silent
//!
//! Where fewer than three sites have nine tenths of their readings in a window; the band of the stomach at steps longer than 5 s, that of
//! the small bowel at steps longer than 2 s, as a rhythm needs more than two readings a cycle, and breathing would fold into it.
//!
//! # Source
//!
//! Stomach about 3 a minute (Adv. Funct. Mater. 2021; 31: 2009289, quoted in table 7 of PMC8553224); jejunum 12.5 to 10.5, ileum 10.9
//! to 9.3, terminal ileum 10.0 to 8.6 (Kerlin and Phillips, *Variability of motility of the ileum and jejunum in healthy humans*,
//! Gastroenterology 1982; 82: 694-700). That a swallowed thing shows the small bowel's rhythm, about 10 a minute: Worsøe and others, BMC
//! Gastroenterol. 2011; 11: 145, by a magnet.

use alvine::{Reading, Recording, Setup, median};

use crate::bins::Bins;
use crate::spectrum::Periodogram;

/// A band in which a rhythm is sought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Band {
    Stomach,
    /// Duodenum and jejunum.
    Jejunum,
    Ileum,
    TerminalIleum,
}

impl Band {
    const ALL: [Self; 4] = [Self::Stomach, Self::Jejunum, Self::Ileum, Self::TerminalIleum];

    /// Least and greatest cycles a minute: the published ranges, a third of a cycle wider.
    const fn per_minute(self) -> [f64; 2] {
        match self {
            Band::Stomach => [2.4, 3.8],
            Band::Jejunum => [10.2, 12.8],
            Band::Ileum => [9.0, 11.2],
            Band::TerminalIleum => [8.3, 10.3],
        }
    }

    /// The longest step between readings at which it may speak, s.
    const fn longest_step_s(self) -> f64 {
        match self {
            Band::Stomach => 5.0,
            Band::Jejunum | Band::Ileum | Band::TerminalIleum => 2.0,
        }
    }

    /// The length of a window: long for the weaker rhythms of the small bowel, s.
    const fn window_s(self) -> f64 {
        match self {
            Band::Stomach => 240.0,
            Band::Jejunum | Band::Ileum | Band::TerminalIleum => 480.0,
        }
    }
}

/// Windows begin a quarter of their length apart.
const HOPS: usize = 4;
/// Readings are brought to steps no shorter than this, s.
const SHORTEST_STEP_S: f64 = 0.5;
/// How many independent squares the ratio of one window counts as. Sites hear the same capsule, and windows overlap: the scatter
/// of ln R without a rhythm is that of 4.5, and of four overlapping Hann windows two are worth one (fewer still as neighbouring
/// windows share what is not noise: common practice, no source; set so that intervals cover on simulated studies).
const SQUARES: f64 = 1.2;
/// Powers over the neighbourhood that are tried.
const POWERS: [f64; 5] = [0.0, 0.5, 1.5, 4.0, 10.0];

/// The evidence of every band.
pub(crate) struct Rhythms([Vec<f64>; 4]);

impl Rhythms {
    pub fn new(setup: &Setup, recording: &Recording, bins: &Bins) -> Self {
        let until_s = bins.begin_s(bins.bins.len());
        let series = Series::new(setup, recording, until_s);
        let short = Ratios::new(&series, Band::Stomach.window_s());
        let long = Ratios::new(&series, Band::Jejunum.window_s());
        Self(Band::ALL.map(|band| {
            let ratios = if band == Band::Stomach { &short } else { &long };
            ratios.ln_likelihood(band, bins)
        }))
    }

    /// Log-likelihood of each bin with a rhythm in a band against that without.
    pub fn of(&self, band: Band) -> &[f64] {
        &self.0[band as usize]
    }
}

/// Ratios of spectra to their neighbourhood, window by window.
struct Ratios {
    per_minute: Vec<f64>,
    step_s: f64,
    /// Windows × lines; `None` where a window is silent.
    rows: Vec<Option<Vec<f64>>>,
    start_s: f64,
    window_s: f64,
    hop_s: f64,
}

impl Ratios {
    fn new(series: &Series, window_s: f64) -> Self {
        let samples = (window_s / series.step_s).round() as usize;
        let periodogram = Periodogram::new(samples, series.step_s);
        let per_minute = periodogram.per_minute();
        let neighbours: Vec<Option<Neighbourhood>> = per_minute
            .iter()
            .map(|&line| Neighbourhood::new(line, &per_minute))
            .collect();
        let hop = (samples / HOPS).max(1);
        let count = series.count.saturating_sub(samples) / hop + 1;
        let rows = (0..count)
            .map(|window| {
                let mean = series.mean_spectrum(window * hop, &periodogram, &per_minute)?;
                Some(over_neighbours(&mean, &neighbours))
            })
            .collect();
        Self {
            per_minute,
            step_s: series.step_s,
            rows,
            start_s: series.start_s,
            window_s,
            hop_s: hop as f64 * series.step_s,
        }
    }

    /// Log-likelihood of each bin with a rhythm in a band against that without; 0 where it is silent.
    fn ln_likelihood(&self, band: Band, bins: &Bins) -> Vec<f64> {
        let mut ln = vec![0.0; bins.bins.len()];
        if self.step_s > band.longest_step_s() {
            return ln;
        }
        let [least, greatest] = band.per_minute();
        let lines: Vec<usize> = (0..self.per_minute.len())
            .filter(|&line| (least..=greatest).contains(&self.per_minute[line]))
            .collect();
        let mut follower = Follower::new(lines.len());
        for (window, row) in self.rows.iter().enumerate() {
            let Some(row) = row else {
                follower.pass();
                continue;
            };
            let ratios: Vec<f64> = lines.iter().map(|&line| row[line]).collect();
            let value = follower.take(&ratios);
            // Spread evenly over the hop in the middle of the window.
            let from_s = self.start_s + window as f64 * self.hop_s + 0.5 * (self.window_s - self.hop_s);
            let first = ((from_s - bins.start_s) / bins.width_s).round().max(0.0) as usize;
            let end = ((from_s + self.hop_s - bins.start_s) / bins.width_s).round().max(0.0) as usize;
            let end = end.min(ln.len());
            for slot in ln.iter_mut().take(end).skip(first) {
                *slot += value / (end - first) as f64;
            }
        }
        ln
    }
}

/// The logarithm of no power at all.
const LEAST_POWER: f64 = 1e-12;

fn over_neighbours(mean: &[f64], neighbours: &[Option<Neighbourhood>]) -> Vec<f64> {
    let ln: Vec<f64> = mean.iter().map(|power| power.max(LEAST_POWER).ln()).collect();
    neighbours
        .iter()
        .zip(&ln)
        .map(|(around, own)| around.as_ref().map_or(1.0, |around| (own - around.ln_power(&ln)).exp()))
        .collect()
}

/// The sites' levels at even steps.
struct Series {
    start_s: f64,
    step_s: f64,
    count: usize,
    sites: usize,
    /// Sites × steps, gaps bridged and interference pulled back.
    levels_dbm: Vec<f64>,
    /// Sites × (steps + 1): how many steps before it were not heard.
    missing: Vec<u32>,
}

impl Series {
    fn new(setup: &Setup, recording: &Recording, until_s: f64) -> Self {
        let start_s = recording.time_s()[0];
        let step_s = recording
            .median_step_s()
            .unwrap_or(Band::Stomach.window_s())
            .max(SHORTEST_STEP_S);
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
            start_s,
            step_s,
            count,
            sites,
            levels_dbm,
            missing,
        }
    }

    /// The spectrum averaged over the sites that were heard well enough, each divided by its own level beyond the slow part.
    fn mean_spectrum(&self, first: usize, periodogram: &Periodogram, per_minute: &[f64]) -> Option<Vec<f64>> {
        const FEWEST_SITES: usize = 3;
        const HEARD: f64 = 0.9;
        let samples = periodogram.samples();
        if first + samples > self.count {
            return None;
        }
        let mut mean = vec![0.0; per_minute.len()];
        let mut used = 0;
        let broad: Vec<usize> = (0..per_minute.len()).filter(|&line| per_minute[line] > 4.0).collect();
        for site in 0..self.sites {
            let before = |step: usize| self.missing[site * (self.count + 1) + step];
            let missing = before(first + samples) - before(first);
            if f64::from(missing) > (1.0 - HEARD) * samples as f64 {
                continue;
            }
            let from = site * self.count + first;
            let spectrum = periodogram.of(&self.levels_dbm[from..from + samples]);
            let mut level: Vec<f64> = broad.iter().map(|&line| spectrum[line]).collect();
            if level.is_empty() {
                level.clone_from(&spectrum);
            }
            let scale = median(&mut level).unwrap_or(0.0);
            if scale > 0.0 {
                used += 1;
                for (sum, power) in mean.iter_mut().zip(&spectrum) {
                    *sum += power / scale;
                }
            }
        }
        (used >= FEWEST_SITES).then(|| mean.iter().map(|sum| sum / used as f64).collect())
    }
}

/// Joins the values about missing ones by straight lines; all zero where there is none.
fn bridge(values: &mut [f64]) {
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

/// Pulls values back to within a reach of the median of nine about them: interference.
fn clip(values: &mut [f64]) {
    const HALF: usize = 4;
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

/// The lines about one, with their weights for the height of a straight line there.
struct Neighbourhood {
    lines: Vec<(usize, f64)>,
}

impl Neighbourhood {
    /// `None` where there are too few.
    fn new(line_per_minute: f64, per_minute: &[f64]) -> Option<Self> {
        const FEWEST: usize = 6;
        if line_per_minute < 1.8 {
            return None;
        }
        let near = |other: f64| {
            let apart = (other - line_per_minute).abs();
            if line_per_minute < 6.0 {
                apart > 0.55 && other >= (line_per_minute / 1.6).max(1.0) && other <= 1.6 * line_per_minute
            } else {
                apart > 0.6 && apart <= 2.5
            }
        };
        let chosen: Vec<(usize, f64)> = (0..per_minute.len())
            .filter(|&other| near(per_minute[other]))
            .map(|other| (other, (per_minute[other] / line_per_minute).ln()))
            .collect();
        if chosen.len() < FEWEST {
            return None;
        }
        // Height of the least-squares line at x = 0: Σ yᵢ (S₂ − S₁ xᵢ) / (n S₂ − S₁²).
        let n = chosen.len() as f64;
        let first: f64 = chosen.iter().map(|(_, x)| x).sum();
        let second: f64 = chosen.iter().map(|(_, x)| x * x).sum();
        let scale = n * second - first * first;
        (scale > 0.0).then(|| Self {
            lines: chosen
                .iter()
                .map(|&(line, x)| (line, (second - first * x) / scale))
                .collect(),
        })
    }

    fn ln_power(&self, ln: &[f64]) -> f64 {
        self.lines.iter().map(|&(line, weight)| weight * ln[line]).sum()
    }
}

/// Follows a rhythm's frequency and power from window to window.
struct Follower {
    lines: usize,
    /// Lines × powers.
    shares: Vec<f64>,
}

impl Follower {
    fn new(lines: usize) -> Self {
        let size = lines * POWERS.len();
        Self {
            lines,
            shares: vec![1.0 / size.max(1) as f64; size],
        }
    }

    /// A window on: frequency and power change a little.
    fn pass(&mut self) {
        const LINE_MOVES: f64 = 0.1;
        const POWER_MOVES: f64 = 0.15;
        const FORGETS: f64 = 0.02;
        let width = POWERS.len();
        let even = 1.0 / self.shares.len().max(1) as f64;
        let old = self.shares.clone();
        let at = |line: usize, power: usize| old[line * width + power];
        for line in 0..self.lines {
            for power in 0..width {
                let lower = at(line.saturating_sub(1), power);
                let upper = at((line + 1).min(self.lines - 1), power);
                let weaker = at(line, power.saturating_sub(1));
                let stronger = at(line, (power + 1).min(width - 1));
                let own = at(line, power);
                let moved =
                    own + LINE_MOVES * (lower + upper - 2.0 * own) + POWER_MOVES * (weaker + stronger - 2.0 * own);
                self.shares[line * width + power] = (1.0 - FORGETS) * moved + FORGETS * even;
            }
        }
    }

    /// The log-likelihood of a window given those before.
    fn take(&mut self, ratios: &[f64]) -> f64 {
        self.pass();
        let width = POWERS.len();
        let mut total = 0.0;
        for (line, &ratio) in ratios.iter().enumerate() {
            for (power, rho) in POWERS.iter().enumerate() {
                let ln = SQUARES * (ratio * rho / (1.0 + rho) - (1.0 + rho).ln());
                let share = &mut self.shares[line * width + power];
                *share *= ln.clamp(-30.0, 30.0).exp();
                total += *share;
            }
        }
        if total > 0.0 {
            self.shares.iter_mut().for_each(|share| *share /= total);
            total.ln()
        } else {
            0.0
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::{Law, Layout, LogDistance, NoiseModel, Receiver, Torso, Track, Transmitter};
    use ndarray::Array2;

    /// An hour of eight sites, a sine of so many cycles a minute in each with its own sign, on noise of 2 dB.
    fn hour(step_s: f64, per_minute: f64, amplitude_db: f64) -> Vec<(Band, f64)> {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let setup = Setup {
            torso,
            room: None,
            layout: Layout::default_eight(&torso),
            law: Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE),
            noise: NoiseModel::new(4.0, 2.0).unwrap(),
            transmitter: Transmitter::new(433.0, -20.0, None).unwrap(),
            receiver: Receiver::new(-100.0, None, None).unwrap(),
        };
        let count = (3600.0 / step_s) as usize;
        let mut state = 1_u64;
        let mut noise = move || {
            // Twelve draws of a linear congruential generator: near normal, of variance one.
            (0..12)
                .map(|_| {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1_442_695_040_888_963_407);
                    (state >> 11) as f64 / (1_u64 << 53) as f64
                })
                .sum::<f64>()
                - 6.0
        };
        let levels = Array2::from_shape_fn((count, 8), |(row, site)| {
            let phase = std::f64::consts::TAU * per_minute / 60.0 * row as f64 * step_s;
            let sign = if site % 2 == 0 { 1.0 } else { -1.0 };
            (-70.0 + sign * amplitude_db * phase.sin() + 2.0 * noise()) as f32
        });
        let time_s = (0..count).map(|row| row as f64 * step_s).collect();
        let recording = Recording::new(time_s, levels).unwrap();
        let bins = Bins::new(&setup, &recording, &Track::default(), 3600.0);
        let rhythms = Rhythms::new(&setup, &recording, &bins);
        Band::ALL.map(|band| (band, rhythms.of(band).iter().sum())).to_vec()
    }

    #[test]
    fn each_band_hears_its_own_rhythm_and_no_other() {
        for (per_minute, own) in [(3.0, Band::Stomach), (11.9, Band::Jejunum), (8.5, Band::TerminalIleum)] {
            for (band, ln) in hour(0.5, per_minute, 1.0) {
                assert_eq!(ln > 10.0, band == own, "{per_minute} a minute, {band:?}: {ln}");
            }
        }
    }

    #[test]
    fn noise_alone_speaks_against_every_rhythm_but_not_loudly() {
        for (band, ln) in hour(0.5, 3.0, 0.0) {
            assert!((-12.0..2.0).contains(&ln), "{band:?}: {ln}");
        }
    }

    #[test]
    fn a_recording_too_slow_for_a_rhythm_is_silent_on_it() {
        for (band, ln) in hour(4.0, 3.0, 1.5) {
            assert_eq!(ln != 0.0, band == Band::Stomach, "{band:?}: {ln}");
        }
        assert!(hour(10.0, 3.0, 1.5).iter().all(|(_, ln)| *ln == 0.0));
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
