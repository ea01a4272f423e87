//! Shadowing: what each site hears above or below the law, fixed in place.
//!
//! A smooth Gaussian random field a site, from random Fourier features (Rahimi and Recht 2007):
//!
//! ```text
//! f(x) = σ / √M · Σₘ (aₘ cos ωₘ·x + bₘ sin ωₘ·x),   aₘ, bₘ ~ N(0, 1),   ωₘ ~ N(0, I / ℓ²)
//! E f(x) f(y) = σ² / M · Σₘ cos ωₘ·(x − y)  →  σ² exp(−|x − y|² / 2ℓ²)
//! f dB, σ dB, ℓ mm correlation length
//! ```
//!
//! The sites share the frequencies and not the weights: their fields are independent. The real belt's are not quite,
//! as neighbouring sites hear through the same tissue.

use alvine::Position;

use crate::chance::normal;
use crate::streams::{Purpose, stream, stream_at};

/// How many frequencies; the correlation at any distance is then right to about 1 / √(2 M) = 0.07.
const FREQUENCIES: usize = 96;

/// One field a site.
#[derive(Debug, Clone)]
pub(crate) struct Shadowing {
    /// Radians a mm.
    frequencies: Vec<Position>,
    /// Weights of cosine and sine in turn, dB, one row a site.
    weights_db: Vec<Vec<f64>>,
    /// Cosine and sine in turn at the place last asked for.
    waves: Vec<f64>,
}

impl Shadowing {
    pub(crate) fn new(seed: u64, sites: usize, spread_db: f64, correlation_mm: f64) -> Self {
        let mut rng = stream(seed, Purpose::Shadowing);
        let frequencies = (0..FREQUENCIES)
            .map(|_| Position::from_fn(|_, _| normal(&mut rng)) / correlation_mm)
            .collect();
        let scale_db = spread_db / (FREQUENCIES as f64).sqrt();
        let weights_db = (0..sites)
            .map(|site| {
                let mut rng = stream_at(seed, Purpose::Shadowing, site + 1);
                (0..2 * FREQUENCIES).map(|_| scale_db * normal(&mut rng)).collect()
            })
            .collect();
        Self {
            frequencies,
            weights_db,
            waves: vec![0.0; 2 * FREQUENCIES],
        }
    }

    /// Moves to a place, mm; what is asked for next is asked for there.
    pub(crate) fn move_to(&mut self, place_mm: &Position) {
        for (pair, frequency) in self.waves.chunks_exact_mut(2).zip(&self.frequencies) {
            let (sine, cosine) = libm::sincos(frequency.dot(place_mm));
            pair[0] = cosine;
            pair[1] = sine;
        }
    }

    /// What a site hears above the law at the place moved to, dB.
    pub(crate) fn at_site_db(&self, site: usize) -> f64 {
        self.weights_db[site]
            .iter()
            .zip(&self.waves)
            .map(|(w, wave)| w * wave)
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The mean of products of two fields' values over 400 seeds, in units of the variance.
    fn correlation(first: (usize, Position), second: (usize, Position)) -> f64 {
        let product = |seed| {
            let mut field = Shadowing::new(seed, 2, 4.0, 40.0);
            field.move_to(&first.1);
            let one = field.at_site_db(first.0);
            field.move_to(&second.1);
            one * field.at_site_db(second.0) / 16.0
        };
        (0..400).map(product).sum::<f64>() / 400.0
    }

    #[test]
    fn variance_and_correlation_length_are_as_asked() {
        // Mean of 400 squares: sd √(2 / 400) = 0.07; of 400 products at correlation ρ: √((1 + ρ²) / 400). Four of them.
        let here = Position::new(10.0, 80.0, -20.0);
        let at = |x_mm: f64| (0, here + Position::new(x_mm, 0.0, 0.0));
        assert!((correlation(at(0.0), at(0.0)) - 1.0).abs() < 0.28);
        assert!((correlation(at(0.0), at(40.0)) - (-0.5_f64).exp()).abs() < 0.24);
        assert!(correlation(at(0.0), at(160.0)).abs() < 0.2);
    }

    #[test]
    fn sites_are_shadowed_apart() {
        let here = Position::new(10.0, 80.0, -20.0);
        assert!(correlation((0, here), (1, here)).abs() < 0.2);
    }

    #[test]
    fn the_same_place_is_shadowed_alike_each_time() {
        let mut field = Shadowing::new(5, 1, 7.85, 40.0);
        let here = Position::new(0.0, 90.0, 0.0);
        field.move_to(&here);
        let first_db = field.at_site_db(0);
        field.move_to(&Position::new(50.0, 90.0, 0.0));
        assert_ne!(field.at_site_db(0), first_db);
        field.move_to(&here);
        assert_eq!(field.at_site_db(0), first_db);
    }
}
