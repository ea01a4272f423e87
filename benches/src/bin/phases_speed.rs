//! How long features and exact posteriors take, by length and rate of a recording, on one thread.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin phases_speed
//! ```
//!
//! The track is the truth, a point every 5 s, so that only the phases' own time counts. Each time is the least of three runs.

use std::time::Instant;

use alvine::{Flags, Track, TrackPoint};
use alvine_benches::{Failure, swallow};
use alvine_phantom::{Residence, Scenario, Simulated, simulate};
use alvine_transit::{SegmentOptions, Segmenter};
use nalgebra::Matrix3;

const HOURS: [f64; 4] = [12.0, 24.0, 48.0, 72.0];
const RATES_HZ: [f64; 3] = [0.5, 2.0, 6.0];
const RUNS: usize = 3;

fn main() -> Result<(), Failure> {
    println!("   Hz      h     instants   listen s   posterior s   both s   ms an hour");
    for rate_hz in RATES_HZ {
        for duration_h in HOURS {
            let mut scenario = Scenario {
                rate_hz,
                duration_h,
                ..Scenario::demo(20)
            };
            // What comes after expulsion is not looked at: all of it shall be.
            scenario.transit.colon = Residence::Endless;
            let made = simulate(&scenario)?;
            let (listen_s, posterior_s) = least(&made)?;
            let both_s = listen_s + posterior_s;
            println!(
                "{rate_hz:>5}{duration_h:>7}{:>13}{listen_s:>11.3}{posterior_s:>14.3}{both_s:>9.3}{:>13.2}",
                made.recording.len(),
                1e3 * both_s / duration_h
            );
        }
    }
    Ok(())
}

fn least(made: &Simulated) -> Result<(f64, f64), Failure> {
    let (track, given) = (track(made), [swallow(made)]);
    let mut least = (f64::INFINITY, f64::INFINITY);
    for _ in 0..RUNS {
        let start = Instant::now();
        let mut segmenter = Segmenter::new(&made.setup, &made.recording, &SegmentOptions::default());
        let listened = Instant::now();
        segmenter.passage(&track, &given)?;
        let (listen_s, posterior_s) = ((listened - start).as_secs_f64(), listened.elapsed().as_secs_f64());
        if listen_s + posterior_s < least.0 + least.1 {
            least = (listen_s, posterior_s);
        }
    }
    Ok(least)
}

fn track(made: &Simulated) -> Track {
    const EVERY_S: f64 = 5.0;
    const SPREAD_MM2: f64 = 900.0;
    let mut next_s = f64::NEG_INFINITY;
    let points = made.truth.points.iter().enumerate().filter_map(|(instant, point)| {
        let position_mm = point.position_mm.filter(|_| point.time_s >= next_s)?;
        next_s = point.time_s + EVERY_S;
        Some(TrackPoint {
            instant,
            time_s: point.time_s,
            position_mm,
            covariance_mm2: Matrix3::from_diagonal_element(SPREAD_MM2),
            sites_used: 8,
            flags: Flags::NONE,
        })
    });
    Track {
        points: points.collect(),
    }
}
