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

use alvine::{Recording, Setup};

use crate::bins::Bins;
use crate::stage::Stage;
use rhythm::Rhythms;

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

/// Log-likelihood of each bin in each stage: stages, each as long as there are bins.
pub(crate) fn evidence(
    stages: &[Stage],
    bins: &Bins,
    setup: &Setup,
    recording: &Recording,
    kinds: Kinds,
) -> Vec<Vec<f64>> {
    let usual_share = hearing::usual_share(&bins.bins);
    let rhythms = kinds.rhythm.then(|| Rhythms::new(setup, recording, bins));
    stages
        .iter()
        .map(|stage| {
            let density = place::density(stage, &setup.torso);
            let rhythm = stage.band.zip(rhythms.as_ref());
            let rhythm = rhythm.map(|(band, rhythms)| rhythms.of(band));
            bins.bins
                .iter()
                .enumerate()
                .map(|(index, bin)| {
                    let mut ln = rhythm.map_or(0.0, |rhythm| rhythm[index]);
                    if kinds.hearing {
                        ln += hearing::ln_likelihood(stage.phase, bin, usual_share, bins.width_s);
                    }
                    if kinds.place {
                        ln += place::ln_likelihood(bin, density.as_ref(), bins.width_s);
                    }
                    ln
                })
                .collect()
        })
        .collect()
}
