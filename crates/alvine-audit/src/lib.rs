//! Over many studies: a row of answers a study, kept in Parquet, and what the rows say together.
//!
//! # From rows to an audit
//!
//! An analysis fills a [`StudyRow`] with its [`SiteRow`]s. A [`Journal`] keeps them while an audit runs, so that one that was
//! stopped goes on. [`write_table`] then writes two tables, `studies` and `sites`, as Parquet, and [`Audit::of`] computes
//! from those tables, and from nothing else, all that the page of an audit shows.
//!
//! This crate knows no study, no file format but its own tables, and no page.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod antennas;
mod arrow_schema;
mod audit;
mod columns;
mod control_chart;
mod difference;
mod find;
mod journal;
mod kaplan_meier;
mod measures;
mod proportion;
mod row;
mod shard;
mod table_file;

pub use audit::{Audit, Completion, Faulty, Hearing, Months, SecondLook, TransitAudit};
pub use columns::{Access, Column, TableRow};
pub use control_chart::{ChartPoint, ControlChart, RUN};
pub use difference::{Difference, Known};
pub use find::{FileStamp, FoundStudy, Stamp, find_studies};
pub use journal::{Analysed, Journal, JournalError};
pub use kaplan_meier::{KaplanMeier, Observation, Quantile, Step};
pub use measures::{COMPLETE, DEFAULT_MEASURES, Measure, Measures, MeasuresError, Verdict};
pub use proportion::Proportion;
pub use row::{LANDMARKS, LandmarkTime, SiteRow, StudyRow, TRANSITS, TransitTime};
pub use shard::{Shard, ShardError};
pub use table_file::{TableError, read_table, write_table};
