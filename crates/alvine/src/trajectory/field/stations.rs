//! Stations: knots in a row between which the capsule hardly moves, with all that was heard there as one.

use super::super::knots::Knots;
use crate::fix::PositionPrior;
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

/// A mean stands for a site that heard most readings: below the floor lie less than this share of those above it.
const FEW_BELOW: f64 = 0.3;

/// Where a station ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cut {
    /// The next begins where the capsule is further than this from where this one began, mm.
    pub spacing_mm: f64,
    /// Time between knots, s.
    pub knot_s: f64,
    /// Or where it was not heard for so long, s.
    pub longest_s: f64,
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
                told: (0..knots.sites).map(|site| told(knots, first..end, site)).collect(),
                knots: first..end,
            });
        }
        first = end;
    }
    stations
}

fn told(knots: &Knots, range: std::ops::Range<usize>, site: usize) -> Told {
    let of = knots.together(range, site);
    let (heard, below) = (f64::from(of.heard), f64::from(of.below));
    if heard > 0.0 && below < FEW_BELOW * heard {
        Told::Level {
            mean_dbm: of.mean_dbm,
            readings: heard,
        }
    } else if below > 0.0 {
        Told::Below
    } else {
        Told::Nothing
    }
}
