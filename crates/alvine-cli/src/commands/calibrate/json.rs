//! A calibration in JSON.

use alvine::calibrate::{LawFit, NoiseFrom, Parameter};
use serde::Serialize;

use super::Calibrated;

/// The whole of it.
#[derive(Debug, Serialize)]
pub(super) struct CalibrationJson {
    format: u32,
    rows: usize,
    places: usize,
    sites: Vec<String>,
    heard: usize,
    censored: usize,
    distances_mm: [f64; 2],
    power_dbm: f64,
    frequency_mhz: f64,
    floor_dbm: f64,
    reference_mm: f64,
    common_level: bool,
    /// How many times wider than independent readings would make it the variance of the slopes is.
    inflation: f64,
    preferred: Option<&'static str>,
    laws: Vec<LawJson>,
    not_fitted: Vec<NotFittedJson>,
    tables: Option<String>,
    cautions: Vec<String>,
}

#[derive(Debug, Serialize)]
struct LawJson {
    law: &'static str,
    exponent: Option<ParameterJson>,
    attenuation_db_per_cm: Option<ParameterJson>,
    level_dbm: Vec<ParameterJson>,
    loss_at_reference_db: f64,
    spread_db: ParameterJson,
    shadowing_db: f64,
    noise_db: Option<f64>,
    noise_from: &'static str,
    correlation_mm: f64,
    effective_readings: f64,
    ln_likelihood: f64,
    unknowns: usize,
    aicc: f64,
    bic: f64,
    qaicc: f64,
    above_least: f64,
    weight: f64,
    adequacy: AdequacyJson,
    residuals: ResidualsJson,
}

#[derive(Debug, Serialize)]
struct ParameterJson {
    value: f64,
    standard_error: f64,
    independent_error: f64,
    interval95: [f64; 2],
}

#[derive(Debug, Serialize)]
struct AdequacyJson {
    verdict: &'static str,
    departure_db: Option<f64>,
    departure_high_db: Option<f64>,
    tolerable_db: f64,
    probability: Option<f64>,
}

#[derive(Debug, Serialize)]
struct ResidualsJson {
    sites: Vec<SiteJson>,
    by_distance: Vec<ClassJson>,
    skewness: [f64; 2],
    excess_kurtosis: [f64; 2],
    normal_probability: f64,
    /// Mean correlation of two sites in one row, and its standard error; null where no row has two readings.
    across_sites: Option<[f64; 2]>,
    outliers: Vec<OutlierJson>,
}

#[derive(Debug, Serialize)]
struct SiteJson {
    site: String,
    heard: usize,
    censored: usize,
    mean_db: Option<f64>,
    spread_db: Option<f64>,
}

#[derive(Debug, Serialize)]
struct ClassJson {
    from_mm: f64,
    to_mm: f64,
    mean_db: f64,
}

#[derive(Debug, Serialize)]
struct OutlierJson {
    line: usize,
    site: String,
    residual_db: f64,
}

#[derive(Debug, Serialize)]
struct NotFittedJson {
    law: &'static str,
    reason: String,
}

impl From<Parameter> for ParameterJson {
    fn from(parameter: Parameter) -> Self {
        Self {
            value: parameter.value,
            standard_error: parameter.standard_error,
            independent_error: parameter.independent_error,
            interval95: parameter.interval95,
        }
    }
}

impl Calibrated<'_> {
    pub(super) fn json(&self) -> CalibrationJson {
        let fit = &self.fit;
        let not_fitted = fit.not_fitted.iter();
        CalibrationJson {
            format: 1,
            rows: self.survey.lines.len(),
            places: fit.places,
            sites: self.setup.layout.names(),
            heard: fit.heard,
            censored: fit.censored,
            distances_mm: fit.distances_mm,
            power_dbm: self.setup.transmitter.power_dbm(),
            frequency_mhz: self.setup.transmitter.frequency_mhz(),
            floor_dbm: self.setup.receiver.floor_dbm(),
            reference_mm: self.args.reference_mm,
            common_level: self.args.common_level,
            inflation: fit.inflation,
            preferred: fit.preferred().map(|law| law.form.as_str()),
            laws: fit.laws.iter().map(|law| self.law_json(law)).collect(),
            not_fitted: not_fitted
                .map(|(form, error)| NotFittedJson {
                    law: form.as_str(),
                    reason: error.to_string(),
                })
                .collect(),
            tables: self.tables().ok(),
            cautions: self.cautions(),
        }
    }

    fn law_json(&self, law: &LawFit) -> LawJson {
        LawJson {
            law: law.form.as_str(),
            exponent: law.exponent.map(ParameterJson::from),
            attenuation_db_per_cm: law.attenuation_db_per_cm.map(ParameterJson::from),
            level_dbm: law.level_dbm.iter().map(|&level| level.into()).collect(),
            loss_at_reference_db: self.setup.transmitter.power_dbm() - law.mean_level_dbm(),
            spread_db: law.spread_db.into(),
            shadowing_db: law.shared.shadowing_db,
            noise_db: law.shared.noise_db,
            noise_from: match law.shared.noise_from {
                NoiseFrom::Repeats => "repeats",
                NoiseFrom::Neighbours => "neighbours",
                NoiseFrom::Nothing => "nothing",
            },
            correlation_mm: law.shared.correlation_mm,
            effective_readings: law.shared.effective_readings,
            ln_likelihood: law.criteria.ln_likelihood,
            unknowns: law.criteria.unknowns,
            aicc: law.criteria.aicc,
            bic: law.criteria.bic,
            qaicc: law.criteria.qaicc,
            above_least: law.criteria.above_least,
            weight: law.criteria.weight,
            adequacy: AdequacyJson {
                verdict: law.adequacy.verdict.as_str(),
                departure_db: law.adequacy.departure_db,
                departure_high_db: law.adequacy.departure_high_db,
                tolerable_db: law.adequacy.tolerable_db,
                probability: law.adequacy.probability,
            },
            residuals: self.residuals_json(law),
        }
    }

    fn residuals_json(&self, law: &LawFit) -> ResidualsJson {
        let summary = &law.residuals;
        let sites = self.setup.layout.sites();
        ResidualsJson {
            sites: sites
                .iter()
                .zip(&summary.sites)
                .map(|(site, residuals)| SiteJson {
                    site: site.name.clone(),
                    heard: residuals.heard,
                    censored: residuals.censored,
                    mean_db: residuals.mean_db,
                    spread_db: residuals.spread_db,
                })
                .collect(),
            by_distance: summary
                .by_distance
                .iter()
                .map(|class| ClassJson {
                    from_mm: class.from_mm,
                    to_mm: class.to_mm,
                    mean_db: class.mean_db,
                })
                .collect(),
            skewness: summary.skewness,
            excess_kurtosis: summary.excess_kurtosis,
            normal_probability: summary.normal_probability,
            across_sites: Some(summary.across_sites).filter(|[_, error]| error.is_finite()),
            outliers: summary
                .outliers
                .iter()
                .map(|outlier| OutlierJson {
                    line: self.survey.lines[outlier.row],
                    site: sites[outlier.site].name.clone(),
                    residual_db: outlier.residual_db,
                })
                .collect(),
        }
    }
}
