//! The figures of the antenna bench: maps as slices, comparisons, curves and link budgets.

pub(crate) mod chart;
mod comparison;
mod curve;
mod link;
mod ramp;
mod slices;

pub use comparison::{Bar, comparison};
pub use curve::curve;
pub use link::{LinkFigure, link};
pub use slices::{Difference, Maps, difference, maps, middle_of_gut_mm};
