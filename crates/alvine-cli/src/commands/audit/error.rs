//! Why an audit cannot be made.

use std::io;
use std::path::PathBuf;

use alvine_audit::{MeasuresError, TableError};
use thiserror::Error;

use crate::outcome::Outcome;

/// Why an audit cannot be made, or ends badly because it was told to.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum AuditError {
    /// A folder that cannot be looked into.
    #[error("{}: cannot be read: {source}", folder.display())]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A folder without a study.
    #[error("{}: no study lies in it; expected folders with a study.toml, or HDF5 files (.h5), at any depth", folder.display())]
    NoStudies {
        /// The folder.
        folder: PathBuf,
    },
    /// Another process works on the same part.
    #[error("{}: another audit is at work on it", file.display())]
    InUse {
        /// Its journal.
        file: PathBuf,
    },
    /// The journal cannot be read or written.
    #[error("{}: cannot be kept: {source}", file.display())]
    Journal {
        /// The journal.
        file: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A table cannot be written or read.
    #[error(transparent)]
    Table(#[from] TableError),
    /// A file of performance measures that is none.
    #[error("{}:{error}", file.display())]
    Measures {
        /// The file.
        file: PathBuf,
        /// What is wrong with it, and where.
        #[source]
        error: MeasuresError,
    },
    /// The folder holds an audit in another number of parts.
    #[error("{}: is a part of {found}; expected parts of {expected}", file.display())]
    OtherParts {
        /// A part of it.
        file: PathBuf,
        /// How many parts that audit has.
        found: u32,
        /// How many were asked for.
        expected: u32,
    },
    /// A file among the tables that is no part of one.
    #[error("{}: is no part of an audit", file.display())]
    NoPart {
        /// The file.
        file: PathBuf,
    },
    /// A folder without tables.
    #[error("{}: holds no audit; expected the tables `studies` and `sites`", folder.display())]
    NoTables {
        /// The folder.
        folder: PathBuf,
    },
    /// Studies could not be analysed, and --strict was given.
    #[error("{count} {} could not be analysed", if *count == 1 { "study" } else { "studies" })]
    Faulty {
        /// How many.
        count: usize,
    },
}

impl AuditError {
    /// How the process ends.
    pub fn outcome(&self) -> Outcome {
        match self {
            Self::Measures { .. } | Self::Faulty { .. } | Self::NoStudies { .. } | Self::NoPart { .. } => {
                Outcome::Faulty
            }
            Self::Table(TableError::Column { .. } | TableError::Value { .. }) => Outcome::Faulty,
            Self::Table(TableError::Parquet { doing: "read", .. }) => Outcome::Faulty,
            _ => Outcome::Unreachable,
        }
    }

    /// What to do about it.
    pub fn help(&self) -> Option<&'static str> {
        match self {
            Self::InUse { .. } => Some("wait for it, or give this one another --out"),
            Self::OtherParts { .. } => Some("name another folder, or add --force to replace what is there"),
            Self::NoPart { .. } => Some("move it away: whoever reads the folder as one table would read it too"),
            Self::NoTables { .. } => Some("run `alvine audit STUDIES --out DIR` first"),
            Self::Measures { .. } => Some("alvine audit --print-measures prints a file to begin with"),
            Self::Faulty { .. } => {
                Some("the others are in tables and page; leave --strict out to end well all the same")
            }
            _ => None,
        }
    }
}
