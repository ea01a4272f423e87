//! Stations: knots in a row between which the capsule hardly moves, with all that was heard there as one.

use super::super::knots::Knots;
use crate::fix::{PositionPrior, one_sided};
use crate::torso::Position;

/// What one site heard of one station.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Told {
    /// A mean level, dBm, of so many readings.
    Level { mean_dbm: f64, readings: f64 },
    /// Mostly nothing above the floor.
    Below,
    /// Nothing that can be used.
    Nothing,
}

/// One station.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Station {
    /// Its knots.
    pub knots: std::ops::Range<usize>,
    /// The mean place of the track there, mm.
    pub place_mm: Position,
    /// What is known of the place beforehand.
    pub prior: PositionPrior,
    /// How long the capsule was there, s.
    pub dwell_s: f64,
    /// What each site heard.
    pub told: Vec<Told>,
}

/// A level stands for a site that heard at least this share of what came: a few loud readings may be interference.
const LEAST_HEARD: f64 = 0.1;

/// Where a station ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cut {
    /// The next begins where the capsule is further than this from where this one began, mm.
    pub spacing_mm: f64,
    /// Time between knots, s.
    pub knot_s: f64,
    /// Or where it was not heard for so long, s.
    pub longest_s: f64,
    /// Spread of single readings within a station, dB.
    pub within_db: f64,
    /// The receiver's floor, dBm.
    pub floor_dbm: f64,
}

/// Cuts a track into stations. Knots of whose place nothing is known beforehand belong to none.
pub(super) fn stations(
    knots: &Knots,
    places_mm: &[Position],
    priors: &[Option<PositionPrior>],
    cut: &Cut,
) -> Vec<Station> {
    let mut stations = Vec::new();
    let mut first = 0;
    while first < knots.len() {
        let mut end = first + 1;
        while end < knots.len()
            && (places_mm[end] - places_mm[first]).norm() <= cut.spacing_mm
            && knots.time_s[end] - knots.time_s[end - 1] <= cut.longest_s
        {
            end += 1;
        }
        if let Some(prior) = priors[first.midpoint(end - 1)] {
            stations.push(Station {
                place_mm: places_mm[first..end].iter().sum::<Position>() / (end - first) as f64,
                prior,
                dwell_s: (end - first) as f64 * cut.knot_s,
                told: (0..knots.sites)
                    .map(|site| told(knots, first..end, site, cut))
                    .collect(),
                knots: first..end,
            });
        }
        first = end;
    }
    stations
}

fn told(knots: &Knots, range: std::ops::Range<usize>, site: usize, cut: &Cut) -> Told {
    let of = knots.together(range, site);
    let (heard, below) = (f64::from(of.heard), f64::from(of.below));
    if heard > 0.0 && heard >= LEAST_HEARD * (heard + below) {
        Told::Level {
            mean_dbm: censored_mean_dbm(of.mean_dbm, below / heard, cut),
            readings: heard,
        }
    } else if below > 0.0 {
        Told::Below
    } else {
        Told::Nothing
    }
}

/// Newton's steps to a censored mean; it is found to a hundredth of a decibel after three or four.
const STEPS: usize = 8;

/// The most likely mean of readings of which those below the floor are known by their number only, `below` for each that was heard:
/// `(m − μ) / σ = below · φ(z) / Φ(z)`, `z = (c − μ) / σ` (J. Tobin, *Estimation of relationships for limited dependent variables*,
/// 1958; from memory).
fn censored_mean_dbm(heard_mean_dbm: f64, below: f64, cut: &Cut) -> f64 {
    let precision = cut.within_db.powi(-2);
    let mut mean_dbm = heard_mean_dbm;
    if below > 0.0 {
        for _ in 0..STEPS {
            let silent = one_sided((cut.floor_dbm - mean_dbm) / cut.within_db, 1.0 / cut.within_db);
            let slope = precision * (heard_mean_dbm - mean_dbm) - below * silent.gradient;
            mean_dbm += slope / (precision + below * silent.curvature);
        }
    }
    mean_dbm
}

#[cfg(test)]
mod tests {
    use super::*;

    /// scipy 1.17.1: `scipy.optimize.minimize_scalar` of `n (m − μ)² / 2σ² − k ln Φ((c − μ) / σ)` with m −96, c −100, σ 4.
    #[test]
    fn censored_mean_matches_scipy() {
        let cut = Cut {
            spacing_mm: 20.0,
            knot_s: 5.0,
            longest_s: 600.0,
            within_db: 4.0,
            floor_dbm: -100.0,
        };
        for (below, mean_dbm) in [
            (0.0, -96.0),
            (0.25, -97.276_039_1),
            (1.0, -99.509_930_5),
            (9.0, -104.567_937_5),
        ] {
            let found = censored_mean_dbm(-96.0, below, &cut);
            assert!((found - mean_dbm).abs() < 1e-6, "{below}: {found}");
        }
    }
}
