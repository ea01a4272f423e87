//! A share of studies, with the interval that so many studies allow.
//!
//! ```text
//! centre = (k + z²/2) / (n + z²)
//! half   = z √(k (n − k) / n + z²/4) / (n + z²)
//! k studies of n, z = 1.959964 for 95 %
//! ```
//!
//! # Source
//!
//! E. B. Wilson, *Probable inference, the law of succession, and statistical inference*, J. Am. Stat. Assoc. 22 (1927)
//! 209–212. It holds its level far better than the textbook's p ± z √(p (1 − p) / n), above all near 0 and 1 (L. D. Brown,
//! T. T. Cai, A. DasGupta, *Interval estimation for a binomial proportion*, Stat. Sci. 16 (2001) 101–133; from memory).

use serde::Serialize;

/// The standard normal's 97.5 % point, for two-sided 95 % intervals.
pub const Z95: f64 = 1.959_963_984_540_054;

/// So many of so many studies.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Proportion {
    /// Studies of the kind.
    pub count: usize,
    /// All studies that were looked at.
    pub of: usize,
}

impl Proportion {
    /// So many of so many; never more than all.
    #[must_use]
    pub fn new(count: usize, of: usize) -> Self {
        Self {
            count: count.min(of),
            of,
        }
    }

    /// Counts the items of which something holds.
    pub fn of<T>(items: impl IntoIterator<Item = T>, holds: impl Fn(&T) -> bool) -> Self {
        let (mut count, mut of) = (0, 0);
        for item in items {
            of += 1;
            count += usize::from(holds(&item));
        }
        Self { count, of }
    }

    /// The share, 0 to 1; `None` of no studies.
    #[must_use]
    pub fn share(&self) -> Option<f64> {
        (self.of > 0).then(|| self.count as f64 / self.of as f64)
    }

    /// Wilson's 95 % interval of the share; all of 0 to 1 where there is no study.
    #[must_use]
    pub fn interval95(&self) -> [f64; 2] {
        if self.of == 0 {
            return [0.0, 1.0];
        }
        let (k, n) = (self.count as f64, self.of as f64);
        let square = Z95 * Z95;
        let centre = (k + 0.5 * square) / (n + square);
        let half = Z95 * (k * (n - k) / n + 0.25 * square).sqrt() / (n + square);
        // Rounding must not make a limit of none or all differ from 0 or 1.
        let from = if self.count == 0 { 0.0 } else { centre - half };
        let to = if self.count == self.of { 1.0 } else { centre + half };
        [from.max(0.0), to.min(1.0)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_limits_solve_the_equation_they_come_from() {
        // Wilson's limits are the p at which the score |k/n − p| √n / √(p (1 − p)) is z.
        for (count, of) in [(1, 7), (336, 397), (48, 307), (3, 82), (5000, 10_000)] {
            let proportion = Proportion::new(count, of);
            let share = proportion.share().unwrap();
            for limit in proportion.interval95() {
                let score = (share - limit).abs() / (limit * (1.0 - limit) / of as f64).sqrt();
                assert!((score - Z95).abs() < 1e-9, "{count} of {of}: {score}");
            }
        }
    }

    #[test]
    fn none_and_all_have_an_interval_and_no_study_has_the_widest() {
        let none = Proportion::new(0, 10).interval95();
        assert_eq!(none[0], 0.0);
        // z² / (n + z²), by hand.
        assert!((none[1] - 3.841_458_820_694_124 / 13.841_458_820_694_124).abs() < 1e-12);
        let all = Proportion::new(10, 10).interval95();
        assert!((all[0] - (1.0 - none[1])).abs() < 1e-12);
        assert_eq!(all[1], 1.0);
        assert_eq!(Proportion::new(0, 0).interval95(), [0.0, 1.0]);
        assert_eq!(Proportion::new(0, 0).share(), None);
    }
}
