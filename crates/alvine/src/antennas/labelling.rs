//! Which column belongs to which site: the best assignment, and how probable it is.
//!
//! # The model
//!
//! ```text
//! y(t, c) = p(t) + g(c) − 10 n log₁₀(d(s(t), π(c)) / d₀) + h [s(t) = π(c)] + ε
//! y dBm median level of column c while the capsule is held near site s(t) in turn t; p(t) how strongly it then sends, unknown;
//! g(c) gain of an antenna, spread σ_g; n exponent in air along the body, h excess in the near field (below 0 where the receiver
//! saturates), both unknown; d mm between the sites, not less than d₀, the distance at which the capsule is held; π(c) the site
//! to which column c really belongs; ε spread σ, unknown, static: averaging more samples does not lessen it
//! ```
//!
//! The mean of a turn over all columns does not depend on π, so that p(t) falls out by taking it off; g is integrated over.
//! (With columns that have no say the mean is over the others, as if these were where they are told.)
//! What is left is a sum of costs of columns at sites, and all n! labellings are summed exactly (see `assignment`), for each of a
//! grid of n, h and σ. A label that is wrong has the same small odds everywhere, so that all swaps together have 5 % before
//! anything is heard. A column that hears nothing, or always the same, has no say, and keeps the label that is left.
//!
//! # What the probability means
//!
//! It is that of the model, with independent ε. Where the air does worse than that (a metal bed, an arm across the belt), it is
//! too sure: the thresholds of the check leave room, and the measured rates in the documentation of the check say how it does.

use ndarray::{Array2, ArrayView2};

use crate::layout::Layout;

use super::assignment::{MOST_SUMMED, cheapest, sum_over_all};

/// Distance from antenna to capsule while it is held, mm (common practice, no source).
pub(super) const HELD_MM: f64 = 50.0;
/// Spread of the antennas' gains, dB (invented; wider than that of one make, so that a weak antenna is no riddle).
const GAIN_SPREAD_DB: f64 = 6.0;
/// Exponents in air along a body: from nearly nothing (reflections all round) to strongly shadowed (invented; free space
/// has 2).
const EXPONENTS: [f64; 6] = [0.5, 1.0, 1.5, 2.0, 3.0, 4.0];
/// Excess of the near field, dB (invented, wide).
const NEAR_DB: [f64; 5] = [-10.0, 0.0, 8.0, 16.0, 24.0];
/// Spread of a level about the model, dB (invented, wide).
const SPREADS_DB: [f64; 6] = [2.0, 3.0, 4.5, 6.5, 9.0, 13.0];
/// The probability of one swap or another, before anything is heard (invented).
const SWAP_PRIOR: f64 = 0.05;

/// Which column belongs to which site.
#[derive(Debug, Clone, PartialEq)]
pub struct Labelling {
    /// The most probable site of each column.
    pub site_of: Vec<usize>,
    /// The probability that all labels are as told.
    pub as_told: f64,
    /// The probability of the most probable labelling.
    pub best: f64,
    /// For each column, the probability that it is where it is told.
    pub column_as_told: Vec<f64>,
    /// The antennas' gains under the most probable labelling, dB about their median.
    pub gain_db: Vec<f64>,
}

/// The labelling from the level of each column in each turn (dBm, turns × columns, all finite), the site near which the capsule
/// was held in each turn, and whether each column has a say.
pub(super) fn labelling(
    layout: &Layout,
    held_at: &[usize],
    levels_dbm: ArrayView2<'_, f64>,
    has_say: &[bool],
) -> Labelling {
    let n = layout.len();
    let centred = row_centred(levels_dbm, has_say);
    let grid = Grid::of(layout, held_at, &centred, has_say);
    let told: Vec<usize> = (0..n).collect();
    let as_told = grid.probability(&told);
    let (mut best, mut best_probability) = (told, as_told);
    // The most probable labelling is the cheapest at some point of the grid, but for ties.
    for (point, _) in grid.points.iter().zip(&grid.shares).filter(|(_, share)| **share > 1e-4) {
        if point.site_of != best {
            let probability = grid.probability(&point.site_of);
            if probability > best_probability {
                best.clone_from(&point.site_of);
                best_probability = probability;
            }
        }
    }
    let pairs = |column| grid.mean(|point| point.pair[(column, column)]);
    let heaviest = grid
        .points
        .iter()
        .max_by(|one, other| one.ln_weight.total_cmp(&other.ln_weight));
    Labelling {
        as_told,
        best: best_probability,
        column_as_told: (0..n).map(pairs).collect(),
        gain_db: heaviest.map_or_else(
            || vec![0.0; n],
            |point| gains_db(&centred, &point.model, &best, has_say),
        ),
        site_of: best,
    }
}

