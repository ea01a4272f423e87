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

/// Log-likelihood of each bin in each stage: stages, each as long as there are bins.
pub(crate) fn evidence(
    stages: &[Stage],
    bins: &Bins,
    setup: &Setup,
    recording: &Recording,
    kinds: Kinds,
    ranges: &Ranges,
) -> Vec<Vec<f64>> {
    let usual_share = hearing::usual_share(&bins.bins);
    let rhythms = kinds.rhythm.then(|| Rhythms::new(setup, recording, bins, ranges));
    let speech = Speech::new(stages, &setup.torso, kinds, bins.width_s);
    (0..stages.len())
        .map(|stage| {
            let each = bins.bins.iter().enumerate().map(|(index, bin)| {
                let rhythm = |band| rhythms.as_ref().map_or(0.0, |rhythms| rhythms.of(band)[index]);
                speech.ln_likelihood(stage, bin, usual_share, rhythm)
            });
            each.collect()
        })
        .collect()
}
