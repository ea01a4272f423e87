//! Evidence: how well each bin fits each stage.
//!
//! Each kind is a module of its own and speaks as a log-likelihood, or is silent where rate, gaps or sites do not let it:
//!
//! - [`hearing`]: outside, hardly any site hears; inside, most do;
//! - [`place`]: the track's place under the part's density, both uncertainties added;
//! - [`rhythm`]: the contractions' to-and-fro in the spectra of the levels.
//!
//! How lively the levels change, sample by sample or by their net change over minutes, was tried and left out: a tumbling capsule
//! changes them as much as a moving one, and landmarks came out worse with it than without.

mod hearing;
mod place;
pub(crate) mod rhythm;

use alvine::{Recording, Setup, Torso};

use crate::anatomy_density::PartDensity;
use crate::bins::{Bin, Bins};
use crate::stage::Stage;
use rhythm::{Band, Ranges, Rhythms};

pub(crate) use hearing::UsualShare;
pub use rhythm::{RhythmHour, RhythmStrength};

/// Which kinds of evidence are heard; leaving one out shows what it is worth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Kinds {
    /// How many sites hear.
    pub hearing: bool,
    /// Where the track is.
    pub place: bool,
    /// The rhythm of contractions in the signal.
    pub rhythm: bool,
}

impl Kinds {
    /// All of them.
    pub const ALL: Self = Self {
        hearing: true,
        place: true,
        rhythm: true,
    };
}

impl Default for Kinds {
    fn default() -> Self {
        Self::ALL
    }
}

/// What one bin says, apart from its rhythm.
#[derive(Debug)]
pub(crate) struct Speech {
    stages: Vec<Stage>,
    densities: Vec<Option<PartDensity>>,
    kinds: Kinds,
    width_s: f64,
}

impl Speech {
    pub fn new(stages: &[Stage], torso: &Torso, kinds: Kinds, width_s: f64) -> Self {
        Self {
            densities: stages.iter().map(|stage| place::density(stage, torso)).collect(),
            stages: stages.to_vec(),
            kinds,
            width_s,
        }
    }

    /// Log-likelihood of a bin in one stage, given the share of sites that usually hear inside and what the bands say.
    pub fn ln_likelihood(&self, stage: usize, bin: &Bin, usual_share: f64, rhythm: impl Fn(Band) -> f64) -> f64 {
        let Stage { phase, band, .. } = self.stages[stage];
        let mut ln = band.map_or(0.0, rhythm);
        if self.kinds.hearing {
            ln += hearing::ln_likelihood(phase, bin, usual_share, self.width_s);
        }
        if self.kinds.place {
            ln += place::ln_likelihood(bin, self.densities[stage].as_ref(), self.width_s);
        }
        ln
    }
}

/// What the signal says of each bin, whatever the track.
pub(crate) struct Signal {
    usual_share: f64,
    rhythms: Option<Rhythms>,
}

impl Signal {
    pub fn new(setup: &Setup, recording: &Recording, bins: &Bins, kinds: Kinds, ranges: &Ranges) -> Self {
        Self {
            usual_share: hearing::usual_share(&bins.bins),
            rhythms: kinds.rhythm.then(|| Rhythms::new(setup, recording, bins, ranges)),
        }
    }

    /// How strong the rhythms are, hour by hour; none where they are not heard.
    pub fn rhythm_hours(&self) -> Vec<RhythmHour> {
        self.rhythms
            .as_ref()
            .map_or_else(Vec::new, |rhythms| rhythms.hours().to_vec())
    }

    /// How finely a band tells when its rhythm ends, s; zero where it is not heard.
    pub fn grain_s(&self, band: Band) -> f64 {
        self.rhythms.as_ref().map_or(0.0, |rhythms| rhythms.grain_s(band))
    }

    /// Log-likelihood of each bin in each stage, its place included: stages, each as long as there are bins.
    pub fn evidence(&self, speech: &Speech, bins: &Bins) -> Vec<Vec<f64>> {
        (0..speech.stages.len())
            .map(|stage| {
                let each = bins.bins.iter().enumerate().map(|(index, bin)| {
                    let rhythm = |band| self.rhythms.as_ref().map_or(0.0, |rhythms| rhythms.of(band)[index]);
                    speech.ln_likelihood(stage, bin, self.usual_share, rhythm)
                });
                each.collect()
            })
            .collect()
    }
}
