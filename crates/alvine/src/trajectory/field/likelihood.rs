//! The objective of places in a field: the negative log-posterior of all stations' places at once, the field integrated out.
//!
//! ```text
//! zᵢ = P₀ + δ + gᵢ − L(|x − aᵢ|) − 10 Δn log₁₀(|x − aᵢ| / d₀) + fᵢ(x) + e,   e ~ N(0, R)
//! fᵢ a Gaussian process, E fᵢ(x) fᵢ(y) = s² exp(−|x − y|² / 2ℓ²), one a site
//! zᵢ ~ N(hᵢ, C),   C = K + R,   −ln p = Σᵢ ½ rᵢᵀ C⁻¹ rᵢ + ½ ln |C| + priors of places, δ, Δn, gᵢ,   r = z − h
//! ∂/∂xⱼ = −(C⁻¹ r)ⱼ ∂hⱼ − aⱼ (uⱼᵀ a) + (C⁻¹ uⱼ)ⱼ,   a = C⁻¹ r,   uⱼ[k] = ∂K[j, k] / ∂xⱼ
//! J = Σᵢ ∂hᵀ C⁻¹ ∂h + ½ tr(C⁻¹ ∂C C⁻¹ ∂C) + priors
//! ```
//!
//! The field tells of places twice: a law that bends as the field does not, and a field that is the same where the capsule was
//! before. A site that heard nothing at a station counts by what its *silence* is worth.
//!
//! # Source
//!
//! Gaussian processes: C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for Machine Learning*, 2006, section 5.4 for the
//! derivative of the likelihood. The information of a Gaussian whose mean and covariance both depend on what is sought: S. M. Kay,
//! *Fundamentals of Statistical Signal Processing: Estimation Theory*, 1993, section 3.9. Both from memory; a test holds gradient and
//! information against differences.

use nalgebra::{DMatrix, DVector, Matrix3, Vector3};

use super::FieldOptions;
use super::silence::{NOTHING_DB2, Silence};
use super::stations::{Station, Told};
use crate::dense::{self, NotPositive};
use crate::propagation::level_by_exponent;
use crate::setup::Setup;
use crate::torso::Position;

/// The unknowns: x of each station, then y, then z, then each site's gain, the level, the exponent.
pub(super) struct Unknowns {
    stations: usize,
    pub values: DVector<f64>,
}

impl Unknowns {
    pub fn new(stations: &[Station], sites: usize) -> Self {
        let count = stations.len();
        let mut values = DVector::zeros(3 * count + sites + 2);
        for (index, station) in stations.iter().enumerate() {
            for axis in 0..3 {
                values[axis * count + index] = station.place_mm[axis];
            }
        }
        Self {
            stations: count,
            values,
        }
    }

    pub fn moved(&self, step: &DVector<f64>) -> Self {
        Self {
            stations: self.stations,
            values: &self.values + step,
        }
    }

    pub fn place(&self, station: usize) -> Position {
        Position::from_fn(|axis, _| self.values[self.entry(axis, station)])
    }

    /// Where a station's place along an axis stands.
    pub fn entry(&self, axis: usize, station: usize) -> usize {
        axis * self.stations + station
    }

    pub fn gain(&self, site: usize) -> usize {
        3 * self.stations + site
    }

    pub fn level(&self) -> usize {
        self.values.len() - 2
    }

    pub fn exponent(&self) -> usize {
        self.values.len() - 1
    }
}

/// Value, gradient and information at some unknowns.
pub(super) struct Scored {
    pub value: f64,
    pub gradient: DVector<f64>,
    pub information: DMatrix<f64>,
}

/// The objective over some stations.
pub(super) struct Likelihood<'a> {
    pub setup: &'a Setup,
    pub options: &'a FieldOptions,
    pub stations: &'a [Station],
    /// Distance at which a wrong exponent makes no difference, mm.
    pub pivot_mm: f64,
    /// Spread of one reading, dB.
    pub sample_db: f64,
    /// Spread of the field, dB.
    pub spread_db: f64,
    /// Distance over which it keeps its value, mm.
    pub length_mm: f64,
    /// What each silence is worth, stations by sites.
    pub silences: Vec<Silence>,
}

/// Silences of so many stations that are worth nothing yet.
pub(super) fn unheard(setup: &Setup, stations: usize) -> Vec<Silence> {
    vec![Silence::unheard(setup.receiver.floor_dbm()); stations * setup.layout.len()]
}

/// Silences go so far towards what they are worth at once: all of the way they may go to and fro.
const SILENCE_STEP: f64 = 0.7;

