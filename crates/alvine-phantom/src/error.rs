//! Why a scenario cannot be simulated.

use alvine::recording::RecordingError;
use alvine::torso::TorsoError;
use thiserror::Error;

/// Why a scenario cannot be simulated.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum PhantomError {
    /// A parameter that is absurd or not a number.
    #[error("scenario {what} is {found}; expected {expected}")]
    ImpossibleValue {
        /// Which parameter.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
    /// A loosening of a site that the layout lacks.
    #[error("site {} is to work loose, but the layout has {sites}", site + 1)]
    NoSuchSite {
        /// Index of the site.
        site: usize,
        /// How many sites there are.
        sites: usize,
    },
    /// A name that no scenario has.
    #[error("no scenario is named `{found}`; expected one of {}", crate::Scenario::NAMES.join(", "))]
    UnknownScenario {
        /// The name.
        found: String,
    },
    /// A name that no radio has.
    #[error("no radio is named `{found}`; expected one of {}", crate::RadioProfile::ALL.map(crate::RadioProfile::as_str).join(", "))]
    UnknownRadio {
        /// The name.
        found: String,
    },
    /// A torso that cannot be.
    #[error(transparent)]
    Torso(#[from] TorsoError),
    /// A recording that cannot be, such as one of no instants.
    #[error(transparent)]
    Recording(#[from] RecordingError),
}
