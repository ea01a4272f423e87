//! Smoothers: from fixes to a track.
//!
//! To add one: a module beside these. A method that does not work on fixes at all implements
//! [`crate::estimator::TrackEstimator`] instead.

mod constant_velocity;

pub use constant_velocity::{ConstantVelocity, SmootherError};

use nalgebra::Matrix3;

use crate::torso::Position;

/// A position measured at one instant, with its covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measurement {
    /// Where, mm.
    pub position_mm: Position,
    /// Covariance of that, mm², of what is new at this instant.
    pub covariance_mm2: Matrix3<f64>,
}

/// A smoothed position at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Smoothed {
    /// Where, mm.
    pub position_mm: Position,
    /// How fast, mm/s.
    pub velocity_mm_per_s: Position,
    /// Covariance of the position, mm².
    pub covariance_mm2: Matrix3<f64>,
    /// Whether the measurement at this instant lay far from the track and was given less weight.
    pub outlier: bool,
}
