//! Errors in brief: how many, their median, 95th percentile and root mean square.

/// Errors in brief.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ErrorSummary {
    /// How many errors there are.
    pub count: usize,
    /// Half are no larger, mm.
    pub median_mm: f64,
    /// 95 in 100 are no larger, mm.
    pub percentile95_mm: f64,
    /// Root mean square, mm.
    pub rmse_mm: f64,
}

impl ErrorSummary {
    /// The summary of distances, mm; `None` of none. Percentiles interpolate between order statistics, `(n − 1) p`.
    #[must_use]
    pub fn of(mut distances_mm: Vec<f64>) -> Option<Self> {
        if distances_mm.is_empty() {
            return None;
        }
        distances_mm.sort_by(f64::total_cmp);
        let squares_mm2: f64 = distances_mm.iter().map(|distance| distance * distance).sum();
        Some(Self {
            count: distances_mm.len(),
            median_mm: quantile(&distances_mm, 0.5),
            percentile95_mm: quantile(&distances_mm, 0.95),
            rmse_mm: (squares_mm2 / distances_mm.len() as f64).sqrt(),
        })
    }
}

/// The quantile of sorted values.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let rank = (sorted.len() - 1) as f64 * share;
    let below = rank as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (rank - below as f64) * (sorted[above] - sorted[below])
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn percentiles_interpolate_between_order_statistics() {
        let summary = ErrorSummary::of(vec![4.0, 1.0, 3.0, 2.0]).unwrap();
        assert_eq!(summary.count, 4);
        assert_relative_eq!(summary.median_mm, 2.5);
        // (4 − 1) · 0.95 = 2.85: between 3 and 4.
        assert_relative_eq!(summary.percentile95_mm, 3.85, epsilon = 1e-12);
        assert_relative_eq!(summary.rmse_mm, 7.5_f64.sqrt());
        assert_eq!(ErrorSummary::of(Vec::new()), None);
    }
}
