//! What a law leaves of the readings: by site, by distance, their shape, and the readings that stand out.
//!
//! The residual of a censored reading is drawn, from a fixed seed, from what its limit leaves possible. Over all
//! readings residuals are then normal where the law and its spread are right, which those of heard readings alone are
//! not.
//!
//! ```text
//! skewness = m₃ / m₂^(3/2),   excess kurtosis = m₄ / m₂² − 3,   m_k mean of e^k about the mean
//! standard errors √(6 Σρ³)/N and √(24 Σρ⁴)/N;   P = exp(−½ (z₁² + z₂²)), z in units of these errors
//! ```
//!
//! For independent readings (Σρ³ = Σρ⁴ = N) the last is the test of Jarque and Bera.
//!
//! # Source
//!
//! P. K. Dunn, G. K. Smyth, *Randomized quantile residuals*, J. Comput. Graph. Stat. 5 (1996); C. M. Jarque, A. K.
//! Bera, *A test for normality of observations and regression residuals*, Int. Stat. Rev. 55 (1987); Z. A. Lomnicki,
//! *Tests for departure from normality in the case of linear stochastic processes*, Metrika 4 (1961), for errors that
//! are correlated. From memory; the test is checked against SciPy.

use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::likelihood::{Design, Fitted};
use super::sample::Known;
use super::sharing::Robust;
use crate::layout::Layout;
use crate::normal::{cdf, quantile};

/// Readings further off than chance lets any of them be in nineteen surveys of twenty stand out.
const STANDS_OUT: f64 = 0.05;
/// Classes of distance, of as many readings each.
const CLASSES: usize = 8;

/// What is left of one reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residual {
    /// Index of the row.
    pub row: usize,
    /// Index of the site.
    pub site: usize,
    /// Distance from place to site, mm.
    pub distance_mm: f64,
    /// Read less said by the law, dB; drawn for a censored reading.
    pub residual_db: f64,
    /// Whether it was heard between floor and ceiling.
    pub heard: bool,
}

/// The residuals of one site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteResiduals {
    /// Its readings between floor and ceiling.
    pub heard: usize,
    /// Its readings beyond them.
    pub censored: usize,
    /// Mean residual, dB; `None` of a site without readings.
    pub mean_db: Option<f64>,
    /// Their standard deviation, dB; `None` of fewer than two.
    pub spread_db: Option<f64>,
}

/// Mean residual over a class of distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DistanceClass {
    /// From, mm.
    pub from_mm: f64,
    /// To, mm.
    pub to_mm: f64,
    /// Mean residual, dB.
    pub mean_db: f64,
}

/// A reading that stands out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlier {
    /// Index of the row.
    pub row: usize,
    /// Index of the site.
    pub site: usize,
    /// Read less said by the law, dB.
    pub residual_db: f64,
}

/// What a law leaves of all readings.
#[derive(Debug, Clone, PartialEq)]
pub struct ResidualSummary {
    /// One a reading, row by row.
    pub residuals: Vec<Residual>,
    /// One a site.
    pub sites: Vec<SiteResiduals>,
    /// By distance, in rising order.
    pub by_distance: Vec<DistanceClass>,
    /// Skewness, and its standard error were the errors normal.
    pub skewness: [f64; 2],
    /// Excess kurtosis, and its standard error were the errors normal.
    pub excess_kurtosis: [f64; 2],
    /// Probability of such a skewness and kurtosis, or greater ones, were the errors normal.
    pub normal_probability: f64,
    /// Readings beyond what chance does to any of so many.
    pub outliers: Vec<Outlier>,
    /// Mean correlation of residuals of different sites in one row, and its standard error were there none.
    pub across_sites: [f64; 2],
}

pub(super) fn summarise(design: &Design<'_>, fitted: &Fitted, robust: &Robust, layout: &Layout) -> ResidualSummary {
    let residuals = residuals(design, fitted);
    let values: Vec<f64> = residuals.iter().map(|residual| residual.residual_db).collect();
    let shape = Shape::of(&values, robust.effective);
    let limit_db = robust.spread_db * -quantile(0.5 * STANDS_OUT / values.len() as f64);
    let outliers = residuals.iter().filter(|residual| residual.heard);
    ResidualSummary {
        sites: (0..layout.len()).map(|site| of_site(&residuals, site)).collect(),
        by_distance: by_distance(&residuals),
        skewness: shape.skewness,
        excess_kurtosis: shape.excess_kurtosis,
        normal_probability: shape.probability,
        outliers: outliers
            .filter(|residual| residual.residual_db.abs() > limit_db)
            .map(|residual| Outlier {
                row: residual.row,
                site: residual.site,
                residual_db: residual.residual_db,
            })
            .collect(),
        across_sites: across_sites(&residuals, robust),
        residuals,
    }
}

