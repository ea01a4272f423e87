//! How the bench says things: setups, errors and places, in text and in JSON.

use alvine::siting::{RegionSummary, SurveyOptions};
use alvine::{Law, Position, Setup};
use serde::Serialize;

/// A length for people: whole millimetres, or that there is none.
pub fn mm(value: f64) -> String {
    if value.is_finite() {
        format!("{value:.0}")
    } else {
        "none".to_owned()
    }
}

/// A share as whole per cent.
pub fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

/// A place as three whole millimetres.
pub fn place(place_mm: &Position) -> String {
    // Adding nought turns a negative nought into a plain one.
    let [x, y, z] = [place_mm.x, place_mm.y, place_mm.z].map(|mm| mm.round() + 0.0);
    format!("({x}, {y}, {z}) mm")
}

/// What is taken for granted, in one sentence.
pub fn premises(setup: &Setup, options: &SurveyOptions) -> String {
    format!(
        "Law: {}; {} dBm sent, floor {} dBm; a reading spreads by {:.2} dB (shadowing {}, noise {}); level known to {} dB. \
         Errors are the least root-mean-square error of one fix on its own (Cramér–Rao bound).",
        law(&setup.law),
        setup.transmitter.power_dbm(),
        setup.receiver.floor_dbm(),
        options.spread_db(setup),
        setup.noise.shadowing_db(),
        setup.noise.noise_db(),
        options.level_prior_db,
    )
}

/// A law in a few words.
pub fn law(law: &Law) -> String {
    match law {
        Law::LogDistance(law) => format!(
            "log-distance, {} dB at {} mm, exponent {}",
            law.loss_at_reference_db(),
            law.reference_mm(),
            law.exponent()
        ),
        Law::FreeSpace(law) => format!("free space at {} MHz", law.frequency_mhz()),
        Law::DistanceAndTissue(law) => format!(
            "distance and tissue, {} dB at {} mm, exponent {}, {} dB/cm",
            law.loss_at_reference_db(),
            law.reference_mm(),
            law.exponent(),
            law.attenuation_db_per_cm()
        ),
    }
}

/// A site in JSON.
#[derive(Debug, Serialize)]
pub struct SiteJson {
    name: String,
    position_mm: [f64; 3],
    gain_db: f64,
}

/// A setup in JSON.
#[derive(Debug, Serialize)]
pub struct SetupJson {
    breadth_mm: f64,
    depth_mm: f64,
    law: String,
    power_dbm: f64,
    floor_dbm: f64,
    spread_db: f64,
    level_prior_db: f64,
    sites: Vec<SiteJson>,
}

impl SetupJson {
    /// Of a setup and what a survey takes for granted.
    pub fn of(setup: &Setup, options: &SurveyOptions) -> Self {
        let sites = setup.layout.sites().iter().map(|site| SiteJson {
            name: site.name.clone(),
            position_mm: array(&site.position_mm),
            gain_db: site.gain_db,
        });
        Self {
            breadth_mm: setup.torso.breadth_mm(),
            depth_mm: setup.torso.depth_mm(),
            law: law(&setup.law),
            power_dbm: setup.transmitter.power_dbm(),
            floor_dbm: setup.receiver.floor_dbm(),
            spread_db: options.spread_db(setup),
            level_prior_db: options.level_prior_db,
            sites: sites.collect(),
        }
    }
}

/// A summary in JSON; an error that is infinite becomes null.
#[derive(Debug, Serialize)]
pub struct RegionJson {
    places: usize,
    rmse_mean_mm: f64,
    rmse_percentile95_mm: f64,
    rmse_worst_mm: f64,
    worst_place_mm: [f64; 3],
    rmse_level_known_mean_mm: f64,
    rmse_level_unknown_mean_mm: f64,
    rmse_in_torso_mean_mm: f64,
    dilution_mean: f64,
    sites_above_floor_mean: f64,
    sites_expected_mean: f64,
    covered_share: f64,
}

impl From<&RegionSummary> for RegionJson {
    fn from(summary: &RegionSummary) -> Self {
        Self {
            places: summary.places,
            rmse_mean_mm: summary.mean_mm,
            rmse_percentile95_mm: summary.percentile95_mm,
            rmse_worst_mm: summary.worst_mm,
            worst_place_mm: array(&summary.worst_place_mm),
            rmse_level_known_mean_mm: summary.mean_level_known_mm,
            rmse_level_unknown_mean_mm: summary.mean_level_unknown_mm,
            rmse_in_torso_mean_mm: summary.mean_in_torso_mm,
            dilution_mean: summary.mean_dilution,
            sites_above_floor_mean: summary.mean_sites_above_floor,
            sites_expected_mean: summary.mean_sites_expected,
            covered_share: summary.covered_share,
        }
    }
}

/// A place in JSON.
pub fn array(place_mm: &Position) -> [f64; 3] {
    [place_mm.x, place_mm.y, place_mm.z]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_place_has_a_negative_nought_and_no_error_is_infinite() {
        assert_eq!(place(&Position::new(-0.2, 12.6, -3.4)), "(0, 13, -3) mm");
        assert_eq!(mm(f64::INFINITY), "none");
        assert_eq!(mm(92.6), "93");
    }
}
