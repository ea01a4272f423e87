//! Where the search starts: a coarse grid over the inside of the torso, scored against the readings.
//!
//! The objective of a fix has several minima: sites lie nearly in one sheet, so that a place has a mirror image on
//! the sheet's other side, and far sites below the floor leave wide flat valleys. Every place of the grid is scored
//! with levels computed once per setup, so that scoring costs one multiply-add a site and place.

use super::options::{FixOptions, Level};
use crate::layout::Site;
use crate::propagation::Propagation;
use crate::recording::Reading;
use crate::setup::Setup;
use crate::space::Space;
use crate::torso::Position;

/// Places scored side by side: what the widest registers of a common processor hold twice.
const LANES: usize = 8;
type Lanes = [f32; LANES];

/// The grid and the level of each site at each of its places.
#[derive(Debug, Clone)]
pub(crate) struct StartGrid {
    places_mm: Vec<Position>,
    sites: usize,
    /// Levels, dBm: for each group of places one row a site. Lanes without a place repeat the last one.
    levels_dbm: Vec<Lanes>,
    /// Prior's part of the score, one row a group.
    prior: Vec<Lanes>,
}

/// Working space of the scoring, and the scores: approximate negative log-likelihoods, one a place.
#[derive(Debug, Clone)]
pub(crate) struct Scores {
    scores: Vec<Lanes>,
    /// The least score of each group.
    least: Vec<f32>,
    places: usize,
    heard: Vec<(usize, f32)>,
    limits: Vec<Limit>,
}

/// A reading of which only a limit is known.
#[derive(Debug, Clone, Copy)]
struct Limit {
    site: usize,
    dbm: f32,
    /// 1 where the level was no higher, −1 where it was no lower.
    side: f32,
}

/// A place of the grid and its score, an approximate negative log-likelihood.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Start {
    pub position_mm: Position,
    pub score: f64,
}

impl Scores {
    /// One score a place.
    pub fn as_slice(&self) -> &[f32] {
        &self.scores.as_flattened()[..self.places]
    }

    fn sort(&mut self, readings: &[Reading]) {
        self.heard.clear();
        self.limits.clear();
        for (site, &reading) in readings.iter().enumerate() {
            let mut limit = |dbm: f64, side| {
                self.limits.push(Limit {
                    site,
                    dbm: dbm as f32,
                    side,
                });
            };
            match reading {
                Reading::Heard(dbm) => self.heard.push((site, dbm as f32)),
                Reading::BelowFloor(dbm) => limit(dbm, 1.0),
                Reading::Saturated(dbm) => limit(dbm, -1.0),
                Reading::Missing => {}
            }
        }
    }
}

impl StartGrid {
    /// Lays the grid inside the space that is searched.
    pub fn new(setup: &Setup, options: &FixOptions) -> Self {
        let places_mm = places(&setup.space(), options.start_spacing_mm);
        let level_dbm = |place: &Position, site: &Site| {
            let loss_db = setup.law.loss_db(place, &site.position_mm);
            (setup.transmitter.power_dbm() + site.gain_db - loss_db) as f32
        };
        let prior = |place: &Position| match &options.prior {
            Some(prior) => {
                let offset = place - prior.mean_mm;
                0.5 * offset.dot(&(prior.information_per_mm2 * offset)) as f32
            }
            None => 0.0,
        };
        let sites = setup.layout.sites();
        let groups = places_mm.chunks(LANES);
        Self {
            levels_dbm: groups
                .clone()
                .flat_map(|group| {
                    sites
                        .iter()
                        .map(move |site| lanes(group, |place| level_dbm(place, site)))
                })
                .collect(),
            prior: groups.map(|group| lanes(group, prior)).collect(),
            sites: sites.len(),
            places_mm,
        }
    }

    /// The places, mm.
    pub fn places_mm(&self) -> &[Position] {
        &self.places_mm
    }

    /// Working space for [`StartGrid::score`].
    pub fn scores(&self) -> Scores {
        Scores {
            scores: vec![[0.0; LANES]; self.prior.len()],
            least: vec![0.0; self.prior.len()],
            places: self.places_mm.len(),
            heard: Vec::with_capacity(self.sites),
            limits: Vec::with_capacity(self.sites),
        }
    }

    /// Scores every place.
    ///
    /// Heard readings count by their square, censored ones by the square of what they exceed the limit by.
    pub fn score(&self, readings: &[Reading], spread_db: f64, level: Level, into: &mut Scores) {
        into.sort(readings);
        let weight = (0.5 / (spread_db * spread_db)) as f32;
        match level {
            Level::Known => self.score_groups::<false>(weight, 0.0, into),
            Level::Unknown { prior_db } => {
                // Least squares over a common offset with prior spread s: subtracts (Σr)² / (n + σ²/s²).
                let prior = prior_db.map_or(0.0, |prior_db| (spread_db / prior_db).powi(2)) as f32;
                let share = weight / (into.heard.len() as f32 + prior).max(1.0);
                self.score_groups::<true>(weight, share, into);
            }
        }
    }

