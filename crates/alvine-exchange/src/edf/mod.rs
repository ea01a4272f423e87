//! A recording as EDF+, the European Data Format: one signal a site, and what a reader marked as annotations.
//!
//! # What is kept
//!
//! Levels to 0.01 dB, from −327.67 to 327.67 dBm; −327.68 dBm stands for an instant at which no packet came, and each signal
//! says so. Times: where the instants are evenly spaced to within 1 µs the file is continuous (`EDF+C`), and any reader of EDF
//! takes it; otherwise each instant is a data record with its own time to 1 ns (`EDF+D`). Time 0 of the file is the last whole
//! second before the first instant.
//!
//! # What has no place
//!
//! EDF has no field for sites' places, transmitter or torso: whoever reads a file gives these. The patient's fields are filled
//! with `X`, as the standard has it for what is not told.
//!
//! # Source
//!
//! B. Kemp, J. Olivan, *European data format 'plus' (EDF+), an EDF alike standard format for the exchange of physiological data*,
//! Clin. Neurophysiol. 114 (2003) 1755–1761.

mod read;
#[cfg(test)]
mod tests;
mod write;

use alvine::Recording;
use jiff::civil::DateTime;
use thiserror::Error;

pub use read::{Imported, read};
pub use write::{Exported, write};

/// The step of the levels, dB.
pub const STEP_DB: f64 = 0.01;
/// The level that stands for no packet, dBm.
pub const NO_PACKET_DBM: f64 = -327.68;
/// The digital value of it.
const NO_PACKET: i16 = i16::MIN;
/// What a signal says of it.
const NO_PACKET_NOTE: &str = "none; -327.68 dBm: no packet";
/// How the transducer's field begins, before the name of the site.
const ANTENNA: &str = "antenna at ";
/// Label of the signal that holds annotations.
const ANNOTATIONS: &str = "EDF Annotations";
/// The standard's words for the last instant.
const ENDS: &str = "Recording ends";

/// A recording as EDF+ can hold it.
#[derive(Debug, Clone)]
pub struct EdfRecording {
    /// Pseudonym of the study, in the field for the investigation's code.
    pub study: String,
    /// The clock on the wall at time 0.
    pub started: Option<DateTime>,
    /// How far that clock was ahead of UTC, min.
    pub utc_offset_min: Option<i32>,
    /// Names of the sites.
    pub sites: Vec<String>,
    /// What they heard.
    pub recording: Recording,
    /// What was marked.
    pub annotations: Vec<Annotation>,
}

/// A mark in time.
#[derive(Debug, Clone, PartialEq)]
pub struct Annotation {
    /// When, s since the recording began.
    pub time_s: f64,
    /// What.
    pub text: String,
}

/// Why a recording cannot be written as EDF+, or read from it.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum EdfError {
    /// The file ends too soon.
    #[error("byte {at}: the file ends; expected {expected}")]
    Short {
        /// Its length, bytes.
        at: usize,
        /// What should have come.
        expected: &'static str,
    },
    /// A field that is wrong.
    #[error("byte {at}: {field} is {found:?}; expected {expected}")]
    Field {
        /// Where it begins.
        at: usize,
        /// Which.
        field: &'static str,
        /// What stands there.
        found: String,
        /// What would do.
        expected: &'static str,
    },
    /// No signal in dBm.
    #[error("no signal in dBm is in it; found {found}; expected one a site")]
    NoLevels {
        /// The signals that are.
        found: String,
    },
    /// A data record without its time.
    #[error("data record {record} (byte {at}) says no time; expected one, as EDF+ has it")]
    NoTime {
        /// The record, from 0.
        record: usize,
        /// Where its annotations begin.
        at: usize,
    },
    /// Instants that do not follow each other.
    #[error("data record {record}: {time_s} s comes after {previous_s} s; expected increasing times")]
    NotIncreasing {
        /// The record, from 0.
        record: usize,
        /// The time before, s.
        previous_s: f64,
        /// The time, s.
        time_s: f64,
    },
    /// The recording itself is impossible.
    #[error("what is in it is no recording: {0}")]
    Recording(#[from] alvine::RecordingError),
    /// A recording that EDF+ cannot hold.
    #[error("{what} is {found}; EDF+ holds {expected}")]
    Unwritable {
        /// What of it.
        what: &'static str,
        /// Its value.
        found: String,
        /// What would do.
        expected: &'static str,
    },
}
