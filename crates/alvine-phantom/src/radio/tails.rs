//! Noise with heavy tails: now and then a sample is far off.

use rand::Rng;
use rand_xoshiro::Xoshiro256PlusPlus;

use super::effects::Tails;
use crate::chance::normal;
use crate::streams::{Purpose, stream};

/// What the Gaussian noise of each sample is multiplied by.
#[derive(Debug)]
pub(crate) struct Multiplier {
    tails: Tails,
    rng: Xoshiro256PlusPlus,
}

impl Multiplier {
    pub(crate) fn new(tails: Tails, seed: u64) -> Self {
        Self {
            tails,
            rng: stream(seed, Purpose::Tails),
        }
    }

    /// The factor of the next sample.
    pub(crate) fn next_factor(&mut self) -> f64 {
        match self.tails {
            Tails::None => 1.0,
            Tails::Contaminated { share, factor } => {
                if self.rng.random::<f64>() < share {
                    factor
                } else {
                    1.0
                }
            }
            Tails::Student { degrees } => {
                // t = n √(ν / χ²), of variance ν / (ν − 2).
                let chi_squared: f64 = (0..degrees)
                    .map(|_| normal(&mut self.rng))
                    .map(|normal| normal * normal)
                    .sum();
                ((f64::from(degrees) - 2.0) / chi_squared.max(1e-9)).sqrt()
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Variance, and share beyond three standard deviations, of 400 000 samples of noise.
    fn sampled(tails: Tails) -> (f64, f64) {
        let mut noise = stream(1, Purpose::Noise);
        let mut multiplier = Multiplier::new(tails, 1);
        let samples: Vec<f64> = (0..400_000)
            .map(|_| normal(&mut noise) * multiplier.next_factor())
            .collect();
        let variance = samples.iter().map(|sample| sample * sample).sum::<f64>() / 4e5;
        (
            variance,
            samples.iter().filter(|sample| sample.abs() > 3.0).count() as f64 / 4e5,
        )
    }

    #[test]
    fn contaminated_noise_has_the_variance_and_the_tails_of_its_mixture() {
        let (variance, beyond) = sampled(Tails::Contaminated {
            share: 0.05,
            factor: 4.0,
        });
        // 0.95 + 0.05 · 16 = 1.75; its fourth moment 3 (0.95 + 0.05 · 256) = 41 makes that right to 0.6 %; four of them.
        assert!((variance / 1.75 - 1.0).abs() < 0.024, "{variance}");
        // Beyond 3: 0.95 · 0.0027 + 0.05 · P(|n| > 0.75) = 0.0026 + 0.0227; sd 0.00025; four of them.
        assert!((beyond - 0.02523).abs() < 0.001, "{beyond}");
    }

    #[test]
    fn student_noise_keeps_its_spread_and_strays_further() {
        let (variance, beyond) = sampled(Tails::Student { degrees: 5 });
        // Kurtosis 9: the variance is right to 0.45 %; four of them.
        assert!((variance - 1.0).abs() < 0.018, "{variance}");
        // |t₅| > 3 √(5/3) = 3.873: 0.01172 (integral of the density); Gaussian 0.0027. sd 0.00017; four of them.
        assert!((beyond - 0.01172).abs() < 0.0007, "{beyond}");
        assert!((sampled(Tails::None).0 - 1.0).abs() < 0.009);
    }
}
