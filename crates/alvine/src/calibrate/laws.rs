//! Laws beside each other: each law that a study can name, fitted to one survey, with intervals and criteria to choose
//! by.
//!
//! ```text
//! log-distance          z = p_s − 10 n log₁₀(d/d₀) + e
//! distance-and-tissue   z = p_s − 10 n log₁₀(d/d₀) − α (d − d₀)/10 + e
//! free-space            z = p_s − 20 log₁₀(d/d₀) + e
//! ```
//!
//! # Intervals
//!
//! Wald's: value ± t · standard error, with standard errors that take in what neighbouring readings share (the module
//! *sharing*) and t of Student's distribution for the independent values that there are to a level. Beside them stand
//! the standard errors that readings would have if they erred independently.
//!
//! Over 100 simulated surveys (the tests of this module) 95 % intervals held the exponent in 94, a level in 92 and the
//! spread in 87: variances and length are themselves known only so well, which the spread's interval feels most.
//!
//! # Criteria
//!
//! ```text
//! AICc = −2 ln L + 2 k + 2 k (k + 1)/(N − k − 1),   BIC = −2 ln L + k ln N
//! QAICc = −2 ln L / c + 2 k + 2 k (k + 1)/(N/c − k − 1),   weight ∝ exp(−½ (QAICc − least))
//! k levels, slopes and spread; N readings; c how many times wider than independent the variance of slopes is, at least 1
//! ```
//!
//! AICc and BIC take readings for independent and then choose with far too much confidence; the choice is made by
//! QAICc.
//!
//! # Source
//!
//! C. M. Hurvich, C.-L. Tsai, *Regression and time series model selection in small samples*, Biometrika 76 (1989),
//! AICc; G. Schwarz, *Estimating the dimension of a model*, Ann. Stat. 6 (1978), BIC; K. P. Burnham, D. R. Anderson,
//! *Model Selection and Multimodel Inference* (2002), QAICc and weights. From memory; their use for readings that share
//! shadowing is ours.

use std::collections::HashSet;

use nalgebra::DMatrix;
use ndarray::ArrayView2;

use super::adequacy::{self, Adequacy, Bends};
use super::likelihood::{Design, Fitted, NO_SPREAD_DB};
use super::residuals::{self, ResidualSummary};
use super::sample::Sample;
use super::sharing::{self, Robust, SharedErrors};
use super::{CalibrationError, CalibrationOptions, SiteLevels};
use crate::layout::Layout;
use crate::propagation::{DistanceAndTissue, FreeSpace, Law, LogDistance, Propagation, PropagationError};
use crate::recording::Receiver;
use crate::student::two_sided_point;
use crate::torso::Position;

/// Intervals miss the truth so often where the model is right.
pub(super) const MISS: f64 = 0.05;
/// The exponent of free space.
const FREE_SPACE_EXPONENT: f64 = 2.0;

/// A law that a study can name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LawForm {
    /// A level and an exponent.
    LogDistance,
    /// A level, an exponent of spreading, and absorption.
    DistanceAndTissue,
    /// A level alone; the exponent is 2.
    FreeSpace,
}

impl LawForm {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::LogDistance, Self::DistanceAndTissue, Self::FreeSpace];

    /// Its name in a study.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::LogDistance => "log-distance",
            Self::DistanceAndTissue => "distance-and-tissue",
            Self::FreeSpace => "free-space",
        }
    }

    /// What its slopes multiply.
    pub(super) fn columns(self, sample: &Sample, reference_mm: f64) -> DMatrix<f64> {
        let slopes = match self {
            Self::LogDistance => 1,
            Self::DistanceAndTissue => 2,
            Self::FreeSpace => 0,
        };
        DMatrix::from_fn(sample.points.len(), slopes, |reading, slope| {
            let point = &sample.points[reading];
            if slope == 0 {
                -point.x_db
            } else {
                -0.1 * (point.distance_mm - reference_mm)
            }
        })
    }

    /// The readings as the law sees them: what it gives beforehand is taken off.
    fn sample(self, sample: &Sample) -> Sample {
        match self {
            Self::FreeSpace => sample.less_spreading(FREE_SPACE_EXPONENT),
            _ => sample.clone(),
        }
    }
}

