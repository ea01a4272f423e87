//! The median.

/// The median of some numbers, which are reordered: the upper one of the two in the middle where their number is even; `None` of
/// none. Values that are no numbers come last or first by their sign, so leave them out before.
#[must_use]
pub fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_is_the_middle_one_or_the_upper_of_two() {
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), Some(3.0));
    }
}
