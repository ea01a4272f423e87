//! What neighbouring readings share: static shadowing, how far it reaches, and what it does to the errors of a fit.
//!
//! Errors of two readings of one site at places Δ apart are taken to be correlated by
//!
//! ```text
//! ρ(Δ) = s exp(−Δ/ℓ),   s = A / (A + B)
//! A variance of static shadowing, B of noise from sample to sample, ℓ correlation length
//! ```
//!
//! and errors of different sites not at all.
//!
//! # How A, B and ℓ are found
//!
//! By moments: products of residuals, summed over pairs of readings by how far their places lie apart (the same
//! reading, the same place read again, then classes of distance), are set against what A, B and ℓ say they are. A fit
//! takes part of the shadowing into its levels and slopes, which makes residuals less alike than errors; so expected
//! products are those of residuals, `M C Mᵀ` with M the matrix that makes residuals of errors. For a given ℓ both
//! variances are linear least squares with weights by numbers of pairs; ℓ is the best of a geometric row.
//!
//! Where places were read again, B is the variance of readings about the mean of their site and place, and A alone is
//! sought.
//!
//! # What a fit's errors are then
//!
//! ```text
//! V = H⁻¹ J H⁻¹,   H = Σ_i I_i,   J = Σ_i I_i + Σ_(i≠j) (ρ v_i v_jᵀ + ½ ρ² w_i w_jᵀ)
//! I_i expected information of a reading on (levels, slopes, ln σ); v, w its parts by the mean and by ln σ
//! ```
//!
//! For readings that were heard J is the covariance of the scores of correlated normal errors; for censored ones it is
//! the beginning of that covariance's series in ρ.
//!
//! # Source
//!
//! The correlation: M. Gudmundson, *Correlation model for shadow fading in mobile radio systems*, Electron. Lett. 27
//! (1991). The sandwich: H. White, *Maximum likelihood estimation of misspecified models*, Econometrica 50 (1982). The
//! series: F. G. Mehler (1866), in any text on the bivariate normal distribution. Cited from memory; the arithmetic is
//! checked by simulation and, for readings that were all heard, against NumPy.

use std::collections::HashMap;

use nalgebra::{DMatrix, DVector};
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_xoshiro::Xoshiro256PlusPlus;

use super::CalibrationError;
use super::likelihood::{Design, Fitted};
use super::sample::{Known, Sample};
use crate::normal::{density, ln_cdf_and_hazard};
use crate::torso::Position;

/// Places of the same whole millimetre are one place read again.
const SAME_PLACE_MM: f64 = 1.0;
/// Variances and length are found from about so many readings at most, drawn by rows.
const MOST_READINGS: usize = 1600;
/// Shares of the pairs of places below the edges of the classes of distance: finer where places are near.
const CLASS_SHARES: [f64; 10] = [0.005, 0.01, 0.02, 0.04, 0.08, 0.15, 0.25, 0.4, 0.6, 1.0];
/// Lengths that are tried, between a hundredth and a half of the greatest distance of two places.
const LENGTHS: u32 = 14;
/// Beyond so many lengths a correlation is nought.
const FURTHEST_LENGTHS: f64 = 12.0;
/// So many readings beyond the first of each place and site tell noise from shadowing.
const FEWEST_REPEATS: f64 = 10.0;
/// And so many pairs of readings make a class of distance.
const FEWEST_PAIRS: f64 = 20.0;
/// Readings of which less may be known by their place, because of floor or ceiling, are no repeats: of those that are
/// heard the lucky ones would be too many.
const LEAST_KNOWN: f64 = 0.95;
/// Neighbours share something where it explains products of residuals by so much more than noise alone, as χ² of two
/// degrees of freedom exceeds it once in a hundred times.
const SHARED: f64 = 9.21;

/// What told noise from sample to sample apart from static shadowing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoiseFrom {
    /// Places that were read more than once.
    Repeats,
    /// Places so near to each other that they share their shadowing; noise then takes in what changes over less than
    /// that.
    Neighbours,
    /// Nothing: all spread is taken for shadowing.
    Nothing,
}

