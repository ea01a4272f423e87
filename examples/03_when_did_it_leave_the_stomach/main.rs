//! Landmarks of a simulated examination with their uncertainty, beside the truth.

use alvine::{FixThenSmooth, LandmarkKind, ReaderLandmark, TrackEstimator};
use alvine_phantom::{Scenario, simulate};
use alvine_transit::segment;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let simulated = simulate(&Scenario::demo(4))?;
    let (setup, recording) = (&simulated.setup, &simulated.recording);
    let track = FixThenSmooth::default().estimate(setup, recording, &[], &|_| ())?;

    // The hour of the swallow is written down; the rest is to be found.
    let swallow = ReaderLandmark {
        kind: LandmarkKind::Swallow,
        time_s: simulated.swallowed_s,
        spread_s: None,
    };
    let passage = segment(setup, recording, &track, &[swallow])?;

    println!(
        "{:<24} {:>9} {:>9} {:>19} {:>8}",
        "landmark, min", "truth", "median", "90 % interval", "reached"
    );
    for truth in &simulated.truth.landmarks {
        let Some(found) = passage.landmark(truth.kind) else {
            continue;
        };
        let true_min = truth
            .time_s
            .map_or("never".to_owned(), |time_s| format!("{:.1}", time_s / 60.0));
        println!(
            "{:<24} {true_min:>9} {:>9.1} {:>8.1} to {:>7.1} {:>6.0} %",
            truth.kind,
            found.time_s / 60.0,
            found.interval90_s[0] / 60.0,
            found.interval90_s[1] / 60.0,
            100.0 * found.within
        );
    }
    Ok(())
}
