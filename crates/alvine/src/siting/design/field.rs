//! What each candidate would tell of each place, computed once.

use rayon::prelude::*;

use super::super::information::{Information, Radio};
use super::space::Spot;
use crate::layout::Site;
use crate::torso::Position;

/// Candidates with what each tells of every place.
#[derive(Debug)]
pub(super) struct Field {
    pub spots: Vec<Spot>,
    pub sites_mm: Vec<Position>,
    parts: Vec<Vec<Information>>,
}

impl Field {
    pub fn new(radio: &Radio<'_>, spots: Vec<Spot>, places_mm: &[Position]) -> Self {
        let torso = radio.torso();
        let sites_mm: Vec<Position> = spots.iter().map(|spot| spot.place_mm(torso)).collect();
        let parts = sites_mm
            .par_iter()
            .map(|site_mm| of_site(radio, &Site::new(String::new(), *site_mm), places_mm))
            .collect();
        Self { spots, sites_mm, parts }
    }

    /// What a candidate tells of every place.
    pub fn part(&self, candidate: usize) -> &[Information] {
        &self.parts[candidate]
    }
}

/// What a site tells of every place.
pub(super) fn of_site(radio: &Radio<'_>, site: &Site, places_mm: &[Position]) -> Vec<Information> {
    let part = |place_mm: &Position| {
        let mut part = Information::default();
        part.add(&radio.term(site, place_mm));
        part
    };
    places_mm.iter().map(part).collect()
}
