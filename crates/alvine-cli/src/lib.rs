//! The command-line tool of alvine as a library: its arguments, its commands, the analysis and the report.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod analysis;
pub mod args;
pub mod commands;
pub mod outcome;
pub mod report;
