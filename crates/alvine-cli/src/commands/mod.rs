//! The commands, one a module.

mod answer;
mod convert;
mod report;
mod score;
mod simulate;

use std::io::{self, IsTerminal, Write};
use std::path::Path;

use alvine_study::{Study, read_study};
use clap::CommandFactory;
use indicatif::{ProgressBar, ProgressStyle};

use crate::analysis::{Analysis, AnalysisOptions, analyse};
use crate::args::{Args, Command};
use crate::outcome::Failure;

/// Runs what was asked for.
///
/// # Errors
///
/// [`Failure`] with its exit code.
pub fn run(args: &Args) -> Result<(), Failure> {
    let quiet = args.quiet;
    match &args.command {
        Command::Report {
            study,
            out,
            no_png,
            json,
            level_unknown,
        } => {
            let options = AnalysisOptions {
                level_unknown: *level_unknown,
            };
            report::run(
                study,
                out,
                &report::Choices {
                    png: !no_png,
                    json: *json,
                    quiet,
                    options,
                },
            )
        }
        Command::Locate {
            study,
            out,
            level_unknown,
        } => report::locate(
            study,
            out,
            &AnalysisOptions {
                level_unknown: *level_unknown,
            },
            quiet,
        ),
        Command::Phases { study, json } => answer::phases(study, *json, quiet),
        Command::Check { study, json } => answer::check(study, *json, quiet),
        Command::Convert { study, to, force } => convert::run(study, to, *force),
        Command::Simulate {
            seed,
            out,
            scenario,
            hours,
            rate_hz,
            shadowing_db,
            hdf5,
        } => {
            let wish = simulate::Wish {
                seed: *seed,
                scenario,
                hours: *hours,
                rate_hz: *rate_hz,
                shadowing_db: *shadowing_db,
                hdf5: *hdf5,
            };
            simulate::run(&wish, out)
        }
        Command::Score { results, truth, json } => score::run(results, truth, *json, quiet),
        Command::Completions { shell } => completions(*shell),
    }
}

fn completions(shell: clap_complete::Shell) -> Result<(), Failure> {
    let mut text = Vec::new();
    clap_complete::generate(shell, &mut Args::command(), "alvine", &mut text);
    Ok(io::stdout().lock().write_all(&text)?)
}

/// Reads and analyses a study, with a progress bar where someone watches.
fn read_and_analyse(path: &Path, options: &AnalysisOptions, quiet: bool) -> Result<(Study, Analysis), Failure> {
    let study = read_study(path)?;
    let bar = progress_bar(quiet);
    let analysis = analyse(&study, options, &|share| bar.set_position((1000.0 * share) as u64))?;
    bar.finish_and_clear();
    Ok((study, analysis))
}

/// A bar on standard error when that is a terminal, and nothing otherwise.
fn progress_bar(quiet: bool) -> ProgressBar {
    if quiet || !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(1000);
    if let Ok(style) = ProgressStyle::with_template("locating [{bar:40}] {percent} %") {
        bar.set_style(style);
    }
    bar
}
