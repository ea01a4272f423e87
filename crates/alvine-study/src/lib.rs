//! The study format of alvine on disk, as TOML with CSV and as HDF5, and the results it writes.

pub mod results;
mod study;

pub use study::{AuxiliaryColumn, Started, Study};
