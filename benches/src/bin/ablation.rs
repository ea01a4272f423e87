//! What each part of the trajectory is worth: switched off in turn, with its effect on error and on the honesty of the covariance.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin ablation -- [usual|matched|realistic] [STUDIES] [FIRST_SEED] [ROW]
//! ```
//!
//! Studies and columns are those of `accuracy`. Every row but the last two is drawn towards the usual places of the likely parts, as
//! a report does.

use alvine::{Instants, Recording, Setup, Track, Trajectory, TrajectoryOptions, Wander};
use alvine_benches::{Asked, Failure, about_usual_places, print_heading};
use alvine_phantom::Simulated;
use alvine_transit::usual_gut;

fn main() -> Result<(), Failure> {
    let asked = Asked::from_arguments()?;
    let made = asked.make()?;
    print_heading();
    for (name, options) in variants() {
        let trajectory = Trajectory { options };
        asked.row(name, &made, |made| about_usual_places(&trajectory, made));
    }
    let whole = Trajectory::default();
    asked.row("censored readings left out", &made, |made| {
        let deaf = Simulated {
            recording: without_censored(&made.setup, &made.recording)?,
            ..made.clone()
        };
        about_usual_places(&whole, &deaf)
    });
    asked.row("about the gut only", &made, |made| {
        let gut = usual_gut(&made.setup.torso);
        Ok(whole
            .begin(&made.setup, &made.recording, &[])?
            .track(&|_| gut, Instants::All))
    });
    asked.row("from the signal alone", &made, |made| {
        let track: Track = whole
            .begin(&made.setup, &made.recording, &[])?
            .track(&|_| None, Instants::All);
        Ok(track)
    });
    Ok(())
}

/// The trajectory, and it with one part switched off or on.
fn variants() -> Vec<(&'static str, TrajectoryOptions)> {
    let whole = TrajectoryOptions::default();
    let none = |wander: Wander| Wander {
        spread_db: 0.01,
        ..wander
    };
    vec![
        ("as reported", whole),
        (
            "no common level",
            TrajectoryOptions {
                slow_level: none(whole.slow_level),
                fast_level: none(whole.fast_level),
                ..whole
            },
        ),
        (
            "common level free (3 dB)",
            TrajectoryOptions {
                slow_level: Wander {
                    spread_db: 3.0,
                    ..whole.slow_level
                },
                ..whole
            },
        ),
        (
            "shadowing forgotten at once",
            TrajectoryOptions {
                shadowing_memory_mm: 1e-3,
                ..whole
            },
        ),
        (
            "sites where they are said to be",
            TrajectoryOptions {
                mounting_db: 0.0,
                ..whole
            },
        ),
        (
            "nothing unmodelled",
            TrajectoryOptions {
                unmodelled_share: 0.0,
                ..whole
            },
        ),
        (
            "readings Gaussian",
            TrajectoryOptions {
                reading_freedom: None,
                ..whole
            },
        ),
        (
            "moves Gaussian",
            TrajectoryOptions {
                motion_freedom: None,
                ..whole
            },
        ),
        (
            "biases may leap",
            TrajectoryOptions {
                bias_freedom: Some(4.0),
                ..whole
            },
        ),
        (
            "started in the middle",
            TrajectoryOptions {
                global_start: false,
                ..whole
            },
        ),
        (
            "nothing lasting in the covariance",
            TrajectoryOptions {
                lasting_share: 0.0,
                ..whole
            },
        ),
    ]
}

/// Levels at or below the floor as if no packet had come.
fn without_censored(setup: &Setup, recording: &Recording) -> Result<Recording, Failure> {
    let floor_dbm = setup.receiver.floor_dbm() as f32;
    let levels = recording
        .rssi_dbm()
        .mapv(|level| if level <= floor_dbm { f32::NAN } else { level });
    Ok(Recording::new(recording.time_s().to_vec(), levels)?)
}
