//! One window: its spectra over their neighbourhood, averaged over the sites.

use alvine::median;

use super::{Band, HOPS};
use crate::spectrum::Periodogram;

/// Makes the ratios of windows of one length.
#[derive(Debug)]
pub(super) struct Windows {
    periodogram: Periodogram,
    per_minute: Vec<f64>,
    /// Lines beyond the slow part, by which a site's level is told.
    broad: Vec<usize>,
    neighbours: Vec<Option<Neighbourhood>>,
    /// From one window to the next, steps.
    hop: usize,
    window_s: f64,
    hop_s: f64,
}

/// The levels of one site in one window.
pub(super) struct SiteLevels<'a> {
    /// Gaps bridged and interference pulled back, dBm.
    pub levels_dbm: &'a [f64],
    /// How many steps were not heard.
    pub missing: usize,
}

impl Windows {
    /// Of the length that suits a band, with readings `step_s` apart.
    pub fn new(band: Band, step_s: f64) -> Self {
        let window_s = band.window_s();
        let samples = (window_s / step_s).round() as usize;
        let periodogram = Periodogram::new(samples, step_s);
        let per_minute = periodogram.per_minute();
        let hop = (samples / HOPS).max(1);
        Self {
            broad: (0..per_minute.len()).filter(|&line| per_minute[line] > 4.0).collect(),
            neighbours: per_minute
                .iter()
                .map(|&line| Neighbourhood::new(line, &per_minute))
                .collect(),
            periodogram,
            per_minute,
            hop,
            window_s,
            hop_s: hop as f64 * step_s,
        }
    }

    /// How many steps a window has.
    pub fn samples(&self) -> usize {
        self.periodogram.samples()
    }

    /// The first step of a window.
    pub const fn first_step(&self, window: usize) -> usize {
        window * self.hop
    }

    /// Every whole window in a recording of so many steps, with its first step.
    pub fn whole(&self, steps: usize) -> impl Iterator<Item = (usize, usize)> + use<'_> {
        let each = (0..).map(|window| (window, self.first_step(window)));
        each.take_while(move |&(_, first)| first + self.samples() <= steps)
    }

    /// Cycles a minute of each line.
    pub fn per_minute(&self) -> &[f64] {
        &self.per_minute
    }

    /// The middle of a window, s since the first step.
    pub fn middle_s(&self, window: usize) -> f64 {
        window as f64 * self.hop_s + 0.5 * self.window_s
    }

    /// The bins over which the word of a window is spread evenly: the hop in its middle.
    pub fn bins(&self, window: usize, width_s: f64) -> std::ops::Range<usize> {
        let from_s = window as f64 * self.hop_s + 0.5 * (self.window_s - self.hop_s);
        let bin = |time_s: f64| (time_s / width_s).round().max(0.0) as usize;
        bin(from_s)..bin(from_s + self.hop_s)
    }

    /// The ratio of each line to its neighbourhood, of the spectrum averaged over the sites that were heard well enough, each divided by
    /// its own level beyond the slow part; `None` where they are too few.
    pub fn ratios<'a>(&self, sites: impl Iterator<Item = SiteLevels<'a>>) -> Option<Vec<f64>> {
        const FEWEST_SITES: usize = 3;
        const HEARD: f64 = 0.9;
        let mut mean = vec![0.0; self.per_minute.len()];
        let mut used = 0;
        for site in sites {
            if site.missing as f64 > (1.0 - HEARD) * self.samples() as f64 {
                continue;
            }
            let spectrum = self.periodogram.of(site.levels_dbm);
            let mut level: Vec<f64> = self.broad.iter().map(|&line| spectrum[line]).collect();
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
        if used < FEWEST_SITES {
            return None;
        }
        mean.iter_mut().for_each(|sum| *sum /= used as f64);
        Some(over_neighbours(&mean, &self.neighbours))
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

/// The lines about one, with their weights for the height of a straight line there.
#[derive(Debug)]
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
