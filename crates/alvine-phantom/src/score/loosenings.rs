//! Loosened antennas found, against those put in.

use alvine::{TrueLoosening, Truth};

/// A loosening as a result reports it.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundLoosening {
    /// Name of the site.
    pub site: String,
    /// From when, s.
    pub start_s: f64,
    /// Until when, s.
    pub end_s: f64,
}

/// Loosenings found against those put in, by whether they overlap at the same site, and by how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LooseningScore {
    /// How many were found.
    pub found: usize,
    /// How many of those overlap a true one at their site.
    pub found_right: usize,
    /// How many were put in.
    pub truly: usize,
    /// How many of those overlap a found one at their site.
    pub truly_found: usize,
    /// Share of the found that is right; `None` where none was found.
    pub precision: Option<f64>,
    /// Share of the true that was found; `None` where none was put in.
    pub recall: Option<f64>,
    /// Share of the found time that is right.
    pub time_precision: Option<f64>,
    /// Share of the true time that was found.
    pub time_recall: Option<f64>,
}

/// Scores loosenings against the truth. Intervals of one site are taken not to overlap each other: time that two of them
/// share counts twice.
#[must_use]
pub fn score_loosenings(found: &[FoundLoosening], truth: &Truth) -> LooseningScore {
    let truly = &truth.loosenings;
    let found_right = found
        .iter()
        .filter(|one| truly.iter().any(|other| shared_s(one, other) > 0.0))
        .count();
    let truly_found = truly
        .iter()
        .filter(|one| found.iter().any(|other| shared_s(other, one) > 0.0))
        .count();
    // The sum of nothing would be −0.
    let shared: f64 = found
        .iter()
        .flat_map(|one| truly.iter().map(move |other| shared_s(one, other)))
        .fold(0.0, |sum_s, span_s| sum_s + span_s);
    let found_s: f64 = found.iter().map(|one| (one.end_s - one.start_s).max(0.0)).sum();
    let truly_s: f64 = truly.iter().map(|one| (one.end_s - one.start_s).max(0.0)).sum();
    LooseningScore {
        found: found.len(),
        found_right,
        truly: truly.len(),
        truly_found,
        precision: share(found_right as f64, found.len() as f64),
        recall: share(truly_found as f64, truly.len() as f64),
        time_precision: share(shared, found_s),
        time_recall: share(shared, truly_s),
    }
}

/// How long a found and a true loosening of one site overlap, s.
fn shared_s(found: &FoundLoosening, truth: &TrueLoosening) -> f64 {
    if found.site == truth.site {
        (found.end_s.min(truth.end_s) - found.start_s.max(truth.start_s)).max(0.0)
    } else {
        0.0
    }
}

fn share(part: f64, whole: f64) -> Option<f64> {
    (whole > 0.0).then(|| part / whole)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(site: &str, start_s: f64, end_s: f64) -> FoundLoosening {
        FoundLoosening {
            site: site.to_owned(),
            start_s,
            end_s,
        }
    }

    fn truth(loosenings: &[(&str, f64, f64)]) -> Truth {
        Truth {
            loosenings: loosenings
                .iter()
                .map(|&(site, start_s, end_s)| TrueLoosening {
                    site: site.to_owned(),
                    start_s,
                    end_s,
                    loss_db: 15.0,
                })
                .collect(),
            ..Truth::default()
        }
    }

    #[test]
    fn overlap_counts_only_at_the_same_site() {
        let truth = truth(&[("epigastric", 100.0, 200.0), ("left-iliac", 0.0, 50.0)]);
        let score = score_loosenings(
            &[found("epigastric", 150.0, 250.0), found("right-iliac", 0.0, 50.0)],
            &truth,
        );
        assert_eq!((score.precision, score.recall), (Some(0.5), Some(0.5)));
        assert_eq!(score.time_precision, Some(50.0 / 150.0));
        assert_eq!(score.time_recall, Some(50.0 / 150.0));
    }

    #[test]
    fn nothing_found_where_nothing_was_is_neither_right_nor_wrong() {
        let score = score_loosenings(&[], &truth(&[]));
        assert_eq!((score.precision, score.recall, score.time_recall), (None, None, None));
        let missed = score_loosenings(&[], &truth(&[("epigastric", 0.0, 10.0)]));
        assert_eq!((missed.precision, missed.recall), (None, Some(0.0)));
    }
}
