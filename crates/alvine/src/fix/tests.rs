//! What few starts miss, beside a descent from every place of the grid.

use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::*;
use crate::noise::NoiseModel;
use crate::recording::Receiver;
use crate::torso::Torso;

const INSTANTS: usize = 400;

fn setup(spread_db: f64, floor_dbm: f64) -> Setup {
    let torso = Torso::new(330.0, 230.0).unwrap();
    Setup::default_eight(
        torso,
        NoiseModel::new(0.0, spread_db).unwrap(),
        Receiver::new(floor_dbm, None, None).unwrap(),
    )
}

/// Levels at random places of the belly, dBm.
fn instants(setup: &Setup, spread_db: f64) -> Vec<Vec<f32>> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(11);
    let noise = Normal::new(0.0, spread_db).unwrap();
    (0..INSTANTS)
        .map(|_| {
            let place = Position::new(
                rng.random_range(-100.0..100.0),
                rng.random_range(40.0..190.0),
                rng.random_range(-140.0..190.0),
            );
            (0..8)
                .map(|site| (setup.median_dbm(&place, site) + noise.sample(&mut rng)) as f32)
                .collect()
        })
        .collect()
}

/// Instants whose fix is more than 1 mm from the best end of a descent from everywhere, and whose objective is more than
/// half a unit above it.
fn lost(spread_db: f64, floor_dbm: f64) -> (usize, usize) {
    let setup = setup(spread_db, floor_dbm);
    let solver = FixSolver::new(&setup, FixOptions::default()).unwrap();
    let mut work = solver.workspace();
    let (mut elsewhere, mut clearly_worse) = (0, 0);
    for levels in instants(&setup, spread_db) {
        let Some(fix) = solver.fix_with(levels.iter().copied(), &mut work) else {
            continue;
        };
        let best = solver.fix_from_everywhere(levels.iter().copied(), &mut work).unwrap();
        elsewhere += usize::from((fix.position_mm - best.position_mm).norm() > 1.0);
        clearly_worse += usize::from(fix.objective > best.objective + 0.5);
    }
    (elsewhere, clearly_worse)
}

#[test]
fn few_starts_rarely_miss_the_best_of_nearly_equal_minima_and_hardly_ever_a_clear_one() {
    // Of 3000 instants 1.1 % were missed at 4 dB, and 2.9 % at 8 dB with a floor: 4.4 and 11.7 of 400 expected. Poisson
    // tails beyond 14 and 27 lie near 1e-4. Clearly worse: none and 2 of 3000.
    let (elsewhere, clearly_worse) = lost(4.0, -150.0);
    assert!(elsewhere <= 14 && clearly_worse <= 1, "{elsewhere} {clearly_worse}");
    let (elsewhere, clearly_worse) = lost(8.0, -100.0);
    assert!(elsewhere <= 27 && clearly_worse <= 4, "{elsewhere} {clearly_worse}");
}

#[test]
fn a_number_of_starts_outside_its_range_is_refused() {
    let setup = setup(4.0, -150.0);
    for starts in [0, 9] {
        let options = FixOptions {
            starts,
            ..FixOptions::default()
        };
        assert!(matches!(
            FixSolver::new(&setup, options),
            Err(FixError::ImpossibleOption { what: "starts", .. })
        ));
    }
}