/// A value with its errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parameter {
    /// The most likely value.
    pub value: f64,
    /// Its standard error, with what neighbouring readings share.
    pub standard_error: f64,
    /// The standard error that it would have if readings erred independently.
    pub independent_error: f64,
    /// Its 95 % interval.
    pub interval95: [f64; 2],
}

/// Criteria to choose between laws; the less, the better.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Criteria {
    /// Levels, slopes and the spread.
    pub unknowns: usize,
    /// Natural logarithm of the likelihood, as if readings erred independently.
    pub ln_likelihood: f64,
    /// Akaike's criterion, corrected for few readings.
    pub aicc: f64,
    /// Schwarz's criterion.
    pub bic: f64,
    /// Akaike's criterion for readings that share their errors.
    pub qaicc: f64,
    /// How far QAICc lies above the least of all laws.
    pub above_least: f64,
    /// Weight by QAICc; those of all laws sum to 1.
    pub weight: f64,
}

/// One law fitted to a survey.
#[derive(Debug, Clone, PartialEq)]
pub struct LawFit {
    /// Which.
    pub form: LawForm,
    /// The distance at which levels are stated, mm.
    pub reference_mm: f64,
    /// The exponent; `None` where the law gives it.
    pub exponent: Option<Parameter>,
    /// Absorption, dB/cm; `None` where the law has none.
    pub attenuation_db_per_cm: Option<Parameter>,
    /// Level of each site at the reference distance, dBm, stated gains included.
    pub level_dbm: Vec<Parameter>,
    /// Spread of single readings about the law, dB.
    pub spread_db: Parameter,
    /// How the spread divides, and what neighbouring readings share.
    pub shared: SharedErrors,
    /// Criteria to choose by.
    pub criteria: Criteria,
    /// Whether the law bends as the readings do.
    pub adequacy: Adequacy,
    /// What the law leaves of the readings.
    pub residuals: ResidualSummary,
}

impl LawFit {
    /// Mean of the sites' levels at the reference distance, dBm.
    #[must_use]
    pub fn mean_level_dbm(&self) -> f64 {
        self.level_dbm.iter().map(|level| level.value).sum::<f64>() / self.level_dbm.len() as f64
    }

    /// The law for a stated transmit power, dBm, and carrier, MHz.
    ///
    /// Readings tell power less loss, never one of them alone. In free space, whose loss is given, what is left goes to
    /// the gains: see [`LawFit::gains_db`].
    ///
    /// # Errors
    ///
    /// [`PropagationError::ImpossibleValue`] where what was fitted is outside what the law takes.
    pub fn law(&self, power_dbm: f64, frequency_mhz: f64) -> Result<Law, PropagationError> {
        let loss_db = power_dbm - self.mean_level_dbm();
        let value = |parameter: Option<Parameter>| parameter.map_or(FREE_SPACE_EXPONENT, |parameter| parameter.value);
        match self.form {
            LawForm::LogDistance => {
                LogDistance::new(self.reference_mm, loss_db, value(self.exponent)).map(Law::LogDistance)
            }
            LawForm::DistanceAndTissue => DistanceAndTissue::new(
                self.reference_mm,
                loss_db,
                value(self.exponent),
                value(self.attenuation_db_per_cm),
            )
            .map(Law::DistanceAndTissue),
            LawForm::FreeSpace => FreeSpace::new(frequency_mhz).map(Law::FreeSpace),
        }
    }

