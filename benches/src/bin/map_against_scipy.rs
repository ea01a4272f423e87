//! The same most likely trajectory here and by `scipy.optimize.least_squares`, timed in one run.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin map_against_scipy
//! ```
//!
//! Runs `tests/reference/map_reference.py`, which states the problem, with the Python that `ALVINE_PYTHON` names, or `python3`;
//! without SciPy it says so and ends. 150 knots of eight sites, Gaussian throughout, nothing below the floor. SciPy has sparse
//! analytic Jacobians, one start in the middle of the torso, and may use what it likes of one thread; alvine searches the whole torso for
//! its start, and that, the covariances and the interpolation are counted in its time. That both end at the same cost is a test
//! (`trajectory/against_scipy.rs`).

use std::time::Instant;

use alvine::{NoiseModel, Position, Recording, Setup, TrackEstimator, Trajectory, TrajectoryOptions, Wander};
use alvine_benches::{Failure, NO_FLOOR_DBM, by_scipy, setup};
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use rand_xoshiro::Xoshiro256PlusPlus;

const KNOTS: usize = 150;
const KNOT_S: f64 = 8.0;
const SHADOWING_DB: f64 = 4.0;
const NOISE_DB: f64 = 2.0;
/// Runs over the whole recording, of which the quickest counts.
const RUNS: usize = 5;

fn main() -> Result<(), Failure> {
    let mut setup = setup(NO_FLOOR_DBM)?;
    setup.noise = NoiseModel::new(SHADOWING_DB, NOISE_DB)?;
    let levels = readings(&setup);
    let table = levels
        .rows()
        .into_iter()
        .map(|row| row.iter().map(|&level| f64::from(level)).collect());
    let Some(scipy) = by_scipy("tests/reference/map_reference.py", &["--time"], &[table.collect()])? else {
        return Ok(());
    };
    let time_s = (0..KNOTS).map(|knot| knot as f64 * KNOT_S).collect();
    let (places_mm, seconds) = by_alvine(&setup, &Recording::new(time_s, levels)?)?;
    let apart_mm = places_mm
        .iter()
        .zip(&scipy.places_mm)
        .map(|(here, there)| (here - there).norm());
    println!("alvine          {:>9.2} ms", 1e3 * seconds);
    println!("scipy {:<9} {:>9.2} ms", scipy.version, 1e3 * scipy.time);
    println!("ratio           {:>9.1}", scipy.time / seconds);
    println!("places at most {:.3} mm apart", apart_mm.fold(0.0, f64::max));
    Ok(())
}

/// What the script states of the model.
fn options() -> TrajectoryOptions {
    TrajectoryOptions {
        motion_freedom: None,
        reading_freedom: None,
        slow_level: Wander {
            spread_db: 0.5,
            memory: 20_000.0,
        },
        fast_level: Wander {
            spread_db: 0.5,
            memory: 90.0,
        },
        mounting_db: 0.0,
        unmodelled_share: 0.0,
        lasting_share: 0.0,
        // Biases go on but for the least variance.
        shadowing_memory_mm: 1e9,
        settle_undamped: true,
        most_rounds: 1000,
        ..TrajectoryOptions::default()
    }
}

fn by_alvine(setup: &Setup, recording: &Recording) -> Result<(Vec<Position>, f64), Failure> {
    let trajectory = Trajectory { options: options() };
    let mut quickest_s = f64::INFINITY;
    let mut places_mm = Vec::new();
    for _ in 0..RUNS {
        let start = Instant::now();
        let track = trajectory.estimate(setup, recording, &[], &|_| ())?;
        quickest_s = quickest_s.min(start.elapsed().as_secs_f64());
        places_mm = track.points.iter().map(|point| point.position_mm).collect();
    }
    Ok((places_mm, quickest_s))
}

/// What the sites hear of a capsule that wanders about the middle of the belly, dBm.
fn readings(setup: &Setup) -> Array2<f32> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(5);
    let mut normal = || rng.sample::<f64, _>(StandardNormal);
    let bias_db: Vec<f64> = setup.layout.sites().iter().map(|_| SHADOWING_DB * normal()).collect();
    Array2::from_shape_fn((KNOTS, setup.layout.len()), |(knot, site)| {
        let turn = knot as f64 * KNOT_S / 250.0;
        let place_mm = Position::new(
            60.0 * turn.sin(),
            95.0 + 25.0 * (0.7 * turn).cos(),
            30.0 + 50.0 * turn.cos(),
        );
        (setup.median_dbm(&place_mm, site) + bias_db[site] + NOISE_DB * normal()) as f32
    })
}
