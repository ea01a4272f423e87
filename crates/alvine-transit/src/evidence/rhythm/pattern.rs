//! How the sites share a rhythm: each hears the same contraction in the same phase or the opposite one, more or less strongly, and in
//! the same way again a few minutes later.
//!
//! A site's gain by the distance to the capsule says little of how strongly it hears: shadowing bends the levels as steeply as distance
//! does. The pattern over the sites is therefore unknown and Gaussian, and what was heard before says how it is shaped. With z the sites'
//! lines over the noise nearby, each of variance one without a rhythm:
//!
//! ```text
//! z = a e^(iφ) + n,   a ~ N(0, ρ C),   C ∝ λ 1 + Σ over earlier windows of γ^age Σ_f p(f) u(f) u(f)ᵀ,   tr C = number of sites
//! r, s real and imaginary part of z;   G = 1 − (1 + 2ρC)⁻¹;   φ even:
//! ln Λ = ½ (rᵀGr + sᵀGs) + ln I₀{[¼ (rᵀGr − sᵀGs)² + (rᵀGs)²]^½} − ½ ln det(1 + 2ρC)
//! u(f) the part of z in the phase that fits best, p(f) the probability that the rhythm was there
//! ```
//!
//! against no rhythm. That the phase is common halves the noise; the shape takes most of what is left, as long as the capsule stays.
//!
//! # Source
//!
//! Likelihood ratio of Gaussian signals in Gaussian noise: S. M. Kay, *Fundamentals of Statistical Signal Processing: Detection Theory*
//! (1998), ch. 5, from memory. I₀: M. Abramowitz and I. Stegun, *Handbook of Mathematical Functions*, 9.8.1 and 9.8.2, from memory; a test
//! holds it against SciPy.

use std::collections::VecDeque;

use nalgebra::{DMatrix, DVector};
use rustfft::num_complex::Complex;

use super::window::Lines;

/// How much a pattern of which nothing was heard counts, in windows that surely had a rhythm (common practice, no source; chosen on
/// simulated studies, on which 2 and 5 did alike).
const NOTHING_HEARD: f64 = 2.0;
/// What is kept of the pattern from window to window: it lasts for some ten minutes (common practice, no source; chosen on simulated
/// studies).
const KEPT: f64 = 0.85;
/// The windows that share much of their readings with the next one: what noise they hold is the same, and is no pattern.
const OVERLAPPING: usize = 2;

/// The pattern over the sites as far as it was heard.
#[derive(Debug, Default)]
pub(super) struct Pattern {
    /// Sites × sites.
    heard: DMatrix<f64>,
    /// The last windows, the newest last.
    recent: VecDeque<DMatrix<f64>>,
}

/// One window's lines along the axes of the pattern.
pub(super) struct Along {
    used: Vec<usize>,
    /// The axes of the pattern, and its share along each.
    axes: DMatrix<f64>,
    shares: DVector<f64>,
    /// Each line's real and imaginary parts along the axes.
    lines: Vec<(DVector<f64>, DVector<f64>)>,
}

impl Pattern {
    /// Turns the lines of a window along the axes of the pattern so far.
    pub fn along(&self, window: &Lines, lines: &[usize]) -> Along {
        let heard: Vec<(usize, &[Complex<f64>])> = window.heard().collect();
        let used: Vec<usize> = heard.iter().map(|&(site, _)| site).collect();
        let before = |i: usize, j: usize| self.heard.get((used[i], used[j])).copied().unwrap_or(0.0);
        let mut shape = DMatrix::from_fn(used.len(), used.len(), before);
        for i in 0..used.len() {
            shape[(i, i)] += NOTHING_HEARD;
        }
        shape *= used.len() as f64 / shape.trace();
        let axes = shape.symmetric_eigen();
        let turned = |part: &dyn Fn(&Complex<f64>) -> f64, line: usize| {
            let sites = heard.iter().map(|(_, of)| of.get(line).map_or(0.0, part));
            axes.eigenvectors.tr_mul(&DVector::from_iterator(used.len(), sites))
        };
        Along {
            lines: lines
                .iter()
                .map(|&line| (turned(&|z| z.re, line), turned(&|z| z.im, line)))
                .collect(),
            shares: axes.eigenvalues.map(|share| share.max(0.0)),
            axes: axes.eigenvectors,
            used,
        }
    }