/// The points of the grid, and the share that each has in what is believed.
struct Grid {
    points: Vec<Point>,
    shares: Vec<f64>,
}

impl Grid {
    fn of(layout: &Layout, held_at: &[usize], centred: &Array2<f64>, has_say: &[bool]) -> Self {
        let mut points = Vec::new();
        for exponent in EXPONENTS {
            for near_db in NEAR_DB {
                let model = row_centred(model(layout, held_at, exponent, near_db).view(), has_say);
                points.extend(SPREADS_DB.map(|spread_db| Point::of(centred, &model, spread_db, has_say)));
            }
        }
        let most = points
            .iter()
            .map(|point| point.ln_weight)
            .fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = points.iter().map(|point| (point.ln_weight - most).exp()).collect();
        let total: f64 = weights.iter().sum();
        Self {
            shares: weights.iter().map(|weight| weight / total).collect(),
            points,
        }
    }

    fn mean(&self, of: impl Fn(&Point) -> f64) -> f64 {
        self.points
            .iter()
            .zip(&self.shares)
            .map(|(point, share)| share * of(point))
            .sum()
    }

    fn probability(&self, site_of: &[usize]) -> f64 {
        self.mean(|point| point.probability(site_of))
    }
}

/// One point of the grid, with everything that was summed there.
struct Point {
    model: Array2<f64>,
    site_of: Vec<usize>,
    reduced: Array2<f64>,
    ln_sum: f64,
    pair: Array2<f64>,
    /// ln of the evidence, but for a constant.
    ln_weight: f64,
}

impl Point {
    fn of(centred: &Array2<f64>, model: &Array2<f64>, spread_db: f64, has_say: &[bool]) -> Self {
        let (turns, n) = (centred.nrows(), centred.ncols());
        let swaps = (n * (n - 1) / 2) as f64;
        let astray = -0.5 * (SWAP_PRIOR / swaps).ln();
        let costs = Array2::from_shape_fn((n, n), |(column, site)| {
            let label = if column == site { 0.0 } else { astray };
            if has_say[column] {
                misfit(centred, column, model, site, spread_db) + label
            } else {
                label
            }
        });
        let cheapest = cheapest(&costs);
        let (ln_sum, pair) = if n <= MOST_SUMMED {
            let sums = sum_over_all(&cheapest.reduced);
            (sums.ln_sum, sums.pair)
        } else {
            by_swaps(&cheapest.reduced, &cheapest.site_of)
        };
        // Of each turn one level went into p(t), so that one column less is left.
        let columns = (has_say.iter().filter(|&&say| say).count() as f64 - 1.0).max(0.0);
        let (variance, gain_variance) = (spread_db * spread_db, GAIN_SPREAD_DB * GAIN_SPREAD_DB);
        let turns = turns as f64;
        let ln_scale = (turns - 1.0) * variance.ln() + (variance + turns * gain_variance).ln();
        Self {
            model: model.clone(),
            site_of: cheapest.site_of,
            reduced: cheapest.reduced,
            ln_sum,
            pair,
            ln_weight: ln_sum - cheapest.cost - 0.5 * columns * ln_scale,
        }
    }

    /// The probability of a labelling at this point.
    fn probability(&self, site_of: &[usize]) -> f64 {
        let cost: f64 = site_of
            .iter()
            .enumerate()
            .map(|(column, &site)| self.reduced[(column, site)])
            .sum();
        (-cost - self.ln_sum).exp()
    }
}