    /// The gain of each site that goes with [`LawFit::law`], dB.
    ///
    /// # Errors
    ///
    /// As [`LawFit::law`].
    pub fn gains_db(&self, power_dbm: f64, frequency_mhz: f64) -> Result<Vec<f64>, PropagationError> {
        let law = self.law(power_dbm, frequency_mhz)?;
        let median_dbm = power_dbm - law.at_distance(self.reference_mm).loss_db;
        Ok(self.level_dbm.iter().map(|level| level.value - median_dbm).collect())
    }

    /// What the law says is read at a site at a distance, dBm.
    #[must_use]
    pub fn median_dbm(&self, site: usize, distance_mm: f64) -> f64 {
        let exponent = self.exponent.map_or(FREE_SPACE_EXPONENT, |exponent| exponent.value);
        let absorbed = self.attenuation_db_per_cm.map_or(0.0, |absorbed| absorbed.value);
        self.level_dbm[site].value
            - 10.0 * exponent * (distance_mm / self.reference_mm).log10()
            - 0.1 * absorbed * (distance_mm - self.reference_mm)
    }
}

/// All laws fitted to one survey.
#[derive(Debug, Clone, PartialEq)]
pub struct SurveyFit {
    /// The laws that could be fitted, in the order of [`LawForm::ALL`].
    pub laws: Vec<LawFit>,
    /// The laws that could not, and why.
    pub not_fitted: Vec<(LawForm, CalibrationError)>,
    /// Index of the law with the least QAICc among those that a study can hold; `None` where there is none.
    pub preferred: Option<usize>,
    /// How many times wider than independent readings would make it the variance of the slopes is.
    pub inflation: f64,
    /// Places of different whole millimetres.
    pub places: usize,
    /// Readings between floor and ceiling.
    pub heard: usize,
    /// Readings below the floor or above the ceiling.
    pub censored: usize,
    /// The least and the greatest distance between a place and a site that read something, mm.
    pub distances_mm: [f64; 2],
}

impl SurveyFit {
    /// The law with the least QAICc among those that a study can hold.
    #[must_use]
    pub fn preferred(&self) -> Option<&LawFit> {
        self.preferred.and_then(|index| self.laws.get(index))
    }
}

/// Fits every law that a study can name to readings at known places: one row of `rssi_dbm` (dBm, NaN where no packet
/// came) a place, one column a site. Rows at one place are repeats, and tell noise from shadowing.
///
/// # Errors
///
/// [`CalibrationError`], by what is wrong with options, readings or places; where no law can be fitted, why the first
/// cannot.
///
/// # Examples
///
/// ```
/// use alvine::calibrate::{CalibrationOptions, Verdict, fit_laws};
/// use alvine::{Layout, LogDistance, Position, Propagation, Receiver, Torso};
///
/// let layout = Layout::default_eight(&Torso::new(330.0, 230.0)?);
/// // A lattice in a tank, read with an error that is new at every place.
/// let at = |k: usize, step_mm: f64| step_mm * k as f64;
/// let place = |k: usize| Position::new(at(k % 5, 60.0) - 120.0, 60.0 + at(k / 25, 40.0), at(k / 5 % 5, 60.0) - 120.0);
/// let places: Vec<Position> = (0..75).map(place).collect();
/// let rssi_dbm = ndarray::Array2::from_shape_fn((75, 8), |(row, site)| {
///     let error_db = 3.0 * (((row * 8 + site) * 7919 % 1000) as f64 / 500.0 - 1.0);
///     let loss_db = LogDistance::DEEP_TISSUE_TO_SURFACE.loss_db(&places[row], &layout.sites()[site].position_mm);
///     (-20.0 - loss_db + error_db) as f32
/// });
///
/// let receiver = Receiver::new(-120.0, None, None)?;
/// let fitted = fit_laws(&layout, &receiver, &places, rssi_dbm.view(), &CalibrationOptions::default())?;
/// let law = fitted.preferred().ok_or("no law")?;
/// let exponent = law.exponent.ok_or("no exponent")?;
/// assert!(exponent.interval95[0] < 4.26 && 4.26 < exponent.interval95[1]);
/// assert_eq!(law.adequacy.verdict, Verdict::Adequate);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn fit_laws(
    layout: &Layout,
    receiver: &Receiver,
    places_mm: &[Position],
    rssi_dbm: ArrayView2<'_, f32>,
    options: &CalibrationOptions,
) -> Result<SurveyFit, CalibrationError> {
    let sample = Sample::new(layout, receiver, places_mm, rssi_dbm, options)?;
    let mut attempts = Vec::new();
    let mut not_fitted = Vec::new();
    for form in LawForm::ALL {
        match Attempt::new(form, &sample, places_mm, options) {
            Ok(attempt) => attempts.push(attempt),
            Err(error) => not_fitted.push((form, error)),
        }
    }
    if let (true, Some((_, error))) = (attempts.is_empty(), not_fitted.first()) {
        return Err(error.clone());
    }
    let inflation = inflation(&attempts);
    let mut laws: Vec<LawFit> = attempts
        .into_iter()
        .map(|attempt| attempt.describe(layout, options, inflation))
        .collect();
    weigh(&mut laws);
    Ok(SurveyFit {
        preferred: preferred(&laws),
        laws,
        not_fitted,
        inflation,
        places: count_places(places_mm),
        heard: sample.heard,
        censored: sample.censored(),
        distances_mm: sample.points.iter().fold([f64::INFINITY, 0.0], |[near, far], point| {
            [near.min(point.distance_mm), far.max(point.distance_mm)]
        }),
    })
}

