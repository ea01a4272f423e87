//! The study format of alvine on disk, as TOML with CSV and as HDF5, and the results it writes.
//!
//! # Two containers, one study
//!
//! [`read_study`] takes a `study.toml`, the folder that holds it, or an HDF5 file, and gives the same [`Study`] from
//! either. [`write_study_toml`] and [`write_study_hdf5`] turn a study into either with nothing lost.
//!
//! # Faults
//!
//! Whatever is wrong with a file is a [`StudyError`]: a [`Place`] (file, line and column, or file, group and dataset), a
//! [`Fault`] with what was found and what was expected, and sometimes a word of [help](StudyError::help). No input
//! makes this crate panic.
//!
//! # Whole or not at all
//!
//! Writers that take a folder or a study's path make their files in a [`Staging`] folder and put them in place at the
//! end. The writers of single results write where they are told: to a path from [`Staging::path`].

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

mod container;
mod delimited;
mod description;
mod fault;
mod hdf5_io;
mod layout_file;
mod live_study;
mod privacy;
mod recording_csv;
pub mod results;
mod site_sense;
mod staging;
mod study;
mod survey;
mod toml_study;
mod truth;

pub use container::{read_study, write_study_hdf5, write_study_toml};
pub use description::{LONGEST_TEXT, MOST_MARKS, MOST_SITES, STUDY_FORMAT};
pub use fault::{Fault, Place, StudyError};
pub use hdf5_io::MOST_INSTANTS;
pub use layout_file::{calibrated_tables, layout_text, read_layout, usual_setup};
pub use live_study::{LiveRow, LiveRows, LiveStudy, read_live_study};
pub use privacy::{PersonalData, Suspicion, in_pseudonym, personal_data, shift_days};
pub use staging::{Staging, abandon_all};
pub use study::{AuxiliaryColumn, Started, Study};
pub use survey::{Survey, read_site_list, read_survey};
pub use truth::{RadioTruth, read_radio_truth, read_truth, write_truth};
