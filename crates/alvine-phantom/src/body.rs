//! The torso of a phantom: given, or drawn as people are.

use alvine::Torso;
use alvine::torso::AbdominalPlanes;
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
    /// Drawn as adults are, women and men alike often, over the whole range of the survey: breadth and depth by their own
    /// quantiles (0.5 to 99.5 %), and as much alike as in the same people (a Gaussian copula).
    ///
    /// # Source
    ///
    /// Computed from the same survey; the dataset `anthropometry` holds its waists.
    Surveyed(Girth),
}

/// What of a surveyed waist the ellipse keeps: an ellipse of a real waist's breadth and depth is shorter round than the
/// waist, by 5 % in the median, as a waist is squarer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Girth {
    /// Breadth and depth as the callipers measure them; the perimeter is 5 % short of the tape. Depth is what signals
    /// depend on, and sites are placed by breadth and depth: use this unless a tape is all that is known.
    Callipers,
    /// The perimeter as the tape measures it; breadth and depth are both stretched by the same share, some 5 % too large.
    Tape,
}

impl Girth {
    /// Either.
    pub const ALL: [Self; 2] = [Self::Callipers, Self::Tape];

    /// Its name.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Callipers => "callipers",
            Self::Tape => "tape",
        }
    }
}

/// Standard normal quantiles of the shares 0.5, 2.5, 5, 10, 25, 50, 75, 90, 95, 97.5 and 99.5 %.
const SCORES: [f64; 11] = [
    -2.575_829, -1.959_964, -1.644_854, -1.281_552, -0.674_490, 0.0, 0.674_490, 1.281_552, 1.644_854, 1.959_964,
    2.575_829,
];

/// Breadth, depth and ellipse over tape at the shares of [`SCORES`], and the correlation of breadth's and depth's normal
/// scores.
struct Survey {
    breadth_mm: [f64; 11],
    depth_mm: [f64; 11],
    ellipse_share: [f64; 11],
    correlation: f64,
    /// Height of the transpyloric plane over the navel at 5, 50 and 95 %, mm: half-way between jugular notch and greater
    /// trochanter, as the survey has no symphysis and the two are about level (from memory; ± 20 mm).
    transpyloric_mm: [f64; 3],
}

const SURVEYED_WOMEN: Survey = Survey {
    breadth_mm: [
        225.0, 241.0, 250.25, 260.0, 276.0, 298.0, 321.0, 344.0, 356.0, 370.4, 394.1,
    ],
    depth_mm: [
        155.0, 164.0, 169.0, 176.0, 190.0, 209.0, 232.0, 256.0, 270.75, 285.0, 316.15,
    ],
    ellipse_share: [
        0.8937, 0.9052, 0.911, 0.918, 0.9301, 0.9426, 0.9553, 0.9686, 0.9763, 0.9819, 0.9969,
    ],
    correlation: 0.832,
    transpyloric_mm: [80.0, 106.0, 138.0],
};
const SURVEYED_MEN: Survey = Survey {
    breadth_mm: [
        251.0, 264.0, 272.0, 282.0, 301.0, 325.0, 350.0, 371.0, 385.0, 398.0, 422.4,
    ],
    depth_mm: [
        171.4, 181.0, 188.0, 196.0, 212.0, 234.0, 261.0, 284.0, 300.0, 313.0, 344.0,
    ],
    ellipse_share: [
        0.9054, 0.9178, 0.923, 0.9285, 0.9385, 0.9487, 0.9593, 0.9687, 0.9747, 0.9794, 0.9919,
    ],
    correlation: 0.867,
    transpyloric_mm: [83.0, 112.0, 149.0],
};

impl Survey {
    /// A woman's or a man's.
    fn of_lot(rng: &mut Xoshiro256PlusPlus) -> &'static Self {
        if rng.random_bool(0.5) {
            &SURVEYED_WOMEN
        } else {
            &SURVEYED_MEN
        }
    }

    /// A waist: breadth, depth, and what of its tape their ellipse has.
    fn waist(&self, rng: &mut Xoshiro256PlusPlus) -> [f64; 3] {
        let [first, second, third] = [0; 3].map(|_| normal(rng));
        let alike = self.correlation * first + (1.0 - self.correlation * self.correlation).sqrt() * second;
        [
            at_score(&self.breadth_mm, first),
            at_score(&self.depth_mm, alike),
            at_score(&self.ellipse_share, third),
        ]
    }
}

