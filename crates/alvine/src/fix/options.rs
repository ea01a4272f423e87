//! What a caller may choose about a fix.

use nalgebra::Matrix3;

use super::likelihood::Loss;
use crate::torso::Position;

/// What is known of the transmit level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Level {
    /// The study's transmit power holds.
    Known,
    /// It is off by an unknown number of dB, found afresh with each fix. On a front-only layout this about triples the
    /// error: prefer a prior where one can be had.
    Unknown {
        /// Standard deviation of the offset about zero, dB; `None` for no prior at all.
        prior_db: Option<f64>,
    },
}

/// A Gaussian prior on the place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PositionPrior {
    /// Its mean, mm.
    pub mean_mm: Position,
    /// Its information, the inverse of its covariance, 1/mm².
    pub information_per_mm2: Matrix3<f64>,
}

/// How a fix is computed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FixOptions {
    /// How misfits count.
    pub loss: Loss,
    /// What is known of the transmit level.
    pub level: Level,
    /// A prior on the place; by default only the torso bounds it.
    pub prior: Option<PositionPrior>,
    /// The search has settled when a step is shorter than this, mm.
    pub tolerance_mm: f64,
    /// The search gives up after this many steps.
    pub most_steps: usize,
    /// Spacing of the places from which the search may start, mm.
    pub start_spacing_mm: f64,
    /// From how many distant places the search starts at most, 1 to [`FixOptions::MOST_STARTS`], and from one more where
    /// a site is censored. With two, a nearly equal minimum more than 1 mm from the best is taken in 1 % of instants
    /// with 4 dB of spread, in 3 % with 8 dB and a floor.
    pub starts: usize,
}

impl FixOptions {
    /// The most starts that may be asked for.
    pub const MOST_STARTS: usize = 8;
}

impl Default for FixOptions {
    /// Huber's loss, level known, no prior, settled to 0.1 mm.
    fn default() -> Self {
        Self {
            loss: Loss::HUBER,
            level: Level::Known,
            prior: None,
            tolerance_mm: 0.1,
            most_steps: 60,
            start_spacing_mm: 36.0,
            starts: 2,
        }
    }
}
