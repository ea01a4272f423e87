//! How organs move in the body and take the capsule along: breathing, slow drift of the mesentery, and posture.

use alvine::Position;
use rand::Rng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::chance::exponential;
use crate::scenario::Scenario;
use crate::streams::{Purpose, stream};
use crate::wander::Wander;

/// Drift of the organs keeps its direction for about this long, s (common practice, no source).
const DRIFT_S: f64 = 1500.0;

/// How long it takes to turn or to rise, s (invented).
const TURNING_S: f64 = 8.0;

/// A posture, as the share of `posture_mm` by which the belly's organs shift against lying on the back: upright they sink
/// (the pylorus does: standard anatomy texts), on a side they fall to it.
const POSTURES: [[f64; 3]; 4] = [[0.0, 0.0, 0.0], [0.0, -0.25, -1.0], [0.5, 0.0, 0.0], [-0.5, 0.0, 0.0]];

/// The posture over time: kept for a while, exponentially distributed, then another.
#[derive(Debug)]
struct Posture {
    size_mm: f64,
    kept_s: f64,
    left_s: f64,
    aim_mm: Position,
    shift_mm: Position,
    rng: Xoshiro256PlusPlus,
}

impl Posture {
    fn new(scenario: &Scenario) -> Self {
        let mut rng = stream(scenario.seed, Purpose::Posture);
        let aim_mm = Position::from(POSTURES[rng.random_range(0..POSTURES.len())]) * scenario.posture_mm;
        Self {
            size_mm: scenario.posture_mm,
            kept_s: scenario.posture_s,
            left_s: scenario.posture_s * exponential(&mut rng),
            aim_mm,
            shift_mm: aim_mm,
            rng,
        }
    }

    /// The shift `step_s` after the last call.
    fn shift_mm(&mut self, step_s: f64) -> Position {
        self.left_s -= step_s;
        if self.left_s <= 0.0 {
            self.left_s = self.kept_s * exponential(&mut self.rng);
            self.aim_mm = Position::from(POSTURES[self.rng.random_range(0..POSTURES.len())]) * self.size_mm;
        }
        let left = libm::exp(-step_s / TURNING_S);
        self.shift_mm = self.aim_mm + (self.shift_mm - self.aim_mm) * left;
        self.shift_mm
    }
}

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
    posture: Posture,
    rng: Xoshiro256PlusPlus,
}

impl Organs {
    pub(crate) fn new(scenario: &Scenario) -> Self {
        let mut rng = stream(scenario.seed, Purpose::Organs);
        Self {
            breath_mm: scenario.breath_mm,
            breaths_a_minute: rng.random_range(12.5..18.0),
            cycles: rng.random_range(0.0..1.0),
            rate: Wander::new(0.1, 30.0, &mut rng),
            drift: [0, 1, 2].map(|_| Wander::new(scenario.drift_mm, DRIFT_S, &mut rng)),
            posture: Posture::new(scenario),
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
        let posture_mm = self.posture.shift_mm(step_s) * posture_share(place_mm.z);
        drift_mm + posture_mm + Position::new(0.0, -self.breath_mm / 3.0, -self.breath_mm) * share
    }
}

/// How much of the diaphragm's movement reaches a height: all beneath the ribs, little in the pelvis.
fn breathing_share(z_mm: f64) -> f64 {
    (0.15 + 0.85 * (z_mm + 100.0) / 220.0).clamp(0.15, 1.0)
}

/// How much of a change of posture reaches a height: the belly's organs, less what hangs from the diaphragm or sits in the
/// pelvis (invented).
fn posture_share(z_mm: f64) -> f64 {
    let from_below = ((z_mm + 150.0) / 100.0).clamp(0.0, 1.0);
    let from_above = ((220.0 - z_mm) / 100.0).clamp(0.0, 1.0);
    from_below.min(from_above)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn organs(breath_mm: f64, posture_mm: f64, seed: u64) -> Organs {
        Organs::new(&Scenario {
            breath_mm,
            drift_mm: 0.0,
            posture_mm,
            ..Scenario::demo(seed)
        })
    }

    #[test]
    fn upright_organs_sink_and_a_posture_is_kept_for_a_while() {
        let mut postures = [0_usize; 4];
        for seed in 0..40 {
            let mut organs = organs(0.0, 20.0, seed);
            for _ in 0..720 {
                let shift_mm = organs.displacement_mm(&Position::new(0.0, 80.0, 20.0), 60.0);
                let nearest = POSTURES.map(|share| (Position::from(share) * 20.0 - shift_mm).norm() < 0.5);
                for (count, is_near) in postures.iter_mut().zip(nearest) {
                    *count += usize::from(is_near);
                }
            }
        }
        // 40 times 12 h of postures of half an hour: 960 of them, a quarter each; sd 13 and of their lengths as much again:
        // 5.4 % each of the quarter, four of them. Under way a moment after each turn: few.
        let share = |count: usize| count as f64 / (40.0 * 720.0);
        assert!(
            postures.iter().all(|&count| (share(count) - 0.25).abs() < 0.065),
            "{postures:?}"
        );
        assert!(
            postures.iter().map(|&count| share(count)).sum::<f64>() > 0.95,
            "{postures:?}"
        );
    }

    #[test]
    fn breathing_moves_the_stomach_more_than_the_pelvis() {
        let swing = |z_mm: f64| {
            let mut organs = organs(12.0, 0.0, 3);
            let heights: Vec<f64> = (0..1200)
                .map(|_| organs.displacement_mm(&Position::new(0.0, 80.0, z_mm), 0.1).z)
                .collect();
            heights.iter().copied().fold(f64::MIN, f64::max) - heights.iter().copied().fold(f64::MAX, f64::min)
        };
        assert!((11.5..=12.0).contains(&swing(130.0)));
        assert!((1.6..=1.9).contains(&swing(-120.0)));
    }
}
