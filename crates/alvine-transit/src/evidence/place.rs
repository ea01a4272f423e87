//! Place: the track's place under the density of the part, both uncertainties added.
//!
//! Static shadowing misplaces a resting capsule the same way each time, so that an hour at rest does not count as hundreds of
//! observations: each bin counts for its width over the time for which the error stays alike (common practice, no source; set so
//! that intervals cover on simulated studies). Silent in bins without a track.
//!
//! It stays alike for longer: on 96 simulated studies with a realistic radio (seeds from 48000) the ratio of caecum and ascending colon to
//! terminal ileum, in means over a quarter of an hour of the first two hours of the colon, is correlated by 0.76, 0.46, 0.26 and 0.13 after
//! 15, 30, 45 and 60 min. Counting 1800 or 3600 s as one observation all the same moved the valve's median error from 7.1 to 12.4 and 14.3
//! min, and its 90 % intervals held no more of them (0.84 instead of 0.85).

use alvine::Torso;

use crate::anatomy_density::{PartDensity, ln_anywhere};
use crate::bins::Bin;
use crate::stage::Stage;

/// How long an error of place stays alike, s.
const ALIKE_S: f64 = 900.0;

pub(super) fn density(stage: &Stage, torso: &Torso) -> Option<PartDensity> {
    stage.place.map(|usual| PartDensity::new(&usual, torso))
}

pub(super) fn ln_likelihood(bin: &Bin, density: Option<&PartDensity>, width_s: f64) -> f64 {
    let Some((place_mm, covariance_mm2)) = &bin.place else {
        return 0.0;
    };
    let ln = density.map_or(ln_anywhere(), |density| density.ln_density(place_mm, covariance_mm2));
    width_s / ALIKE_S * ln
}
