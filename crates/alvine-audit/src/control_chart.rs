//! Is a number from study to study what it always was, or has something changed?
//!
//! The chart of individuals, for one number a study in the order of time, and the chart of shares, for groups of studies:
//!
//! ```text
//! x̄ ± 3 σ,   σ = mean |xᵢ − xᵢ₋₁| / d₂,   d₂ = 2/√π       one number a study
//! p̄ ± 3 √(p̄ (1 − p̄) / nᵢ)                                 a share of nᵢ studies
//! ```
//!
//! A point outside its limits is a sign, and so are eight in a row on one side of the centre.
//!
//! # Source
//!
//! W. A. Shewhart, *Economic Control of Quality of Manufactured Product* (1931); the spread from moving ranges, which a
//! drift blows up less than the standard deviation: L. S. Nelson, J. Qual. Technol. 14 (1982) 172–173. The rule of eight: Western
//! Electric, *Statistical Quality Control Handbook* (1956), from memory. d₂ is arithmetic: the mean distance of two normal numbers.

use std::f64::consts::PI;

use serde::Serialize;

use crate::proportion::Proportion;

/// So many in a row on one side of the centre are a sign (from memory).
pub const RUN: usize = 8;
/// The limits lie so many standard deviations from the centre (Shewhart, 1931).
const SIGMAS: f64 = 3.0;
/// Shares that are nearer to each other differ by rounding alone.
const ROUNDING: f64 = 1e-12;

/// One point of a chart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ChartPoint {
    /// Its value.
    pub value: f64,
    /// Between which values it is as expected.
    pub limits: [f64; 2],
    /// Whether it lies outside them.
    pub outside: bool,
    /// Whether it ends a run of eight or more on one side.
    pub run: bool,
}

/// A chart in the order of time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ControlChart {
    /// The centre.
    pub centre: f64,
    /// One point a value, in the order given.
    pub points: Vec<ChartPoint>,
}

impl ControlChart {
    /// The fewest values that make a chart (common practice, no source).
    pub const FEWEST: usize = 12;

    /// The chart of individuals; the limits of a number that can only lie in `range` are cut to it. `None` of fewer values than
    /// [`ControlChart::FEWEST`].
    #[must_use]
    pub fn of_individuals(values: &[f64], range: [f64; 2]) -> Option<Self> {
        if values.len() < Self::FEWEST {
            return None;
        }
        let centre = values.iter().sum::<f64>() / values.len() as f64;
        let moved: f64 = values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum();
        let sigma = moved / (values.len() - 1) as f64 / (2.0 / PI.sqrt());
        let limits = limits(centre, sigma, range);
        Some(Self::drawn(centre, values.iter().map(|&value| (value, limits))))
    }

    /// The chart of shares, one a group; groups without studies have no point. `None` where no group has one.
    #[must_use]
    pub fn of_shares(groups: &[Proportion]) -> Option<Self> {
        let count: usize = groups.iter().map(|group| group.count).sum();
        let of: usize = groups.iter().map(|group| group.of).sum();
        let centre = Proportion::new(count, of).share()?;
        let points = groups.iter().filter_map(|group| {
            let sigma = (centre * (1.0 - centre) / group.of as f64).sqrt();
            Some((group.share()?, limits(centre, sigma, [0.0, 1.0])))
        });
        Some(Self::drawn(centre, points))
    }

    fn drawn(centre: f64, values: impl Iterator<Item = (f64, [f64; 2])>) -> Self {
        let (mut side, mut run) = (0.0, 0);
        let points = values
            .map(|(value, limits)| {
                let apart = value - centre;
                let here = if apart.abs() <= ROUNDING { 0.0 } else { apart.signum() };
                run = if here != 0.0 && here == side {
                    run + 1
                } else {
                    usize::from(here != 0.0)
                };
                side = here;
                ChartPoint {
                    value,
                    limits,
                    outside: value < limits[0] || value > limits[1],
                    run: run >= RUN,
                }
            })
            .collect();
        Self { centre, points }
    }

    /// How many points lie outside their limits.
    #[must_use]
    pub fn outside(&self) -> usize {
        self.points.iter().filter(|point| point.outside).count()
    }

    /// How many points end a run.
    #[must_use]
    pub fn runs(&self) -> usize {
        self.points.iter().filter(|point| point.run).count()
    }
}

fn limits(centre: f64, sigma: f64, range: [f64; 2]) -> [f64; 2] {
    // Values that are all the same have no spread; what rounding makes of them lies within.
    let half = SIGMAS * sigma + ROUNDING;
    [(centre - half).max(range[0]), (centre + half).min(range[1])]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_steady_number_stays_within_and_a_leap_is_seen() {
        let mut values: Vec<f64> = (0..40).map(|k| 10.0 + f64::from(k % 2)).collect();
        let chart = ControlChart::of_individuals(&values, [f64::NEG_INFINITY, f64::INFINITY]).unwrap();
        assert_eq!((chart.centre, chart.outside(), chart.runs()), (10.5, 0, 0));
        // Each step is 1: the limits lie 3 √π / 2 from the centre.
        assert!((chart.points[0].limits[1] - 10.5 - 1.5 * PI.sqrt()).abs() < 1e-9);
        values[20] = 20.0;
        let chart = ControlChart::of_individuals(&values, [f64::NEG_INFINITY, f64::INFINITY]).unwrap();
        let outside: Vec<usize> = (0..40).filter(|&k| chart.points[k].outside).collect();
        assert_eq!(outside, [20]);
    }

    #[test]
    fn eight_in_a_row_on_one_side_are_told_from_the_eighth_on() {
        let values: Vec<f64> = (0..20).map(|k| f64::from(k >= 10)).collect();
        let chart = ControlChart::of_individuals(&values, [f64::NEG_INFINITY, f64::INFINITY]).unwrap();
        let runs: Vec<usize> = (0..20).filter(|&k| chart.points[k].run).collect();
        assert_eq!(runs, [7, 8, 9, 17, 18, 19]);
    }

    #[test]
    fn values_that_are_all_the_same_give_no_sign() {
        let chart = ControlChart::of_individuals(&[0.7; 30], [0.0, 1.0]).unwrap();
        assert_eq!((chart.outside(), chart.runs()), (0, 0));
        assert_eq!(ControlChart::of_individuals(&[0.7; 11], [0.0, 1.0]), None);
    }

    #[test]
    fn a_small_group_has_wide_limits_and_an_empty_one_no_point() {
        let groups = [(80, 100), (0, 0), (8, 10), (40, 100)].map(|(count, of)| Proportion::new(count, of));
        let chart = ControlChart::of_shares(&groups).unwrap();
        assert_eq!(chart.points.len(), 3);
        assert!((chart.centre - 128.0 / 210.0).abs() < 1e-12);
        assert!(chart.points[1].limits[0] < chart.points[0].limits[0]);
        assert!(chart.points.iter().map(|point| point.outside).eq([true, false, true]));
        assert_eq!(ControlChart::of_shares(&[Proportion::new(0, 0)]), None);
    }
}