/// What the levels of a column say against a site: half the squared residuals, the gain integrated over.
///
/// ```text
/// ½ rᵀ (σ² I + σ_g² 1 1ᵀ)⁻¹ r = (Σ r² − σ_g² (Σ r)² / (σ² + T σ_g²)) / 2σ²
/// ```
fn misfit(centred: &Array2<f64>, column: usize, model: &Array2<f64>, site: usize, spread_db: f64) -> f64 {
    let (mut sum, mut squares) = (0.0, 0.0);
    for (level, expected) in centred.column(column).iter().zip(model.column(site)) {
        let residual = level - expected;
        sum += residual;
        squares += residual * residual;
    }
    let (variance, gain_variance) = (spread_db * spread_db, GAIN_SPREAD_DB * GAIN_SPREAD_DB);
    let turns = centred.nrows() as f64;
    (squares - gain_variance * sum * sum / (variance + turns * gain_variance)) / (2.0 * variance)
}

/// The median levels of sites, but for what is common to a turn, dB; turns × sites.
fn model(layout: &Layout, held_at: &[usize], exponent: f64, near_db: f64) -> Array2<f64> {
    let sites = layout.sites();
    Array2::from_shape_fn((held_at.len(), sites.len()), |(turn, site)| {
        let apart_mm = (sites[held_at[turn]].position_mm - sites[site].position_mm).norm();
        let near_db = if held_at[turn] == site { near_db } else { 0.0 };
        near_db - 10.0 * exponent * (apart_mm / HELD_MM).max(1.0).log10()
    })
}

/// Each row less its mean over the columns that have a say.
fn row_centred(table: ArrayView2<'_, f64>, has_say: &[bool]) -> Array2<f64> {
    let mut centred = table.to_owned();
    let count = has_say.iter().filter(|&&say| say).count().max(1) as f64;
    for mut row in centred.rows_mut() {
        let sum: f64 = row
            .iter()
            .zip(has_say)
            .filter(|(_, say)| **say)
            .map(|(value, _)| value)
            .sum();
        row.mapv_inplace(|value| value - sum / count);
    }
    centred
}

/// For more columns than can be summed: the cheapest labelling and all that differ from it by one swap.
fn by_swaps(reduced: &Array2<f64>, site_of: &[usize]) -> (f64, Array2<f64>) {
    let n = site_of.len();
    let mut pair = Array2::zeros((n, n));
    let mut total = 1.0;
    let mut moved = vec![0.0; n];
    for one in 0..n {
        for other in one + 1..n {
            let weight = (-(reduced[(one, site_of[other])] + reduced[(other, site_of[one])])).exp();
            total += weight;
            pair[(one, site_of[other])] += weight;
            pair[(other, site_of[one])] += weight;
            moved[one] += weight;
            moved[other] += weight;
        }
    }
    for column in 0..n {
        pair[(column, site_of[column])] = total - moved[column];
    }
    pair.mapv_inplace(|weight| weight / total);
    (f64::ln(total), pair)
}

/// The mean residual of each column under a labelling, about the median of those that have a say, dB.
fn gains_db(centred: &Array2<f64>, model: &Array2<f64>, site_of: &[usize], has_say: &[bool]) -> Vec<f64> {
    let mean = |(column, &site): (usize, &usize)| {
        let levels = centred.column(column).into_iter().zip(model.column(site));
        levels.map(|(level, expected)| level - expected).sum::<f64>() / centred.nrows().max(1) as f64
    };
    let gains_db: Vec<f64> = site_of.iter().enumerate().map(mean).collect();
    let with_say = gains_db
        .iter()
        .zip(has_say)
        .filter(|(_, say)| **say)
        .map(|(gain_db, _)| *gain_db);
    let middle_db = super::levels::median(with_say).unwrap_or(0.0);
    gains_db.iter().map(|gain_db| gain_db - middle_db).collect()
}
