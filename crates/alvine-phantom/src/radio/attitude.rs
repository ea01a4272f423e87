//! The capsule's attitude by rotational diffusion, and what its dipole sends towards a site.

use alvine::Position;
use rand_distr::{Distribution, UnitSphere};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::effects::Tumbling;
use crate::chance::normal;
use crate::streams::{Purpose, stream};

/// The widest turn in one step of the walk on the sphere, as a standard deviation each way, rad: up to it the decay of
/// `E u·u′` is right to a part in a hundred.
const WIDEST_RAD: f64 = 0.35;
/// After so many memories the attitude is drawn afresh.
const FORGOTTEN: f64 = 8.0;
/// Steps of the integral of the mean over all attitudes.
const STEPS: usize = 2000;

/// The capsule as it turns.
#[derive(Debug)]
pub(crate) struct Attitude {
    memory_s: f64,
    null_share: f64,
    mean_db: f64,
    spread_db: f64,
    axis: Position,
    rng: Xoshiro256PlusPlus,
}

impl Attitude {
    pub(crate) fn new(tumbling: &Tumbling, seed: u64) -> Self {
        let mut rng = stream(seed, Purpose::Tumbling);
        let [mean_db, squares_db2] = moments(tumbling.null_share);
        Self {
            memory_s: tumbling.memory_s,
            null_share: tumbling.null_share,
            mean_db,
            spread_db: (squares_db2 - mean_db * mean_db).max(0.0).sqrt(),
            axis: any_direction(&mut rng),
            rng,
        }
    }

    /// Turns on by `step_s`.
    pub(crate) fn step(&mut self, step_s: f64) {
        if step_s > FORGOTTEN * self.memory_s {
            self.axis = any_direction(&mut self.rng);
            return;
        }
        // A walk of variance σ² each way over a step turns E u·u′ by exp(−σ²), so σ² = Δ / τ.
        let variance = step_s.max(0.0) / self.memory_s;
        let parts = (variance / (WIDEST_RAD * WIDEST_RAD)).ceil().max(1.0);
        let turn_rad = (variance / parts).sqrt();
        for _ in 0..parts as usize {
            self.turn(turn_rad);
        }
    }

    fn turn(&mut self, each_way_rad: f64) {
        let kick = Position::from_fn(|_, _| each_way_rad * normal(&mut self.rng));
        let sideways = kick - self.axis * kick.dot(&self.axis);
        let angle_rad = sideways.norm();
        if angle_rad > 0.0 {
            let (sine, cosine) = libm::sincos(angle_rad);
            self.axis = (self.axis * cosine + sideways * (sine / angle_rad)).normalize();
        }
    }

    /// What the dipole sends towards a site more than its mean over all attitudes, dB.
    pub(crate) fn gain_db(&self, towards: &Position) -> f64 {
        let along = towards
            .try_normalize(1e-9)
            .map_or(0.0, |direction| direction.dot(&self.axis));
        gain_db(self.null_share, along * along) - self.mean_db
    }

    /// Its standard deviation over all attitudes, dB.
    pub(crate) const fn spread_db(&self) -> f64 {
        self.spread_db
    }
}

fn any_direction(rng: &mut Xoshiro256PlusPlus) -> Position {
    Position::from(<UnitSphere as Distribution<[f64; 3]>>::sample(&UnitSphere, rng))
}

/// The dipole's gain by the squared cosine of the angle from its axis, dB.
fn gain_db(null_share: f64, along_squared: f64) -> f64 {
    10.0 * libm::log10(null_share + (1.0 - null_share) * 1.5 * (1.0 - along_squared).max(0.0))
}

/// Mean and mean square of the gain over all attitudes; the cosine is then even between −1 and 1.
fn moments(null_share: f64) -> [f64; 2] {
    let mut sums = [0.0; 2];
    for step in 0..STEPS {
        let cosine = (step as f64 + 0.5) / STEPS as f64;
        let gain = gain_db(null_share, cosine * cosine);
        sums[0] += gain / STEPS as f64;
        sums[1] += gain * gain / STEPS as f64;
    }
    sums
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_axis_forgets_at_the_rate_asked_for() {
        for step_s in [0.5, 20.0, 90.0] {
            let lag = (90.0_f64 / step_s).round() as usize;
            let expected = (-(lag as f64) * step_s / 90.0).exp();
            let (mut sum, mut count) = (0.0, 0.0);
            for seed in 0..4000 {
                let mut attitude = Attitude::new(&Tumbling::USUAL, seed);
                let first = attitude.axis;
                (0..lag).for_each(|_| attitude.step(step_s));
                sum += first.dot(&attitude.axis);
                count += 1.0;
            }
            // One component of a unit vector has variance 1/3: sd of the mean of 4000 below 0.0092; four of them, and
            // 0.01 for the steps.
            assert!((sum / count - expected).abs() < 0.047, "{step_s}: {}", sum / count);
        }
    }

    #[test]
    fn attitudes_have_no_mean_in_decibels_and_the_stated_spread() {
        let (mut sum, mut squares) = (0.0, 0.0);
        let mut spread_db = 0.0;
        for seed in 0..4000 {
            let attitude = Attitude::new(&Tumbling::USUAL, seed);
            let gain = attitude.gain_db(&Position::new(3.0, -2.0, 1.0));
            sum += gain / 4000.0;
            squares += gain * gain / 4000.0;
            spread_db = attitude.spread_db();
        }
        // Spread about 3 dB: sd of the mean 0.047; kurtosis below 6 makes the variance right to 3.5 %; four of each.
        assert!(sum.abs() < 0.2, "{sum}");
        assert!((squares.sqrt() / spread_db - 1.0).abs() < 0.08, "{squares} {spread_db}");
    }

    #[test]
    fn along_the_axis_only_the_null_is_left() {
        assert!((gain_db(0.1, 1.0) + 10.0).abs() < 1e-12);
        // Straight across: 0.1 + 0.9 · 1.5 = 1.45, 1.614 dB.
        assert!((gain_db(0.1, 0.0) - 1.6137).abs() < 1e-4);
    }
}
