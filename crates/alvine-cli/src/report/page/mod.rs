//! The page.

use super::{Figure, ReportError, ReportInput};

/// Sets answers and figures into one self-contained HTML page.
///
/// # Errors
///
/// None yet.
pub fn page(_input: &ReportInput<'_>, figures: &[Figure]) -> Result<String, ReportError> {
    Ok(figures.iter().map(|figure| figure.svg.as_str()).collect())
}
