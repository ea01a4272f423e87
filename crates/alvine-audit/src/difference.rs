//! How far two durations lie apart, when each is only known within an interval or is only a lower bound.
//!
//! ```text
//! d = b − a
//! from d − √((b − b₁)² + (a₂ − a)²)  to  d + √((b₂ − b)² + (a − a₁)²)
//! a within a₁ to a₂, b within b₁ to b₂, at one level; the result is at that level too
//! ```
//!
//! It holds for errors that are independent, and keeps the skewness of the intervals. Two analyses of one recording share its
//! noise: their difference is then better known than told here.
//!
//! # Source
//!
//! G. Y. Zou, A. Donner, *Construction of confidence limits about effect measures: a general approach*, Stat. Med. 27 (2008)
//! 1693–1702; for proportions R. G. Newcombe, Stat. Med. 17 (1998) 873–890 (both from memory).

use serde::Serialize;

/// A duration as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Known {
    /// The value, s; a lower bound where `at_least`.
    pub value_s: f64,
    /// Its 90 % interval, s; `None` where it is exact or a bound.
    pub interval90_s: Option<[f64; 2]>,
    /// Whether it is only a lower bound.
    pub at_least: bool,
}

/// How far two durations lie apart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Difference {
    /// The second minus the first, s, with its 90 % interval.
    Known {
        /// The difference, s.
        value_s: f64,
        /// Its interval, s.
        interval90_s: [f64; 2],
    },
    /// The second is a lower bound: they differ by this or more, s.
    AtLeast {
        /// The bound, s.
        value_s: f64,
    },
    /// The first is a lower bound: they differ by this or less, s.
    AtMost {
        /// The bound, s.
        value_s: f64,
    },
    /// Both are lower bounds, or one is not known: nothing can be said.
    NotTold,
}

impl Difference {
    /// The second minus the first.
    #[must_use]
    pub fn between(first: Option<Known>, second: Option<Known>) -> Self {
        let (Some(a), Some(b)) = (first, second) else {
            return Self::NotTold;
        };
        let value_s = b.value_s - a.value_s;
        match (a.at_least, b.at_least) {
            (true, true) => Self::NotTold,
            (false, true) => Self::AtLeast { value_s },
            (true, false) => Self::AtMost { value_s },
            (false, false) => {
                let [a_low, a_high] = a.interval90_s.unwrap_or([a.value_s; 2]);
                let [b_low, b_high] = b.interval90_s.unwrap_or([b.value_s; 2]);
                let down_s = (b.value_s - b_low).hypot(a_high - a.value_s);
                let up_s = (b_high - b.value_s).hypot(a.value_s - a_low);
                Self::Known {
                    value_s,
                    interval90_s: [value_s - down_s, value_s + up_s],
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known(value_s: f64, interval90_s: Option<[f64; 2]>, at_least: bool) -> Option<Known> {
        Some(Known {
            value_s,
            interval90_s,
            at_least,
        })
    }

    #[test]
    fn skewed_intervals_add_in_squares_each_side_by_itself() {
        let first = known(100.0, Some([97.0, 112.0]), false);
        let second = known(130.0, Some([125.0, 134.0]), false);
        let Difference::Known { value_s, interval90_s } = Difference::between(first, second) else {
            panic!("both are known")
        };
        // 30 − √(5² + 12²) and 30 + √(4² + 3²).
        assert_eq!((value_s, interval90_s), (30.0, [17.0, 35.0]));
        let exact = Difference::between(known(5.0, None, false), known(7.0, None, false));
        assert_eq!(
            exact,
            Difference::Known {
                value_s: 2.0,
                interval90_s: [2.0, 2.0]
            }
        );
    }

    #[test]
    fn a_bound_gives_a_bound_and_two_give_nothing() {
        let (exact, bound) = (known(100.0, None, false), known(150.0, None, true));
        assert_eq!(Difference::between(exact, bound), Difference::AtLeast { value_s: 50.0 });
        assert_eq!(Difference::between(bound, exact), Difference::AtMost { value_s: -50.0 });
        assert_eq!(Difference::between(bound, bound), Difference::NotTold);
        assert_eq!(Difference::between(None, exact), Difference::NotTold);
    }

    #[test]
    fn the_interval_holds_the_difference_of_normal_errors_nine_times_in_ten() {
        // For symmetric intervals it is the textbook's: half-width z √(s₁² + s₂²).
        let z = 1.644_853_626_951;
        let first = known(0.0, Some([-3.0 * z, 3.0 * z]), false);
        let second = known(1.0, Some([1.0 - 4.0 * z, 1.0 + 4.0 * z]), false);
        let Difference::Known { interval90_s, .. } = Difference::between(first, second) else {
            panic!("both are known")
        };
        assert!((interval90_s[1] - 1.0 - 5.0 * z).abs() < 1e-12);
    }
}
