//! Lone instants at random places, under the law and sites of the demo and 4 dB of noise.

use alvine::{NoiseModel, Position, Receiver, Setup, Torso};
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::Failure;

/// A floor that hides nothing, dBm.
pub const NO_FLOOR_DBM: f64 = -150.0;

const SPREAD_DB: f64 = 4.0;

/// The setup, with a floor.
///
/// # Errors
///
/// When the floor is no possible one.
pub fn setup(floor_dbm: f64) -> Result<Setup, Failure> {
    let torso = Torso::new(330.0, 230.0)?;
    Ok(Setup::default_eight(
        torso,
        NoiseModel::new(0.0, SPREAD_DB)?,
        Receiver::new(floor_dbm, None, None)?,
    ))
}

/// Levels of that many instants, dBm, at places spread evenly over the inside of the torso.
///
/// # Errors
///
/// Never for the constants here: a spread must be a number.
pub fn instants(setup: &Setup, count: usize, seed: u64) -> Result<Vec<Vec<f32>>, Failure> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    let noise = Normal::new(0.0, SPREAD_DB)?;
    Ok((0..count)
        .map(|_| {
            let place_mm = place(&setup.torso, &mut rng);
            (0..setup.layout.len())
                .map(|site| (setup.median_dbm(&place_mm, site) + noise.sample(&mut rng)) as f32)
                .collect()
        })
        .collect())
}

/// A place inside nine tenths of the torso's radius, by rejection.
fn place(torso: &Torso, rng: &mut Xoshiro256PlusPlus) -> Position {
    let (a, b) = torso.semi_axes_mm();
    loop {
        let place_mm = Position::new(
            rng.random_range(-a..a),
            rng.random_range(0.0..2.0 * b),
            rng.random_range(-150.0..200.0),
        );
        if torso.radial(&place_mm) < 0.9 {
            return place_mm;
        }
    }
}
