//! What the benches measure on: a day of recording, and lone readings at random places.

mod day;
mod instants;

pub use day::{day, study};
pub use instants::{NO_FLOOR_DBM, instants, setup};

/// Whatever a bench fails by.
pub type Failure = Box<dyn std::error::Error>;