    /// Remembers a window in which each line had the rhythm with a probability.
    pub fn remember(&mut self, along: &Along, probabilities: impl Iterator<Item = f64>, sites: usize) {
        let mut sum = DMatrix::zeros(along.used.len(), along.used.len());
        for (line, probability) in probabilities.enumerate() {
            let aligned = along.aligned(line);
            sum.ger(probability, &aligned, &aligned, 1.0);
        }
        let sum = &along.axes * sum * along.axes.transpose();
        let mut window = DMatrix::zeros(sites, sites);
        for (i, &row) in along.used.iter().enumerate() {
            for (j, &column) in along.used.iter().enumerate() {
                window[(row, column)] = sum[(i, j)];
            }
        }
        if self.heard.nrows() != sites {
            self.heard = DMatrix::zeros(sites, sites);
        }
        self.heard *= KEPT;
        self.recent.push_back(window);
        if self.recent.len() > OVERLAPPING {
            self.heard += self.recent.pop_front().unwrap_or_default();
        }
    }
}

impl Along {
    /// The logarithm of a line's likelihood with a rhythm of so much power over the noise, against that without.
    pub fn ln_likelihood(&self, line: usize, power: f64) -> f64 {
        let (real, imaginary) = &self.lines[line];
        let (mut rr, mut rs, mut ss, mut ln_det) = (0.0, 0.0, 0.0, 0.0);
        for (axis, share) in self.shares.iter().enumerate() {
            let beyond = 2.0 * power * share;
            let gain = beyond / (1.0 + beyond);
            rr += gain * real[axis] * real[axis];
            rs += gain * real[axis] * imaginary[axis];
            ss += gain * imaginary[axis] * imaginary[axis];
            ln_det += beyond.ln_1p();
        }
        0.5 * (rr + ss) + ln_bessel_i0((0.5 * (rr - ss)).hypot(rs)) - 0.5 * ln_det
    }

    /// The part of a line in the phase in which the sites agree best, along the axes.
    fn aligned(&self, line: usize) -> DVector<f64> {
        let (real, imaginary) = &self.lines[line];
        let weighted = |one: &DVector<f64>, other: &DVector<f64>| one.component_mul(&self.shares).dot(other);
        let (rr, rs, ss) = (
            weighted(real, real),
            weighted(real, imaginary),
            weighted(imaginary, imaginary),
        );
        let (sine, cosine) = (0.5 * f64::atan2(2.0 * rs, rr - ss)).sin_cos();
        real * cosine + imaginary * sine
    }
}

