//! What a trajectory costs against the length of the recording, and against the number of sites.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin cost
//! ```
//!
//! Recordings are simulated at 2 Hz: the demo's scenario with eight sites for 1, 2, 4 … 64 h, and 4 h with 4 to 64 sites in rows
//! on the front of the torso, two of two or four. Timed on one thread are gathering, the global start, a pass at the knots, one at
//! every instant and its refinement in a field, which calibrates; the least of three runs counts. Where cost is a straight line in
//! the length, the time an hour stays the same; the slope of ln time against ln length from 4 h on is printed.

use std::time::Instant;

use alvine::{FieldOptions, Instants, Layout, Position, Site, Torso, Trajectory};
use alvine_benches::Failure;
use alvine_phantom::{Loosening, Residence, Scenario, Simulated, simulate};
use alvine_transit::usual_gut;

const LENGTHS_H: [f64; 7] = [1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0];
const SITES: [usize; 5] = [4, 8, 16, 32, 64];
/// From this length on what does not grow with it is small.
const LONG_H: f64 = 4.0;

fn main() -> Result<(), Failure> {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build()?;
    pool.install(|| measure().map_err(|failure| failure.to_string()))?;
    Ok(())
}

fn measure() -> Result<(), Failure> {
    println!("length, h     s    s an hour");
    let mut lengths = Vec::new();
    for hours in LENGTHS_H {
        let seconds = least_s(&made(hours, None)?)?;
        println!("{hours:>9}{seconds:>9.3}{:>10.4}", seconds / hours);
        if hours >= LONG_H {
            lengths.push((hours.ln(), seconds.ln()));
        }
    }
    println!(
        "slope of ln time against ln length: {:.3}\n\nsites     s    ms a site",
        slope(&lengths)
    );
    let mut sites = Vec::new();
    for count in SITES {
        let seconds = least_s(&made(4.0, Some(count))?)?;
        println!("{count:>5}{seconds:>9.3}{:>9.2}", 1e3 * seconds / count as f64);
        sites.push(((count as f64).ln(), seconds.ln()));
    }
    println!("slope of ln time against ln sites: {:.3}", slope(&sites));
    Ok(())
}

/// The demo for so long, the capsule kept inside; with so many sites, or the default eight.
fn made(hours: f64, sites: Option<usize>) -> Result<Simulated, Failure> {
    let torso = Torso::new(330.0, 230.0)?;
    let mut scenario = Scenario {
        duration_h: hours,
        layout: sites.map(|count| rows(&torso, count)).transpose()?,
        loosening: Loosening::None,
        ..Scenario::demo(31)
    };
    scenario.transit.colon = Residence::Endless;
    Ok(simulate(&scenario)?)
}

/// So many sites, a multiple of four, in rows on the front of the torso.
fn rows(torso: &Torso, count: usize) -> Result<Layout, Failure> {
    // Four in one column would lie in a plane with its axis.
    let across = (count / 4).max(2);
    let sites = (0..count).map(|site| {
        let (row, column) = (site / across, site % across);
        let share = (column as f64 + 0.5) / across as f64;
        // Rows are set off against each other.
        let x_mm = 130.0 * (2.0 * share - 1.0) + 30.0 * (row % 2) as f64 - 15.0;
        let z_mm = 120.0 - 70.0 * row as f64;
        Site::new(
            format!("site-{}", site + 1),
            Position::new(x_mm, torso.front_skin_y_mm(x_mm), z_mm),
        )
    });
    Ok(Layout::new(sites.collect())?)
}

/// The least time of three runs, s.
fn least_s(made: &Simulated) -> Result<f64, Failure> {
    let mut least_s = f64::INFINITY;
    for _ in 0..3 {
        let start = Instant::now();
        let points = points(made)?;
        least_s = least_s.min(start.elapsed().as_secs_f64());
        if points == 0 {
            return Err("a track without points".into());
        }
    }
    Ok(least_s)
}

fn points(made: &Simulated) -> Result<usize, Failure> {
    let trajectory = Trajectory::default();
    let gut = usual_gut(&made.setup.torso);
    let mut passes = trajectory.begin(&made.setup, &made.recording, &[])?;
    let coarse = passes.track(&|_| gut, Instants::Knots).points.len();
    let (fine, _) = passes.track_in_field(&|_| gut, &FieldOptions::default());
    Ok(coarse.min(fine.points.len()))
}

/// The slope of the least-squares line.
fn slope(points: &[(f64, f64)]) -> f64 {
    let count = points.len() as f64;
    let mean = points
        .iter()
        .fold((0.0, 0.0), |sum, at| (sum.0 + at.0 / count, sum.1 + at.1 / count));
    let (mut both, mut square) = (0.0, 0.0);
    for (x, y) in points {
        both += (x - mean.0) * (y - mean.1);
        square += (x - mean.0) * (x - mean.0);
    }
    both / square
}
