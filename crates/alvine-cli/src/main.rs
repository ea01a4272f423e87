//! The command-line tool `alvine`.

use std::io::{self, Write};
use std::process::ExitCode;

use alvine_cli::args::Args;
use alvine_cli::commands::run;
use clap::Parser;

/// What a shell reports of a program that was interrupted.
const INTERRUPTED: i32 = 130;

fn main() -> ExitCode {
    let args = Args::parse();
    let handled = ctrlc::set_handler(|| {
        alvine_study::abandon_all();
        std::process::exit(INTERRUPTED);
    });
    if let Err(error) = handled {
        complain(&format!("error: interrupts cannot be handled: {error}"));
    }
    if let Some(threads) = args.threads
        && let Err(error) = rayon::ThreadPoolBuilder::new().num_threads(threads).build_global()
    {
        complain(&format!("error: --threads: {error}"));
        return ExitCode::from(2);
    }
    match run(&args) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) if failure.is_broken_pipe() => ExitCode::SUCCESS,
        Err(failure) => {
            complain(&format!("error: {failure}"));
            if let Some(help) = failure.help() {
                complain(&format!("help: {help}"));
            }
            ExitCode::from(failure.exit_code())
        }
    }
}

/// Writes to standard error; where that is closed there is no one left to tell.
fn complain(line: &str) {
    let _ = writeln!(io::stderr().lock(), "{line}");
}