/// What one site should hear at each station, and how that changes.
struct Expected {
    /// Level, dBm.
    level_dbm: DVector<f64>,
    /// Its gradient by the place, dB/mm.
    slope: Vec<Vector3<f64>>,
    /// Its change by the exponent, dB.
    by_exponent: DVector<f64>,
}

/// The field's covariance between stations and how it changes as one of the two moves along each axis.
struct Kernel {
    covariance: DMatrix<f64>,
    by_place: [DMatrix<f64>; 3],
}

impl Likelihood<'_> {
    fn sites(&self) -> usize {
        self.setup.layout.len()
    }

    /// Value only.
    pub fn value(&self, at: &Unknowns) -> Result<f64, NotPositive> {
        let covariance = self.covariance(at);
        let mut value = self.prior_value(at);
        for site in 0..self.sites() {
            let expected = self.expected(at, site);
            let factor = dense::factor(self.with_noise(&covariance, site))?;
            let residual = self.residual(&expected, site);
            let whitened = factor.solve_lower_triangular(&residual).ok_or(NotPositive)?;
            value += 0.5 * whitened.norm_squared() + dense::half_ln_determinant(&factor);
        }
        Ok(value)
    }

    /// Value, gradient and information.
    pub fn score(&self, at: &Unknowns) -> Result<Scored, NotPositive> {
        let kernel = self.kernel(at);
        let mut scored = self.score_mean(at, &kernel)?;
        self.add_field_information(&kernel, &mut scored)?;
        Ok(scored)
    }

    /// What the means alone tell, without what the field's covariance does: the covariance of the unknowns that is left. A field is
    /// seen once at each of a few sites, and what it tells of distances is far from Gaussian; its information promises too much.
    pub fn covariance_by_means(&self, at: &Unknowns) -> Result<DMatrix<f64>, NotPositive> {
        let scored = self.score_mean(at, &self.kernel(at))?;
        Ok(dense::inverse(&dense::factor(scored.information)?))
    }

    fn score_mean(&self, at: &Unknowns, kernel: &Kernel) -> Result<Scored, NotPositive> {
        let size = at.values.len();
        let mut scored = Scored {
            value: self.prior_value(at),
            gradient: DVector::zeros(size),
            information: DMatrix::zeros(size, size),
        };
        for site in 0..self.sites() {
            self.add_site(at, site, kernel, &mut scored)?;
        }
        self.add_priors(at, &mut scored);
        Ok(scored)
    }

    fn covariance(&self, at: &Unknowns) -> DMatrix<f64> {
        let count = self.stations.len();
        let per_mm2 = -0.5 / (self.length_mm * self.length_mm);
        let variance = self.spread_db * self.spread_db;
        let places: Vec<Position> = (0..count).map(|station| at.place(station)).collect();
        let mut covariance = DMatrix::from_diagonal_element(count, count, variance);
        for column in 0..count {
            for row in column + 1..count {
                let alike = variance * ((places[row] - places[column]).norm_squared() * per_mm2).exp();
                covariance[(row, column)] = alike;
                covariance[(column, row)] = alike;
            }
        }
        covariance
    }

    fn kernel(&self, at: &Unknowns) -> Kernel {
        let covariance = self.covariance(at);
        let per_mm2 = 1.0 / (self.length_mm * self.length_mm);
        let by_place = [0, 1, 2].map(|axis| {
            let along = at.values.rows(axis * self.stations.len(), self.stations.len());
            DMatrix::from_fn(covariance.nrows(), covariance.ncols(), |row, column| {
                -(along[row] - along[column]) * per_mm2 * covariance[(row, column)]
            })
        });
        Kernel { covariance, by_place }
    }

    fn with_noise(&self, covariance: &DMatrix<f64>, site: usize) -> DMatrix<f64> {
        let mut all = covariance.clone();
        for station in 0..self.stations.len() {
            all[(station, station)] += self.noise_db2(station, site);
        }
        all
    }

    /// Variance of what a site told of a station beside the field, dB².
    fn noise_db2(&self, station: usize, site: usize) -> f64 {
        match self.stations[station].told[site] {
            Told::Level { readings, .. } => self.sample_db.powi(2) / readings + self.level_db2(station),
            Told::Below => self.silences[self.entry(station, site)].variance_db2,
            Told::Nothing => NOTHING_DB2,
        }
    }

    /// Variance of a station's level about law and field, dB².
    fn level_db2(&self, station: usize) -> f64 {
        let options = self.options;
        let attitudes = (self.stations[station].dwell_s / (2.0 * options.attitude_memory_s)).max(1.0);
        options.attitude_db.powi(2) / attitudes + (options.unmodelled_share * self.setup.noise.shadowing_db()).powi(2)
    }

    /// Where the silence of a site at a station stands.
    fn entry(&self, station: usize, site: usize) -> usize {
        station * self.sites() + site
    }

    /// Tells anew what each silence is worth beside all the others as they were, so many times.
    pub fn hear_silences(&mut self, at: &Unknowns, sweeps: usize) -> Result<(), NotPositive> {
        let covariance = self.covariance(at);
        for site in 0..self.sites() {
            if !self.stations.iter().any(|station| station.told[site] == Told::Below) {
                continue;
            }
            let expected = self.expected(at, site);
            for _ in 0..sweeps {
                self.hear_site(&covariance, &expected, site)?;
            }
        }
        Ok(())
    }

    fn hear_site(&mut self, covariance: &DMatrix<f64>, expected: &Expected, site: usize) -> Result<(), NotPositive> {
        let floor_dbm = self.setup.receiver.floor_dbm();
        let inverse = dense::inverse(&dense::factor(self.with_noise(covariance, site))?);
        let weighed = &inverse * self.residual(expected, site);
        for (station, heard) in self.stations.iter().enumerate() {
            if heard.told[site] != Told::Below {
                continue;
            }
            let entry = self.entry(station, site);
            let silence = self.silences[entry];
            // What the others say of a reading: Rasmussen and Williams, section 5.4.2.
            let variance = 1.0 / inverse[(station, station)];
            let others = (
                silence.mean_dbm - weighed[station] * variance,
                variance - silence.variance_db2,
            );
            let anew = Silence::beside(others, floor_dbm, self.level_db2(station));
            self.silences[entry] = silence.towards(anew, SILENCE_STEP);
        }
        Ok(())
    }

    fn expected(&self, at: &Unknowns, site: usize) -> Expected {
        let count = self.stations.len();
        let site_mm = self.setup.layout.sites()[site].position_mm;
        let own_db = at.values[at.gain(site)] + at.values[at.level()];
        let exponent = at.values[at.exponent()];
        let mut expected = Expected {
            level_dbm: DVector::zeros(count),
            slope: Vec::with_capacity(count),
            by_exponent: DVector::zeros(count),
        };
        for station in 0..count {
            let place_mm = at.place(station);
            let (median_dbm, loss_gradient) = self.setup.median_and_loss_gradient(&place_mm, site);
            let (by_exponent, by_exponent_slope) = level_by_exponent(&(place_mm - site_mm), self.pivot_mm);
            expected.level_dbm[station] = median_dbm + own_db + exponent * by_exponent;
            expected.slope.push(exponent * by_exponent_slope - loss_gradient);
            expected.by_exponent[station] = by_exponent;
        }
        expected
    }

    fn residual(&self, expected: &Expected, site: usize) -> DVector<f64> {
        DVector::from_fn(self.stations.len(), |index, _| match self.stations[index].told[site] {
            Told::Level { mean_dbm, .. } => mean_dbm - expected.level_dbm[index],
            Told::Below => self.silences[self.entry(index, site)].mean_dbm - expected.level_dbm[index],
            Told::Nothing => 0.0,
        })
    }

    fn add_site(&self, at: &Unknowns, site: usize, kernel: &Kernel, scored: &mut Scored) -> Result<(), NotPositive> {
        let count = self.stations.len();
        let expected = self.expected(at, site);
        let factor = dense::factor(self.with_noise(&kernel.covariance, site))?;
        let inverse = dense::inverse(&factor);
        let residual = self.residual(&expected, site);
        let weighed = &inverse * &residual;
        scored.value += 0.5 * residual.dot(&weighed) + dense::half_ln_determinant(&factor);
        for axis in 0..3 {
            let by_place = &kernel.by_place[axis];
            let felt = by_place * &weighed;
            for station in 0..count {
                // A row of the derivative is the opposite of its column.
                let through_field =
                    -inverse.column(station).dot(&by_place.column(station)) - weighed[station] * felt[station];
                scored.gradient[axis * count + station] +=
                    through_field - weighed[station] * expected.slope[station][axis];
            }
        }
        let [gain, level, exponent] = [at.gain(site), at.level(), at.exponent()];
        scored.gradient[gain] -= weighed.sum();
        scored.gradient[level] -= weighed.sum();
        scored.gradient[exponent] -= weighed.dot(&expected.by_exponent);
        add_mean_information(&inverse, &expected, [gain, level, exponent], &mut scored.information);
        Ok(())
    }

    /// What the field's own covariance tells, alike for all sites: a station counts by the share of them that heard it.
    fn add_field_information(&self, kernel: &Kernel, scored: &mut Scored) -> Result<(), NotPositive> {
        let count = self.stations.len();
        let sites = self.sites() as f64;
        let mut covariance = kernel.covariance.clone();
        let mut heard = DVector::zeros(count);
        for (index, station) in self.stations.iter().enumerate() {
            let hearing = (0..self.sites()).filter(|&site| matches!(station.told[site], Told::Level { .. }));
            let (count, precisions) = hearing.fold((0.0, 1.0 / NOTHING_DB2), |(count, sum), site| {
                (count + 1.0, sum + 1.0 / self.noise_db2(index, site))
            });
            heard[index] = (count / sites).sqrt();
            covariance[(index, index)] += f64::max(count, 1.0) / precisions;
        }
        let inverse = dense::inverse(&dense::factor(covariance)?);
        let weighed = [0, 1, 2].map(|axis| &inverse * kernel.by_place[axis].transpose());
        for row_axis in 0..3 {
            for column_axis in row_axis..3 {
                let through = &kernel.by_place[row_axis] * &weighed[column_axis];
                for column in 0..count {
                    for row in 0..count {
                        let information = inverse[(row, column)] * through[(row, column)]
                            + weighed[column_axis][(row, column)] * weighed[row_axis][(column, row)];
                        let told = sites * heard[row] * heard[column] * information;
                        let entry = (row_axis * count + row, column_axis * count + column);
                        scored.information[entry] += told;
                        if row_axis != column_axis {
                            scored.information[(entry.1, entry.0)] += told;
                        }
                    }
                }
            }
        }
        Ok(())
    }

    fn prior_value(&self, at: &Unknowns) -> f64 {
        let mut value = 0.0;
        for (index, station) in self.stations.iter().enumerate() {
            let offset = at.place(index) - station.prior.mean_mm;
            value += 0.5 * offset.dot(&(station.prior.information_per_mm2 * offset));
        }
        for (unknown, spread) in self.shared_spreads(at) {
            value += 0.5 * (at.values[unknown] / spread).powi(2);
        }
        value
    }

    fn add_priors(&self, at: &Unknowns, scored: &mut Scored) {
        let count = self.stations.len();
        for (index, station) in self.stations.iter().enumerate() {
            let information: &Matrix3<f64> = &station.prior.information_per_mm2;
            let pull = information * (at.place(index) - station.prior.mean_mm);
            for row in 0..3 {
                scored.gradient[row * count + index] += pull[row];
                for column in 0..3 {
                    scored.information[(row * count + index, column * count + index)] += information[(row, column)];
                }
            }
        }
        for (unknown, spread) in self.shared_spreads(at) {
            let information = 1.0 / (spread * spread);
            scored.gradient[unknown] += at.values[unknown] * information;
            scored.information[(unknown, unknown)] += information;
        }
    }

    /// The unknowns that all stations share, with what is known of them beforehand: zero, give or take so much.
    fn shared_spreads(&self, at: &Unknowns) -> impl Iterator<Item = (usize, f64)> + use<> {
        let options = *self.options;
        let (first, level, exponent) = (at.gain(0), at.level(), at.exponent());
        let gains = (first..level).map(move |gain| (gain, options.gain_spread_db));
        gains.chain([(level, options.level_spread_db), (exponent, options.exponent_spread)])
    }
}