/// How the spread about a law divides, and what neighbours share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SharedErrors {
    /// Static shadowing, dB; all of the spread where nothing tells noise apart.
    pub shadowing_db: f64,
    /// Noise from sample to sample, dB; `None` where nothing tells it apart.
    pub noise_db: Option<f64>,
    /// What told them apart.
    pub noise_from: NoiseFrom,
    /// Over what distance shadowing keeps its value, mm: to 1/e.
    pub correlation_mm: f64,
    /// The share of the variance that neighbours share, 0 to 1.
    pub static_share: f64,
    /// How many independent readings say as much of the spread as the readings there are: `N² / Σ ρ²`.
    pub effective_readings: f64,
}

/// Covariance of levels, slopes and ln σ, and what independent readings would say.
#[derive(Debug, Clone)]
pub(super) struct Robust {
    pub covariance: DMatrix<f64>,
    pub independent: DMatrix<f64>,
    pub shared: SharedErrors,
    /// Spread about the law, shadowing and noise together, dB.
    pub spread_db: f64,
    /// Degrees of freedom of Student's t for intervals.
    pub freedom: f64,
    /// `N² / Σ ρ^k` for k = 2, 3, 4.
    pub effective: [f64; 3],
}

/// Expected information of one reading about the mean, the mean and ln σ, and ln σ, for σ = 1.
///
/// With η the limits in units of σ from the mean, φ and Φ the normal density and distribution:
///
/// ```text
/// heard:   [∫ z² φ, ∫ z (z² − 1) φ, ∫ (z² − 1)² φ] between the limits
/// floored: λ φ [1, η, η²],  λ = φ/Φ(η);   above the ceiling: λ φ [1, η, η²],  λ = φ/Φ(−η)
/// ```
fn information(floor: f64, ceiling: f64) -> [f64; 3] {
    let above = |eta: f64| {
        if eta.is_infinite() {
            return if eta > 0.0 { [0.0; 3] } else { [1.0, 0.0, 2.0] };
        }
        let (phi, beyond) = (density(eta), crate::normal::cdf(-eta));
        [
            beyond + eta * phi,
            (eta * eta + 1.0) * phi,
            2.0 * beyond + (eta * eta + 1.0) * eta * phi,
        ]
    };
    let limit = |eta: f64, side: f64| {
        if eta.is_infinite() {
            return [0.0; 3];
        }
        let weight = ln_cdf_and_hazard(side * eta).1 * density(eta);
        [weight, weight * eta, weight * eta * eta]
    };
    let (from, to) = (above(floor), above(ceiling));
    let (floored, saturated) = (limit(floor, 1.0), limit(ceiling, -1.0));
    std::array::from_fn(|k| from[k] - to[k] + floored[k] + saturated[k])
}

/// A fit's readings as the estimation of what they share sees them.
struct Scores<'a> {
    design: &'a Design<'a>,
    /// Derivative of each reading's log-likelihood by its mean, for σ = 1.
    by_mean: Vec<f64>,
    information: Vec<[f64; 3]>,
}

impl<'a> Scores<'a> {
    fn new(design: &'a Design<'a>, fitted: &Fitted) -> Self {
        let sigma_db = fitted.likely_spread_db;
        let (floor_dbm, ceiling_dbm) = design.sample.limits_dbm;
        let mut scores = Self {
            design,
            by_mean: Vec::new(),
            information: Vec::new(),
        };
        for (reading, point) in design.sample.points.iter().enumerate() {
            let median_dbm = design.median_dbm(reading, fitted);
            let off = (point.level_dbm - median_dbm) / sigma_db;
            scores.by_mean.push(match point.known {
                Known::Heard => off,
                known => -known.side() * ln_cdf_and_hazard(known.side() * off).1,
            });
            let limit = |dbm: f64| (dbm + point.offset_db - median_dbm) / sigma_db;
            scores
                .information
                .push(information(limit(floor_dbm), limit(ceiling_dbm)));
        }
        scores
    }

    /// The columns of a reading in the matrix of levels and slopes: its level's, with 1, and the slopes'.
    fn entries(&self, reading: usize) -> impl Iterator<Item = (usize, f64)> + '_ {
        let groups = self.design.sample.groups;
        let slopes = (0..self.design.slopes()).map(move |k| (groups + k, self.design.columns[(reading, k)]));
        std::iter::once((self.design.sample.points[reading].group, 1.0)).chain(slopes)
    }
}

