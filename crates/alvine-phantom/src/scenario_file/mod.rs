//! A scenario as a TOML file: every parameter by name, each with a default.
//!
//! `base` names the scenario that the file starts from ([`Scenario::named`], or `demo`), `radio` the profile it is given
//! ([`RadioProfile`](crate::RadioProfile)); every other key replaces one parameter. [`NamedScenario::to_toml`] writes them
//! all, documented; what it writes reads back as the same scenario.

mod apply;
mod keys;
mod text;

use thiserror::Error;
use toml::de::{DeTable, DeValue};

use crate::error::PhantomError;
use crate::scenario::Scenario;

/// The version of the scenario file.
const FORMAT: u32 = 1;
/// The name of the scenario of the demo study, which has a body of its own.
const DEMO: &str = "demo";

/// A scenario with the name that its studies carry.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedScenario {
    /// Its name: letters, digits, `-` and `_`, at most 60.
    pub name: String,
    /// The scenario.
    pub scenario: Scenario,
}

/// Why a text is no scenario: what, and where in the text if it is there.
#[derive(Debug, Clone, PartialEq, Error)]
#[error("{}{fault}", place.map(|[line, column]| format!("{line}:{column}: ")).unwrap_or_default())]
pub struct ScenarioFileError {
    /// Line and column, from 1, the column in characters.
    pub place: Option<[usize; 2]>,
    /// What is wrong.
    pub fault: ScenarioFault,
}

/// What is wrong with a scenario file.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ScenarioFault {
    /// It is no TOML, or has a key that no scenario has, or a value of another kind.
    #[error("{message}")]
    Syntax {
        /// What the parser said.
        message: String,
    },
    /// A file of another version.
    #[error("found format {found}; expected {FORMAT}")]
    UnknownFormat {
        /// Its version.
        found: u32,
    },
    /// A value that is none of the known words.
    #[error("{key} is \"{found}\"; expected one of {expected}")]
    UnknownWord {
        /// Its key.
        key: &'static str,
        /// What was found.
        found: String,
        /// The known words.
        expected: String,
    },
    /// A name that cannot stand in the name of a study.
    #[error("name is \"{found}\"; expected 1 to 60 letters, digits, - and _")]
    BadName {
        /// What was found.
        found: String,
    },
    /// Keys that exclude each other, or one that lacks another.
    #[error("{table} {problem}")]
    Incomplete {
        /// The table.
        table: &'static str,
        /// What is wrong with its keys.
        problem: &'static str,
    },
    /// A value that the core refuses.
    #[error("{problem}")]
    Refused {
        /// What the core says.
        problem: String,
    },
    /// A value that the phantom refuses.
    #[error(transparent)]
    Phantom(#[from] PhantomError),
}

impl NamedScenario {
    /// The scenario of a name: `demo`, or one of [`Scenario::NAMES`].
    ///
    /// # Errors
    ///
    /// [`PhantomError::UnknownScenario`] for any other name.
    pub fn of(name: &str, seed: u64) -> Result<Self, PhantomError> {
        let scenario = if name == DEMO {
            Scenario::demo(seed)
        } else {
            Scenario::named(name, seed)?
        };
        Ok(Self {
            name: name.to_owned(),
            scenario,
        })
    }

    /// Reads a scenario file; `seed` stands where the file has none.
    ///
    /// # Errors
    ///
    /// [`ScenarioFileError`] with the place of the first fault met.
    ///
    /// # Examples
    ///
    /// ```
    /// use alvine_phantom::NamedScenario;
    /// let text = "base = \"gastric-retention\"\nradio = \"realistic\"\nduration_h = 4.0\n";
    /// let read = NamedScenario::from_toml(text, 7)?;
    /// assert_eq!((read.scenario.seed, read.scenario.duration_h), (7, 4.0));
    /// let wrong = NamedScenario::from_toml("duration_h = 4.0\nrate_hz = -1.0\n", 7).unwrap_err();
    /// assert_eq!(wrong.to_string(), "2:11: scenario rate_hz is -1; expected 0.05 to 50 Hz");
    /// # Ok::<(), alvine_phantom::ScenarioFileError>(())
    /// ```
    pub fn from_toml(text: &str, seed: u64) -> Result<Self, ScenarioFileError> {
        let root: keys::Root = toml::from_str(text).map_err(|error| ScenarioFileError {
            place: error.span().map(|span| place(text, span.start)),
            fault: ScenarioFault::Syntax {
                message: error.message().to_owned(),
            },
        })?;
        apply::apply(root, seed).map_err(|(path, fault)| ScenarioFileError {
            place: place_of(text, &path),
            fault,
        })
    }

    /// The scenario as a documented file with every parameter.
    #[must_use]
    pub fn to_toml(&self) -> String {
        text::written(self)
    }
}

/// Line and column, from 1, of a byte of a text.
fn place(text: &str, offset: usize) -> [usize; 2] {
    let before = text.get(..offset).unwrap_or(text);
    let line_start = before.rfind('\n').map_or(0, |at| at + 1);
    [
        before.matches('\n').count() + 1,
        before[line_start..].chars().count() + 1,
    ]
}

/// Where the value of a dotted path stands, or of as much of the path as there is.
fn place_of(text: &str, path: &str) -> Option<[usize; 2]> {
    let root = DeTable::parse(text).ok()?;
    let mut table = root.get_ref();
    let mut found = None;
    for key in path.split('.') {
        let Some(value) = table.get(key) else { break };
        found = Some(value.span().start);
        let DeValue::Table(inner) = value.get_ref() else { break };
        table = inner;
    }
    found.map(|offset| place(text, offset))
}

#[cfg(test)]
mod tests;