/// The quantile at a normal score, between the known ones; the outermost beyond them.
fn at_score(quantiles: &[f64; 11], score: f64) -> f64 {
    let above = SCORES
        .partition_point(|&known| known < score)
        .clamp(1, SCORES.len() - 1);
    let (from, to) = (SCORES[above - 1], SCORES[above]);
    let share = ((score - from) / (to - from)).clamp(0.0, 1.0);
    quantiles[above - 1] + share * (quantiles[above] - quantiles[above - 1])
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
            Self::Surveyed(girth) => {
                let mut rng = stream(seed, Purpose::Torso);
                let survey = Survey::of_lot(&mut rng);
                let [breadth_mm, depth_mm, ellipse_share] = survey.waist(&mut rng);
                let stretch = match girth {
                    Girth::Callipers => 1.0,
                    Girth::Tape => 1.0 / ellipse_share,
                };
                Ok(Torso::new(breadth_mm * stretch, depth_mm * stretch)?)
            }
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

impl TorsoChoice {
    /// How much higher over the navel than usual the organs above it lie, as a factor: by the transpyloric plane, on which
    /// the pylorus lies, where the torso is surveyed; 1 elsewhere.
    pub(crate) fn height_factor(&self, seed: u64) -> f64 {
        let Self::Surveyed(_) = self else { return 1.0 };
        let [least_mm, median_mm, most_mm] = Survey::of_lot(&mut stream(seed, Purpose::Torso)).transpyloric_mm;
        let mut rng = stream(seed, Purpose::Planes);
        // Between its 5th and 95th percentile a normal value covers 3.29 standard deviations.
        let plane_mm = within(median_mm, (most_mm - least_mm) / 3.29, least_mm, most_mm, &mut rng);
        plane_mm / AbdominalPlanes::default().transpyloric_mm
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

    /// The waists of the survey: sex, breadth, depth, circumference, mm.
    const WAISTS: &str = include_str!("../../../datasets/anthropometry/waist.csv");

    fn waists(sex: &str) -> Vec<[f64; 3]> {
        let of_sex = WAISTS
            .lines()
            .filter_map(|line| line.strip_prefix(sex)?.strip_prefix(','));
        of_sex
            .map(|line| {
                let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
                [cells[0], cells[1], cells[2]]
            })
            .collect()
    }

    /// Greatest difference of two samples' cumulative shares (Kolmogorov and Smirnov).
    fn apart(mut one: Vec<f64>, mut other: Vec<f64>) -> f64 {
        one.sort_by(f64::total_cmp);
        other.sort_by(f64::total_cmp);
        let share =
            |sorted: &[f64], limit: f64| sorted.partition_point(|&value| value <= limit) as f64 / sorted.len() as f64;
        let limits = one.iter().chain(&other);
        limits
            .map(|&limit| (share(&one, limit) - share(&other, limit)).abs())
            .fold(0.0, f64::max)
    }

    #[test]
    fn surveyed_waists_are_spread_as_the_surveyed_people_s() {
        for (sex, survey) in [("female", SURVEYED_WOMEN), ("male", SURVEYED_MEN)] {
            let people = waists(sex);
            let mut rng = stream(1, Purpose::Torso);
            let drawn: Vec<[f64; 3]> = (0..4000).map(|_| survey.waist(&mut rng)).collect();
            // Of two samples of one distribution, one pair in a thousand is further apart than 1.95 √((n + m) / n m); the
            // survey rounds to 1 mm, of which a torso has some 140 (0.007), and quantiles are joined by straight lines.
            let (n, m) = (people.len() as f64, 4000.0);
            let bound = 1.95 * ((n + m) / (n * m)).sqrt() + 0.012;
            let ellipse_share = |[breadth_mm, depth_mm, tape_mm]: &[f64; 3]| {
                Torso::new(*breadth_mm, *depth_mm).unwrap().perimeter_mm() / tape_mm
            };
            let column = |of: &dyn Fn(&[f64; 3]) -> f64, from: &[[f64; 3]]| from.iter().map(of).collect::<Vec<f64>>();
            for of in [
                &|waist: &[f64; 3]| waist[0],
                &|waist: &[f64; 3]| waist[1],
                &|waist: &[f64; 3]| waist[1] / waist[0],
            ] as [&dyn Fn(&[f64; 3]) -> f64; 3]
            {
                let found = apart(column(of, &people), column(of, &drawn));
                assert!(found < bound, "{sex}: {found} of {bound}");
            }
            let shares = column(&|waist| waist[2], &drawn);
            assert!(apart(column(&ellipse_share, &people), shares) < bound, "{sex}");
        }
    }

    #[test]
    fn a_torso_by_tape_is_longer_round_than_one_by_callipers() {
        let mut shares: Vec<f64> = (0..400)
            .map(|seed| {
                let [callipers, tape] = Girth::ALL.map(|girth| TorsoChoice::Surveyed(girth).torso(seed).unwrap());
                callipers.perimeter_mm() / tape.perimeter_mm()
            })
            .collect();
        shares.sort_by(f64::total_cmp);
        // The survey's median is 0.947; its spread of 0.018 makes that of 400 right to 0.0011; four of them.
        assert!((shares[200] - 0.947).abs() < 0.0045, "{}", shares[200]);
    }
}
