//! The same 2000 fixes here and by `scipy.optimize.least_squares`, timed in one run.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin fix_against_scipy
//! ```
//!
//! Runs `benches/scipy_fix.py` with the Python that `ALVINE_PYTHON` names, or `python3`; without SciPy it says so and ends.
//! Both do least squares in dB on eight heard sites with an analytic Jacobian, on one thread. SciPy gets one start, in the
//! middle of the torso, and no bounds; alvine searches the whole torso, and that is counted in its time.

use std::time::Instant;

use alvine::{FixOptions, FixSolver, Loss, Position, Setup};
use alvine_benches::{Failure, NO_FLOOR_DBM, by_scipy, instants, setup};

const COUNT: usize = 2000;
/// Fixes this close are one, mm.
const ALIKE_MM: f64 = 0.1;
/// Runs over all instants, of which the quickest counts.
const RUNS: usize = 5;

fn main() -> Result<(), Failure> {
    let setup = setup(NO_FLOOR_DBM)?;
    let readings = instants(&setup, COUNT, 3)?;
    let sites: Vec<Vec<f64>> = setup
        .layout
        .sites()
        .iter()
        .map(|site| site.position_mm.as_slice().to_vec())
        .collect();
    let levels: Vec<Vec<f64>> = readings
        .iter()
        .map(|row| row.iter().map(|&level| f64::from(level)).collect())
        .collect();
    let Some(scipy) = by_scipy("benches/scipy_fix.py", &[], &[sites, levels])? else {
        return Ok(());
    };
    let (places_mm, seconds) = by_alvine(&setup, &readings)?;
    let here_us = 1e6 * seconds / COUNT as f64;
    println!("alvine          {here_us:>9.3} µs a fix, a search of the whole torso");
    println!(
        "scipy {:<9} {:>9.3} µs a fix, one start, analytic Jacobian",
        scipy.version, scipy.time
    );
    println!("ratio           {:>9.1}", scipy.time / here_us);

    let mut inside = 0;
    let mut alike = 0;
    for (here_mm, there_mm) in places_mm.iter().zip(&scipy.places_mm) {
        if setup.torso.contains(there_mm) {
            inside += 1;
            alike += usize::from((here_mm - there_mm).norm() < ALIKE_MM);
        }
    }
    println!(
        "{inside} of SciPy's {COUNT} ends lie inside the torso; {alike} of them are alvine's within {ALIKE_MM} mm"
    );
    Ok(())
}

fn by_alvine(setup: &Setup, readings: &[Vec<f32>]) -> Result<(Vec<Position>, f64), Failure> {
    let options = FixOptions {
        loss: Loss::Squares,
        ..FixOptions::default()
    };
    let solver = FixSolver::new(setup, options)?;
    let mut work = solver.workspace();
    let mut places_mm = Vec::new();
    let mut quickest_s = f64::INFINITY;
    for _ in 0..RUNS {
        places_mm.clear();
        let start = Instant::now();
        places_mm.extend(
            readings
                .iter()
                .filter_map(|levels| solver.fix_with(levels.iter().copied(), &mut work))
                .map(|fix| fix.position_mm),
        );
        quickest_s = quickest_s.min(start.elapsed().as_secs_f64());
    }
    Ok((places_mm, quickest_s))
}
