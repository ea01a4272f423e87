//! Calibration: the law of propagation from readings at known places.
//!
//! A transmitter is heard at places that are known: a phantom on a stage, a robot in a room. With one level a site
//! (antennas and cables differ) or one common level,
//!
//! ```text
//! z = p_s − n x + e,   x = 10 log₁₀(d / d₀),   e ~ N(0, σ²)
//! z dBm read at site s at d mm from the transmitter, p_s dBm level at d₀ mm, n exponent, σ dB spread
//! ```
//!
//! # Two ways, and which is used when
//!
//! Where every reading was heard this is linear least squares, and the answer is a closed form: n is the slope of the
//! readings about their sites' means, the levels follow. Where readings lie below the floor or above the ceiling, the
//! closed form is biased, whether they are dropped or taken at the limit, as near and lucky readings are heard more
//! often. They then enter by their probability (the module *censored*), which has no closed form and is minimised by the
//! simplex of Nelder and Mead from the crate `argmin`.
//!
//! A general optimiser is right here and wrong in [`crate::fix`]: a calibration is computed once, over two parameters,
//! from thousands of readings, so that a hundred evaluations without a derivative cost a fraction of a second. A fix is
//! computed a quarter of a million times a study, and its derivatives are cheap and known.
//!
//! # What the standard errors take for granted
//!
//! That readings err independently. Static shadowing is shared by readings at neighbouring places: where the places lie
//! closer than it keeps its value (some 40 mm in a body, common practice, no source), the true errors are larger.
//!
//! # Source
//!
//! Linear least squares over groups: any text on the analysis of covariance. The censored likelihood: J. Tobin,
//! *Estimation of relationships for limited dependent variables*, Econometrica 26 (1958).

mod censored;
mod sample;

use ndarray::ArrayView2;
use thiserror::Error;

use crate::layout::Layout;
use crate::propagation::{LogDistance, PropagationError};
use crate::recording::Receiver;
use crate::torso::Position;
use sample::Sample;

/// Whether sites hear alike.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SiteLevels {
    /// One level for all sites, apart from the gains that the layout states.
    Common,
    /// Each site has a level of its own; the gains that the layout states are found afresh.
    PerSite,
}

/// How a law is fitted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CalibrationOptions {
    /// The distance at which levels are stated, mm.
    pub reference_mm: f64,
    /// Whether sites hear alike.
    pub site_levels: SiteLevels,
}

impl Default for CalibrationOptions {
    /// 50 mm, as in the IEEE 802.15.6 channel model, and one level a site.
    fn default() -> Self {
        Self {
            reference_mm: 50.0,
            site_levels: SiteLevels::PerSite,
        }
    }
}

/// Why a law cannot be fitted.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum CalibrationError {
    /// An option outside its range, or not a number.
    #[error("calibration {what} is {found}; expected {expected}")]
    ImpossibleOption {
        /// Which option.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
    /// As many places as rows of readings are needed.
    #[error("{places} places for {rows} rows of readings")]
    LengthMismatch {
        /// Number of places.
        places: usize,
        /// Number of rows.
        rows: usize,
    },
    /// The readings are of another layout.
    #[error("the readings have {found} sites, the layout {expected}")]
    OtherLayout {
        /// Sites of the readings.
        found: usize,
        /// Sites of the layout.
        expected: usize,
    },
    /// A place that is not one.
    #[error("place {}: a coordinate is not a finite number", row + 1)]
    PlaceNotFinite {
        /// Index of the place.
        row: usize,
    },
    /// A level that no receiver reports.
    #[error("place {}, site {}: level {rssi_dbm} dBm; expected −200 to 100 dBm, or none", row + 1, site + 1)]
    ImpossibleLevel {
        /// Index of the place.
        row: usize,
        /// Index of the site.
        site: usize,
        /// What was found.
        rssi_dbm: f32,
    },
    /// A site whose level is wanted was heard nowhere.
    #[error("site `{site}` heard nothing between floor and ceiling, so that it has no level of its own")]
    SiteUnheard {
        /// Its name.
        site: String,
    },
    /// Fewer readings than unknowns and one.
    #[error("{heard} readings between floor and ceiling; {unknowns} unknowns need at least {}", unknowns + 1)]
    TooFewReadings {
        /// Readings heard.
        heard: usize,
        /// Levels and exponent.
        unknowns: usize,
    },
    /// All readings of each site come from one distance: they say nothing about the exponent.
    #[error(
        "the readings of each site come from one distance, within {spread_db:.1e} dB; an exponent needs several distances"
    )]
    OneDistance {
        /// Root-mean-square spread of 10 log₁₀(d / d₀) about the sites' means, dB.
        spread_db: f64,
    },
    /// What was heard lies on the law without error, while other readings are censored: the likelihood has no maximum.
    #[error(
        "the readings heard follow the law without any spread, so that censored ones cannot be weighed against them"
    )]
    NoSpread,
    /// The search for the most likely law did not end.
    #[error("the most likely law was not found: {above:.1e} above the least negative log-likelihood at the end")]
    NotSettled {
        /// How far above its minimum the quadratic model puts the negative log-likelihood.
        above: f64,
    },
}

