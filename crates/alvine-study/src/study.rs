//! A study in memory: one passage of one swallowed capsule.

use alvine::{ReaderFinding, ReaderLandmark, Recording, Setup};
use jiff::civil::DateTime;
use jiff::tz::Offset;

/// One study, whichever container it came from.
#[derive(Debug, Clone)]
pub struct Study {
    /// A pseudonym; personal data has no field.
    pub id: String,
    /// When time 0 was, with its offset from UTC.
    pub started: Option<Started>,
    /// When the capsule was swallowed, seconds since the recording began.
    pub swallowed_s: Option<f64>,
    /// Everything about the examination but the recording.
    pub setup: Setup,
    /// What a reader saw in the images.
    pub landmarks: Vec<ReaderLandmark>,
    /// What a reader marked.
    pub findings: Vec<ReaderFinding>,
    /// What each site heard.
    pub recording: Recording,
    /// Columns of the recording that begin with `aux_`: kept and ignored.
    pub auxiliary: Vec<AuxiliaryColumn>,
}

/// A column that alvine keeps and ignores.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AuxiliaryColumn {
    /// Its header, beginning with `aux_`.
    pub name: String,
    /// One cell an instant, as it stood.
    pub cells: Vec<String>,
}

/// A wall-clock time with its offset from UTC, such as `2026-03-02T08:14:00+01:00`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Started {
    /// The date and time on the wall.
    pub civil: DateTime,
    /// The offset of that wall from UTC.
    pub offset: Offset,
}
