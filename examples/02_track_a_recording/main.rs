//! A simulated examination, its track, and how far that is from the truth in each phase.

use alvine::{FixThenSmooth, Flags, TrackEstimator};
use alvine_phantom::score::score_track;
use alvine_phantom::{Scenario, simulate};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let scenario = Scenario::demo(4);
    let simulated = simulate(&scenario)?;
    println!(
        "{} instants from {} sites over {:.0} h",
        simulated.recording.len(),
        simulated.recording.sites(),
        scenario.duration_h
    );

    let estimator = FixThenSmooth::default();
    let track = estimator.estimate(&simulated.setup, &simulated.recording, &[], &|_| ())?;
    println!(
        "{} points of a track, {} of them bridged",
        track.points.len(),
        track.count(Flags::BRIDGED)
    );

    let score = score_track(&track, &simulated.truth);
    println!(
        "\n{:<12} {:>8} {:>11} {:>16}",
        "phase", "points", "median, mm", "95th percentile"
    );
    for (phase, errors) in &score.by_phase {
        println!(
            "{phase:<12} {:>8} {:>11.1} {:>16.1}",
            errors.count, errors.median_mm, errors.percentile95_mm
        );
    }
    if let Some(honesty) = score.consistency {
        println!(
            "\nthe truth lies inside the 90 % ellipsoid at {:.0} % of the points",
            100.0 * honesty.inside_90
        );
    }
    Ok(())
}
