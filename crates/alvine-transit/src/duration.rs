//! How long a capsule stays in a part: log-normal laws, and their sources.

/// A log-normal law of a duration.
///
/// ```text
/// ln T ~ N(ln m, s²)
/// T s, m median s, s spread of the logarithm
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogNormal {
    median_s: f64,
    spread_ln: f64,
}

impl LogNormal {
    /// A law from its median, s, and the standard deviation of its logarithm. Values that are not positive numbers are
    /// taken as one second and as 1, so that a law always exists.
    #[must_use]
    pub fn new(median_s: f64, spread_ln: f64) -> Self {
        let positive = |value: f64, otherwise: f64| {
            if value > 0.0 && value.is_finite() {
                value
            } else {
                otherwise
            }
        };
        Self {
            median_s: positive(median_s, 1.0),
            spread_ln: positive(spread_ln, 1.0),
        }
    }

    /// The law whose median and interquartile range are published: `s = ln(q₃ / q₁) / 1.349`.
    #[must_use]
    pub fn from_quartiles(lower_s: f64, median_s: f64, upper_s: f64) -> Self {
        // Distance of the quartiles of a standard normal law.
        const QUARTILE_DISTANCE: f64 = 1.348_979_5;
        Self::new(median_s, (upper_s / lower_s).ln() / QUARTILE_DISTANCE)
    }

    /// Median, s.
    #[must_use]
    pub const fn median_s(&self) -> f64 {
        self.median_s
    }

    /// Standard deviation of the logarithm.
    #[must_use]
    pub const fn spread_ln(&self) -> f64 {
        self.spread_ln
    }

    /// The probability of a longer duration.
    #[must_use]
    pub fn survival(&self, duration_s: f64) -> f64 {
        if duration_s <= 0.0 {
            return 1.0;
        }
        let z = (duration_s / self.median_s).ln() / self.spread_ln;
        0.5 * libm::erfc(z * std::f64::consts::FRAC_1_SQRT_2)
    }

    /// The probability of a duration that rounds to `steps` steps; those below half a step count with one.
    pub(crate) fn mass(&self, steps: usize, step_s: f64) -> f64 {
        let edge = |half_steps: f64| self.survival(half_steps * step_s);
        match steps {
            0 => 0.0,
            1 => 1.0 - edge(1.5),
            _ => edge(steps as f64 - 0.5) - edge(steps as f64 + 0.5),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn quartiles_come_back_out() {
        // O'Grady and others 2020, fasting volunteers: small bowel 198.5 (157–240.5) min.
        let law = LogNormal::from_quartiles(157.0 * 60.0, 198.5 * 60.0, 240.5 * 60.0);
        assert_relative_eq!(law.survival(198.5 * 60.0), 0.5, epsilon = 1e-12);
        let between = law.survival(157.0 * 60.0) - law.survival(240.5 * 60.0);
        // A log-normal law is not quite symmetric about this published median.
        assert_relative_eq!(between, 0.5, epsilon = 0.01);
    }

    #[test]
    fn masses_add_up_to_what_does_not_survive() {
        let law = LogNormal::new(1320.0, 1.16);
        let sum: f64 = (0..=500).map(|steps| law.mass(steps, 20.0)).sum();
        assert_relative_eq!(sum, 1.0 - law.survival(500.5 * 20.0), epsilon = 1e-12);
    }
}