/// A law, its fit, and what its readings share.
struct Attempt {
    form: LawForm,
    sample: Sample,
    columns: DMatrix<f64>,
    fitted: Fitted,
    robust: Robust,
    /// The same law with bends, where they could be fitted.
    bends: Option<Bends>,
}

impl Attempt {
    fn new(
        form: LawForm,
        sample: &Sample,
        places_mm: &[Position],
        options: &CalibrationOptions,
    ) -> Result<Self, CalibrationError> {
        let mut attempt = Self::without_bends(form, sample, places_mm, options)?;
        let design = Design::new(&attempt.sample, attempt.columns.clone());
        attempt.bends = Bends::fit(&design, places_mm);
        Ok(attempt)
    }

    fn without_bends(
        form: LawForm,
        sample: &Sample,
        places_mm: &[Position],
        options: &CalibrationOptions,
    ) -> Result<Self, CalibrationError> {
        let sample = form.sample(sample);
        let columns = form.columns(&sample, options.reference_mm);
        let design = Design::new(&sample, columns.clone());
        let fitted = design.fit()?;
        if fitted.likely_spread_db < NO_SPREAD_DB {
            return Err(CalibrationError::NoSpread);
        }
        let robust = sharing::robust(&design, &fitted, places_mm)?;
        Ok(Self {
            form,
            columns,
            fitted,
            robust,
            bends: None,
            sample,
        })
    }

    fn describe(self, layout: &Layout, options: &CalibrationOptions, inflation: f64) -> LawFit {
        let design = Design::new(&self.sample, self.columns.clone());
        let groups = self.sample.groups;
        let point = two_sided_point(MISS, self.robust.freedom);
        let parameter = |row: usize, value: f64| {
            let standard_error = self.robust.covariance[(row, row)].max(0.0).sqrt();
            Parameter {
                value,
                standard_error,
                independent_error: self.robust.independent[(row, row)].max(0.0).sqrt(),
                interval95: [value - point * standard_error, value + point * standard_error],
            }
        };
        let slope = |k: usize| {
            let slope = self.fitted.slopes.get(k);
            slope.map(|slope| parameter(groups + k, slope.value))
        };
        let levels = layout.sites().iter().enumerate();
        let level = |(site, gain_db): (usize, f64)| match options.site_levels {
            SiteLevels::PerSite => parameter(site, self.fitted.levels_dbm[site].value),
            SiteLevels::Common => parameter(0, self.fitted.levels_dbm[0].value).moved(gain_db),
        };
        LawFit {
            form: self.form,
            reference_mm: options.reference_mm,
            exponent: slope(0),
            attenuation_db_per_cm: slope(1),
            level_dbm: levels.map(|(index, site)| level((index, site.gain_db))).collect(),
            spread_db: of_logarithm(parameter(design.unknowns() - 1, self.robust.spread_db.ln())),
            shared: self.robust.shared,
            criteria: criteria(&design, &self.fitted, inflation),
            adequacy: adequacy::judge(self.bends.as_ref(), &self.robust),
            residuals: residuals::summarise(&design, &self.fitted, &self.robust, layout),
        }
    }
}

