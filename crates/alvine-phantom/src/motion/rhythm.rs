//! The fast part: the to-and-fro of contractions, waxing and waning, on top of the slow movement.

use rand::Rng;

/// How fast and how far contractions push to and fro, from the start of a stretch to its end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rhythm {
    /// Contractions a minute at the start and at the end.
    pub(crate) per_minute: [f64; 2],
    /// Furthest excursion at the start and at the end, mm.
    pub(crate) reach_mm: [f64; 2],
}

/// A rhythm in time: activity comes and goes over minutes, and is nil at the two ends of the stretch.
#[derive(Debug, Clone)]
pub(crate) struct Contractions {
    rhythm: Rhythm,
    cycles: f64,
    waxing_s: [f64; 2],
    phases: [f64; 2],
}

/// To-and-fro fades in and out over this time at the ends of a stretch, so that landmarks are passed exactly, s.
const FADE_S: f64 = 10.0;

impl Contractions {
    pub(crate) fn new(rhythm: Rhythm, rng: &mut impl Rng) -> Self {
        let mut phase = || rng.random_range(0.0..std::f64::consts::TAU);
        let phases = [phase(), phase()];
        Self {
            rhythm,
            cycles: 0.0,
            waxing_s: [rng.random_range(150.0..300.0), rng.random_range(500.0..1100.0)],
            phases,
        }
    }

    /// The excursion, mm, `elapsed_s` after the start and `left_s` before the end of the stretch, `step_s` after the
    /// last call, at a share 0 to 1 of the stretch.
    pub(crate) fn excursion_mm(&mut self, elapsed_s: f64, left_s: f64, step_s: f64, share: f64) -> f64 {
        let between = |ends: [f64; 2]| ends[0] + share.clamp(0.0, 1.0) * (ends[1] - ends[0]);
        self.cycles += between(self.rhythm.per_minute) / 60.0 * step_s;
        let wave = |k: usize| libm::sin(std::f64::consts::TAU * elapsed_s / self.waxing_s[k] + self.phases[k]);
        let activity = (0.5 + 0.4 * wave(0) + 0.3 * wave(1)).clamp(0.0, 1.0);
        let fade = (elapsed_s.min(left_s) / FADE_S).clamp(0.0, 1.0);
        between(self.rhythm.reach_mm) * activity * fade * libm::sin(std::f64::consts::TAU * self.cycles)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::streams::{Purpose, stream};

    #[test]
    fn ten_a_minute_crosses_zero_twenty_times_a_minute() {
        let rhythm = Rhythm {
            per_minute: [10.0; 2],
            reach_mm: [5.0; 2],
        };
        let mut contractions = Contractions::new(rhythm, &mut stream(1, Purpose::Motion));
        let samples: Vec<f64> = (0..60_000)
            .map(|k| contractions.excursion_mm(100.0 + 0.1 * f64::from(k), 1e4, 0.1, 0.5))
            .collect();
        let turns = samples.windows(2).filter(|pair| pair[0] * pair[1] < 0.0).count();
        // 100 minutes at 20 crossings, less the moments of no activity, in which the product is zero.
        assert!((1700..=2001).contains(&turns), "{turns}");
        assert!(samples.iter().all(|mm| mm.abs() <= 5.0));
    }

    #[test]
    fn there_is_no_excursion_at_the_ends_of_a_stretch() {
        let rhythm = Rhythm {
            per_minute: [3.0; 2],
            reach_mm: [9.0; 2],
        };
        let mut contractions = Contractions::new(rhythm, &mut stream(1, Purpose::Motion));
        assert_eq!(contractions.excursion_mm(0.0, 50.0, 0.5, 0.0), 0.0);
        assert_eq!(contractions.excursion_mm(50.0, 0.0, 0.5, 1.0), 0.0);
    }
}