/// Finds what readings share and what that does to the errors of a fit.
pub(super) fn robust(design: &Design<'_>, fitted: &Fitted, places_mm: &[Position]) -> Result<Robust, CalibrationError> {
    let scores = Scores::new(design, fitted);
    let repeats = noise_of_repeats(&scores, places_mm);
    let found = Moments::new(&scores, places_mm)?.solve(repeats);
    spread_out(&scores, fitted, places_mm, &found)
}

/// The whole millimetre of a place.
pub(super) fn millimetre(place_mm: &Position) -> [i64; 3] {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a place beyond 64 bits is taken at their end"
    )]
    [place_mm.x, place_mm.y, place_mm.z].map(|mm| (mm / SAME_PLACE_MM).round() as i64)
}

/// The variance of readings of one site at one place about their mean, where enough were read again.
fn noise_of_repeats(scores: &Scores<'_>, places_mm: &[Position]) -> Option<f64> {
    let mut repeats: HashMap<([i64; 3], usize), [f64; 3]> = HashMap::new();
    for (reading, point) in scores.design.sample.points.iter().enumerate() {
        if point.known != Known::Heard || scores.information[reading][0] < LEAST_KNOWN {
            continue;
        }
        let score = scores.by_mean[reading];
        let sums = repeats
            .entry((millimetre(&places_mm[point.row]), point.site))
            .or_default();
        for (sum, value) in sums.iter_mut().zip([1.0, score, score * score]) {
            *sum += value;
        }
    }
    // In a fixed order, as sums depend on it in their last bits.
    let mut repeats: Vec<_> = repeats.into_iter().collect();
    repeats.sort_unstable_by_key(|(place, _)| *place);
    let beyond: f64 = repeats.iter().map(|(_, [count, ..])| count - 1.0).sum();
    let squares: f64 = repeats
        .iter()
        .map(|(_, [count, sum, squares])| (squares - sum * sum / count).max(0.0))
        .sum();
    (beyond >= FEWEST_REPEATS).then(|| squares / beyond)
}

/// Variances in units of the likely one, and a length.
#[derive(Debug, Clone, Copy)]
struct Variances {
    shadowing: f64,
    noise: f64,
    length_mm: f64,
    noise_from: NoiseFrom,
}

/// Products of residuals by classes of distance, and what they are made of.
struct Moments {
    /// Readings, one list a site: their row among those drawn, and their index in the matrices below.
    sites: Vec<Vec<(usize, usize)>>,
    /// Distance and class of each pair of rows.
    pairs: DMatrix<(f64, usize)>,
    /// Levels' and slopes' columns of each reading.
    columns: DMatrix<f64>,
    /// `Q = D X H⁻¹`.
    lever: DMatrix<f64>,
    information: Vec<f64>,
    greatest_mm: f64,
    /// A number of pairs, a sum of products and a mean distance a class.
    counts: Vec<f64>,
    sums: Vec<f64>,
    mean_mm: Vec<f64>,
}

/// The class of a reading with itself, of one place read again, and the first of different places.
const ITSELF: usize = 0;
const AGAIN: usize = 1;
const APART: usize = 2;
const CLASSES: usize = APART + CLASS_SHARES.len();