/// ln I₀(x) of x ≥ 0, right to 2e-7.
fn ln_bessel_i0(x: f64) -> f64 {
    const NEAR: [f64; 7] = [
        1.0,
        3.515_622_9,
        3.089_942_4,
        1.206_749_2,
        0.265_973_2,
        0.036_076_8,
        0.004_581_3,
    ];
    const FAR: [f64; 9] = [
        0.398_942_28,
        0.013_285_92,
        0.002_253_19,
        -0.001_575_65,
        0.009_162_81,
        -0.020_577_06,
        0.026_355_37,
        -0.016_476_33,
        0.003_923_77,
    ];
    const BORDER: f64 = 3.75;
    let sum = |coefficients: &[f64], t: f64| coefficients.iter().rev().fold(0.0, |sum, c| sum * t + c);
    if x < BORDER {
        sum(&NEAR, (x / BORDER).powi(2)).ln()
    } else {
        x - 0.5 * x.ln() + sum(&FAR, BORDER / x).ln()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Sites of one line each.
    fn window(sites: &[Complex<f64>]) -> Lines {
        Lines::new(sites.iter().map(|&line| Some(vec![line])).collect())
    }

    /// Eight sites, a pattern of alternating signs in a phase.
    fn alternating(amplitude: f64, phase: f64) -> Lines {
        let sign = |site: usize| if site.is_multiple_of(2) { amplitude } else { -amplitude };
        let sites: Vec<Complex<f64>> = (0..8)
            .map(|site| Complex::from_polar(1.0, phase) * sign(site))
            .collect();
        window(&sites)
    }

    fn ln_likelihood(pattern: &Pattern, window: &Lines, power: f64) -> f64 {
        pattern.along(window, &[0]).ln_likelihood(0, power)
    }

    #[test]
    fn bessels_function_matches_scipy() {
        // SciPy 1.17.1: numpy.log(scipy.special.i0e(x)) + x.
        for (x, expected) in [
            (0.0, 0.0),
            (0.5, 0.061_549_719_185_481_19),
            (3.0, 1.585_307_621_813_420_8),
            (3.75, 2.210_354_211_972_019),
            (4.0, 2.424_972_795_515_459),
            (40.0, 37.239_786_861_352_36),
            (700.0, 695.805_699_998_443_4),
        ] {
            assert!((ln_bessel_i0(x) - expected).abs() < 5e-7, "{x}: {}", ln_bessel_i0(x));
        }
    }

    #[test]
    fn with_nothing_heard_before_the_likelihood_is_that_of_independent_sites_averaged_over_phases() {
        let sites: Vec<Complex<f64>> = (0..5)
            .map(|site| Complex::new(0.3 * f64::from(site) - 0.4, 1.0 - 0.2 * f64::from(site)))
            .collect();
        let power = 1.7_f64;
        // The definition: Π over sites of N(u; 0, ½ + ρ) / N(u; 0, ½), the mean over 1000 phases.
        let phases = (0..1000).map(|k| std::f64::consts::TAU * f64::from(k) / 1000.0);
        let mean = phases
            .map(|phase| {
                let each = sites.iter().map(|z| {
                    let u = (z * Complex::from_polar(1.0, -phase)).re;
                    u * u * 2.0 * power / (1.0 + 2.0 * power) - 0.5 * (2.0 * power).ln_1p()
                });
                each.sum::<f64>().exp()
            })
            .sum::<f64>()
            / 1000.0;
        let found = ln_likelihood(&Pattern::default(), &window(&sites), power);
        assert_relative_eq!(found, mean.ln(), epsilon = 1e-6);
    }

    #[test]
    fn a_pattern_that_was_heard_before_is_told_from_another_as_strong() {
        let mut pattern = Pattern::default();
        let first = ln_likelihood(&pattern, &alternating(1.2, 0.3), 2.0);
        for window in 0..12 {
            let along = pattern.along(&alternating(2.0, f64::from(window)), &[0]);
            pattern.remember(&along, std::iter::once(1.0), 8);
        }
        let same = ln_likelihood(&pattern, &alternating(1.2, 2.0), 2.0);
        let other = ln_likelihood(&pattern, &window(&[Complex::new(1.2, 0.0); 8]), 2.0);
        assert!(same > first + 1.0 && other < first - 1.0, "{first} {same} {other}");
    }

    #[test]
    fn a_site_that_falls_silent_takes_only_its_own_part_along() {
        let mut pattern = Pattern::default();
        for window in 0..12 {
            let along = pattern.along(&alternating(2.0, f64::from(window)), &[0]);
            pattern.remember(&along, std::iter::once(1.0), 8);
        }
        let mut sites: Vec<Option<Vec<Complex<f64>>>> = (0..8)
            .map(|site| Some(vec![Complex::new(if site % 2 == 0 { 1.2 } else { -1.2 }, 0.0)]))
            .collect();
        sites[3] = None;
        let same = ln_likelihood(&pattern, &Lines::new(sites.clone()), 2.0);
        let other = sites
            .iter()
            .map(|site| site.as_ref().map(|_| vec![Complex::new(1.2, 0.0)]));
        assert!(same > ln_likelihood(&pattern, &Lines::new(other.collect()), 2.0) + 2.0);
    }
}