/// A value and its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Its standard error, in the same unit.
    pub standard_error: f64,
}

/// A fitted law.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// The distance at which levels are stated, mm.
    pub reference_mm: f64,
    /// The exponent n.
    pub exponent: Estimate,
    /// Level of each site at the reference distance, dBm, stated gains included.
    pub level_dbm: Vec<Estimate>,
    /// Spread of single readings about the law, dB: shadowing and noise together. From residuals per degree of freedom
    /// where all readings were heard; the most likely value where some were censored, which is too small by about
    /// unknowns / (2 · heard) of itself.
    pub spread_db: Estimate,
    /// Readings between floor and ceiling.
    pub heard: usize,
    /// Readings below the floor or above the ceiling.
    pub censored: usize,
}

impl Calibration {
    /// Mean of the sites' levels at the reference distance, dBm.
    #[must_use]
    pub fn mean_level_dbm(&self) -> f64 {
        self.level_dbm.iter().map(|level| level.value).sum::<f64>() / self.level_dbm.len() as f64
    }

    /// Gain of each site about the mean of all, dB; for [`crate::Site::gain_db`], together with [`Calibration::law`].
    #[must_use]
    pub fn gains_db(&self) -> Vec<f64> {
        let mean_dbm = self.mean_level_dbm();
        self.level_dbm.iter().map(|level| level.value - mean_dbm).collect()
    }

    /// The law for a stated transmit power, dBm: the mean level is what is left of it at the reference distance.
    ///
    /// Readings tell power less loss, never one of them alone: with another power the loss moves along.
    ///
    /// # Errors
    ///
    /// [`PropagationError::ImpossibleValue`] for a law outside what [`LogDistance::new`] takes.
    pub fn law(&self, power_dbm: f64) -> Result<LogDistance, PropagationError> {
        LogDistance::new(
            self.reference_mm,
            power_dbm - self.mean_level_dbm(),
            self.exponent.value,
        )
    }
}

/// Fits a log-distance law to readings at known places: one row of `rssi_dbm` (dBm, NaN where no packet came) a place,
/// one column a site, as in a [`crate::Recording`].
///
/// # Errors
///
/// [`CalibrationError`], by what is wrong with options, readings or places.
///
/// # Examples
///
/// ```
/// use alvine::calibrate::{CalibrationOptions, calibrate};
/// use alvine::{Layout, LogDistance, Position, Propagation, Receiver, Torso};
///
/// let torso = Torso::new(330.0, 230.0)?;
/// let layout = Layout::default_eight(&torso);
/// let places: Vec<Position> = (0..20).map(|i| Position::new(8.0 * f64::from(i) - 80.0, 90.0, 20.0)).collect();
/// let rssi_dbm = ndarray::Array2::from_shape_fn((20, 8), |(place, site)| {
///     let loss = LogDistance::DEEP_TISSUE_TO_SURFACE.loss_db(&places[place], &layout.sites()[site].position_mm);
///     (-20.0 - loss) as f32
/// });
///
/// let receiver = Receiver::new(-120.0, None, None)?;
/// let fitted = calibrate(&layout, &receiver, &places, rssi_dbm.view(), &CalibrationOptions::default())?;
/// assert!((fitted.exponent.value - 4.26).abs() < 1e-4);
/// assert!((fitted.law(-20.0)?.loss_at_reference_db() - 47.14).abs() < 1e-4);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn calibrate(
    layout: &Layout,
    receiver: &Receiver,
    places_mm: &[Position],
    rssi_dbm: ArrayView2<'_, f32>,
    options: &CalibrationOptions,
) -> Result<Calibration, CalibrationError> {
    let sample = Sample::new(layout, receiver, places_mm, rssi_dbm, options)?;
    let least_squares = LeastSquares::of(&sample)?;
    let parameters = if sample.limits.is_empty() {
        least_squares.parameters()
    } else {
        censored::refine(&sample, &least_squares)?
    };
    Ok(describe(layout, options, &sample, &parameters))
}