impl Moments {
    fn new(scores: &Scores<'_>, places_mm: &[Position]) -> Result<Self, CalibrationError> {
        let sample = scores.design.sample;
        let rows = draw_rows(sample);
        let mut at = vec![None; places_mm.len()];
        for (index, &row) in rows.iter().enumerate() {
            at[row] = Some(index);
        }
        let drawn: Vec<usize> = (0..sample.points.len())
            .filter(|&reading| at[sample.points[reading].row].is_some())
            .collect();
        let unknowns = scores.design.unknowns() - 1;
        let mut columns = DMatrix::zeros(drawn.len(), unknowns);
        let site_count = sample.points.iter().map(|point| point.site + 1).max().unwrap_or(0);
        let mut sites = vec![Vec::new(); site_count];
        for (index, &reading) in drawn.iter().enumerate() {
            for (column, value) in scores.entries(reading) {
                columns[(index, column)] = value;
            }
            let point = &sample.points[reading];
            if let Some(row) = at[point.row] {
                sites[point.site].push((row, index));
            }
        }
        let information: Vec<f64> = drawn.iter().map(|&reading| scores.information[reading][0]).collect();
        let by_mean = DVector::from_iterator(drawn.len(), drawn.iter().map(|&reading| scores.by_mean[reading]));
        let mut weighed = columns.clone();
        for (index, weight) in information.iter().enumerate() {
            weighed.row_mut(index).scale_mut(*weight);
        }
        // A level that none of the drawn readings has keeps its row regular by the identity.
        let mut curvature = columns.transpose() * &weighed;
        for k in 0..unknowns {
            if curvature[(k, k)] <= 0.0 {
                curvature[(k, k)] = 1.0;
            }
        }
        let unsettled = CalibrationError::NotSettled { above: f64::INFINITY };
        let factor = curvature.cholesky().ok_or(unsettled)?;
        let lever = factor.solve(&weighed.transpose()).transpose();
        let residuals = &by_mean - &lever * (columns.transpose() * &by_mean);
        let places: Vec<Position> = rows.iter().map(|&row| places_mm[row]).collect();
        let (pairs, greatest_mm) = pair_up(&places);
        let mut moments = Self {
            sites,
            pairs,
            columns,
            lever,
            information,
            greatest_mm,
            counts: vec![0.0; CLASSES],
            sums: vec![0.0; CLASSES],
            mean_mm: vec![0.0; CLASSES],
        };
        moments.tally(&residuals);
        Ok(moments)
    }

    fn tally(&mut self, residuals: &DVector<f64>) {
        for site in &self.sites {
            for &(row, one) in site {
                for &(column, other) in site {
                    let (apart_mm, class) = self.class(row, column, one == other);
                    self.counts[class] += 1.0;
                    self.sums[class] += residuals[one] * residuals[other];
                    self.mean_mm[class] += apart_mm;
                }
            }
        }
        for (sum, count) in self.mean_mm.iter_mut().zip(&self.counts) {
            *sum /= count.max(1.0);
        }
    }

    fn class(&self, row: usize, column: usize, itself: bool) -> (f64, usize) {
        if itself {
            (0.0, ITSELF)
        } else {
            self.pairs[(row, column)]
        }
    }

    /// What the products of residuals sum to, by class, where errors at two rows' places are so correlated.
    fn expected(&self, correlation: &DMatrix<f64>) -> Vec<f64> {
        let unknowns = self.columns.ncols();
        let covariance = |one: (usize, usize), other: (usize, usize)| {
            correlation[(one.0, other.0)] * self.information[one.1] * self.information[other.1]
        };
        // T = C X, K = Xᵀ T, U = T − Q K / 2; then M C Mᵀ = C − Q Uᵀ − U Qᵀ. One column a reading here.
        let columns = self.columns.transpose();
        let column = |reading: usize| &columns.as_slice()[reading * unknowns..(reading + 1) * unknowns];
        let mut shared = DMatrix::zeros(unknowns, columns.ncols());
        for site in &self.sites {
            for &one in site {
                let mut sums = shared.column_mut(one.1);
                for &other in site {
                    let by = if one.1 == other.1 {
                        self.information[one.1]
                    } else {
                        covariance(one, other)
                    };
                    for (sum, value) in sums.iter_mut().zip(column(other.1)) {
                        *sum += by * value;
                    }
                }
            }
        }
        let among = &columns * shared.transpose();
        let lever = self.lever.transpose();
        let less = shared - among.transpose() * &lever * 0.5;
        let of = |matrix: &DMatrix<f64>, one: usize, other: &DMatrix<f64>, second: usize| -> f64 {
            let one = &matrix.as_slice()[one * unknowns..(one + 1) * unknowns];
            let other = &other.as_slice()[second * unknowns..(second + 1) * unknowns];
            one.iter().zip(other).map(|(one, other)| one * other).sum()
        };
        let mut sums = vec![0.0; CLASSES];
        for site in &self.sites {
            for (k, &one) in site.iter().enumerate() {
                sums[ITSELF] += self.information[one.1] - 2.0 * of(&lever, one.1, &less, one.1);
                for &other in &site[..k] {
                    let (_, class) = self.pairs[(one.0, other.0)];
                    sums[class] += 2.0
                        * (covariance(one, other)
                            - of(&lever, one.1, &less, other.1)
                            - of(&less, one.1, &lever, other.1));
                }
            }
        }
        sums
    }

