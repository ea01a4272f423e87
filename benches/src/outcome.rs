//! What a study came to: how far its place and its landmarks are off, in one row of a table for many.

use alvine::LandmarkKind;
use alvine_phantom::Simulated;
use alvine_phantom::score::score_track;
use alvine_transit::{RefineOptions, Refined};

use crate::{Failure, refine_told, true_s};

/// What one study came to.
#[derive(Debug, Clone)]
pub struct Outcome {
    square_mm2: f64,
    inside_90: f64,
    /// Pylorus and valve: error, min, and whether the 90 % interval holds the truth; `None` where it was not reached or not told.
    landmarks: [Option<(f64, bool)>; 2],
    /// How many of both were told without being reached, or not told although they were.
    wrong: usize,
}

impl Outcome {
    /// Tells track and phases of a study, given the swallow, and holds them against the truth.
    ///
    /// # Errors
    ///
    /// Those of the estimator and of the segmentation.
    pub fn of(made: &Simulated, options: &RefineOptions) -> Result<(Self, Refined), Failure> {
        let refined = refine_told(made, options)?;
        let score = score_track(&refined.track, &made.truth);
        let mut wrong = 0;
        let landmarks = [LandmarkKind::Pylorus, LandmarkKind::IleocaecalValve].map(|kind| {
            let told = refined.passage.landmark(kind)?;
            let truth = true_s(made, kind);
            wrong += usize::from((told.within >= 0.5) != truth.is_some());
            let true_s = truth.filter(|_| told.within >= 0.5)?;
            let [from_s, to_s] = told.interval90_s;
            Some(((told.time_s - true_s).abs() / 60.0, (from_s..=to_s).contains(&true_s)))
        });
        let outcome = Self {
            square_mm2: score.space_mm.map_or(f64::NAN, |error| error.rmse_mm.powi(2)),
            inside_90: score.consistency.map_or(f64::NAN, |of| of.inside_90),
            landmarks,
            wrong,
        };
        Ok((outcome, refined))
    }

    /// What the columns of [`Outcome::row`] are.
    pub const HEADING: &'static str = " RMSE mm  in 90 %   pylorus min  in 90 %   valve min  in 90 %   wrong";

    /// Many as one row: root mean square error of place and share in the 90 % ellipsoid; median errors of the landmarks and share in
    /// the 90 % interval; how many were wrongly told or not.
    #[must_use]
    pub fn row(all: &[&Self]) -> String {
        let n = all.len() as f64;
        let mean = |of: &dyn Fn(&Self) -> f64| all.iter().map(|one| of(one)).sum::<f64>() / n;
        let landmark = |which: usize| {
            let mut told: Vec<(f64, bool)> = all.iter().filter_map(|one| one.landmarks[which]).collect();
            told.sort_by(|one, other| one.0.total_cmp(&other.0));
            let held = told.iter().filter(|one| one.1).count() as f64 / told.len().max(1) as f64;
            (told.get(told.len() / 2).map_or(f64::NAN, |one| one.0), held)
        };
        let ((pylorus_min, pylorus_in), (valve_min, valve_in)) = (landmark(0), landmark(1));
        format!(
            "{:>8.1}{:>9.3}{pylorus_min:>14.2}{pylorus_in:>9.2}{valve_min:>12.2}{valve_in:>9.2}{:>8}",
            mean(&|one| one.square_mm2).sqrt(),
            mean(&|one| one.inside_90),
            all.iter().map(|one| one.wrong).sum::<usize>(),
        )
    }
}
