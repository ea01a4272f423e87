//! What each part of the trajectory is worth: switched off in turn, with its effect on error and on the honesty of the covariance.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin ablation -- [usual|matched|realistic] [STUDIES] [FIRST_SEED] [ROW]
//! ```
//!
//! Studies and columns are those of `accuracy`. Unless a row says otherwise, the track is drawn towards the usual places of the likely parts
//! and refined in a field, as a report does.

use alvine::{FieldOptions, Recording, Setup, Trajectory, TrajectoryOptions, Wander};
use alvine_benches::{Asked, Failure, print_heading, track_by};
use alvine_phantom::Simulated;
use alvine_transit::RefineOptions;

fn main() -> Result<(), Failure> {
    let asked = Asked::from_arguments()?;
    let made = asked.make()?;
    print_heading();
    let (trajectory, whole) = (Trajectory::default(), RefineOptions::default());
    for (name, options) in chains() {
        asked.row(name, &made, |made| track_by(&Trajectory { options }, made, &whole));
    }
    for (name, options) in refinements() {
        asked.row(name, &made, |made| track_by(&trajectory, made, &options));
    }
    asked.row("censored readings left out", &made, |made| {
        let deaf = Simulated {
            recording: without_censored(&made.setup, &made.recording)?,
            ..made.clone()
        };
        track_by(&trajectory, &deaf, &whole)
    });
    Ok(())
}

/// The chain of refinements, and it with one part switched off.
fn refinements() -> Vec<(&'static str, RefineOptions)> {
    let whole = RefineOptions::default;
    let in_field = |field: FieldOptions| RefineOptions {
        field: Some(field),
        ..whole()
    };
    let field = FieldOptions::default();
    vec![
        (
            "loose antennas not looked for",
            RefineOptions {
                loosening: None,
                ..whole()
            },
        ),
        (
            "no self-calibration",
            in_field(FieldOptions {
                gain_spread_db: AS_GOOD_AS_NONE,
                level_spread_db: AS_GOOD_AS_NONE,
                exponent_spread: AS_GOOD_AS_NONE,
                ..field
            }),
        ),
        ("field not averaged", in_field(FieldOptions { blurs: 0, ..field })),
        (
            "field's covariance not widened",
            in_field(FieldOptions { widened: 1.0, ..field }),
        ),
        ("no field", RefineOptions { field: None, ..whole() }),
        (
            "usual places unknown, so no field",
            RefineOptions {
                usual_places: false,
                ..whole()
            },
        ),
    ]
}

/// A spread, dB or none, that leaves nothing open and no matrix singular.
const AS_GOOD_AS_NONE: f64 = 1e-3;

/// The trajectory, and it with one part switched off or on.
fn chains() -> Vec<(&'static str, TrajectoryOptions)> {
    let whole = TrajectoryOptions::default();
    let none = |wander: Wander| Wander {
        spread_db: AS_GOOD_AS_NONE,
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
