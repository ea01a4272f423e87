//! How strong a rhythm is over an hour: the mean over its windows of the logarithm of the spectrum over its neighbourhood, and where
//! that is greatest.
//!
//! ```text
//! r(f) = Σ ln R_w(f) / W,   strength = 10 lg e · max r(f) dB over the lines f of the band
//! ```
//!
//! Without a rhythm ln R has mean zero and a variance of 0.25, as a window's ratio scatters like the mean of 4.5 squares
//! (ψ′(4.5) = 0.249), and neighbouring windows share half of what they see. With L independent lines in the band the greatest stays below
//!
//! ```text
//! q = z √(2 · 0.249 / W),   Φ(z) = 0.95^(1/L)
//! ```
//!
//! in 95 hours of 100. A rhythm is *seen* above it. That is so of noise; how often a rhythm is said to be seen where the gut has none
//! was measured on the phantom, and stands with [`RhythmHour`].
//!
//! # Source
//!
//! Averaged windows: see [`crate::spectrum`]. The 4.5 squares: measured, by the scatter of ln R without a rhythm on simulated studies.

use alvine::normal::cdf;

use super::window::Windows;
use super::{Band, Ranges};

/// Length of a span over which strength is told, s.
const HOUR_S: f64 = 3600.0;
/// An hour of which fewer of its windows were heard has no strength (common practice, no source).
const LEAST_HEARD: f64 = 0.25;
/// Variance of the logarithm of one window's ratio, ψ′(4.5), and the share that overlapping windows do not share.
const VARIANCE_LN: f64 = 0.249;
const OWN_SHARE: f64 = 0.5;
/// The logarithm of no power at all.
const LEAST_RATIO: f64 = 1e-12;
/// From nepers of power to dB.
const DB: f64 = 10.0 * std::f64::consts::LOG10_E;
/// Hann's window blurs a rhythm over a line and a half of its own width.
const BLUR: f64 = 1.5;

/// The strength of one rhythm over an hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RhythmStrength {
    /// Power over the neighbourhood's at the strongest line, dB.
    pub strength_db: f64,
    /// Where that line is, cycles a minute.
    pub per_minute: f64,
    /// Whether it is above what noise alone reaches in 95 hours of 100.
    pub is_seen: bool,
}

/// The rhythms of one hour: that of the stomach, near 3 a minute, and that of the small bowel, near 12 falling to 8.
///
/// `None` where the recording is too slow for the rhythm (a step longer than 5 s and 2 s) or the hour has too few windows that were
/// heard at three sites.
///
/// # Accuracy
///
/// On 13 simulated studies each, realistic and usual (`cargo run --release -p alvine-benches --bin motility -- realistic 13 3000`), hours
/// that lay wholly in one part: the stomach's rhythm was seen in 24 and 24 of 24 hours in the stomach, and in 4 and 3 of 95 in small bowel
/// or colon; the small bowel's in 42 and 43 of 47 hours in the small bowel, and in 9 and 3 of 72 in stomach or colon.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RhythmHour {
    /// When the hour begins, s.
    pub start_s: f64,
    /// When it ends, s.
    pub end_s: f64,
    /// The stomach's.
    pub gastric: Option<RhythmStrength>,
    /// The small bowel's.
    pub small_bowel: Option<RhythmStrength>,
}

/// Spectra of one length of window, hour by hour.
#[derive(Debug)]
pub(super) struct Hourly {
    /// Lines of the bands, and their cycles a minute.
    lines: Vec<(usize, f64)>,
    /// What the greatest of as many independent lines stays below in 95 hours of 100, in standard deviations.
    greatest_z: f64,
    is_silent: bool,
    /// Windows an hour.
    expected: f64,
    /// Each hour's sum of logarithms of ratios by line, and how many windows.
    hours: Vec<(Vec<f64>, usize)>,
}

impl Hourly {
    pub fn new(bands: &[Band], ranges: &Ranges, windows: &Windows, step_s: f64) -> Self {
        let least = bands
            .iter()
            .map(|&band| ranges[band as usize][0])
            .fold(f64::INFINITY, f64::min);
        let greatest = bands.iter().map(|&band| ranges[band as usize][1]).fold(0.0, f64::max);
        let lines = windows.per_minute().iter().copied().enumerate();
        let blur_per_minute = BLUR * 60.0 / bands[0].window_s();
        Self {
            lines: lines.filter(|&(_, line)| (least..=greatest).contains(&line)).collect(),
            greatest_z: greatest_z(((greatest - least) / blur_per_minute).max(1.0)),
            is_silent: step_s > bands[0].longest_step_s(),
            expected: HOUR_S / (windows.middle_s(1) - windows.middle_s(0)),
            hours: Vec::new(),
        }
    }

