//! Spectra of the sites' levels in windows of a few minutes: Hann windows, straight lines taken off, averaged over the sites.
//!
//! ```text
//! P(f) = |Σ w(n) y(n) e^(−2πi f n Δ)|² Δ / Σ w²,   w(n) = ½ − ½ cos(2π n / N)
//! P dB²/Hz both-sided, Δ s step, N samples in a window
//! ```
//!
//! What a rhythm is held against is its own neighbourhood: a straight line through ln P over ln f at the frequencies near by,
//! those next to it left out. A capsule that moves makes a slope, breathing a broad hump, a rhythm a narrow line.
//!
//! # Source
//!
//! P. D. Welch, *The use of fast Fourier transform for the estimation of power spectra*, IEEE Trans. Audio Electroacoust. 15
//! (1967); checked against SciPy's `periodogram` and on a real electrogastrogram in the workspace's tests.

use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

/// Spectra of windows of a fixed length.
pub struct Periodogram {
    step_s: f64,
    window: Vec<f64>,
    padded: usize,
    fft: Arc<dyn Fft<f64>>,
}

impl std::fmt::Debug for Periodogram {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        formatter
            .debug_struct("Periodogram")
            .field("step_s", &self.step_s)
            .field("samples", &self.window.len())
            .field("padded", &self.padded)
            .finish_non_exhaustive()
    }
}

impl Periodogram {
    /// Spectra of `samples` values `step_s` apart; zeros are added to twice that length.
    #[must_use]
    pub fn new(samples: usize, step_s: f64) -> Self {
        let samples = samples.max(4);
        let padded = 2 * samples;
        let window = (0..samples)
            .map(|n| 0.5 - 0.5 * (std::f64::consts::TAU * n as f64 / samples as f64).cos())
            .collect();
        Self {
            step_s,
            window,
            padded,
            fft: FftPlanner::new().plan_fft_forward(padded),
        }
    }

    /// How many values a window has.
    #[must_use]
    pub fn samples(&self) -> usize {
        self.window.len()
    }

    /// Cycles a minute of each line of the spectrum.
    #[must_use]
    pub fn per_minute(&self) -> Vec<f64> {
        (0..=self.padded / 2)
            .map(|line| 60.0 * line as f64 / (self.padded as f64 * self.step_s))
            .collect()
    }

    /// The spectrum of one window, a straight line taken off. Values beyond the window's length are not looked at; missing ones count
    /// as zero.
    #[must_use]
    pub fn of(&self, values: &[f64]) -> Vec<f64> {
        self.lines(values).iter().map(Complex::norm_sqr).collect()
    }

    /// The lines whose squared sizes are the spectrum, with their phases.
    #[must_use]
    pub fn lines(&self, values: &[f64]) -> Vec<Complex<f64>> {
        let samples = self.window.len();
        let middle = 0.5 * (samples as f64 - 1.0);
        let value = |n: usize| values.get(n).copied().unwrap_or(0.0);
        let mean = (0..samples).map(value).sum::<f64>() / samples as f64;
        let (mut product, mut square) = (0.0, 0.0);
        for n in 0..samples {
            let x = n as f64 - middle;
            product += x * (value(n) - mean);
            square += x * x;
        }
        let slope = product / square;
        let mut buffer = vec![Complex::new(0.0, 0.0); self.padded];
        for (n, (slot, weight)) in buffer.iter_mut().zip(&self.window).enumerate() {
            slot.re = weight * (value(n) - mean - slope * (n as f64 - middle));
        }
        self.fft.process(&mut buffer);
        let scale = self.step_s / self.window.iter().map(|weight| weight * weight).sum::<f64>();
        buffer.truncate(self.padded / 2 + 1);
        buffer.iter_mut().for_each(|line| *line *= scale.sqrt());
        buffer
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_stands_at_its_frequency_with_its_power() {
        // A sine of amplitude a in the middle of a line: |Σ w a/2 ·|² Δ / Σ w² = a²/4 (Σ w)² Δ / Σ w², and for Hann
        // (Σ w)² / Σ w² = (N/2)² / (3N/8) = 2N/3.
        let (samples, step_s, amplitude) = (480, 0.5, 3.0);
        let periodogram = Periodogram::new(samples, step_s);
        let values: Vec<f64> = (0..samples)
            .map(|n| amplitude * (std::f64::consts::TAU * 3.0 / 60.0 * n as f64 * step_s).sin())
            .collect();
        let spectrum = periodogram.of(&values);
        let best = (0..spectrum.len())
            .max_by(|&a, &b| spectrum[a].total_cmp(&spectrum[b]))
            .unwrap();
        assert!((periodogram.per_minute()[best] - 3.0).abs() < 1e-9);
        let expected = amplitude * amplitude / 4.0 * (2.0 * samples as f64 / 3.0) * step_s;
        // Taking off a straight line takes a little of a sine that does not fit the window evenly; here it is 12 cycles.
        assert!(
            (spectrum[best] / expected - 1.0).abs() < 0.02,
            "{}",
            spectrum[best] / expected
        );
    }

    #[test]
    fn a_straight_line_has_no_spectrum() {
        let periodogram = Periodogram::new(100, 1.0);
        let values: Vec<f64> = (0..100).map(|n| 5.0 - 0.3 * f64::from(n)).collect();
        assert!(periodogram.of(&values).iter().all(|&power| power < 1e-18));
    }
}
