//! Where the model holds exactly: the trajectory's error against the posterior Cramér–Rao bound, and whether its covariance is
//! honest.
//!
//! ```text
//! matched [TRACKS] [FIRST_SEED] [BLURS] [CASE]
//! ```
//!
//! Paths, levels and biases are drawn from the estimator's own model, so that whatever is lost is lost by the estimate and not
//! by the model. Each case twice: the most likely path, and the average over the likely ones (`TrajectoryOptions::blurs`, 8
//! of them unless said otherwise). With CASE only those whose name contains it. The columns: root mean square of the error, and of
//! the bound at the true paths; their ratio; the mean of the normalised squared error (NEES, 3 where the covariance is right); the share of times at which its mean over all tracks lies in the 95 % band of
//! such a mean; the share of instants whose 50 and 90 % ellipsoid holds the truth; the mean error towards the back, away from the
//! sites.

use alvine::bounds::posterior_cramer_rao;
use alvine::{
    MotionPrior, NoiseModel, Position, Recording, Setup, TrackEstimator, Trajectory, TrajectoryOptions, Wander,
};
use alvine_benches::{Failure, NO_FLOOR_DBM, setup};
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use rand_xoshiro::Xoshiro256PlusPlus;
use rayon::prelude::*;

/// Length of a track at 1 Hz.
const SECONDS: usize = 2400;
/// Every so many seconds a track is looked at.
const LOOK_EVERY: usize = 80;
const SPEED_MM_PER_S: f64 = 0.1;
const MEMORY_S: f64 = 20.0;
const NOISE_DB: f64 = 2.0;
const USUAL_BLURS: usize = 8;

/// What is drawn, and told to the estimator.
struct Case {
    name: &'static str,
    shadowing_db: f64,
    level_db: f64,
    floor_dbm: f64,
}

const fn case(name: &'static str, shadowing_db: f64, level_db: f64, floor_dbm: f64) -> Case {
    Case {
        name,
        shadowing_db,
        level_db,
        floor_dbm,
    }
}

const CASES: [Case; 6] = [
    case("noise alone", 0.0, 0.0, NO_FLOOR_DBM),
    case("levels wander by 0.5 dB", 0.0, 0.5, NO_FLOOR_DBM),
    case("levels wander by 1 dB, floor", 0.0, 1.0, -100.0),
    case("lasting biases of 1 dB", 1.0, 0.0, NO_FLOOR_DBM),
    case("lasting biases of 3 dB", 3.0, 0.0, NO_FLOOR_DBM),
    case("both, 3 dB and 0.5 dB, floor", 3.0, 0.5, -100.0),
];

impl Case {
    fn options(&self, blurs: usize) -> TrajectoryOptions {
        let wander = |memory| Wander {
            spread_db: self.level_db,
            memory,
        };
        TrajectoryOptions {
            motion: MotionPrior::MeanReverting {
                speed_mm_per_s: SPEED_MM_PER_S,
                memory_s: MEMORY_S,
            },
            motion_freedom: None,
            reading_freedom: None,
            bias_freedom: None,
            slow_level: wander(20_000.0),
            fast_level: wander(90.0),
            shadowing_memory_mm: 1e9,
            mounting_db: 0.0,
            unmodelled_share: 0.0,
            lasting_share: 0.0,
            blurs,
            ..TrajectoryOptions::default()
        }
    }

    fn setup(&self) -> Result<Setup, Failure> {
        let mut setup = setup(self.floor_dbm)?;
        setup.noise = NoiseModel::new(self.shadowing_db, NOISE_DB)?;
        Ok(setup)
    }
}

fn main() -> Result<(), Failure> {
    let mut arguments = std::env::args().skip(1);
    let tracks: u64 = arguments.next().map_or(Ok(50), |text| text.parse())?;
    let first: u64 = arguments.next().map_or(Ok(1), |text| text.parse())?;
    let blurs: usize = arguments.next().map_or(Ok(USUAL_BLURS), |text| text.parse())?;
    let named = arguments.next().unwrap_or_default();
    println!("mm                              blurs   RMSE  bound  ratio   NEES in band   50 %   90 %  towards back");
    for case in CASES.iter().filter(|case| case.name.contains(&named)) {
        for blurs in [0, blurs] {
            row(case, blurs, first..first + tracks)?;
        }
    }
    Ok(())
}

/// One instant of one track.
struct Look {
    error_mm: Position,
    bound_mm2: f64,
    nees: f64,
}

fn row(case: &Case, blurs: usize, seeds: std::ops::Range<u64>) -> Result<(), Failure> {
    let setup = case.setup()?;
    let options = case.options(blurs);
    let tracks: Vec<Vec<Look>> = seeds
        .into_par_iter()
        .filter_map(|seed| looks(&setup, &options, seed).map_err(|why| why.to_string()).transpose())
        .collect::<Result<_, _>>()?;
    let count = tracks.iter().map(Vec::len).sum::<usize>() as f64;
    let mean = |of: &dyn Fn(&Look) -> f64| tracks.iter().flatten().map(of).sum::<f64>() / count;
    let rmse_mm = mean(&|look| look.error_mm.norm_squared()).sqrt();
    let bound_mm = mean(&|look| look.bound_mm2).sqrt();
    // Quantiles of chi-square with 3 degrees of freedom.
    println!(
        "{:<34}{blurs:>3}{rmse_mm:>7.2}{bound_mm:>7.2}{:>7.3}{:>7.2}{:>8.2}{:>7.3}{:>7.3}{:>14.2}  ({} tracks)",
        case.name,
        rmse_mm / bound_mm,
        mean(&|look| look.nees),
        within_band(&tracks),
        mean(&|look| f64::from(look.nees < 2.366)),
        mean(&|look| f64::from(look.nees < 6.251)),
        mean(&|look| look.error_mm.y),
        tracks.len()
    );
    Ok(())
}

