//! The command-line tool of alvine as a library: what its commands share, first of all the report.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod analysis;
pub mod report;
