//! One window: its spectra over their neighbourhood, averaged over the sites, and each site's own lines over theirs.

use alvine::median;
use rustfft::num_complex::Complex;

use super::breathing::{Breathing, FURTHEST_PER_MINUTE, SLOWEST_PER_MINUTE};
use super::{Band, HOPS, Ranges};
use crate::spectrum::Periodogram;

/// Makes the ratios of windows of one length.
#[derive(Debug)]
pub(super) struct Windows {
    periodogram: Periodogram,
    per_minute: Vec<f64>,
    /// Lines beyond the slow part, by which a site's level is told.
    broad: Vec<usize>,
    /// Of the lines of the bands, and of those beside them by which breathing is told.
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
    /// In how many steps it heard.
    pub heard: usize,
}

/// What one window says.
pub(super) struct Spectra {
    /// Each line of the spectrum averaged over the sites over its neighbourhood; one where none is sought.
    pub ratios: Vec<f64>,
    /// The lines of each site.
    pub lines: Lines,
}

/// Each site's lines over the root of the power near by, of mean square one without a rhythm; zero where none is sought.
pub(super) struct Lines {
    sites: Vec<Option<Vec<Complex<f64>>>>,
}

impl Lines {
    /// Those of each site that was heard well enough.
    pub const fn new(sites: Vec<Option<Vec<Complex<f64>>>>) -> Self {
        Self { sites }
    }

    /// How many sites there are, heard or not.
    pub const fn sites(&self) -> usize {
        self.sites.len()
    }

    /// Replaces one line of those that were heard well enough.
    pub fn set(&mut self, line: usize, values: impl Iterator<Item = Complex<f64>>) {
        for (lines, value) in self.sites.iter_mut().flatten().zip(values) {
            if let Some(slot) = lines.get_mut(line) {
                *slot = value;
            }
        }
    }

    /// Those that were heard well enough, with their lines.
    pub fn heard(&self) -> impl Iterator<Item = (usize, &[Complex<f64>])> {
        let each = self.sites.iter().enumerate();
        each.filter_map(|(site, lines)| Some((site, lines.as_deref()?)))
    }
}

impl Windows {
    /// Of the length that suits bands which share it, with readings `step_s` apart.
    pub fn new(bands: &[Band], ranges: &Ranges, step_s: f64) -> Self {
        let window_s = bands[0].window_s();
        let is_heard = |line: f64| {
            let mut of_bands = bands.iter().map(|&band| ranges[band as usize]);
            // Breathing is told by what stands beside a band too.
            let beside = if line >= SLOWEST_PER_MINUTE {
                FURTHEST_PER_MINUTE
            } else {
                0.0
            };
            of_bands.any(|[least, greatest]| (least - beside..=greatest + beside).contains(&line))
        };
        let samples = (window_s / step_s).round() as usize;
        let periodogram = Periodogram::new(samples, step_s);
        let per_minute = periodogram.per_minute();
        let hop = (samples / HOPS).max(1);
        Self {
            broad: (0..per_minute.len()).filter(|&line| per_minute[line] > 4.0).collect(),
            neighbours: per_minute
                .iter()
                .map(|&line| is_heard(line).then(|| Neighbourhood::new(line, &per_minute)).flatten())
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

    /// The breathing that these windows will hear: nothing yet.
    pub fn breathing(&self) -> Breathing {
        Breathing::new(&self.per_minute, |line| self.neighbours[line].is_some())
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

    /// The spectra of the sites that were heard well enough, and their average, each divided by its own level beyond the slow part;
    /// `None` where they are too few.
    pub fn spectra<'a>(&self, sites: impl Iterator<Item = SiteLevels<'a>>) -> Option<Spectra> {
        const FEWEST_SITES: usize = 3;
        const HEARD: f64 = 0.1;
        let mut mean = vec![0.0; self.per_minute.len()];
        let mut used = 0;
        let mut of_sites = Vec::new();
        for site in sites {
            of_sites.push(None);
            if (site.heard as f64) < HEARD * self.samples() as f64 {
                continue;
            }
            let lines = self.periodogram.lines(site.levels_dbm);
            let spectrum: Vec<f64> = lines.iter().map(Complex::norm_sqr).collect();
            let mut level: Vec<f64> = self.broad.iter().map(|&line| spectrum[line]).collect();
            if level.is_empty() {
                level.clone_from(&spectrum);
            }
            let scale = median(&mut level).unwrap_or(0.0);
            if scale > 0.0 {
                used += 1;
                if let Some(of_site) = of_sites.last_mut() {
                    *of_site = Some(self.over_noise(&lines, &spectrum));
                }
                for (sum, power) in mean.iter_mut().zip(&spectrum) {
                    *sum += power / scale;
                }
            }
        }
        if used < FEWEST_SITES {
            return None;
        }
        mean.iter_mut().for_each(|sum| *sum /= used as f64);
        Some(Spectra {
            ratios: over_neighbours(&mean, &self.neighbours),
            lines: Lines::new(of_sites),
        })
    }

    /// Each line over the root of the power near by.
    fn over_noise(&self, lines: &[Complex<f64>], spectrum: &[f64]) -> Vec<Complex<f64>> {
        // A single line's power is exponential: the mean of its logarithm lies lower than the logarithm of its mean by Euler's constant.
        const EULER: f64 = 0.577_215_664_901_532_9;
        let ln = ln_power(spectrum);
        let each = self.neighbours.iter().zip(lines).map(|(around, line)| {
            around.as_ref().map_or(Complex::ZERO, |around| {
                line * (-0.5 * (around.ln_power(&ln) + EULER)).exp()
            })
        });
        each.collect()
    }
}

/// The logarithm of no power at all.
const LEAST_POWER: f64 = 1e-12;

fn ln_power(spectrum: &[f64]) -> Vec<f64> {
    spectrum.iter().map(|power| power.max(LEAST_POWER).ln()).collect()
}

fn over_neighbours(mean: &[f64], neighbours: &[Option<Neighbourhood>]) -> Vec<f64> {
    let ln = ln_power(mean);
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