    /// Both variances and the length; the noise's own where repeats tell it.
    fn solve(&self, repeats: Option<f64>) -> Variances {
        let noise = self.expected(&self.pairs.map(|_| 0.0));
        let least_mm = (0.01 * self.greatest_mm).max(SAME_PLACE_MM);
        let ratio = (0.5 * self.greatest_mm / least_mm).max(1.0);
        let (of_noise, noise_alone) = self.least_squares(&[0.0; CLASSES], &noise, repeats);
        let mut best = (of_noise, noise_alone, least_mm);
        for step in 0..LENGTHS {
            let length_mm = least_mm * ratio.powf(f64::from(step) / f64::from(LENGTHS - 1));
            let shadowing = self.expected(&self.pairs.map(|(apart_mm, _)| (-apart_mm / length_mm).exp()));
            let (misfit, variances) = self.least_squares(&shadowing, &noise, repeats);
            if misfit < best.0 {
                best = (misfit, variances, length_mm);
            }
        }
        let (misfit, [shadowing, noise], length_mm) = best;
        // A sum over pairs in both orders has twice their number for its variance, in units of the squared variance.
        let gain = 0.5 * (of_noise - misfit) / (shadowing + noise).powi(2).max(f64::MIN_POSITIVE);
        Variances {
            shadowing,
            noise,
            length_mm,
            noise_from: match repeats {
                Some(_) => NoiseFrom::Repeats,
                None => self.noise_from(length_mm, gain),
            },
        }
    }

    /// Whether neighbours tell noise from shadowing, where no repeats do.
    fn noise_from(&self, length_mm: f64, gain: f64) -> NoiseFrom {
        // Pairs count in both orders.
        let near = (APART..CLASSES).find(|&class| self.counts[class] >= 2.0 * FEWEST_PAIRS);
        match near {
            Some(class) if self.mean_mm[class] < 0.7 * length_mm && gain > SHARED => NoiseFrom::Neighbours,
            _ => NoiseFrom::Nothing,
        }
    }

    /// The two variances, neither below nought, that make the products of residuals what they are, and how far they
    /// miss.
    fn least_squares(&self, shadowing: &[f64], noise: &[f64], repeats: Option<f64>) -> (f64, [f64; 2]) {
        let weights: Vec<f64> = self.counts.iter().map(|count| 1.0 / count.max(1.0)).collect();
        let product = |one: &[f64], other: &[f64]| -> f64 {
            let terms = one.iter().zip(other).zip(&weights);
            terms.map(|((one, other), weight)| one * other * weight).sum()
        };
        let (aa, ab, bb) = (
            product(shadowing, shadowing),
            product(shadowing, noise),
            product(noise, noise),
        );
        let (az, bz) = (product(shadowing, &self.sums), product(noise, &self.sums));
        if let Some(b) = repeats {
            let a = if aa > 0.0 { ((az - b * ab) / aa).max(0.0) } else { 0.0 };
            return (self.misfit(shadowing, noise, [a, b]), [a, b]);
        }
        let determinant = aa * bb - ab * ab;
        let mut tries = vec![[0.0, (bz / bb).max(0.0)]];
        if aa > 0.0 {
            tries.push([(az / aa).max(0.0), 0.0]);
        }
        if determinant > 1e-9 * aa * bb {
            let both = [(az * bb - bz * ab) / determinant, (bz * aa - az * ab) / determinant];
            if both.iter().all(|variance| *variance >= 0.0) {
                tries.push(both);
            }
        }
        let missed = tries
            .into_iter()
            .map(|variances| (self.misfit(shadowing, noise, variances), variances));
        missed
            .min_by(|one, other| one.0.total_cmp(&other.0))
            .unwrap_or((f64::INFINITY, [0.0, 1.0]))
    }