impl Parameter {
    /// The same with a known number added.
    fn moved(self, by: f64) -> Self {
        Self {
            value: self.value + by,
            interval95: self.interval95.map(|end| end + by),
            ..self
        }
    }
}

/// A parameter from its logarithm: errors in proportion, the interval carried over end by end.
fn of_logarithm(ln: Parameter) -> Parameter {
    let value = ln.value.exp();
    Parameter {
        value,
        standard_error: value * ln.standard_error,
        independent_error: value * ln.independent_error,
        interval95: ln.interval95.map(f64::exp),
    }
}

fn criteria(design: &Design<'_>, fitted: &Fitted, inflation: f64) -> Criteria {
    let (k, n) = (design.unknowns() as f64, design.sample.points.len() as f64);
    let deviance = -2.0 * fitted.ln_likelihood;
    let corrected = |readings: f64| {
        if readings > k + 1.0 {
            2.0 * k + 2.0 * k * (k + 1.0) / (readings - k - 1.0)
        } else {
            f64::INFINITY
        }
    };
    Criteria {
        unknowns: design.unknowns(),
        ln_likelihood: fitted.ln_likelihood,
        aicc: deviance + corrected(n),
        bic: deviance + k * n.ln(),
        qaicc: deviance / inflation + corrected(n / inflation),
        above_least: 0.0,
        weight: 0.0,
    }
}

/// How many times wider than independent readings would make it the variance of the slopes is, in the richest law with
/// bends.
fn inflation(attempts: &[Attempt]) -> f64 {
    let most = |attempt: &&Attempt| attempt.bends.as_ref().map_or(0, |bends| bends.slopes);
    let richest = attempts
        .iter()
        .max_by_key(most)
        .and_then(|attempt| attempt.bends.as_ref());
    richest.map_or(1.0, |bends| bends.inflation().max(1.0))
}

fn weigh(laws: &mut [LawFit]) {
    let least = laws.iter().map(|law| law.criteria.qaicc).fold(f64::INFINITY, f64::min);
    for law in laws.iter_mut() {
        let above = law.criteria.qaicc - least;
        law.criteria.above_least = if above.is_nan() { 0.0 } else { above };
        law.criteria.weight = (-0.5 * law.criteria.above_least).exp();
    }
    let sum: f64 = laws.iter().map(|law| law.criteria.weight).sum();
    for law in laws {
        law.criteria.weight /= sum;
    }
}

/// The law with the least QAICc among those whose exponent and absorption a study can hold.
fn preferred(laws: &[LawFit]) -> Option<usize> {
    // Losses move with the stated power; at their reference distance they are nought here.
    let holds = |law: &LawFit| law.law(law.mean_level_dbm(), 433.0).is_ok();
    let able = laws.iter().enumerate().filter(|(_, law)| holds(law));
    able.min_by(|(_, one), (_, other)| one.criteria.qaicc.total_cmp(&other.criteria.qaicc))
        .map(|(index, _)| index)
}

/// How many places there are, of different whole millimetres.
fn count_places(places_mm: &[Position]) -> usize {
    let places: HashSet<_> = places_mm.iter().map(sharing::millimetre).collect();
    places.len()
}

#[cfg(test)]
mod tests;
