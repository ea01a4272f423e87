//! The command `alvine`.

use std::process::ExitCode;

fn main() -> ExitCode {
    alvine_cli::run(std::env::args_os())
}
