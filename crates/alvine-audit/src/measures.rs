//! Performance measures to set an audit beside: a data file, since editions change.

use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::proportion::Proportion;

/// The measures that are used unless a service gives its own.
pub const DEFAULT_MEASURES: &str = include_str!("../data/performance-measures.toml");
/// The measure that alvine can judge: the ileocaecal valve was passed within the recording.
pub const COMPLETE: &str = "complete-small-bowel";

const FORMAT: u32 = 1;

/// A file of measures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measures {
    /// The format's version.
    pub format: u32,
    /// The measures.
    #[serde(rename = "measure")]
    pub measures: Vec<Measure>,
}

/// One measure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measure {
    /// What programs call it.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// What is counted, of what.
    pub counts: String,
    /// The least share that is acceptable, 0 to 1.
    pub minimum: f64,
    /// The share to aim at, 0 to 1.
    pub target: f64,
    /// The year of the edition.
    pub year: u16,
    /// Where it was published.
    pub source: String,
    /// `verified`, `from memory`, or a service's own word.
    pub status: String,
}

/// What a share of so many studies says of a threshold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The whole 95 % interval lies at or above it.
    Met,
    /// The whole interval lies below it.
    Missed,
    /// The interval holds it, so that so few studies cannot tell; or it hangs on studies of which the signal does not tell.
    Open,
}

/// Why a file of measures is none.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum MeasuresError {
    /// It is not TOML, or has a key that is not known or lacks one.
    #[error("{line}:{column}: {message}")]
    Toml {
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// What is wrong.
        message: String,
    },
    /// Another format.
    #[error("1:1: format is {found}; expected {FORMAT}")]
    Format {
        /// What it says.
        found: u32,
    },
    /// A threshold that is no share, or a target below the minimum.
    #[error("1:1: {id}: minimum {minimum} and target {target}; expected shares from 0 to 1, the target no lower")]
    Threshold {
        /// The measure.
        id: String,
        /// Its minimum.
        minimum: f64,
        /// Its target.
        target: f64,
    },
    /// Two measures of one name.
    #[error("1:1: {id} is there twice; expected each measure once")]
    Repeated {
        /// The measure.
        id: String,
    },
}

impl Measures {
    /// Reads a file's text.
    ///
    /// # Errors
    ///
    /// [`MeasuresError`], with line and column where they are known.
    pub fn parse(text: &str) -> Result<Self, MeasuresError> {
        let measures: Self = toml::from_str(text).map_err(|error| {
            let offset = error.span().map_or(0, |span| span.start);
            let before = text.get(..offset).unwrap_or_default();
            let line = before.matches('\n').count() + 1;
            let column = before.rsplit('\n').next().map_or(0, |last| last.chars().count()) + 1;
            MeasuresError::Toml {
                line,
                column,
                message: error.message().to_owned(),
            }
        })?;
        if measures.format != FORMAT {
            return Err(MeasuresError::Format { found: measures.format });
        }
        for (at, measure) in measures.measures.iter().enumerate() {
            measure.check()?;
            if measures.measures[..at].iter().any(|other| other.id == measure.id) {
                let id = measure.id.clone();
                return Err(MeasuresError::Repeated { id });
            }
        }
        Ok(measures)
    }

    /// The measure of a name.
    #[must_use]
    pub fn get(&self, id: &str) -> Option<&Measure> {
        self.measures.iter().find(|measure| measure.id == id)
    }
}

impl Measure {
    fn check(&self) -> Result<(), MeasuresError> {
        let share = |value: f64| (0.0..=1.0).contains(&value);
        if share(self.minimum) && share(self.target) && self.minimum <= self.target {
            return Ok(());
        }
        Err(MeasuresError::Threshold {
            id: self.id.clone(),
            minimum: self.minimum,
            target: self.target,
        })
    }
}

impl Verdict {
    /// What a proportion's interval says of a threshold.
    #[must_use]
    pub fn of(found: &Proportion, threshold: f64) -> Self {
        let [from, to] = found.interval95();
        if from >= threshold {
            Self::Met
        } else if to < threshold {
            Self::Missed
        } else {
            Self::Open
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_measures_read_and_hold_the_one_that_can_be_judged() {
        let measures = Measures::parse(DEFAULT_MEASURES).unwrap();
        // Read in the source named there: at least 80 % and 95 %.
        let complete = measures.get(COMPLETE).unwrap();
        assert_eq!(
            (complete.minimum, complete.target, complete.status.as_str()),
            (0.80, 0.95, "verified")
        );
    }

    #[test]
    fn a_verdict_needs_the_whole_interval() {
        assert_eq!(Verdict::of(&Proportion::new(990, 1000), 0.95), Verdict::Met);
        assert_eq!(Verdict::of(&Proportion::new(835, 1000), 0.95), Verdict::Missed);
        assert_eq!(Verdict::of(&Proportion::new(17, 20), 0.80), Verdict::Open);
        assert_eq!(Verdict::of(&Proportion::new(0, 0), 0.80), Verdict::Open);
    }

    #[test]
    fn wrong_files_are_told_with_their_place() {
        let said = |text: &str| Measures::parse(text).unwrap_err().to_string();
        assert!(said("format = 1\nmeasures = 3\n").starts_with("2:1: unknown field `measures`"));
        assert_eq!(said("format = 2\nmeasure = []\n"), "1:1: format is 2; expected 1");
        let high = DEFAULT_MEASURES.replace("target = 0.95", "target = 95");
        assert!(said(&high).contains("complete-small-bowel: minimum 0.8 and target 95; expected shares"));
        let twice = DEFAULT_MEASURES.replace("\"indication\"", "\"complete-small-bowel\"");
        assert!(said(&twice).contains("is there twice"));
    }
}
