//! Where a swallowed capsule is, from the strength at which sites on the abdomen hear it.
//!
//! # Frame and units
//!
//! Positions are millimetres in the DICOM patient orientation (LPS: x to the patient's left, y to posterior, z to
//! superior), origin on the skin at the umbilicus, so that y > 0 is depth. Time is seconds since the recording began.
//! Signal is dBm, loss and gain dB, frequency MHz. Units stand in every name.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod anatomy;
pub mod antennas;
pub mod bounds;
pub mod calibrate;
mod dense;
pub mod dielectric;
pub mod estimator;
pub mod fix;
pub mod layout;
pub mod loosening;
mod median;
mod nearest;
pub mod noise;
pub mod normal;
pub mod propagation;
pub mod quality;
pub mod reader;
pub mod recording;
pub mod setup;
pub mod siting;
pub mod smoother;
pub mod space;
mod student;
pub mod told_law;
pub mod torso;
pub mod track;
pub mod trajectory;
pub mod truth;

pub use anatomy::{LandmarkKind, Part, Phase};
pub use calibrate::{Calibration, CalibrationError, CalibrationOptions, SiteLevels, calibrate};
pub use estimator::{EstimateError, FixThenSmooth, TrackEstimator};
pub use fix::{Fix, FixError, FixOptions, FixSolver, Level, Loss, PositionPrior};
pub use layout::{Layout, LayoutError, Site};
pub use loosening::{Loosening, LooseningOptions, find_loosenings};
pub use median::median;
pub use nearest::nearest;
pub use noise::{NoiseError, NoiseModel};
pub use propagation::{
    DistanceAndTissue, FreeSpace, LANES, Law, LogDistance, LossesBySquare, Propagation, PropagationError,
};
pub use quality::{Interval, Quality};
pub use reader::{ReaderFinding, ReaderLandmark};
pub use recording::{Reading, Receiver, Recording, RecordingError};
pub use setup::{Setup, Transmitter};
pub use space::{Room, Space};
pub use told_law::ToldLaw;
pub use torso::{Position, Torso};
pub use track::{Flags, Track, TrackPoint};
pub use trajectory::{
    Calibrated, FieldOptions, Instants, MotionPrior, Passes, Rival, SelfCalibration, StreamingOptions,
    StreamingTrajectory, Trajectory, TrajectoryOptions, Wander,
};
pub use truth::{TrueLandmark, TrueLoosening, Truth, TruthPoint};
