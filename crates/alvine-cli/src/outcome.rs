//! How a command ends: its exit code, and what it says on the error stream when it failed.

use std::fmt;
use std::io;
use std::path::PathBuf;
use std::process::ExitCode;

use alvine::antennas::AntennaCheckError;
use alvine::{CalibrationError, NoiseError};
use alvine_phantom::{PhantomError, ScenarioFileError};
use alvine_study::{Fault, PersonalData, StudyError};
use alvine_transit::PriorError;
use thiserror::Error;

use crate::analysis::AnalysisError;
use crate::commands::audit::AuditError;
use crate::commands::dayplan::DayplanError;
use crate::commands::edf::EdfFailure;
use crate::commands::layout::BenchError;
use crate::commands::watch::WatchFailure;
use crate::report::ReportError;

/// The exit codes; `alvine --help` lists the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// The command did what it was asked to.
    Done = 0,
    /// A study, or another file that was given, is faulty.
    Faulty = 1,
    /// The command line makes no sense.
    Usage = 2,
    /// Something could not be read or written.
    Unreachable = 3,
    /// Stopped by Ctrl-C or a signal to end.
    Interrupted = 130,
}

impl Outcome {
    /// The number that the process ends with.
    pub const fn code(self) -> u8 {
        self as u8
    }
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        ExitCode::from(outcome.code())
    }
}

