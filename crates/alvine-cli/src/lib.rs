//! The command-line tool of alvine as a library: its arguments, its commands, the analysis and the report.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod analysis;
mod args;
mod commands;
mod interrupt;
mod layout_figures;
mod outcome;
mod plain_text;
mod progress;
pub mod report;
mod stdout;
mod watch;

pub use commands::run;
