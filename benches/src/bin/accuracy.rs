//! How far estimators err on simulated studies whose truth is known, and how honest their covariance is, in one table.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin accuracy -- [usual|matched|realistic] [STUDIES] [FIRST_SEED] [ROW]
//! ```
//!
//! Studies are all of the phantom's named scenarios in turn, at 1 Hz. Errors are root mean squares over all instants inside
//! the body; `90 %` is the share of instants whose 90 % ellipsoid holds the truth; NEES is 3 where the covariance is right. With
//! ROW only the estimators whose name contains it.

use alvine::{
    FixOptions, FixThenSmooth, Instants, Level, Loss, Position, PositionPrior, Recording, Setup, Track, TrackEstimator,
    TrackPoint, Trajectory,
};
use alvine_benches::{Asked, Failure, about_usual_places, in_field, print_heading};
use alvine_phantom::Simulated;
use alvine_transit::usual_gut;
use nalgebra::Matrix3;

type Estimate = Result<Track, Failure>;

fn main() -> Result<(), Failure> {
    let asked = Asked::from_arguments()?;
    let made = asked.make()?;
    print_heading();
    asked.row("signal-weighted centroid", &made, |made| {
        Ok(centroid(&made.setup, &made.recording))
    });
    asked.row("least squares, smoothed", &made, |made| {
        estimate(&least_squares(), made)
    });
    asked.row("fix with place prior, smoothed", &made, |made| {
        estimate(&with_prior(&made.setup), made)
    });
    asked.row("fix and smooth", &made, |made| {
        estimate(&FixThenSmooth::default(), made)
    });
    let trajectory = Trajectory::default();
    asked.row("trajectory", &made, |made| estimate(&trajectory, made));
    asked.row("trajectory about the gut", &made, |made| about_gut(&trajectory, made));
    asked.row("trajectory about usual places", &made, |made| {
        about_usual_places(&trajectory, made)
    });
    asked.row("trajectory in a field", &made, |made| in_field(&trajectory, made));
    Ok(())
}

fn estimate(estimator: &dyn TrackEstimator, made: &Simulated) -> Estimate {
    Ok(estimator.estimate(&made.setup, &made.recording, &[], &|_| ())?)
}

fn about_gut(trajectory: &Trajectory, made: &Simulated) -> Estimate {
    let gut = usual_gut(&made.setup.torso);
    let mut passes = trajectory.begin(&made.setup, &made.recording, &[])?;
    Ok(passes.track(&|_| gut, Instants::All))
}

/// Squares, the level found afresh at each instant, no prior.
fn least_squares() -> FixThenSmooth {
    let usual = FixThenSmooth::default();
    FixThenSmooth {
        fix: FixOptions {
            loss: Loss::Squares,
            level: Level::Unknown { prior_db: None },
            ..usual.fix
        },
        ..usual
    }
}

/// The level as stated, a broad prior on the place: the middle of the belly, give or take a third of its size.
fn with_prior(setup: &Setup) -> FixThenSmooth {
    let usual = FixThenSmooth::default();
    let spread_mm = Position::new(setup.torso.breadth_mm() / 5.0, setup.torso.depth_mm() / 6.0, 80.0);
    FixThenSmooth {
        fix: FixOptions {
            level: Level::Known,
            prior: Some(PositionPrior {
                mean_mm: Position::new(0.0, 0.42 * setup.torso.depth_mm(), 20.0),
                information_per_mm2: Matrix3::from_diagonal(&spread_mm.map(|spread| 1.0 / (spread * spread))),
            }),
            ..usual.fix
        },
        ..usual
    }
}

/// The mean of the sites' places weighted by received amplitude; its covariance is a guess, as it has no model.
fn centroid(setup: &Setup, recording: &Recording) -> Track {
    let points = recording.time_s().iter().enumerate().filter_map(|(instant, &time_s)| {
        let row = recording.row(instant);
        let weights = row.iter().map(|&level| {
            let level = f64::from(level);
            if level > setup.receiver.floor_dbm() {
                10_f64.powf(level / 20.0)
            } else {
                0.0
            }
        });
        let (mut sum, mut mean) = (0.0, Position::zeros());
        for (weight, site) in weights.zip(setup.layout.sites()) {
            sum += weight;
            mean += site.position_mm * weight;
        }
        (sum > 0.0).then(|| TrackPoint {
            instant,
            time_s,
            position_mm: mean / sum,
            covariance_mm2: Matrix3::from_diagonal_element(1600.0),
            sites_used: 0,
            flags: alvine::Flags::NONE,
        })
    });
    Track {
        points: points.collect(),
    }
}
