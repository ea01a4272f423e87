//! Times each stage from a recording on disk to landmarks, on one thread and on all, with the most memory held.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin report_speed
//! ```
//!
//! The study is 12 h at 6 Hz × 8 sites. Memory is that of the whole process at its highest since the line before, where
//! the kernel tells it; nothing is asserted.

use std::time::Instant;

use alvine::{
    FieldOptions, FixThenSmooth, Instants, LooseningOptions, Quality, TrackEstimator, Trajectory, find_loosenings,
};
use alvine_benches::{Failure, day, study};
use alvine_study::{read_study, write_study_hdf5, write_study_toml};
use alvine_transit::{RefineOptions, Segmenter, usual_gut};

fn main() -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    let (csv, hdf5) = (folder.path().join("study"), folder.path().join("study.h5"));
    let made = Instant::now();
    let written = study(day()?);
    println!(
        "simulated {} instants × {} sites in {:.2} s",
        written.recording.len(),
        written.recording.sites(),
        made.elapsed().as_secs_f64()
    );
    write_study_toml(&written, &csv)?;
    write_study_hdf5(&written, &hdf5)?;
    drop(written);
    let all = std::thread::available_parallelism()?.get();
    for threads in [1, all] {
        println!("\n{threads} thread{}", if threads == 1 { "" } else { "s" });
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
        pool.install(|| stages(&csv, &hdf5).map_err(|failure| failure.to_string()))?;
    }
    Ok(())
}

fn stages(csv: &std::path::Path, hdf5: &std::path::Path) -> Result<(), Failure> {
    let mut clock = Clock::default();
    let study = clock.time("read CSV", || read_study(csv))?;
    clock.instants = study.recording.len();
    drop(study);
    let study = clock.time("read HDF5", || read_study(hdf5))?;
    let (setup, recording) = (&study.setup, &study.recording);
    let (from_s, to_s) = (study.swallowed_s.unwrap_or(0.0), recording.duration_s());
    clock.time("quality", || Quality::assess(setup, recording, from_s, to_s));
    let trajectory = Trajectory::default();
    let gut = usual_gut(&setup.torso);
    let mut passes = clock.time("gather and start", || trajectory.begin(setup, recording, &[]))?;
    let first = clock.time("first pass", || passes.track(&|_| gut, Instants::Knots));
    clock.time("loosened antennas", || {
        find_loosenings(setup, recording, &first.points, &LooseningOptions::default())
    });
    let options = RefineOptions::default();
    let mut segmenter = clock.time("listen", || Segmenter::new(setup, recording, &options.segment));
    let mut passage = clock.time("phases", || segmenter.passage(&first, &[]))?;
    for _ in 1..options.most_rounds {
        let usual = |time_s: f64| passage.usual_place(&setup.torso, time_s);
        let drawn = clock.time("track, once more", || {
            passes.draw(&usual);
            passes.track(&|_| gut, Instants::Knots)
        });
        passage = clock.time("phases, once more", || segmenter.passage(&drawn, &[]))?;
    }
    let usual = |time_s: f64| passage.usual_place(&setup.torso, time_s);
    clock.time("last pass, in a field", || {
        passes.track_in_field(&usual, &FieldOptions::default())
    });
    println!("  {:<20} {:>8.3} s", "all but the CSV", clock.total_s);
    clock.time("yardstick: fix, smooth", || {
        FixThenSmooth::default().estimate(setup, recording, &[], &|_| ())
    })?;
    Ok(())
}

/// Times stages and prints them.
#[derive(Default)]
struct Clock {
    instants: usize,
    total_s: f64,
}

impl Clock {
    fn time<T>(&mut self, stage: &str, work: impl FnOnce() -> T) -> T {
        // Linux lowers the high-water mark to what is held now; elsewhere it stays.
        let lowered = std::fs::write("/proc/self/clear_refs", "5").is_ok();
        let start = Instant::now();
        let made = work();
        let seconds = start.elapsed().as_secs_f64();
        if self.instants > 0 {
            self.total_s += seconds;
        }
        let each = match self.instants {
            0 => String::new(),
            instants => format!("{:>8.3} µs an instant", 1e6 * seconds / instants as f64),
        };
        let memory = match peak_mb() {
            Some(mb) if lowered => format!("{mb:>6.0} MB"),
            Some(mb) => format!("{mb:>6.0} MB since the start"),
            None => String::new(),
        };
        println!("  {stage:<20} {seconds:>8.3} s {each:<22} {memory}");
        made
    }
}

/// The most memory the process has held, MB (10⁶ bytes); Linux only.
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib * 1024.0 / 1e6)
}
