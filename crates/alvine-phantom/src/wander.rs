//! A value that wanders about nought and forgets where it was: the Ornstein–Uhlenbeck process, stepped exactly.
//!
//! ```text
//! x(t + Δ) = a x(t) + σ √(1 − a²) n,   a = exp(−Δ / τ),   n standard normal
//! σ standard deviation, τ s correlation time
//! ```

use rand_xoshiro::Xoshiro256PlusPlus;

use crate::chance::normal;

/// A wandering value.
#[derive(Debug, Clone)]
pub(crate) struct Wander {
    spread: f64,
    correlation_s: f64,
    value: f64,
    /// Step of the last call, its decay and its kick: steps are mostly equal.
    last: (f64, f64, f64),
}

impl Wander {
    /// A value of standard deviation `spread`, starting anywhere it may be.
    pub(crate) fn new(spread: f64, correlation_s: f64, rng: &mut Xoshiro256PlusPlus) -> Self {
        Self {
            spread,
            correlation_s,
            value: spread * normal(rng),
            last: (0.0, 1.0, 0.0),
        }
    }

    /// The value `step_s` later.
    pub(crate) fn step(&mut self, step_s: f64, rng: &mut Xoshiro256PlusPlus) -> f64 {
        if step_s != self.last.0 {
            let decay = libm::exp(-step_s / self.correlation_s);
            self.last = (step_s, decay, self.spread * (1.0 - decay * decay).sqrt());
        }
        let (_, decay, kick) = self.last;
        self.value = decay * self.value + kick * normal(rng);
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::streams::{Purpose, stream};

    #[test]
    fn spread_and_correlation_are_as_asked() {
        let rng = &mut stream(11, Purpose::Wander);
        let mut wander = Wander::new(1.5, 90.0, rng);
        let values: Vec<f64> = (0..400_000).map(|_| wander.step(9.0, rng)).collect();
        let mean_of = |products: &mut dyn Iterator<Item = f64>| {
            let (sum, count) = products.fold((0.0, 0.0), |(sum, count), product| (sum + product, count + 1.0));
            sum / count
        };
        let variance = mean_of(&mut values.iter().map(|value| value * value));
        let lagged = mean_of(&mut values.windows(11).map(|window| window[0] * window[10]));
        // 400 000 steps of a tenth of the correlation time are worth 40 000 independent ones for the variance (the
        // sum of squared correlations is 1 + 2 Σ e^(−k/5) ≈ 10): relative sd √(2 / 40 000) = 0.7 %; four of them.
        assert!((variance / 2.25 - 1.0).abs() < 0.03, "{variance}");
        assert!((lagged / variance - (-1.0_f64).exp()).abs() < 0.03, "{lagged}");
    }
}
