//! How far estimators err on simulated studies whose truth is known, and how honest their covariance is, in one table.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin accuracy -- [usual|matched|realistic] [STUDIES] [FIRST_SEED]
//! ```
//!
//! Studies are all of the phantom's named scenarios in turn, at 1 Hz. Errors are root mean squares over all instants inside
//! the body; `90 %` is the share of instants whose 90 % ellipsoid holds the truth; NEES is 3 where the covariance is right.

use alvine::{
    FixOptions, FixThenSmooth, Instants, Level, Loss, Phase, Position, PositionPrior, Recording, Setup, Track,
    TrackEstimator, TrackPoint, Trajectory,
};
use alvine_benches::Failure;
use alvine_phantom::score::{TrackScore, score_track};
use alvine_phantom::{RadioProfile, Scenario, Simulated, simulate};
use alvine_transit::{segment, usual_gut};
use nalgebra::Matrix3;
use rayon::prelude::*;

type Estimate = Result<Track, Failure>;

fn main() -> Result<(), Failure> {
    let mut arguments = std::env::args().skip(1);
    let profile = match arguments.next().as_deref() {
        Some("usual") => RadioProfile::Usual,
        Some("matched") => RadioProfile::Matched,
        None | Some("realistic") => RadioProfile::Realistic,
        Some(other) => return Err(format!("no radio `{other}`; expected usual, matched or realistic").into()),
    };
    let studies: u64 = arguments.next().map_or(Ok(10), |text| text.parse())?;
    let first: u64 = arguments.next().map_or(Ok(500), |text| text.parse())?;
    let made: Vec<Simulated> = (first..first + studies)
        .into_par_iter()
        .map(|seed| study(seed, profile))
        .collect::<Result<_, _>>()
        .map_err(|error: alvine_phantom::PhantomError| error.to_string())?;
    println!("mm                                   RMSE  median   50 %   90 %   NEES     oes.  stom.  small  colon");
    row("signal-weighted centroid", &made, |made| {
        Ok(centroid(&made.setup, &made.recording))
    });
    row("least squares, smoothed", &made, |made| {
        estimate(&least_squares(), made)
    });
    row("fix with place prior, smoothed", &made, |made| {
        estimate(&with_prior(&made.setup), made)
    });
    row("fix and smooth", &made, |made| {
        estimate(&FixThenSmooth::default(), made)
    });
    let trajectory = Trajectory::default();
    row("trajectory", &made, |made| estimate(&trajectory, made));
    row("trajectory about the gut", &made, |made| about_gut(&trajectory, made));
    row("trajectory about usual places", &made, |made| {
        about_parts(&trajectory, made)
    });
    Ok(())
}

fn study(seed: u64, profile: RadioProfile) -> Result<Simulated, alvine_phantom::PhantomError> {
    let name = Scenario::NAMES[(seed % Scenario::NAMES.len() as u64) as usize];
    simulate(&Scenario {
        rate_hz: 1.0,
        ..Scenario::named(name, seed)?.with_radio(profile)
    })
}

fn estimate(estimator: &dyn TrackEstimator, made: &Simulated) -> Estimate {
    Ok(estimator.estimate(&made.setup, &made.recording, &[], &|_| ())?)
}

fn about_gut(trajectory: &Trajectory, made: &Simulated) -> Estimate {
    let gut = usual_gut(&made.setup.torso);
    let mut passes = trajectory.begin(&made.setup, &made.recording, &[])?;
    Ok(passes.track(&|_| gut, Instants::All))
}

/// Twice: about the gut as a whole, and then about the usual places of the parts that the first track puts the capsule in.
fn about_parts(trajectory: &Trajectory, made: &Simulated) -> Estimate {
    let (setup, recording) = (&made.setup, &made.recording);
    let gut = usual_gut(&setup.torso);
    let mut passes = trajectory.begin(setup, recording, &[])?;
    let first = passes.track(&|_| gut, Instants::Knots);
    let passage = segment(setup, recording, &first, &[])?;
    Ok(passes.track(&|time_s| passage.usual_place(&setup.torso, time_s), Instants::All))
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

fn row(name: &str, made: &[Simulated], estimate: impl Fn(&Simulated) -> Estimate + Sync) {
    let scores: Vec<TrackScore> = made
        .par_iter()
        .filter_map(|made| {
            let track = estimate(made).map_err(|failure| eprintln!("{name}: {failure}")).ok()?;
            Some(score_track(&track, &made.truth))
        })
        .collect();
    let mean = |of: &dyn Fn(&TrackScore) -> Option<f64>| {
        let all: Vec<f64> = scores.iter().filter_map(of).collect();
        all.iter().sum::<f64>() / all.len() as f64
    };
    let square = |error: &alvine_phantom::score::ErrorSummary| error.rmse_mm.powi(2);
    print!(
        "{name:<34}{:>7.1}{:>8.1}{:>7.2}{:>7.3}{:>7.1}  ",
        mean(&|score| score.space_mm.as_ref().map(square)).sqrt(),
        mean(&|score| score.space_mm.as_ref().map(|error| error.median_mm)),
        mean(&|score| score.consistency.map(|of| of.inside_50)),
        mean(&|score| score.consistency.map(|of| of.inside_90)),
        mean(&|score| score.consistency.map(|of| of.nees_mean)),
    );
    for phase in [Phase::Oesophagus, Phase::Stomach, Phase::SmallBowel, Phase::Colon] {
        let of_phase = |score: &TrackScore| {
            let (_, error) = score.by_phase.iter().find(|(other, _)| *other == phase)?;
            Some(square(error))
        };
        print!("{:>7.1}", mean(&of_phase).sqrt());
    }
    println!();
}