    /// Takes the ratios of a window into the hour of its middle.
    pub fn take(&mut self, windows: &Windows, window: usize, row: Option<&[f64]>) {
        self.add((windows.middle_s(window) / HOUR_S) as usize, row);
    }

    /// Takes the ratios of a window into a span of any length.
    pub fn add(&mut self, span: usize, row: Option<&[f64]>) {
        let Some(row) = row.filter(|_| !self.is_silent) else {
            return;
        };
        let size = self.lines.len();
        self.hours
            .resize_with(self.hours.len().max(span + 1), || (vec![0.0; size], 0));
        let (sums, count) = &mut self.hours[span];
        for (sum, &(line, _)) in sums.iter_mut().zip(&self.lines) {
            *sum += row[line].max(LEAST_RATIO).ln();
        }
        *count += 1;
    }

    /// The strength over one of the spans.
    pub fn strength(&self, hour: usize) -> Option<RhythmStrength> {
        let (sums, count) = self.hours.get(hour)?;
        let windows = *count as f64;
        if windows < LEAST_HEARD * self.expected {
            return None;
        }
        let each = sums
            .iter()
            .zip(&self.lines)
            .map(|(sum, &(_, line))| (sum / windows, line));
        let (ratio_ln, per_minute) = each.max_by(|one, other| one.0.total_cmp(&other.0))?;
        Some(RhythmStrength {
            strength_db: DB * ratio_ln,
            per_minute,
            is_seen: ratio_ln > self.greatest_of_noise_ln(windows),
        })
    }

    /// What the greatest of the band's lines stays below in 95 hours of 100 without a rhythm.
    fn greatest_of_noise_ln(&self, windows: f64) -> f64 {
        self.greatest_z * (VARIANCE_LN / (OWN_SHARE * windows)).sqrt()
    }
}

/// z of Φ(z) = 0.95^(1/L), by halving.
fn greatest_z(independent: f64) -> f64 {
    const ROUNDS: usize = 50;
    let share = 0.95_f64.powf(1.0 / independent);
    let (mut low, mut high) = (0.0, 8.0);
    for _ in 0..ROUNDS {
        let middle = 0.5 * (low + high);
        if cdf(middle) < share {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// The rhythms of each hour from the first step to the end.
pub(super) fn hours(start_s: f64, until_s: f64, gastric: &Hourly, small_bowel: &Hourly) -> Vec<RhythmHour> {
    let count = ((until_s - start_s) / HOUR_S).ceil().max(1.0) as usize;
    let hour = |index: usize| {
        let from_s = start_s + index as f64 * HOUR_S;
        RhythmHour {
            start_s: from_s,
            end_s: (from_s + HOUR_S).min(until_s),
            gastric: gastric.strength(index),
            small_bowel: small_bowel.strength(index),
        }
    };
    (0..count).map(hour).collect()
}

#[cfg(test)]
mod tests {
    use super::super::tests::hour_of;
    use super::*;

    #[test]
    fn a_rhythm_is_seen_in_its_band_at_its_frequency_and_noise_is_not() {
        for (per_minute, is_gastric) in [(3.0, true), (11.9, false), (8.6, false)] {
            let hours = hour_of(0.5, per_minute, 1.0);
            let (gastric, small_bowel) = (hours[0].gastric.unwrap(), hours[0].small_bowel.unwrap());
            let (own, other) = if is_gastric {
                (gastric, small_bowel)
            } else {
                (small_bowel, gastric)
            };
            assert!(own.is_seen && !other.is_seen, "{per_minute}: {hours:?}");
            assert!((own.per_minute - per_minute).abs() < 0.1, "{own:?}");
            assert!(own.strength_db > other.strength_db + 3.0);
        }
        let hours = hour_of(0.5, 3.0, 0.0);
        assert!(
            !hours[0].gastric.unwrap().is_seen && !hours[0].small_bowel.unwrap().is_seen,
            "{hours:?}"
        );
    }

    #[test]
    fn a_recording_too_slow_for_a_rhythm_has_no_strength_of_it() {
        let slow = hour_of(4.0, 3.0, 1.5);
        assert!(slow[0].gastric.unwrap().is_seen);
        assert_eq!(slow[0].small_bowel, None);
        assert_eq!(hour_of(10.0, 3.0, 1.5)[0].gastric, None);
    }

    #[test]
    fn the_bound_of_noise_is_the_quantile_of_its_greatest_line() {
        // One line: the 95 % point of a normal law. Φ(z)²⁴ = 0.95 at 2.858 (SciPy: norm.ppf(0.95 ** (1 / 24))).
        assert!((greatest_z(1.0) - 1.644_854).abs() < 1e-5);
        assert!((greatest_z(24.0) - 2.857_504).abs() < 1e-5);
    }
}
