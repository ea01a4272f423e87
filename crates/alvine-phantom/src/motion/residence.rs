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
    /// By the quantiles at 5, 25, 50, 75 and 95 %, s: the logarithm of the time is joined by straight lines over the
    /// standard normal quantiles, and goes on as steeply beyond them.
    Quantiles([f64; 5]),
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

    /// Cardia to pylorus after a test meal.
    ///
    /// # Source
    ///
    /// The 5, 25, 50, 75 and 95 % quantiles of 85 healthy volunteers with a swallowed telemetry capsule, 2.05, 2.51, 2.99, 3.88, 5.91 h:
    /// computed from the table of Rauch et al., J. Crit. Care 2012; 27: 534.e7. That the capsule was taken with a meal is
    /// from memory; the median says so too.
    pub const FED_STOMACH: Self = Self::Quantiles([7_380.0, 9_036.0, 10_764.0, 13_968.0, 21_276.0]);

    /// Pylorus to ileocaecal valve after a test meal: 83 of the same people, 2.40, 3.14, 3.75, 4.66, 6.04 h.
    pub const FED_SMALL_BOWEL: Self = Self::Quantiles([8_640.0, 11_304.0, 13_500.0, 16_776.0, 21_744.0]);

    /// Ileocaecal valve to expulsion by its quantiles, as it does not pass for log-normal: 82 of the same people, 2.54, 15.24,
    /// 21.66, 37.18, 58.77 h.
    pub const COLON_QUANTILES: Self = Self::Quantiles([9_144.0, 54_864.0, 77_976.0, 133_848.0, 211_572.0]);

    /// Draws the time, s, of at least `least_s`; infinite when endless.
    pub(crate) fn draw_s(self, least_s: f64, rng: &mut Xoshiro256PlusPlus) -> f64 {
        // One draw whatever the kind, so that fixing one stretch leaves the others as they were.
        let normal = normal(rng);
        match self {
            Self::Drawn { median_s, sd_ln } => (median_s * libm::exp(sd_ln * normal)).clamp(least_s, MOST_S),
            Self::Quantiles(quantiles_s) => {
                libm::exp(ln_at_score(quantiles_s.map(libm::log), normal)).clamp(least_s, MOST_S)
            }
            Self::Fixed(seconds) => seconds.clamp(least_s, MOST_S),
            Self::Endless => f64::INFINITY,
        }
    }
}

/// Standard normal quantiles of the shares 5, 25, 50, 75 and 95 %.
const SCORES: [f64; 5] = [-1.644_854, -0.674_490, 0.0, 0.674_490, 1.644_854];

/// The value at a normal score, on the straight line through its neighbours.
fn ln_at_score(quantiles: [f64; 5], score: f64) -> f64 {
    let above = SCORES
        .partition_point(|&known| known < score)
        .clamp(1, SCORES.len() - 1);
    let share = (score - SCORES[above - 1]) / (SCORES[above] - SCORES[above - 1]);
    quantiles[above - 1] + share * (quantiles[above] - quantiles[above - 1])
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
    /// How long the capsule rests before the valve on top of its time in the small bowel, s: stasis.
    pub stasis_s: f64,
}

impl Transit {
    /// After a test meal: stomach, small bowel and colon as in [`Residence::FED_STOMACH`] and its neighbours.
    #[must_use]
    pub fn fed() -> Self {
        Self {
            stomach: Residence::FED_STOMACH,
            small_bowel: Residence::FED_SMALL_BOWEL,
            colon: Residence::COLON_QUANTILES,
            ..Self::default()
        }
    }
}

impl Default for Transit {
    fn default() -> Self {
        Self {
            oesophagus: Residence::OESOPHAGUS,
            stomach: Residence::FASTING_STOMACH,
            small_bowel: Residence::SMALL_BOWEL,
            colon: Residence::COLON,
            stasis_s: 0.0,
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

    #[test]
    fn the_published_quantiles_after_a_meal_divide_the_draws_as_they_should() {
        for (residence, minutes) in [
            (Residence::FED_STOMACH, [123.0, 150.6, 179.4, 232.8, 354.6]),
            (Residence::FED_SMALL_BOWEL, [144.0, 188.4, 225.0, 279.6, 362.4]),
            (Residence::COLON_QUANTILES, [152.4, 914.4, 1299.6, 2230.8, 3526.2]),
        ] {
            for (share, minute) in [0.05, 0.25, 0.5, 0.75, 0.95].into_iter().zip(minutes) {
                let count = at_most(residence, 60.0 * minute) as f64;
                // Binomial of 400; four standard deviations.
                let bound = 4.0 * (400.0_f64 * share * (1.0 - share)).sqrt();
                assert!(
                    (count - 400.0 * share).abs() <= bound,
                    "{residence:?} at {share}: {count}"
                );
            }
        }
    }
}
