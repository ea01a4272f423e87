//! The torso of a phantom: given, or drawn as people are.

use alvine::Torso;
use rand::Rng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::chance::normal;
use crate::error::PhantomError;
use crate::streams::{Purpose, stream};

/// Breadth and depth of the torso.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TorsoChoice {
    /// This one.
    Fixed(Torso),
    /// Drawn as adults are, women and men alike often.
    ///
    /// Breadth at the waist is normal, depth a normal share of it, each within its 5th and 95th percentile. Breadth and
    /// depth are the measured ones, not derived from the tape, so that the ellipse's being 5 % shorter than the tape
    /// does not matter here; what an ellipse lacks is the real waist's squareness.
    ///
    /// # Source
    ///
    /// Computed from the public 2012 US Army anthropometric survey (4082 men, 1986 women, aged 17–58): soldiers, leaner
    /// and younger than patients.
    Drawn,
}

/// Breadth's mean, spread, 5th and 95th percentile, mm; depth over breadth's 5th, 50th and 95th percentile.
struct Population {
    breadth_mm: [f64; 4],
    ratio: [f64; 3],
}

const WOMEN: Population = Population {
    breadth_mm: [299.9, 33.0, 250.0, 356.0],
    ratio: [0.623, 0.705, 0.809],
};
const MEN: Population = Population {
    breadth_mm: [326.4, 34.7, 272.0, 385.0],
    ratio: [0.648, 0.721, 0.824],
};

impl TorsoChoice {
    /// The torso that a seed gives.
    pub(crate) fn torso(&self, seed: u64) -> Result<Torso, PhantomError> {
        match self {
            Self::Fixed(torso) => Ok(*torso),
            Self::Drawn => {
                let mut rng = stream(seed, Purpose::Torso);
                let population = if rng.random_bool(0.5) { WOMEN } else { MEN };
                let [mean_mm, spread_mm, least_mm, most_mm] = population.breadth_mm;
                let breadth_mm = within(mean_mm, spread_mm, least_mm, most_mm, &mut rng);
                let [least, median, most] = population.ratio;
                // Between its 5th and 95th percentile a normal value covers 3.29 standard deviations.
                let ratio = within(median, (most - least) / 3.29, least, most, &mut rng);
                Ok(Torso::new(breadth_mm, breadth_mm * ratio)?)
            }
        }
    }
}

/// A normal draw, taken again until it lies between its limits.
fn within(mean: f64, spread: f64, least: f64, most: f64, rng: &mut Xoshiro256PlusPlus) -> f64 {
    loop {
        let drawn = mean + spread * normal(rng);
        if (least..=most).contains(&drawn) {
            return drawn;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drawn_torsos_have_the_survey_s_middle_and_limits() {
        let torsos: Vec<Torso> = (0..400).map(|seed| TorsoChoice::Drawn.torso(seed).unwrap()).collect();
        let mean_mm = torsos.iter().map(|torso| torso.breadth_mm() / 400.0).sum::<f64>();
        // Equal shares of women and men: mean (299.9 + 326.4) / 2 = 313.2; sd of 400 below 33 / 20; four of them, and
        // 1.5 mm for cutting off the tails, which are not of equal weight.
        assert!((mean_mm - 313.2).abs() < 8.1, "{mean_mm}");
        for torso in torsos {
            assert!((250.0..=385.0).contains(&torso.breadth_mm()));
            assert!((0.623..=0.824).contains(&(torso.depth_mm() / torso.breadth_mm())));
        }
    }
}
