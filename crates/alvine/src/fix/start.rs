//! Where the search starts: a coarse grid over the inside of the torso, scored against the readings.
//!
//! The objective of a fix has several minima: sites lie nearly in one sheet, so that a place has a mirror image on
//! the sheet's other side, and far sites below the floor leave wide flat valleys. Every place of the grid is scored
//! with levels computed once per setup, so that scoring costs one multiply-add a site and place.

use super::options::{FixOptions, Level};
use crate::propagation::Propagation;
use crate::recording::Reading;
use crate::setup::Setup;
use crate::torso::{Position, Torso};

/// The grid and the level of each site at each of its places.
#[derive(Debug, Clone)]
pub(crate) struct StartGrid {
    places_mm: Vec<Position>,
    /// Levels, dBm: site after site, each as long as `places_mm`.
    levels_dbm: Vec<f32>,
    /// Prior's part of the score, one a place.
    prior: Vec<f32>,
}

/// A place of the grid and its score, an approximate negative log-likelihood.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Start {
    pub position_mm: Position,
    pub score: f64,
}

impl StartGrid {
    /// Lays the grid inside the torso.
    pub fn new(setup: &Setup, options: &FixOptions) -> Self {
        let places_mm = places(&setup.torso, options.start_spacing_mm);
        let levels_dbm = setup
            .layout
            .sites()
            .iter()
            .flat_map(|site| {
                let places_mm = &places_mm;
                places_mm.iter().map(move |place| {
                    let loss_db = setup.law.loss_db(place, &site.position_mm);
                    (setup.transmitter.power_dbm() + site.gain_db - loss_db) as f32
                })
            })
            .collect();
        let prior = places_mm
            .iter()
            .map(|place| match &options.prior {
                Some(prior) => {
                    let offset = place - prior.mean_mm;
                    0.5 * offset.dot(&(prior.information_per_mm2 * offset)) as f32
                }
                None => 0.0,
            })
            .collect();
        Self {
            places_mm,
            levels_dbm,
            prior,
        }
    }

    /// The places, mm.
    pub fn places_mm(&self) -> &[Position] {
        &self.places_mm
    }

    /// How many places there are.
    pub fn len(&self) -> usize {
        self.places_mm.len()
    }

    /// Scores every place into `scores`; `sums` is working space of the same length.
    ///
    /// Heard readings count by their square, censored ones by the square of what they exceed the limit by.
    pub fn score(&self, readings: &[Reading], spread_db: f64, level: Level, scores: &mut [f32], sums: &mut [f32]) {
        let places = self.places_mm.len();
        scores.copy_from_slice(&self.prior);
        sums.fill(0.0);
        let weight = (0.5 / (spread_db * spread_db)) as f32;
        let mut heard = 0_u32;
        for (levels, &reading) in self.levels_dbm.chunks_exact(places).zip(readings) {
            match reading {
                Reading::Heard(dbm) => {
                    heard += 1;
                    add_heard(scores, sums, levels, dbm as f32, weight);
                }
                Reading::BelowFloor(dbm) => add_excess(scores, levels, |level| level - dbm as f32, weight),
                Reading::Saturated(dbm) => add_excess(scores, levels, |level| dbm as f32 - level, weight),
                Reading::Missing => {}
            }
        }
        if let Level::Unknown { prior_db } = level {
            // Least squares over a common offset with prior spread s: subtracts (Σr)² / (n + σ²/s²).
            let prior = prior_db.map_or(0.0, |prior_db| (spread_db / prior_db).powi(2)) as f32;
            let share = weight / (heard as f32 + prior).max(1.0);
            for (score, sum) in scores.iter_mut().zip(sums.iter()) {
                *score -= sum * sum * share;
            }
        }
    }

    /// The best-scored place.
    pub fn best(&self, scores: &[f32]) -> Start {
        self.best_where(scores, |_| true).unwrap_or(Start {
            position_mm: Position::zeros(),
            score: 0.0,
        })
    }

    /// The best-scored place further than `apart_mm` from `from_mm`.
    pub fn best_beyond(&self, scores: &[f32], from_mm: &Position, apart_mm: f64) -> Option<Start> {
        self.best_where(scores, |place| (place - from_mm).norm_squared() > apart_mm * apart_mm)
    }

    fn best_where(&self, scores: &[f32], allowed: impl Fn(&Position) -> bool) -> Option<Start> {
        let mut best: Option<(usize, f32)> = None;
        for (index, &score) in scores.iter().enumerate() {
            if best.is_none_or(|(_, least)| score < least) && allowed(&self.places_mm[index]) {
                best = Some((index, score));
            }
        }
        best.map(|(index, score)| Start {
            position_mm: self.places_mm[index],
            score: f64::from(score),
        })
    }
}

#[inline]
fn add_heard(scores: &mut [f32], sums: &mut [f32], levels: &[f32], dbm: f32, weight: f32) {
    for ((score, sum), level) in scores.iter_mut().zip(sums).zip(levels) {
        let residual = dbm - level;
        *score += weight * residual * residual;
        *sum += residual;
    }
}

#[inline]
fn add_excess(scores: &mut [f32], levels: &[f32], excess: impl Fn(f32) -> f32, weight: f32) {
    for (score, &level) in scores.iter_mut().zip(levels) {
        let over = excess(level).max(0.0);
        *score += weight * over * over;
    }
}

/// A body-centred lattice inside the skin, between the pelvic floor and the lower oesophagus.
fn places(torso: &Torso, spacing_mm: f64) -> Vec<Position> {
    let (a, b) = torso.semi_axes_mm();
    let steps = |half_mm: f64| (half_mm / spacing_mm).ceil() as i64;
    let (nx, ny) = (steps(a), steps(b));
    let nz = ((Torso::HIGHEST_MM - Torso::LOWEST_MM) / spacing_mm).ceil() as i64;
    let mut places = Vec::new();
    for k in 0..=nz {
        let shift = if k % 2 == 0 { 0.0 } else { 0.5 };
        for i in -nx..=nx {
            for j in -ny..=ny {
                let place = Position::new(
                    (i as f64 + shift) * spacing_mm,
                    b + (j as f64 + shift) * spacing_mm,
                    Torso::LOWEST_MM + (k as f64 + 0.5) * spacing_mm,
                );
                if torso.contains(&place) && torso.radial(&place) < 0.97 {
                    places.push(place);
                }
            }
        }
    }
    places
}
