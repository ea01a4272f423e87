//! Siting: how good a set of antennas would be before anyone builds the belt, and where better ones would go.
//!
//! No recording is needed: everything follows from a [`crate::Setup`]. In the order of use:
//!
//! - [`Volume`] lays a lattice of places inside the torso, and [`OrganRegion`] says which of them belong to which organ;
//! - [`survey`] computes for each place the Cramér–Rao bound, how many sites hear the capsule, and the geometric
//!   dilution; [`rivals`] finds the distant place that each place is most easily taken for;
//! - [`compare`] does so for one layout on thin, median and large torsos and with any one site lost, and [`trials`] lets
//!   the real estimator run beside the bound;
//! - [`Design`] places sites on the skin so that a [`Criterion`] becomes least;
//! - [`LinkBudget`] tells how deep a capsule is heard.

mod bodies;
mod compare;
mod design;
mod information;
mod link_budget;
mod organs;
mod rivals;
mod survey;
mod trials;
mod volume;

pub use bodies::{BodySize, refit};
pub use compare::{CompareError, Compared, LostSite, compare};
pub use design::{Criterion, CurvePoint, Design, DesignError, DesignSpace, Designed, KeepOut, Objective};
pub use link_budget::{Heard, LinkBudget, LinkBudgetError, LinkRow, thermal_noise_dbm};
pub use organs::{OrganRegion, OrganSet};
pub use rivals::{Rival, RivalMap, RivalOptions, Rivals, rivals};
pub use survey::{Outlook, RegionSummary, Survey, SurveyOptions, outlook, survey};
pub use trials::{PlaceTrial, TrialError, TrialOptions, Trials, trials};
pub use volume::{Volume, VolumeError};
