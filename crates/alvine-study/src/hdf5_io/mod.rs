//! HDF5: the one place that speaks to its library.

pub(crate) mod study;
