//! How organs move in the body and take the capsule along: breathing, and slow drift of the mesentery with posture.

use alvine::Position;
use rand::Rng;

use crate::streams::{Purpose, stream};
use crate::wander::Wander;

/// Drift of the organs keeps its direction for about this long, s (common practice, no source).
const DRIFT_S: f64 = 1500.0;

/// Displacement of organs over time.
///
/// Breathing moves the upper organs down and up by `breath_mm` (10 to 15 mm at rest, from memory), the pelvic ones
/// hardly, 12 to 20 times a minute (from memory), with a rate that wanders by a tenth.
#[derive(Debug)]
pub(crate) struct Organs {
    breath_mm: f64,
    breaths_a_minute: f64,
    cycles: f64,
    rate: Wander,
    drift: [Wander; 3],
    rng: rand_xoshiro::Xoshiro256PlusPlus,
}

impl Organs {
    pub(crate) fn new(seed: u64, breath_mm: f64, drift_mm: f64) -> Self {
        let mut rng = stream(seed, Purpose::Organs);
        Self {
            breath_mm,
            breaths_a_minute: rng.random_range(12.5..18.0),
            cycles: rng.random_range(0.0..1.0),
            rate: Wander::new(0.1, 30.0, &mut rng),
            drift: [0, 1, 2].map(|_| Wander::new(drift_mm, DRIFT_S, &mut rng)),
            rng,
        }
    }

    /// The displacement of what lies at a place, mm, `step_s` after the last call.
    pub(crate) fn displacement_mm(&mut self, place_mm: &Position, step_s: f64) -> Position {
        let rate = (1.0 + self.rate.step(step_s, &mut self.rng)).max(0.2);
        self.cycles += rate * self.breaths_a_minute / 60.0 * step_s;
        let inhaled = 0.5 - 0.5 * libm::cos(std::f64::consts::TAU * self.cycles);
        let share = inhaled * breathing_share(place_mm.z);
        let drift_mm = Position::from_fn(|axis, _| self.drift[axis].step(step_s, &mut self.rng));
        // The diaphragm pushes down, and the belly wall gives way forwards by a third of that.
        drift_mm + Position::new(0.0, -self.breath_mm / 3.0, -self.breath_mm) * share
    }
}

/// How much of the diaphragm's movement reaches a height: all beneath the ribs, little in the pelvis.
fn breathing_share(z_mm: f64) -> f64 {
    (0.15 + 0.85 * (z_mm + 100.0) / 220.0).clamp(0.15, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn breathing_moves_the_stomach_more_than_the_pelvis() {
        let swing = |z_mm: f64| {
            let mut organs = Organs::new(3, 12.0, 0.0);
            let heights: Vec<f64> = (0..1200)
                .map(|_| organs.displacement_mm(&Position::new(0.0, 80.0, z_mm), 0.1).z)
                .collect();
            heights.iter().copied().fold(f64::MIN, f64::max) - heights.iter().copied().fold(f64::MAX, f64::min)
        };
        assert!((11.5..=12.0).contains(&swing(130.0)));
        assert!((1.6..=1.9).contains(&swing(-120.0)));
    }
}
