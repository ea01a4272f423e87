//! A survey of a phantom tank, invented: writes what eight sites read of a transmitter on a stage, as `alvine
//! calibrate` takes it.

use alvine::{Layout, LogDistance, Position, Propagation, Torso};
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

const POWER_DBM: f64 = -20.0;
const FLOOR_DBM: f64 = -100.0;
const STEP_DB: f64 = 0.5;
/// What antennas and cables add, dB, in the layout's order.
const GAINS_DB: [f64; 8] = [1.5, -2.0, 0.5, 2.0, -1.0, -1.5, 0.0, 0.5];
const SHADOWING_DB: f64 = 4.0;
const NOISE_DB: f64 = 1.5;
/// Over about so much shadowing keeps its value, mm.
const CORRELATION_MM: f64 = 40.0;
/// Waves of which a field of shadowing is the sum.
const WAVES: usize = 400;

/// A smooth random field: a sum of waves of random direction and phase.
struct Field(Vec<(Position, f64)>);

impl Field {
    fn new(rng: &mut Xoshiro256PlusPlus) -> Self {
        let wave = |rng: &mut Xoshiro256PlusPlus| {
            let mut along = || -> f64 { StandardNormal.sample(rng) };
            let frequency = Position::new(along(), along(), along()) / CORRELATION_MM;
            (frequency, rng.random_range(0.0..std::f64::consts::TAU))
        };
        Self((0..WAVES).map(|_| wave(rng)).collect())
    }

    fn at_db(&self, place_mm: &Position) -> f64 {
        let waves = self.0.iter();
        let sum: f64 = waves
            .map(|(frequency, phase)| (frequency.dot(place_mm) + phase).cos())
            .sum();
        SHADOWING_DB * (2.0 / WAVES as f64).sqrt() * sum
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let layout = Layout::default_eight(&Torso::new(330.0, 230.0)?);
    let law = LogDistance::DEEP_TISSUE_TO_SURFACE;
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(7);
    let fields: Vec<Field> = layout.sites().iter().map(|_| Field::new(&mut rng)).collect();
    println!("x_mm,y_mm,z_mm,{}", layout.names().join(","));
    for (x_mm, y_mm, z_mm) in stage() {
        let place_mm = Position::new(x_mm, y_mm, z_mm);
        // Each place is read twice, which tells noise from shadowing.
        for _ in 0..2 {
            let mut row = format!("{x_mm},{y_mm},{z_mm}");
            for (index, site) in layout.sites().iter().enumerate() {
                let noise: f64 = StandardNormal.sample(&mut rng);
                let level_dbm = POWER_DBM + GAINS_DB[index] - law.loss_db(&place_mm, &site.position_mm)
                    + fields[index].at_db(&place_mm)
                    + NOISE_DB * noise;
                let read_dbm = (level_dbm / STEP_DB).round() * STEP_DB;
                row.push_str(&format!(",{}", read_dbm.max(FLOOR_DBM)));
            }
            println!("{row}");
        }
    }
    Ok(())
}

/// Where the stage stops: three depths of five by five places.
fn stage() -> impl Iterator<Item = (f64, f64, f64)> {
    let steps = || (-2..=2).map(|k| 50.0 * f64::from(k));
    [60.0, 100.0, 140.0]
        .into_iter()
        .flat_map(move |y_mm| steps().flat_map(move |z_mm| steps().map(move |x_mm| (x_mm, y_mm, z_mm + 20.0))))
}
