//! How a command can end, and with which exit code.

use std::io;

use alvine_study::StudyError;
use thiserror::Error;

use crate::analysis::AnalysisError;
use crate::report::ReportError;

/// Why a command did not do its work.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum Failure {
    /// A study, truth or result cannot be read or written.
    #[error(transparent)]
    Study(#[from] StudyError),
    /// A study cannot be analysed.
    #[error(transparent)]
    Analysis(#[from] AnalysisError),
    /// A figure cannot be drawn.
    #[error(transparent)]
    Report(#[from] ReportError),
    /// A simulation cannot be run as asked.
    #[error(transparent)]
    Phantom(#[from] alvine_phantom::PhantomError),
    /// A file cannot be written.
    #[error("{path}: {cause}")]
    Write {
        /// Which file.
        path: String,
        /// What the system said.
        cause: io::Error,
    },
    /// Standard output takes no more.
    #[error("standard output: {0}")]
    Output(#[from] io::Error),
    /// JSON cannot be made.
    #[error("JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// What was asked makes no sense.
    #[error("{0}")]
    Usage(String),
}

impl Failure {
    /// Whether the reader of standard output went away, which is no failure.
    #[must_use]
    pub fn is_broken_pipe(&self) -> bool {
        let broken = |error: &io::Error| error.kind() == io::ErrorKind::BrokenPipe;
        match self {
            Failure::Output(error) => broken(error),
            Failure::Json(error) => error.io_error_kind() == Some(io::ErrorKind::BrokenPipe),
            _ => false,
        }
    }

    /// The exit code, as `alvine --help` lists them.
    #[must_use]
    pub fn exit_code(&self) -> u8 {
        match self {
            Failure::Usage(_) | Failure::Phantom(_) => 2,
            Failure::Write { .. } | Failure::Output(_) => 3,
            _ => 1,
        }
    }

    /// What to do about it, where there is more to say.
    #[must_use]
    pub fn help(&self) -> Option<String> {
        match self {
            Failure::Study(error) => error.help(),
            Failure::Analysis(AnalysisError::Segment(_)) => {
                Some("see the [[landmark]] entries of the study".to_owned())
            }
            _ => None,
        }
    }
}