/// What the mean tells, `∂hᵀ C⁻¹ ∂h`.
fn add_mean_information(
    inverse: &DMatrix<f64>,
    expected: &Expected,
    [gain, level, exponent]: [usize; 3],
    information: &mut DMatrix<f64>,
) {
    let count = inverse.nrows();
    for column_axis in 0..3 {
        for row_axis in 0..3 {
            for column in 0..count {
                let by_column = expected.slope[column][column_axis];
                for row in 0..count {
                    information[(row_axis * count + row, column_axis * count + column)] +=
                        expected.slope[row][row_axis] * inverse[(row, column)] * by_column;
                }
            }
        }
    }
    let ones = DVector::from_element(count, 1.0);
    let by_shared = [&ones, &ones, &expected.by_exponent];
    let shared = [gain, level, exponent];
    for (first, by_first) in shared.into_iter().zip(by_shared) {
        let weighed = inverse * by_first;
        for axis in 0..3 {
            for station in 0..count {
                let told = weighed[station] * expected.slope[station][axis];
                information[(axis * count + station, first)] += told;
                information[(first, axis * count + station)] += told;
            }
        }
        for (second, by_second) in shared.into_iter().zip(by_shared) {
            information[(first, second)] += weighed.dot(by_second);
        }
    }
}
