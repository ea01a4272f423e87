//! The same 2000 fixes here and by `scipy.optimize.least_squares`, timed in one run.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin fix_against_scipy
//! ```
//!
//! Runs `benches/scipy_fix.py` with the Python that `ALVINE_PYTHON` names, or `python3`; without SciPy it says so and ends.
//! Both do least squares in dB on eight heard sites with an analytic Jacobian, on one thread. SciPy gets one start, in the
//! middle of the torso, and no bounds; alvine searches the whole torso, and that is counted in its time.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use alvine::{FixOptions, FixSolver, Loss, Position, Setup};
use alvine_benches::{Failure, NO_FLOOR_DBM, instants, setup};

const COUNT: usize = 2000;
/// Fixes this close are one, mm.
const ALIKE_MM: f64 = 0.1;
/// Runs over all instants, of which the quickest counts.
const RUNS: usize = 5;

fn main() -> Result<(), Failure> {
    let setup = setup(NO_FLOOR_DBM)?;
    let readings = instants(&setup, COUNT, 3)?;
    let Some(scipy) = by_scipy(&setup, &readings)? else {
        return Ok(());
    };
    let (places_mm, seconds) = by_alvine(&setup, &readings)?;
    let here_us = 1e6 * seconds / COUNT as f64;
    println!("alvine          {here_us:>9.3} µs a fix, a search of the whole torso");
    println!(
        "scipy {:<9} {:>9.3} µs a fix, one start, analytic Jacobian",
        scipy.version, scipy.us_per_fix
    );
    println!("ratio           {:>9.1}", scipy.us_per_fix / here_us);

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

/// What the script reports.
struct Scipy {
    version: String,
    us_per_fix: f64,
    places_mm: Vec<Position>,
}

/// Runs the script; `None`, with a message, where Python or SciPy is missing.
fn by_scipy(setup: &Setup, readings: &[Vec<f32>]) -> Result<Option<Scipy>, Failure> {
    let folder = tempfile::tempdir()?;
    let [sites, levels, ends] = ["sites.csv", "levels.csv", "ends.csv"].map(|name| folder.path().join(name));
    write_rows(
        &sites,
        setup.layout.sites().iter().map(|site| site.position_mm.as_slice()),
    )?;
    write_rows(&levels, readings.iter().map(Vec::as_slice))?;
    let python = std::env::var("ALVINE_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script: PathBuf = [env!("CARGO_MANIFEST_DIR"), "scipy_fix.py"].iter().collect();
    let run = Command::new(&python)
        .arg(&script)
        .args([&sites, &levels, &ends])
        .env("OMP_NUM_THREADS", "1")
        .env("OPENBLAS_NUM_THREADS", "1")
        .output();
    let output = match run {
        Ok(output) => output,
        Err(why) => {
            println!("skipped: `{python}` does not run ({why}); ALVINE_PYTHON names another");
            return Ok(None);
        }
    };
    if output.status.code() == Some(NO_SCIPY) {
        println!("skipped: `{python}` has no NumPy and SciPy; ALVINE_PYTHON names another");
        return Ok(None);
    }
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned().into());
    }
    let printed = String::from_utf8(output.stdout)?;
    let (version, us_per_fix) = printed.trim().split_once(' ').ok_or("the script printed no result")?;
    Ok(Some(Scipy {
        version: version.to_owned(),
        us_per_fix: us_per_fix.parse()?,
        places_mm: read_places(&ends)?,
    }))
}

/// The script ends with this where it cannot import SciPy.
const NO_SCIPY: i32 = 3;

fn write_rows<'a, T: ToString + 'a>(path: &Path, rows: impl Iterator<Item = &'a [T]>) -> Result<(), Failure> {
    let mut writer = csv::Writer::from_path(path)?;
    for row in rows {
        writer.write_record(row.iter().map(ToString::to_string))?;
    }
    writer.flush()?;
    Ok(())
}

fn read_places(path: &Path) -> Result<Vec<Position>, Failure> {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_path(path)?;
    let mut places_mm = Vec::new();
    for record in reader.records() {
        let record = record?;
        let cell = |index: usize| -> Result<f64, Failure> { Ok(record.get(index).ok_or("a row is short")?.parse()?) };
        places_mm.push(Position::new(cell(0)?, cell(1)?, cell(2)?));
    }
    Ok(places_mm)
}