    fn score_groups<const LEVEL: bool>(&self, weight: f32, share: f32, into: &mut Scores) {
        let rows = self.levels_dbm.chunks_exact(self.sites.max(1));
        let groups = into.scores.iter_mut().zip(&mut into.least);
        for (((scores, least), prior), rows) in groups.zip(&self.prior).zip(rows) {
            let (mut score, mut sums) = (*prior, [0.0_f32; LANES]);
            for &(site, dbm) in &into.heard {
                let levels = &rows[site];
                for ((score, sum), level) in score.iter_mut().zip(&mut sums).zip(levels) {
                    let residual = dbm - level;
                    *score += weight * residual * residual;
                    if LEVEL {
                        *sum += residual;
                    }
                }
            }
            for limit in &into.limits {
                let levels = &rows[limit.site];
                for (score, level) in score.iter_mut().zip(levels) {
                    let excess = limit.side * (level - limit.dbm);
                    let excess = if excess > 0.0 { excess } else { 0.0 };
                    *score += weight * excess * excess;
                }
            }
            if LEVEL {
                for (score, sum) in score.iter_mut().zip(sums) {
                    *score -= sum * sum * share;
                }
            }
            *scores = score;
            *least = least_of(&score);
        }
    }

    /// The best-scored place.
    pub fn best(&self, scores: &Scores) -> Start {
        let lowest = scores
            .least
            .chunks(LANES)
            .fold([f32::INFINITY; LANES], |mut lowest, least| {
                for (low, &least) in lowest.iter_mut().zip(least) {
                    *low = if least < *low { least } else { *low };
                }
                lowest
            });
        let lowest = least_of(&lowest);
        let group = scores.least.iter().position(|&least| least <= lowest).unwrap_or(0);
        let lane = scores
            .scores
            .get(group)
            .and_then(|lanes| lanes.iter().position(|&score| score <= lowest));
        // A lane that repeats the last place comes after it.
        let place = self.places_mm.get(group * LANES + lane.unwrap_or(0));
        place.map_or(
            Start {
                position_mm: Position::zeros(),
                score: 0.0,
            },
            |&position_mm| Start {
                position_mm,
                score: f64::from(lowest),
            },
        )
    }

    /// The best-scored place further than `apart_mm` from all of `from_mm`, if it scores less than `below`.
    pub fn best_beyond(&self, scores: &Scores, below: f64, from_mm: &[Position], apart_mm: f64) -> Option<Start> {
        self.best_where(scores, below as f32, |place| {
            let mut from_mm = from_mm.iter();
            from_mm.all(|from| (place - from).norm_squared() > apart_mm * apart_mm)
        })
    }

    fn best_where(&self, scores: &Scores, below: f32, allowed: impl Fn(&Position) -> bool) -> Option<Start> {
        let (mut best, mut least) = (None, below);
        for (group, &least_of_group) in scores.least.iter().enumerate() {
            if least_of_group >= least {
                continue;
            }
            let places = &self.places_mm[group * LANES..];
            for (&score, place) in scores.scores[group].iter().zip(places) {
                if score < least && allowed(place) {
                    (best, least) = (Some(place), score);
                }
            }
        }
        best.map(|&position_mm| Start {
            position_mm,
            score: f64::from(least),
        })
    }
}

fn lanes(group: &[Position], of: impl Fn(&Position) -> f32) -> Lanes {
    std::array::from_fn(|lane| of(&group[lane.min(group.len() - 1)]))
}

/// The least of the lanes, in halves, so that the comparisons run side by side.
#[inline]
fn least_of(lanes: &Lanes) -> f32 {
    let lesser = |a: f32, b: f32| if a < b { a } else { b };
    let fours: [f32; LANES / 2] = std::array::from_fn(|lane| lesser(lanes[lane], lanes[lane + LANES / 2]));
    let twos: [f32; LANES / 4] = std::array::from_fn(|lane| lesser(fours[lane], fours[lane + LANES / 4]));
    lesser(twos[0], twos[1])
}

/// A body-centred lattice inside the space; one layer of it where the space is thinner than the spacing.
fn places(space: &Space, spacing_mm: f64) -> Vec<Position> {
    let (middle_mm, half_mm) = (space.middle_mm(), space.half_sizes_mm());
    let steps = |half_mm: f64| (half_mm / spacing_mm).ceil() as i64;
    let (nx, ny) = (steps(half_mm.x), steps(half_mm.y));
    let layers = if 2.0 * half_mm.z < spacing_mm {
        vec![middle_mm.z]
    } else {
        let lowest_mm = middle_mm.z - half_mm.z;
        let last = steps(2.0 * half_mm.z);
        (0..=last).map(|k| lowest_mm + (k as f64 + 0.5) * spacing_mm).collect()
    };
    let mut places = Vec::new();
    for (layer, z_mm) in layers.into_iter().enumerate() {
        let shift = if layer % 2 == 0 { 0.0 } else { 0.5 };
        for i in -nx..=nx {
            for j in -ny..=ny {
                let place = Position::new(
                    middle_mm.x + (i as f64 + shift) * spacing_mm,
                    middle_mm.y + (j as f64 + shift) * spacing_mm,
                    z_mm,
                );
                if space.contains(&place) && space.radial(&place) < 0.97 {
                    places.push(place);
                }
            }
        }
    }
    places
}
