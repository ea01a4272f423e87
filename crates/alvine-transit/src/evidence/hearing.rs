//! Hearing: how many sites hear the capsule.
//!
//! Outside the body hardly any does, inside most do. With n the number of sites that count as independent:
//!
//! ```text
//! ln L = n (s ln p + (1 − s) ln(1 − p)) Δ / 20 s,   s share of readings heard, p that of the phase
//! ```
//!
//! The share outside is common practice, no source; inside it is the study's own median, the oesophagus included: a share of its
//! own there once made every hour of weak signals, however deep in the belly, look like moments back in the oesophagus, which
//! only a stomach that is never left explains (one pylorus in 15 went unseen on simulated studies, now one in 91). Silent in
//! bins without an instant.

use alvine::{Phase, median};

use crate::bins::Bin;

/// How long hearing stays alike, s (common practice, no source).
const ALIKE_S: f64 = 20.0;
/// Probability that a site hears a capsule outside the body.
const OUTSIDE: f64 = 0.05;
/// The same inside, for a receiver that hears nothing at all: it does so wherever inside the capsule is.
const IN_SILENCE: f64 = 0.5;
/// Bounds of the share that is taken for usual inside.
const USUAL_SHARE: (f64, f64) = (0.3, 0.97);
/// Sites err together: they count as this many.
const INDEPENDENT_SITES: f64 = 3.0;

/// A bin counts for what is usual where more than this share of sites hear.
const COUNTS_FROM: f64 = 0.1;

/// The median share of sites heard, over the bins in which any was.
pub(super) fn usual_share(bins: &[Bin]) -> f64 {
    let mut shares: Vec<f64> = bins
        .iter()
        .filter_map(|bin| bin.heard_share)
        .filter(|&share| share > COUNTS_FROM)
        .collect();
    median(&mut shares).map_or(USUAL_SHARE.0, |median| median.clamp(USUAL_SHARE.0, USUAL_SHARE.1))
}

/// The same, bin by bin: the median of those so far, to a thousandth.
#[derive(Debug, Clone)]
pub(crate) struct UsualShare {
    /// How many bins had a share of so many thousandths.
    counts: [u32; 1001],
    all: u32,
}

impl UsualShare {
    pub const fn new() -> Self {
        Self {
            counts: [0; 1001],
            all: 0,
        }
    }

    /// Takes a bin.
    pub fn take(&mut self, bin: &Bin) {
        if let Some(share) = bin.heard_share.filter(|&share| share > COUNTS_FROM) {
            let slot = &mut self.counts[(1000.0 * share.min(1.0)).round() as usize];
            *slot = slot.saturating_add(1);
            self.all = self.all.saturating_add(1);
        }
    }

    pub fn now(&self) -> f64 {
        let mut below = 0;
        let median = self.counts.iter().position(|count| {
            below += count;
            2 * u64::from(below) > u64::from(self.all)
        });
        median.map_or(USUAL_SHARE.0, |thousandths| {
            (thousandths as f64 / 1000.0).clamp(USUAL_SHARE.0, USUAL_SHARE.1)
        })
    }
}

pub(super) fn ln_likelihood(phase: Phase, bin: &Bin, usual_share: f64, width_s: f64) -> f64 {
    let Some(share) = bin.heard_share else { return 0.0 };
    let probability = match phase {
        Phase::Outside => OUTSIDE,
        _ if share == 0.0 => IN_SILENCE,
        Phase::Oesophagus | Phase::Stomach | Phase::SmallBowel | Phase::Colon => usual_share,
    };
    let counts_as = (width_s / ALIKE_S).min(1.0);
    counts_as * INDEPENDENT_SITES * (share * probability.ln() + (1.0 - share) * (1.0 - probability).ln())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ln(phase: Phase, heard_share: Option<f64>) -> f64 {
        let bin = Bin {
            heard_share,
            ..Bin::default()
        };
        ln_likelihood(phase, &bin, 0.9, 20.0)
    }

    #[test]
    fn few_sites_speak_for_outside_and_many_for_inside() {
        assert!(ln(Phase::Outside, Some(0.0)) > ln(Phase::Stomach, Some(0.0)));
        assert!(ln(Phase::Outside, Some(0.9)) < ln(Phase::Stomach, Some(0.9)) - 5.0);
    }

    #[test]
    fn silence_tells_no_part_inside_from_another_and_no_instant_tells_nothing() {
        let inside = [Phase::Oesophagus, Phase::Stomach, Phase::SmallBowel, Phase::Colon];
        assert!(
            inside
                .iter()
                .all(|&phase| ln(phase, Some(0.0)) == ln(Phase::Colon, Some(0.0)))
        );
        assert_eq!(ln(Phase::Outside, None), 0.0);
    }
}