fn residuals(design: &Design<'_>, fitted: &Fitted) -> Vec<Residual> {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(1);
    let sigma_db = fitted.likely_spread_db;
    let points = design.sample.points.iter().enumerate();
    points
        .map(|(reading, point)| {
            let off_db = point.level_dbm - design.median_dbm(reading, fitted);
            let residual_db = match point.known {
                Known::Heard => off_db,
                known => {
                    // Drawn below its limit where the sign of a ceiling is turned.
                    let below = cdf(known.side() * off_db / sigma_db).max(f64::MIN_POSITIVE);
                    known.side() * sigma_db * quantile(below * (1.0 - rng.random::<f64>()))
                }
            };
            Residual {
                row: point.row,
                site: point.site,
                distance_mm: point.distance_mm,
                residual_db,
                heard: point.known == Known::Heard,
            }
        })
        .collect()
}

fn of_site(residuals: &[Residual], site: usize) -> SiteResiduals {
    let own = || residuals.iter().filter(move |residual| residual.site == site);
    let all = own().count();
    let heard = own().filter(|residual| residual.heard).count();
    let mean_db = own().map(|residual| residual.residual_db).sum::<f64>() / all as f64;
    let squares: f64 = own().map(|residual| (residual.residual_db - mean_db).powi(2)).sum();
    SiteResiduals {
        heard,
        censored: all - heard,
        mean_db: (all > 0).then_some(mean_db),
        spread_db: (all > 1).then(|| (squares / (all - 1) as f64).sqrt()),
    }
}

fn by_distance(residuals: &[Residual]) -> Vec<DistanceClass> {
    let mut sorted: Vec<(f64, f64)> = residuals
        .iter()
        .map(|residual| (residual.distance_mm, residual.residual_db))
        .collect();
    sorted.sort_by(|one, other| one.0.total_cmp(&other.0));
    let size = sorted.len().div_ceil(CLASSES).max(1);
    let classes = sorted.chunks(size);
    classes
        .map(|class| DistanceClass {
            from_mm: class[0].0,
            to_mm: class[class.len() - 1].0,
            mean_db: class.iter().map(|(_, residual_db)| residual_db).sum::<f64>() / class.len() as f64,
        })
        .collect()
}

/// Skewness, kurtosis and their test.
struct Shape {
    skewness: [f64; 2],
    excess_kurtosis: [f64; 2],
    probability: f64,
}

impl Shape {
    fn of(values: &[f64], effective: [f64; 3]) -> Self {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let moment = |power: i32| values.iter().map(|value| (value - mean).powi(power)).sum::<f64>() / n;
        let square = moment(2).max(f64::MIN_POSITIVE);
        let skewness = [moment(3) / square.powf(1.5), (6.0 / effective[1]).sqrt()];
        let excess_kurtosis = [moment(4) / (square * square) - 3.0, (24.0 / effective[2]).sqrt()];
        let off = |[value, error]: [f64; 2]| (value / error).powi(2);
        Self {
            probability: (-0.5 * (off(skewness) + off(excess_kurtosis))).exp(),
            skewness,
            excess_kurtosis,
        }
    }
}

/// Mean product of two sites' residuals in one row, in units of the variance.
fn across_sites(residuals: &[Residual], robust: &Robust) -> [f64; 2] {
    let (mut sum, mut pairs) = (0.0, 0.0_f64);
    for row in residuals.chunk_by(|one, other| one.row == other.row) {
        let total: f64 = row.iter().map(|residual| residual.residual_db).sum();
        let own: f64 = row.iter().map(|residual| residual.residual_db.powi(2)).sum();
        let count = row.len() as f64;
        sum += 0.5 * (total * total - own);
        pairs += 0.5 * count * (count - 1.0);
    }
    let variance = residuals
        .iter()
        .map(|residual| residual.residual_db.powi(2))
        .sum::<f64>()
        / residuals.len() as f64;
    // Pairs of neighbouring rows repeat each other as the readings do.
    let independent = pairs * robust.effective[0] / residuals.len() as f64;
    if pairs == 0.0 || variance <= 0.0 {
        return [0.0, f64::INFINITY];
    }
    [sum / pairs / variance, 1.0 / independent.sqrt()]
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn the_shape_of_independent_values_matches_scipy() {
        // scipy 1.17.1: scipy.stats.skew, kurtosis and jarque_bera of these numbers.
        let values: Vec<f64> = (1..=40)
            .map(|k| (f64::from(k) * 0.7).sin() + 0.01 * f64::from(k * k))
            .collect();
        let shape = Shape::of(&values, [40.0; 3]);
        assert_relative_eq!(shape.skewness[0], 0.6731535358043932, max_relative = 1e-10);
        assert_relative_eq!(shape.excess_kurtosis[0], -0.7126513331203803, max_relative = 1e-10);
        assert_relative_eq!(shape.probability, 0.14461519698687061, max_relative = 1e-10);
    }
}
