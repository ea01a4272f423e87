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
//! [`calibrate`] fits this law alone, with errors as if readings erred independently. [`fit_laws`] fits every law that
//! a study can name beside each other, and widens their errors by what neighbouring readings share; it says which law
//! to take, and whether it is adequate.
//!
//! # Two ways, and which is used when
//!
//! Where every reading was heard this is linear least squares, and the answer is a closed form. Where readings lie
//! below the floor or above the ceiling, the closed form is biased, whether they are dropped or taken at the limit, as
//! near and lucky readings are heard more often. They then enter by their probability (the module *likelihood*), which
//! has no closed form; its minimum is found by Newton's method.

mod adequacy;
mod laws;
mod likelihood;
mod residuals;
mod sample;
mod sharing;

use ndarray::ArrayView2;
use thiserror::Error;

use crate::layout::Layout;
use crate::propagation::{LogDistance, PropagationError};
use crate::recording::Receiver;
use crate::torso::Position;
use likelihood::Design;
use sample::Sample;

pub use adequacy::{Adequacy, Verdict};
pub use laws::{Criteria, LawFit, LawForm, Parameter, SurveyFit, fit_laws};
pub use residuals::{DistanceClass, Outlier, Residual, ResidualSummary, SiteResiduals};
pub use sharing::{NoiseFrom, SharedErrors};

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
    /// What was heard lies on the law without error: censored readings cannot be weighed against it, and no law against
    /// another.
    #[error("the readings heard follow the law without any spread, so that nothing tells what an error is worth")]
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
    let fitted = Design::new(&sample, LawForm::LogDistance.columns(&sample, options.reference_mm)).fit()?;
    Ok(Calibration {
        reference_mm: options.reference_mm,
        exponent: fitted.slopes[0],
        level_dbm: site_levels(layout, options.site_levels, &fitted.levels_dbm),
        spread_db: fitted.spread_db,
        heard: sample.heard,
        censored: sample.censored(),
    })
}

/// The level of each site from those of the groups, stated gains included.
fn site_levels(layout: &Layout, levels: SiteLevels, groups: &[Estimate]) -> Vec<Estimate> {
    let sites = layout.sites().iter().enumerate();
    sites
        .map(|(index, site)| match levels {
            SiteLevels::PerSite => groups[index],
            SiteLevels::Common => Estimate {
                value: groups[0].value + site.gain_db,
                ..groups[0]
            },
        })
        .collect()
}

#[cfg(test)]
mod tests;