/// The share of times at which the mean NEES of all tracks lies within 1.96 standard deviations, √(6 / tracks), of 3.
fn within_band(tracks: &[Vec<Look>]) -> f64 {
    let count = tracks.len() as f64;
    let half = 1.96 * (6.0 / count).sqrt();
    let times = tracks.first().map_or(0, Vec::len);
    let within = (0..times).filter(|&time| {
        let mean = tracks.iter().map(|track| track[time].nees).sum::<f64>() / count;
        (mean - 3.0).abs() < half
    });
    within.count() as f64 / times as f64
}

/// One track; `None` where the path leaves the torso, which no prior on motion keeps it in.
fn looks(setup: &Setup, options: &TrajectoryOptions, seed: u64) -> Result<Option<Vec<Look>>, Failure> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let path = path(&mut rng);
    if path
        .iter()
        .any(|place| setup.torso.radial(place) > 0.9 || place.z.abs() > 180.0)
    {
        return Ok(None);
    }
    let recording = recording(setup, options, &path, &mut rng)?;
    let track = Trajectory { options: *options }.estimate(setup, &recording, &[], &|_| ())?;
    let each = options.knot_s as usize;
    let knots = 0..SECONDS / each;
    let knots_s: Vec<f64> = knots
        .clone()
        .map(|knot| (knot * each) as f64 + 0.5 * (each - 1) as f64)
        .collect();
    let at_knots: Vec<Position> = knots.map(|knot| path[knot * each + each / 2]).collect();
    let bound = posterior_cramer_rao(setup, options, &knots_s, each as u32, &[at_knots])?;
    let looks = (LOOK_EVERY..SECONDS - LOOK_EVERY).step_by(LOOK_EVERY).map(|second| {
        let point = &track.points[second];
        let error_mm = point.position_mm - path[second];
        let factor = point.covariance_mm2.cholesky().ok_or("a covariance that is none")?;
        Ok(Look {
            error_mm,
            bound_mm2: bound.smoothed_mm2[second / each].trace(),
            nees: error_mm.dot(&factor.solve(&error_mm)),
        })
    });
    looks.collect::<Result<_, Failure>>().map(Some)
}

fn normal(rng: &mut Xoshiro256PlusPlus) -> f64 {
    rng.sample(StandardNormal)
}

/// A path by the motion prior, second by second: position and velocity of an integrated Ornstein–Uhlenbeck process.
fn path(rng: &mut Xoshiro256PlusPlus) -> Vec<Position> {
    let keep = (-1.0 / MEMORY_S).exp();
    let (once, twice) = (1.0 - keep, 1.0 - keep * keep);
    let density = 2.0 * SPEED_MM_PER_S * SPEED_MM_PER_S / MEMORY_S;
    let position = density * MEMORY_S * MEMORY_S * (1.0 - 2.0 * MEMORY_S * once + 0.5 * MEMORY_S * twice);
    let cross = 0.5 * density * MEMORY_S * MEMORY_S * once * once;
    let velocity = 0.5 * density * MEMORY_S * twice;
    // Cholesky's factor of the two.
    let along = position.sqrt();
    let shared = cross / along;
    let own = (velocity - shared * shared).sqrt();
    let mut place = Position::new(40.0 * normal(rng), 90.0, 30.0 + 40.0 * normal(rng));
    let mut speed = Position::from_fn(|_, _| SPEED_MM_PER_S * normal(rng));
    (0..SECONDS)
        .map(|_| {
            for axis in 0..3 {
                let (first, second) = (normal(rng), normal(rng));
                place[axis] += MEMORY_S * once * speed[axis] + along * first;
                speed[axis] = keep * speed[axis] + shared * first + own * second;
            }
            place
        })
        .collect()
}

fn wander(of: &Wander, rng: &mut Xoshiro256PlusPlus) -> Vec<f64> {
    let keep = (-1.0 / of.memory).exp();
    let push_db = of.spread_db * (1.0 - keep * keep).sqrt();
    let mut level_db = of.spread_db * normal(rng);
    (0..SECONDS)
        .map(|_| {
            level_db = keep * level_db + push_db * normal(rng);
            level_db
        })
        .collect()
}

fn recording(
    setup: &Setup,
    options: &TrajectoryOptions,
    path: &[Position],
    rng: &mut Xoshiro256PlusPlus,
) -> Result<Recording, Failure> {
    let (slow, fast) = (wander(&options.slow_level, rng), wander(&options.fast_level, rng));
    let sites = setup.layout.len();
    let bias_db: Vec<f64> = (0..sites).map(|_| setup.noise.shadowing_db() * normal(rng)).collect();
    let levels = Array2::from_shape_fn((SECONDS, sites), |(second, site)| {
        let median_dbm = setup.median_dbm(&path[second], site);
        let level_dbm = median_dbm + slow[second] + fast[second] + bias_db[site] + NOISE_DB * normal(rng);
        level_dbm.max(setup.receiver.floor_dbm()) as f32
    });
    Ok(Recording::new(
        (0..SECONDS).map(|second| second as f64).collect(),
        levels,
    )?)
}