/// The fitted parameters, one level a group of sites.
#[derive(Debug, Clone, PartialEq)]
struct Parameters {
    levels_dbm: Vec<Estimate>,
    exponent: Estimate,
    spread_db: Estimate,
}

fn describe(layout: &Layout, options: &CalibrationOptions, sample: &Sample, found: &Parameters) -> Calibration {
    let level_dbm = layout
        .sites()
        .iter()
        .enumerate()
        .map(|(index, site)| match options.site_levels {
            SiteLevels::PerSite => found.levels_dbm[index],
            SiteLevels::Common => Estimate {
                value: found.levels_dbm[0].value + site.gain_db,
                ..found.levels_dbm[0]
            },
        })
        .collect();
    Calibration {
        reference_mm: options.reference_mm,
        exponent: found.exponent,
        level_dbm,
        spread_db: found.spread_db,
        heard: sample.heard.len(),
        censored: sample.limits.len(),
    }
}

/// The least x may spread about its groups' means, dB: a hundredth of a dB is a quarter of a per cent of distance.
const LEAST_SPREAD_DB: f64 = 0.01;

/// The closed form over what was heard.
///
/// ```text
/// n = −Σ (x − x̄_s)(z − z̄_s) / Sxx,   p_s = z̄_s + n x̄_s,   σ² = Σ r² / (N − unknowns)
/// var n = σ² / Sxx,   var p_s = σ² (1/N_s + x̄_s² / Sxx),   Sxx = Σ (x − x̄_s)²
/// ```
#[derive(Debug, Clone, PartialEq)]
struct LeastSquares {
    counts: Vec<f64>,
    mean_x_db: Vec<f64>,
    levels_dbm: Vec<f64>,
    exponent: f64,
    scatter_xx: f64,
    residual_squares: f64,
    freedom: f64,
}

impl LeastSquares {
    fn of(sample: &Sample) -> Result<Self, CalibrationError> {
        let heard = sample.heard.len();
        let unknowns = sample.groups + 1;
        if heard <= unknowns {
            return Err(CalibrationError::TooFewReadings { heard, unknowns });
        }
        let mut counts = vec![0.0; sample.groups];
        let mut mean_x_db = vec![0.0; sample.groups];
        let mut mean_z_dbm = vec![0.0; sample.groups];
        for point in &sample.heard {
            counts[point.group] += 1.0;
            mean_x_db[point.group] += point.x_db;
            mean_z_dbm[point.group] += point.level_dbm;
        }
        for (group, count) in counts.iter().enumerate() {
            mean_x_db[group] /= count;
            mean_z_dbm[group] /= count;
        }
        let centred = |point: &sample::Point| {
            (
                point.x_db - mean_x_db[point.group],
                point.level_dbm - mean_z_dbm[point.group],
            )
        };
        let (mut scatter_xx, mut scatter_xz) = (0.0, 0.0);
        for point in &sample.heard {
            let (x, z) = centred(point);
            scatter_xx += x * x;
            scatter_xz += x * z;
        }
        let spread_db = (scatter_xx / heard as f64).sqrt();
        if spread_db < LEAST_SPREAD_DB {
            return Err(CalibrationError::OneDistance { spread_db });
        }
        let exponent = -scatter_xz / scatter_xx;
        let residual_squares = sample
            .heard
            .iter()
            .map(centred)
            .map(|(x, z)| (z + exponent * x).powi(2))
            .sum();
        let levels_dbm = mean_z_dbm
            .iter()
            .zip(&mean_x_db)
            .map(|(z, x)| z + exponent * x)
            .collect();
        Ok(Self {
            counts,
            mean_x_db,
            levels_dbm,
            exponent,
            scatter_xx,
            residual_squares,
            freedom: (heard - unknowns) as f64,
        })
    }

    fn spread_db(&self) -> f64 {
        (self.residual_squares / self.freedom).sqrt()
    }

    fn parameters(&self) -> Parameters {
        let spread_db = self.spread_db();
        let levels_dbm = self
            .levels_dbm
            .iter()
            .zip(self.counts.iter().zip(&self.mean_x_db))
            .map(|(&value, (count, x))| Estimate {
                value,
                standard_error: spread_db * (1.0 / count + x * x / self.scatter_xx).sqrt(),
            })
            .collect();
        Parameters {
            levels_dbm,
            exponent: Estimate {
                value: self.exponent,
                standard_error: spread_db / self.scatter_xx.sqrt(),
            },
            // The standard deviation of √(χ²_f / f) is near 1 / √(2 f).
            spread_db: Estimate {
                value: spread_db,
                standard_error: spread_db / (2.0 * self.freedom).sqrt(),
            },
        }
    }
}

#[cfg(test)]
mod tests;