    /// How far products of residuals are from what two variances make them, with weights by numbers of pairs.
    fn misfit(&self, shadowing: &[f64], noise: &[f64], [a, b]: [f64; 2]) -> f64 {
        let terms = self.sums.iter().zip(&self.counts).zip(shadowing.iter().zip(noise));
        terms
            .map(|((sum, count), (shadowing, noise))| (sum - a * shadowing - b * noise).powi(2) / count.max(1.0))
            .sum()
    }
}

/// Rows that say something, by chance from a fixed seed, with about as many readings as are taken; all of them where
/// there are no more.
fn draw_rows(sample: &Sample) -> Vec<usize> {
    let mut drawn: Vec<usize> = sample.points.iter().map(|point| point.row).collect();
    drawn.dedup();
    let (rows, readings) = (drawn.len(), sample.points.len());
    if readings > MOST_READINGS {
        drawn.shuffle(&mut Xoshiro256PlusPlus::seed_from_u64(1));
        drawn.truncate((rows * MOST_READINGS / readings).max(2));
        drawn.sort_unstable();
    }
    drawn
}

/// Distances of all pairs with their classes, and the greatest.
fn pair_up(places: &[Position]) -> (DMatrix<(f64, usize)>, f64) {
    let rows = places.len();
    let mut apart_mm = Vec::with_capacity(rows * rows / 2);
    for (row, one) in places.iter().enumerate() {
        let others = places[..row]
            .iter()
            .filter(|other| millimetre(other) != millimetre(one));
        apart_mm.extend(others.map(|other| (one - other).norm()));
    }
    apart_mm.sort_by(f64::total_cmp);
    let edges_mm = CLASS_SHARES.map(|share| {
        let last = apart_mm.len().saturating_sub(1);
        apart_mm
            .get((share * last as f64).ceil() as usize)
            .copied()
            .unwrap_or(0.0)
    });
    let class = |mm: f64| APART + edges_mm.partition_point(|edge| *edge < mm).min(CLASS_SHARES.len() - 1);
    let whole: Vec<_> = places.iter().map(millimetre).collect();
    let pairs = DMatrix::from_fn(rows, rows, |row, column| {
        let mm = (places[row] - places[column]).norm();
        if whole[row] == whole[column] {
            (mm, AGAIN)
        } else {
            (mm, class(mm))
        }
    });
    (pairs, apart_mm.last().copied().unwrap_or(SAME_PLACE_MM))
}

/// `H⁻¹ J H⁻¹` over all readings.
fn spread_out(
    scores: &Scores<'_>,
    fitted: &Fitted,
    places_mm: &[Position],
    found: &Variances,
) -> Result<Robust, CalibrationError> {
    let design = scores.design;
    let unknowns = design.unknowns();
    let total = found.shadowing + found.noise;
    let static_share = if total > 0.0 { found.shadowing / total } else { 0.0 };
    let neighbours = Neighbours::sum(scores, places_mm, static_share, found.length_mm);
    let mut curvature = DMatrix::zeros(unknowns, unknowns);
    let mut scatter = DMatrix::zeros(unknowns, unknowns);
    for reading in 0..design.sample.points.len() {
        let [by_mean, by_both, by_spread] = scores.information[reading];
        let mut along = DVector::zeros(unknowns);
        for (column, value) in scores.entries(reading) {
            along[column] = value;
        }
        let (mut v, mut w) = (&along * by_mean, &along * by_both);
        v[unknowns - 1] = by_both;
        w[unknowns - 1] = by_spread;
        let own = &along * v.transpose() + unit(unknowns) * w.transpose();
        curvature += &own;
        scatter += own;
        scatter += v * neighbours.of(scores, reading, &neighbours.by_mean).transpose();
        scatter += w * neighbours.of(scores, reading, &neighbours.by_spread).transpose();
    }
    let unsettled = CalibrationError::NotSettled { above: f64::INFINITY };
    let inverse = curvature.cholesky().ok_or(unsettled)?.inverse();
    let spread_db = fitted.likely_spread_db * total.sqrt();
    let mut scale = DVector::repeat(unknowns, spread_db);
    scale[unknowns - 1] = 1.0;
    let scale = DMatrix::from_diagonal(&scale);
    let covariance = &scale * &inverse * scatter * &inverse * &scale;
    let independent = &scale * inverse * &scale;
    let effective = neighbours.effective(scores);
    let separate = found.noise_from != NoiseFrom::Nothing;
    Ok(Robust {
        covariance,
        independent,
        shared: SharedErrors {
            shadowing_db: if separate {
                spread_db * static_share.sqrt()
            } else {
                spread_db
            },
            noise_db: separate.then_some(spread_db * (1.0 - static_share).max(0.0).sqrt()),
            noise_from: found.noise_from,
            correlation_mm: found.length_mm,
            static_share,
            effective_readings: effective[0],
        },
        spread_db,
        freedom: (effective[0] / design.sample.groups as f64 - design.slopes() as f64 - 1.0).max(2.0),
        effective,
    })
}

