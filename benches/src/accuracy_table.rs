//! A table of how far estimators err on simulated studies whose truth is known, and how honest their covariance is.

use alvine::{Phase, Track, Trajectory};
use alvine_phantom::score::{ErrorSummary, TrackScore, score_track};
use alvine_phantom::{RadioProfile, Scenario, Simulated, simulate};
use alvine_transit::{RefineOptions, refine};
use rayon::prelude::*;

use crate::{Failure, scenario_of};

/// What the command line of an accuracy bench says: `[usual|matched|realistic] [STUDIES] [FIRST_SEED] [ROW]`.
#[derive(Debug, Clone)]
pub struct Asked {
    /// How the air is.
    pub radio: RadioProfile,
    /// How many studies.
    pub studies: u64,
    /// The seed of the first.
    pub first_seed: u64,
    /// Only rows whose name contains this.
    pub row: String,
}

impl Asked {
    /// From the arguments, or realistic, ten studies from seed 500, every row.
    ///
    /// # Errors
    ///
    /// A radio that there is not, or what should be a whole number and is none.
    pub fn from_arguments() -> Result<Self, Failure> {
        let mut arguments = std::env::args().skip(1);
        let radio = arguments
            .next()
            .as_deref()
            .map_or(Ok(RadioProfile::Realistic), str::parse)?;
        Ok(Self {
            radio,
            studies: arguments.next().map_or(Ok(10), |text| text.parse())?,
            first_seed: arguments.next().map_or(Ok(500), |text| text.parse())?,
            row: arguments.next().unwrap_or_default(),
        })
    }

    /// The studies: all of the phantom's named scenarios in turn, at 1 Hz.
    ///
    /// # Errors
    ///
    /// Those of the phantom.
    pub fn make(&self) -> Result<Vec<Simulated>, Failure> {
        let seeds = self.first_seed..self.first_seed + self.studies;
        let made: Result<Vec<_>, alvine_phantom::PhantomError> =
            seeds.into_par_iter().map(|seed| study(seed, self.radio)).collect();
        Ok(made?)
    }

    /// Prints a row, if it was asked for.
    pub fn row(&self, name: &str, made: &[Simulated], estimate: impl Fn(&Simulated) -> Result<Track, Failure> + Sync) {
        if name.contains(&self.row) {
            print_row(name, made, estimate);
        }
    }
}

/// Prints what the columns are: root mean square and median error, the share of instants whose 50 and 90 % ellipsoid holds the
/// truth, NEES (3 where the covariance is right), and the root mean square error by phase.
pub fn print_heading() {
    println!("mm                                   RMSE  median   50 %   90 %   NEES     oes.  stom.  small  colon");
}

/// The track by [`refine()`], told nothing and not refined in a field.
///
/// # Errors
///
/// Those of the estimator and of the segmentation.
pub fn about_usual_places(trajectory: &Trajectory, made: &Simulated) -> Result<Track, Failure> {
    let options = RefineOptions {
        field: None,
        ..RefineOptions::default()
    };
    track_by(trajectory, made, &options)
}

/// The track as a report computes it: the same, refined in a field.
///
/// # Errors
///
/// Those of the estimator and of the segmentation.
pub fn in_field(trajectory: &Trajectory, made: &Simulated) -> Result<Track, Failure> {
    track_by(trajectory, made, &RefineOptions::default())
}

/// The track by [`refine()`], told nothing.
///
/// # Errors
///
/// Those of the estimator and of the segmentation.
pub fn track_by(trajectory: &Trajectory, made: &Simulated, options: &RefineOptions) -> Result<Track, Failure> {
    Ok(refine(trajectory, &made.setup, &made.recording, &[], options, &|_| ())?.track)
}

fn study(seed: u64, radio: RadioProfile) -> Result<Simulated, alvine_phantom::PhantomError> {
    let name = scenario_of(seed);
    simulate(&Scenario {
        rate_hz: 1.0,
        ..Scenario::named(name, seed)?.with_radio(radio)
    })
}

fn print_row(name: &str, made: &[Simulated], estimate: impl Fn(&Simulated) -> Result<Track, Failure> + Sync) {
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
    let square = |error: &ErrorSummary| error.rmse_mm.powi(2);
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
