//! One fix from eight levels, and how near fixes come to the best that any estimator could do.

use alvine::bounds::{BoundOptions, cramer_rao_mm2};
use alvine::{FixOptions, FixSolver, Level, NoiseModel, Position, Receiver, Setup, Torso};
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Readings in the second part.
const INSTANTS: usize = 5000;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let torso = Torso::new(330.0, 230.0)?;
    let setup = Setup::default_eight(torso, NoiseModel::new(0.0, 2.0)?, Receiver::new(-120.0, None, None)?);
    let solver = FixSolver::new(&setup, FixOptions::default())?;

    // What the eight sites heard, dBm.
    let levels_dbm = [-77.0, -81.0, -86.0, -88.0, -92.0, -95.0, -92.0, -97.0];
    let fix = solver.fix(&levels_dbm)?.ok_or("no site heard the capsule")?;
    let covariance_mm2 = fix.covariance_mm2().ok_or("the place is not determined")?;
    println!(
        "the capsule is at x {:.1}, y {:.1}, z {:.1} mm,",
        fix.position_mm.x, fix.position_mm.y, fix.position_mm.z
    );
    println!(
        "give or take {:.1}, {:.1} and {:.1} mm",
        covariance_mm2[(0, 0)].sqrt(),
        covariance_mm2[(1, 1)].sqrt(),
        covariance_mm2[(2, 2)].sqrt()
    );

    against_the_bound(&setup, &solver)
}

/// The error of many fixes at one place, beside the Cramér–Rao bound there.
fn against_the_bound(setup: &Setup, solver: &FixSolver<'_>) -> Result<(), Box<dyn std::error::Error>> {
    let place_mm = Position::new(-30.0, 90.0, 100.0);
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(1);
    let noise = Normal::new(0.0, setup.noise.noise_db())?;
    let mut squares_mm2 = 0.0;
    for _ in 0..INSTANTS {
        let levels_dbm: Vec<f32> = (0..setup.layout.len())
            .map(|site| (setup.median_dbm(&place_mm, site) + noise.sample(&mut rng)) as f32)
            .collect();
        let fix = solver.fix(&levels_dbm)?.ok_or("no site heard the capsule")?;
        squares_mm2 += (fix.position_mm - place_mm).norm_squared();
    }
    let options = BoundOptions {
        spread_db: setup.noise.total_db(None),
        level: Level::Known,
        floor: true,
    };
    let bound_mm2 = cramer_rao_mm2(setup, &place_mm, &options).ok_or("the place is not determined")?;
    println!(
        "over {INSTANTS} instants the error is {:.2} mm root mean square; no unbiased estimator gets below {:.2} mm",
        (squares_mm2 / INSTANTS as f64).sqrt(),
        bound_mm2.trace().sqrt()
    );
    Ok(())
}