/// The last unit vector: that of ln σ.
fn unit(unknowns: usize) -> DVector<f64> {
    let mut unit = DVector::zeros(unknowns);
    unit[unknowns - 1] = 1.0;
    unit
}

/// What the neighbours of each reading add up to.
struct Neighbours {
    /// Numbers a reading: its level's, the slopes', that of ln σ.
    width: usize,
    by_mean: Vec<f64>,
    by_spread: Vec<f64>,
    /// Sums of ρ², ρ³ and ρ⁴ over pairs, weighed by information.
    powers: [f64; 3],
}

impl Neighbours {
    fn sum(scores: &Scores<'_>, places_mm: &[Position], static_share: f64, length_mm: f64) -> Self {
        let sample = scores.design.sample;
        let width = scores.design.slopes() + 2;
        let mut parts = [Vec::new(), Vec::new()];
        for reading in 0..sample.points.len() {
            let [by_mean, by_both, by_spread] = scores.information[reading];
            for (part, (weight, last)) in parts.iter_mut().zip([(by_mean, by_both), (by_both, by_spread)]) {
                part.extend(scores.entries(reading).map(|(_, value)| weight * value));
                part.push(last);
            }
        }
        let mut neighbours = Self {
            width,
            by_mean: vec![0.0; parts[0].len()],
            by_spread: vec![0.0; parts[1].len()],
            powers: [0.0; 3],
        };
        if static_share <= 0.0 {
            return neighbours;
        }
        let mut readings = vec![Vec::new(); places_mm.len()];
        for (reading, point) in sample.points.iter().enumerate() {
            readings[point.row].push((point.site, reading));
        }
        for_near_rows(places_mm, FURTHEST_LENGTHS * length_mm, |row, column, apart_mm| {
            let rho = static_share * (-apart_mm / length_mm).exp();
            // Both lists are in the order of the sites.
            let mut others = readings[column].iter().peekable();
            for &(site, one) in &readings[row] {
                while others.next_if(|(other, _)| *other < site).is_some() {}
                if let Some(&&(_, other)) = others.peek().filter(|(other, _)| *other == site) {
                    neighbours.add(&parts, scores, [one, other], rho);
                }
            }
        });
        neighbours
    }

    fn add(&mut self, parts: &[Vec<f64>; 2], scores: &Scores<'_>, pair: [usize; 2], rho: f64) {
        let half_square = 0.5 * rho * rho;
        for [one, other] in [pair, [pair[1], pair[0]]] {
            for k in 0..self.width {
                let (to, from) = (one * self.width + k, other * self.width + k);
                self.by_mean[to] += rho * parts[0][from];
                self.by_spread[to] += half_square * parts[1][from];
            }
        }
        let weight = 2.0 * scores.information[pair[0]][0] * scores.information[pair[1]][0];
        for (k, power) in self.powers.iter_mut().enumerate() {
            *power += weight * rho.powi(k as i32 + 2);
        }
    }

