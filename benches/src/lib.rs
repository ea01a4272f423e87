//! What the benches measure on: a day of recording, lone readings at random places, and many
//! simulated studies; and SciPy beside it.

mod accuracy_table;
mod day;
mod instants;
mod outcome;
mod scipy;
mod told;

pub use accuracy_table::{Asked, about_usual_places, in_field, print_heading, track_by};
pub use day::{day, study};
pub use instants::{NO_FLOOR_DBM, instants, setup};
pub use outcome::Outcome;
pub use scipy::{BySciPy, by_scipy};
pub use told::{prior_of, refine_told, scenario_of, swallow, true_s};

/// Whatever a bench fails by.
pub type Failure = Box<dyn std::error::Error>;