/// Why a command failed.
#[derive(Debug, Error)]
pub enum Failure {
    /// A study, a truth or a result is faulty, or could not be read or written.
    #[error(transparent)]
    Study(#[from] StudyError),
    /// A study that reads well and cannot be analysed.
    #[error("{}: {error}", study.display())]
    Analysis {
        /// The path that was given.
        study: PathBuf,
        /// Why not.
        #[source]
        error: AnalysisError,
    },
    /// A figure or the page could not be made.
    #[error(transparent)]
    Report(#[from] ReportError),
    /// No such examination can be simulated.
    #[error(transparent)]
    Phantom(#[from] PhantomError),
    /// No such noise can be simulated.
    #[error("--shadowing-db: {0}")]
    Noise(#[from] NoiseError),
    /// A scenario file that is none.
    #[error("{}:{error}", file.display())]
    Scenario {
        /// The file.
        file: PathBuf,
        /// What is wrong with it, and where.
        #[source]
        error: ScenarioFileError,
    },
    /// A prior's file that is none.
    #[error("{}:{error}", file.display())]
    Prior {
        /// The file.
        file: PathBuf,
        /// What is wrong with it, and where.
        #[source]
        error: Box<PriorError>,
    },
    /// A prior that is neither built in nor can be read.
    #[error("--prior {}: cannot be read: {source}", file.display())]
    ReadPrior {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A folder without studies.
    #[error("{}: no study lies in it", folder.display())]
    NoStudies {
        /// The folder.
        folder: PathBuf,
    },
    /// A cohort's folder that holds studies of another scenario.
    #[error("{}: tells of another scenario", file.display())]
    OtherCohort {
        /// The file that says so.
        file: PathBuf,
    },
    /// A file could not be read.
    #[error("{}: cannot be read: {source}", file.display())]
    Read {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The antenna bench cannot do what was asked.
    #[error(transparent)]
    Bench(#[from] BenchError),
    /// A study with fields that look like personal data.
    #[error("{}: {suspicions}", study.display())]
    PersonalData {
        /// The study.
        study: PathBuf,
        /// Which fields, and what they look like.
        suspicions: String,
    },
    /// An identifier that is no pseudonym.
    #[error("{option} is `{found}`, which looks like {kind}; expected a pseudonym, such as p-117")]
    NoPseudonym {
        /// The option as it is typed.
        option: &'static str,
        /// What was given.
        found: String,
        /// What it looks like.
        kind: PersonalData,
    },
    /// An examination cannot be watched.
    #[error(transparent)]
    Watch(#[from] WatchFailure),
    /// A study that is no check before the swallow.
    #[error("{}: {error}", study.display())]
    Antennas {
        /// The path that was given.
        study: PathBuf,
        /// Why not.
        #[source]
        error: AntennaCheckError,
    },
    /// A check before the swallow whose answer is to stop.
    #[error("{}: stop: no capsule is to be given before this is put right", study.display())]
    Stop {
        /// The path that was given.
        study: PathBuf,
    },
    /// A survey to which no law can be fitted.
    #[error("{}: {error}", survey.display())]
    Calibration {
        /// The survey.
        survey: PathBuf,
        /// Why not.
        #[source]
        error: CalibrationError,
    },
    /// An option that names no site of the layout.
    #[error("{option} {found}: names no site; expected one of {sites}")]
    NoSite {
        /// The option as it is typed.
        option: &'static str,
        /// What was given.
        found: String,
        /// The sites of the layout.
        sites: String,
    },
    /// A turn that is none.
    #[error("--turn {found}: is no turn; expected SITE=FROM..TO, in seconds, such as epigastric=10..18.5")]
    NoTurn {
        /// What was given.
        found: String,
    },
    /// No such day can be planned.
    #[error(transparent)]
    Dayplan(#[from] DayplanError),
    /// A recording cannot come from EDF+ or go there.
    #[error(transparent)]
    Edf(#[from] EdfFailure),
    /// An audit cannot be made, or found what it was told to fail for.
    #[error(transparent)]
    Audit(#[from] AuditError),
    /// The output would take the place of the input.
    #[error("{}: is the study itself; expected another place for the output", file.display())]
    ReplacesSource {
        /// The file.
        file: PathBuf,
    },
    /// The output would take the place of something that was not asked to be replaced.
    #[error("{}: is there already", file.display())]
    Exists {
        /// The file.
        file: PathBuf,
    },
    /// The output would take the place of something that alvine did not write.
    #[error("{}: is there already, and is no track", file.display())]
    ReplacesOther {
        /// The file.
        file: PathBuf,
    },
    /// A name that does not tell which format is meant.
    #[error("{}: found a name of no known format; expected {expected}", file.display())]
    NoFormat {
        /// The file.
        file: PathBuf,
        /// Which names would do.
        expected: &'static str,
    },
    /// An option with a value that cannot be.
    #[error("{option} is {found}; expected {expected}")]
    Option {
        /// The option as it is typed.
        option: &'static str,
        /// Its value.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
    /// A file could not be written.
    #[error("{}: cannot be written: {source}", file.display())]
    Write {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Standard output took no more, for another reason than that no one listens.
    #[error("standard output: cannot be written: {source}")]
    Stdout {
        /// What the system said.
        source: io::Error,
    },
    /// The system gave no threads.
    #[error("--threads {threads}: cannot be had: {cause}")]
    Threads {
        /// How many were asked for.
        threads: usize,
        /// What the pool said.
        cause: String,
    },
}

impl Failure {
    /// How the process ends.
    pub fn outcome(&self) -> Outcome {
        match self {
            Failure::Study(error) => of_fault(error.fault()),
            Failure::Antennas { .. } | Failure::Stop { .. } | Failure::PersonalData { .. } => Outcome::Faulty,
            Failure::Calibration {
                error: CalibrationError::ImpossibleOption { .. },
                ..
            } => Outcome::Usage,
            Failure::Calibration { .. } => Outcome::Faulty,
            Failure::Watch(failure) => failure.outcome(),
            Failure::NoSite { .. } | Failure::NoTurn { .. } | Failure::NoPseudonym { .. } => Outcome::Usage,
            Failure::Analysis { .. } | Failure::Scenario { .. } | Failure::Prior { .. } | Failure::NoStudies { .. } => {
                Outcome::Faulty
            }
            Failure::Dayplan(DayplanError::Moment { .. }) => Outcome::Usage,
            Failure::Dayplan(_) => Outcome::Faulty,
            Failure::Audit(error) => error.outcome(),
            Failure::Edf(error) => error.outcome(),
            Failure::Bench(error) if error.is_of_a_file() => Outcome::Faulty,
            Failure::Bench(_) => Outcome::Usage,
            Failure::Phantom(_) | Failure::Noise(_) | Failure::Option { .. } | Failure::NoFormat { .. } => {
                Outcome::Usage
            }
            Failure::Report(_)
            | Failure::ReplacesSource { .. }
            | Failure::Exists { .. }
            | Failure::ReplacesOther { .. }
            | Failure::OtherCohort { .. }
            | Failure::Read { .. }
            | Failure::ReadPrior { .. }
            | Failure::Write { .. }
            | Failure::Stdout { .. }
            | Failure::Threads { .. } => Outcome::Unreachable,
        }
    }

    /// What to do about it, where there is more to say.
    pub fn help(&self) -> Option<String> {
        let help = match self {
            Failure::Study(error) => return error.help(),
            Failure::Calibration {
                error: CalibrationError::SiteUnheard { .. },
                ..
            } => "leave the site out of layout and survey, or add --common-level to give all sites one level",
            Failure::Calibration {
                error: CalibrationError::OneDistance { .. },
                ..
            } => "read places at several distances from each site, from near to as far as the law is to hold",
            Failure::Audit(error) => return error.help().map(str::to_owned),
            Failure::Edf(error) => return error.help().map(str::to_owned),
            Failure::ReplacesSource { .. } => "name another file or folder",
            Failure::Exists { .. } => "name another place, or add --force to replace it",
            Failure::ReplacesOther { .. } => "name another place, or move that file away first",
            Failure::OtherCohort { .. } => "name another folder, or add --force to replace what is there",
            Failure::Scenario { .. } => "alvine simulate --print-scenario prints every key with its default",
            Failure::Prior { .. } => "every key must be there; alvine fit-priors writes a whole file",
            Failure::ReadPrior { .. } => "expected fasting, fed, or the file of a prior",
            Failure::NoStudies { .. } => "name the folders in which study.toml or .h5 files lie",
            Failure::PersonalData { .. } => {
                "put a pseudonym such as p-117 there, or nothing; alvine convert --allow-personal-data lets it pass where it is none"
            }
            Failure::Dayplan(DayplanError::Protocol { .. }) => {
                "alvine dayplan --print-protocol prints every key with its usual value"
            }
            Failure::Phantom(_) => "see alvine simulate --help for what can be chosen",
            Failure::Threads { .. } => "ask for fewer, or leave --threads out",
            _ => return None,
        };
        Some(help.to_owned())
    }

    /// What to write on the error stream: what and where in one line, what to do in the next.
    pub fn lines(&self) -> String {
        let mut lines = format!("error: {}\n", OneLine(&self.to_string()));
        if let Some(help) = self.help() {
            lines.push_str(&format!("help: {}\n", OneLine(&help)));
        }
        lines
    }
}

fn of_fault(fault: &Fault) -> Outcome {
    match fault {
        Fault::NotFound { .. } | Fault::Io { .. } => Outcome::Unreachable,
        Fault::Hdf5 { doing: "written", .. } => Outcome::Unreachable,
        Fault::Abandoned => Outcome::Interrupted,
        _ => Outcome::Faulty,
    }
}

/// A text with its control characters escaped: what stands in a file or a path moves no cursor and breaks no line.
struct OneLine<'a>(&'a str);

impl fmt::Display for OneLine<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for letter in self.0.chars() {
            if letter.is_control() {
                write!(f, "{}", letter.escape_default())?;
            } else {
                write!(f, "{letter}")?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_takes_one_line_whatever_its_path_holds() {
        let failure = Failure::Exists {
            file: PathBuf::from("a\nb\u{1b}[2J"),
        };
        assert_eq!(
            failure.lines(),
            "error: a\\nb\\u{1b}[2J: is there already\nhelp: name another place, or add --force to replace it\n"
        );
        assert_eq!(failure.outcome().code(), 3);
    }
}