    /// The sum over the neighbours of a reading, in the order of the unknowns. They share the reading's site, hence its
    /// level.
    fn of(&self, scores: &Scores<'_>, reading: usize, sums: &[f64]) -> DVector<f64> {
        let unknowns = scores.design.unknowns();
        let mut of = DVector::zeros(unknowns);
        let at = reading * self.width;
        for ((column, _), sum) in scores.entries(reading).zip(&sums[at..]) {
            of[column] = *sum;
        }
        of[unknowns - 1] = sums[at + self.width - 1];
        of
    }

    fn effective(&self, scores: &Scores<'_>) -> [f64; 3] {
        let readings: f64 = scores.information.iter().map(|information| information[0]).sum();
        self.powers.map(|power| readings * readings / (readings + power))
    }
}

/// Calls with every pair of rows whose places lie no further apart, once each.
fn for_near_rows(places_mm: &[Position], furthest_mm: f64, mut with: impl FnMut(usize, usize, f64)) {
    let reach = |axis: usize| {
        let along = || places_mm.iter().map(move |place| place[axis]);
        along().fold(f64::NEG_INFINITY, f64::max) - along().fold(f64::INFINITY, f64::min)
    };
    let axis = (0..3)
        .max_by(|&one, &other| reach(one).total_cmp(&reach(other)))
        .unwrap_or(0);
    let mut order: Vec<usize> = (0..places_mm.len()).collect();
    order.sort_by(|&one, &other| places_mm[one][axis].total_cmp(&places_mm[other][axis]));
    for (from, &row) in order.iter().enumerate() {
        for &column in &order[from + 1..] {
            if places_mm[column][axis] - places_mm[row][axis] > furthest_mm {
                break;
            }
            let apart_mm = (places_mm[row] - places_mm[column]).norm();
            if apart_mm <= furthest_mm {
                with(row, column, apart_mm);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn information_is_the_variance_of_the_score_over_all_that_may_be_read() {
        // By the trapezoidal rule over z: scores of heard readings z and z² − 1, of limits their means beyond.
        let (floor, ceiling) = (-0.4, 1.3);
        let step = 1e-4;
        let cells: Vec<f64> = (-100_000..100_000).map(|k| (f64::from(k) + 0.5) * step).collect();
        let mean = |from: f64, to: f64, of: fn(f64) -> f64| {
            let within = || cells.iter().filter(|z| (from..to).contains(*z));
            let weight: f64 = within().map(|z| density(*z)).sum();
            (
                within().map(|z| of(*z) * density(*z)).sum::<f64>() / weight,
                weight * step,
            )
        };
        let (z, square) = (|z: f64| z, |z: f64| z * z - 1.0);
        let mut expected = [0.0; 3];
        for (from, to) in [(f64::NEG_INFINITY, floor), (ceiling, f64::INFINITY)] {
            let ((one, weight), (other, _)) = (mean(from, to, z), mean(from, to, square));
            for (sum, product) in expected.iter_mut().zip([one * one, one * other, other * other]) {
                *sum += weight * product;
            }
        }
        for &at in cells.iter().filter(|at| (floor..ceiling).contains(*at)) {
            let weight = density(at) * step;
            for (sum, product) in expected
                .iter_mut()
                .zip([z(at) * z(at), z(at) * square(at), square(at) * square(at)])
            {
                *sum += weight * product;
            }
        }
        for (found, expected) in information(floor, ceiling).into_iter().zip(expected) {
            assert_relative_eq!(found, expected, epsilon = 1e-4);
        }
        assert_eq!(information(f64::NEG_INFINITY, f64::INFINITY), [1.0, 0.0, 2.0]);
    }

    #[test]
    fn every_near_pair_is_met_once() {
        let places: Vec<Position> = (0..40)
            .map(|k| Position::new(f64::from(k * 7 % 40), f64::from(k * 3 % 11), 0.0))
            .collect();
        let mut met = std::collections::BTreeSet::new();
        for_near_rows(&places, 9.0, |row, column, apart_mm| {
            assert!(apart_mm <= 9.0);
            assert!(met.insert((row.min(column), row.max(column))));
        });
        let all = (0..40).flat_map(|row| (0..row).map(move |column| (column, row)));
        let near = all.filter(|&(one, other): &(usize, usize)| (places[one] - places[other]).norm() <= 9.0);
        assert_eq!(met, near.collect());
    }
}
