//! Evidence: how well each bin fits each stage.
//!
//! Three things speak, each as a log-likelihood:
//!
//! - *hearing*: outside, hardly any site hears; inside, most do;
//! - *place*: the track's place under the part's density, both uncertainties added;
//! - *liveliness*: log-normal about the stage's own.
//!
//! Neighbouring bins share their errors: static shadowing misplaces a resting capsule the same way each time. Each kind is
//! therefore weighted by bin width over the time for which it stays alike, so that an hour at rest does not count as hundreds
//! of observations.

use alvine::Torso;

use crate::anatomy_density::{PartDensity, ln_anywhere};
use crate::bins::{Bin, Bins};
use crate::stage::Stage;
use alvine::Phase;

/// How long each kind of evidence stays alike, s (common practice, no source; set so that intervals cover on simulated
/// studies, see the crate's accuracy tests).
const PLACE_ALIKE_S: f64 = 600.0;
const LIVELINESS_ALIKE_S: f64 = 400.0;
const HEARING_ALIKE_S: f64 = 20.0;

/// Probability that a site hears a capsule outside the body, and in the oesophagus.
const HEARD_OUTSIDE: f64 = 0.05;
const HEARD_IN_OESOPHAGUS: f64 = 0.5;
/// Bounds of the share that is taken for usual inside.
const USUAL_SHARE: (f64, f64) = (0.3, 0.97);
/// Sites err together: they count as this many.
const INDEPENDENT_SITES: f64 = 3.0;

/// Log-likelihood of each bin in each stage: stages, each as long as there are bins.
pub(crate) fn evidence(stages: &[Stage], bins: &Bins, torso: &Torso) -> Vec<Vec<f64>> {
    let usual_share = usual_share(&bins.bins);
    stages
        .iter()
        .map(|stage| {
            let density = stage.place.map(|usual| PartDensity::new(&usual, torso));
            bins.bins
                .iter()
                .map(|bin| {
                    bins.width_s.min(HEARING_ALIKE_S) / HEARING_ALIKE_S * hearing(stage, bin, usual_share)
                        + bins.width_s / PLACE_ALIKE_S * place(bin, density.as_ref())
                        + bins.width_s / LIVELINESS_ALIKE_S * liveliness(stage, bin)
                })
                .collect()
        })
        .collect()
}

/// The median share of sites heard, over the bins in which any was.
fn usual_share(bins: &[Bin]) -> f64 {
    let mut shares: Vec<f64> = bins
        .iter()
        .filter_map(|bin| bin.heard_share)
        .filter(|&share| share > 0.1)
        .collect();
    if shares.is_empty() {
        return USUAL_SHARE.0;
    }
    let middle = shares.len() / 2;
    let median = *shares.select_nth_unstable_by(middle, f64::total_cmp).1;
    median.clamp(USUAL_SHARE.0, USUAL_SHARE.1)
}

fn hearing(stage: &Stage, bin: &Bin, usual_share: f64) -> f64 {
    let Some(share) = bin.heard_share else { return 0.0 };
    let probability = match stage.phase {
        Phase::Outside => HEARD_OUTSIDE,
        Phase::Oesophagus => HEARD_IN_OESOPHAGUS,
        _ => usual_share,
    };
    INDEPENDENT_SITES * (share * probability.ln() + (1.0 - share) * (1.0 - probability).ln())
}

fn place(bin: &Bin, density: Option<&PartDensity>) -> f64 {
    let Some((place_mm, covariance_mm2)) = &bin.place else {
        return 0.0;
    };
    density.map_or(ln_anywhere(), |density| density.ln_density(place_mm, covariance_mm2))
}

fn liveliness(stage: &Stage, bin: &Bin) -> f64 {
    let Some(liveliness) = bin.liveliness else { return 0.0 };
    let (median, spread) = stage.liveliness;
    let z = (liveliness / median).ln() / spread;
    -0.5 * z * z - spread.ln()
}
