//! The commands, one a module, and how the program begins and ends.

pub mod audit;
mod before_swallow;
pub mod calibrate;
mod check;
mod compare;
mod convert;
pub mod dayplan;
pub mod edf;
mod export;
pub mod layout;
mod locate;
mod out_folder;
mod phases;
mod prior;
mod report;
mod score;
mod simulate;
mod times;
pub mod watch;

use std::ffi::OsString;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use alvine::Layout;
use alvine_study::results::TrackHead;
use alvine_study::{Staging, Study, personal_data, read_study};
use clap::{CommandFactory, Parser};
use clap_complete::Shell;

use crate::analysis::{Analysis, AnalysisOptions, analyse};
use crate::args::{Args, Command, StudyArgs};
use crate::outcome::{Failure, Outcome};
use crate::progress::Progress;
use crate::{interrupt, stdout};

/// Runs the program with its arguments, the first being its own name. Errors go to the error stream.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let args = match Args::try_parse_from(arguments) {
        Ok(args) => args,
        Err(message) => {
            // Help and version come this way too. Where no one listens, no one is to be told.
            let _ = message.print();
            let outcome = if message.use_stderr() {
                Outcome::Usage
            } else {
                Outcome::Done
            };
            return outcome.into();
        }
    };
    interrupt::watch();
    match obey(&args) {
        Ok(()) => Outcome::Done.into(),
        Err(failure) => {
            interrupt::wait_if_interrupted();
            let _ = io::stderr().write_all(failure.lines().as_bytes());
            failure.outcome().into()
        }
    }
}

fn obey(args: &Args) -> Result<(), Failure> {
    if let Some(threads) = args.threads {
        use_threads(threads)?;
    }
    let quiet = args.quiet;
    match &args.command {
        Command::Report { of, out, no_png, json } => {
            let wish = report::Wish {
                of,
                out,
                png: !no_png,
                json: *json,
            };
            report::run(&wish, quiet)
        }
        Command::Locate { of, out } => locate::run(of, out, quiet),
        Command::Phases { of, json } => phases::run(of, *json, quiet),
        Command::Convert {
            study,
            to,
            setup,
            force,
            shift_days,
            no_date,
            allow_personal_data,
        } => {
            let wish = convert::Wish {
                from: study,
                to,
                setup: setup.as_deref(),
                force: *force,
                shift_days: *shift_days,
                no_date: *no_date,
                allow_personal_data: *allow_personal_data,
            };
            convert::run(&wish, quiet)
        }
        Command::Export {
            of,
            fhir,
            gltf,
            force,
            allow_personal_data,
        } => {
            let wish = export::Wish {
                of,
                fhir: fhir.as_deref(),
                gltf: gltf.as_deref(),
                force: *force,
                allow_personal_data: *allow_personal_data,
            };
            export::run(&wish, quiet)
        }
        Command::Check {
            of,
            before_swallow: true,
            order,
            turn,
            json,
        } => before_swallow::run(&of.study, order, turn, *json, quiet),
        Command::Check { of, json, .. } => check::run(of, *json, quiet),
        Command::Simulate(args) => simulate::run(args, quiet),
        Command::Score { results, truth, json } => score::run(results, truth, *json, quiet),
        Command::Compare(args) => compare::run(args, quiet),
        Command::Audit(args) => audit::run(args, quiet),
        Command::Layout { command } => layout::run(command, quiet),
        Command::Calibrate(args) => calibrate::run(args, quiet),
        Command::Dayplan(args) => dayplan::run(args, quiet),
        Command::FitPriors(args) => prior::fit(args, quiet),
        Command::Watch(args) => watch::run(args, quiet),
        Command::Completions { shell } => complete(*shell),
    }
}

fn use_threads(threads: u16) -> Result<(), Failure> {
    let threads = usize::from(threads);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
    pool.build_global().map_err(|error| Failure::Threads {
        threads,
        cause: error.to_string(),
    })
}

fn complete(shell: Shell) -> Result<(), Failure> {
    // Into memory first: the generator panics where it cannot write.
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Args::command(), "alvine", &mut script);
    stdout::stream(|out| out.write_all(&script))
}

/// Reads a study and analyses it.
fn read_and_analyse(of: &StudyArgs, progress: &Progress) -> Result<(Study, Analysis), Failure> {
    progress.begin("reading");
    let options = AnalysisOptions {
        level_unknown: of.level_unknown,
        no_usual_places: of.no_usual_places,
        prior: prior::read(&of.prior)?,
    };
    let study = read_study(&of.study)?;
    progress.begin("locating");
    let analysis = analyse(&study, &options, &|share| progress.reach(share)).map_err(|error| Failure::Analysis {
        study: of.study.clone(),
        error,
    })?;
    Ok((study, analysis))
}

fn track_head(study: &Study) -> TrackHead {
    TrackHead {
        study_id: study.id.clone(),
        started: study.started,
    }
}

/// The file that stands for a study: its description, or the HDF5 file.
fn file_of(study: &Path) -> PathBuf {
    if study.is_dir() {
        study.join("study.toml")
    } else {
        study.to_owned()
    }
}

/// Whether both paths lead to one file that is there.
fn is_same_file(one: &Path, other: &Path) -> bool {
    matches!((one.canonicalize(), other.canonicalize()), (Ok(one), Ok(other)) if one == other)
}

/// Whether a file's name ends so, in small letters or capitals.
fn has_extension(file: &Path, extensions: &[&str]) -> bool {
    let found = file
        .extension()
        .map(|extension| extension.to_string_lossy().to_lowercase());
    found.is_some_and(|found| extensions.contains(&found.as_str()))
}

/// Writes one file, whole or not at all.
fn write_whole(file: &Path, bytes: &[u8]) -> Result<(), Failure> {
    let (staging, place) = Staging::of_file(file)?;
    fs::write(place, bytes).map_err(|source| Failure::Write {
        file: file.to_owned(),
        source,
    })?;
    Ok(staging.commit()?)
}

/// Refuses a study with fields that look like personal data.
fn refuse_personal_data(file: &Path, study: &Study) -> Result<(), Failure> {
    let suspicions = personal_data(study);
    if suspicions.is_empty() {
        return Ok(());
    }
    Err(Failure::PersonalData {
        study: file.to_owned(),
        suspicions: suspicions
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("; "),
    })
}

/// The index of a site that an option names.
fn site_of(layout: &Layout, option: &'static str, name: &str) -> Result<usize, Failure> {
    layout.index_of(name).ok_or_else(|| {
        let names: Vec<&str> = layout.sites().iter().map(|site| site.name.as_str()).collect();
        Failure::NoSite {
            option,
            found: name.to_owned(),
            sites: names.join(", "),
        }
    })
}
