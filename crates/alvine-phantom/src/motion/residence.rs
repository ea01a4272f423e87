//! How long the capsule stays in each stretch of gut.

use rand_xoshiro::Xoshiro256PlusPlus;

use crate::chance::normal;

/// No drawn or fixed time is longer, s: 116 days.
pub(crate) const MOST_S: f64 = 1e7;

/// How a residence time comes about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Residence {
    /// Log-normal: median, s, and the standard deviation of its natural logarithm.
    Drawn {
        /// Median, s.
        median_s: f64,
        /// Standard deviation of ln(time).
        sd_ln: f64,
    },
    /// This long, s.
    Fixed(f64),
    /// The capsule does not leave the stretch.
    Endless,
}

impl Residence {
    /// Swallow to cardia: 8 s, common practice, no source (seconds, from memory).
    pub const OESOPHAGUS: Self = Self::Drawn {
        median_s: 8.0,
        sd_ln: 0.3,
    };

    /// Stomach, fasting.
    ///
    /// # Source
    ///
    /// Median 22 min, quartiles 10 and 48 min, of 71 healthy people: O'Grady et al., Endosc. Int. Open 2020; 8:
    /// E396–E400. The spread is `ln(48 / 10) / (2 · 0.6745)`.
    pub const FASTING_STOMACH: Self = Self::Drawn {
        median_s: 22.0 * 60.0,
        sd_ln: 1.163,
    };

    /// Pylorus to ileocaecal valve.
    ///
    /// # Source
    ///
    /// Median 198.5 min, quartiles 157 and 240.5 min: the same 71 people. The spread is
    /// `ln(240.5 / 157) / (2 · 0.6745)`.
    pub const SMALL_BOWEL: Self = Self::Drawn {
        median_s: 198.5 * 60.0,
        sd_ln: 0.316,
    };

    /// Ileocaecal valve to expulsion.
    ///
    /// # Source
    ///
    /// Median 21.66 h and spread 0.96 of 82 volunteers: computed from the table of Rauch et al., J. Crit. Care 2012;
    /// 27: 534.e7. Their colon times do not pass for log-normal (p 0.014); the phantom takes them so all the same.
    pub const COLON: Self = Self::Drawn {
        median_s: 21.66 * 3600.0,
        sd_ln: 0.96,
    };

    /// Draws the time, s, of at least `least_s`; infinite when endless.
    pub(crate) fn draw_s(self, least_s: f64, rng: &mut Xoshiro256PlusPlus) -> f64 {
        // One draw whatever the kind, so that fixing one stretch leaves the others as they were.
        let normal = normal(rng);
        match self {
            Self::Drawn { median_s, sd_ln } => (median_s * libm::exp(sd_ln * normal)).clamp(least_s, MOST_S),
            Self::Fixed(seconds) => seconds.clamp(least_s, MOST_S),
            Self::Endless => f64::INFINITY,
        }
    }
}

/// The residence times of one passage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transit {
    /// Swallow to cardia.
    pub oesophagus: Residence,
    /// Cardia to pylorus.
    pub stomach: Residence,
    /// Pylorus to ileocaecal valve, duodenum included.
    pub small_bowel: Residence,
    /// Ileocaecal valve to expulsion.
    pub colon: Residence,
}

impl Default for Transit {
    fn default() -> Self {
        Self {
            oesophagus: Residence::OESOPHAGUS,
            stomach: Residence::FASTING_STOMACH,
            small_bowel: Residence::SMALL_BOWEL,
            colon: Residence::COLON,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::streams::{Purpose, stream};

    /// How many of 400 seeds draw at most `limit_s`.
    fn at_most(residence: Residence, limit_s: f64) -> usize {
        (0..400)
            .filter(|&seed| residence.draw_s(1.0, &mut stream(seed, Purpose::Transit)) <= limit_s)
            .count()
    }

    #[test]
    fn the_published_quartiles_divide_four_hundred_draws_into_quarters() {
        // Binomial: sd 10 at the median, 8.7 at the quartiles; four of them. The published quartiles are not quite
        // symmetric in the logarithm, which moves at most 3 % of draws (12).
        let near = |count: usize, expected: usize, sd: f64| count.abs_diff(expected) as f64 <= 4.0 * sd + 12.0;
        for (residence, minutes) in [
            (Residence::FASTING_STOMACH, [10.0, 22.0, 48.0]),
            (Residence::SMALL_BOWEL, [157.0, 198.5, 240.5]),
        ] {
            let counts = minutes.map(|minute| at_most(residence, 60.0 * minute));
            assert!(near(counts[0], 100, 8.7), "{counts:?}");
            assert!(near(counts[1], 200, 10.0), "{counts:?}");
            assert!(near(counts[2], 300, 8.7), "{counts:?}");
        }
    }

    #[test]
    fn half_of_the_colon_times_lie_below_the_volunteers_median() {
        // Binomial sd 10, four of them.
        assert!(at_most(Residence::COLON, 21.66 * 3600.0).abs_diff(200) <= 40);
    }
}
