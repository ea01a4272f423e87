//! A digital gut and body that make recordings with known truth, and the score of a result against it.
//!
//! ```text
//! scenario + seed → torso → gut → passage → journey → place of the capsule → levels → recording
//!                                                            └→ truth ←── loosening
//! ```
//!
//! [`simulate`] turns a [`Scenario`] into a [`Simulated`] examination; [`score`] measures a result against its truth.
//! Frame and units are those of [`alvine`]: LPS, mm, origin on the skin at the umbilicus; seconds since the recording
//! began; dBm. Where a value is invented or from memory, its documentation says so.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

mod body;
mod chance;
mod error;
mod gut;
mod held;
mod motion;
mod radio;
mod scenario;
mod scenario_file;
pub mod score;
mod simulate;
mod streams;
mod wander;

pub use body::{Girth, TorsoChoice};
pub use error::PhantomError;
pub use gut::{Anatomy, Gut};
pub use held::{Held, HeldFault, hold_near_sites};
pub use motion::{Residence, Transit};
pub use radio::{
    AntennaPattern, BatterySag, Loosening, LooseningManner, Mismatch, PacketLoss, RadioEffects, RadioProfile, Tails,
    TissueLayers, TrueRadio, Tumbling,
};
pub use scenario::Scenario;
pub use scenario_file::{NamedScenario, ScenarioFault, ScenarioFileError};
pub use simulate::{Simulated, simulate};
