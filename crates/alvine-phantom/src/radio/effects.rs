//! What the air between capsule and belt can do beyond law, shadowing and noise: each a parameter, each off by itself.
//!
//! All of it is off in [`RadioEffects::NONE`]. Every number of [`RadioEffects::REALISTIC`] is invented unless its
//! documentation names a source.

/// Effects beyond law, shadowing and noise. The study is told of none of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RadioEffects {
    /// Absorption by skin, fat, muscle and bowel along the straight line, about the law's own.
    pub layers: Option<TissueLayers>,
    /// The sites' antennas hear less well sideways.
    pub pattern: Option<AntennaPattern>,
    /// The capsule's antenna turns with the capsule, by rotational diffusion.
    pub tumbling: Option<Tumbling>,
    /// Whether the spread of the shadowing is the whole of what varies with place and direction, so that layers, pattern
    /// and tumbling take their part of it and the random field has what is left: `√(σ² − Σσₖ²)`, not less than nothing.
    /// A published spread pools all of these.
    pub shadowing_pools: bool,
    /// How often the noise is far larger than usual.
    pub tails: Tails,
    /// How law and level really are, against what the study is told.
    pub mismatch: Mismatch,
    /// How the capsule weakens as its battery empties.
    pub battery: Option<BatterySag>,
}

impl RadioEffects {
    /// None of them.
    pub const NONE: Self = Self {
        layers: None,
        pattern: None,
        tumbling: None,
        shadowing_pools: false,
        tails: Tails::None,
        mismatch: Mismatch::NONE,
        battery: None,
    };

    /// All of them, at sizes that are thought likely.
    pub const REALISTIC: Self = Self {
        layers: Some(TissueLayers::USUAL),
        pattern: Some(AntennaPattern::USUAL),
        tumbling: Some(Tumbling::USUAL),
        shadowing_pools: true,
        tails: Tails::Contaminated {
            share: 0.05,
            factor: 4.0,
        },
        mismatch: Mismatch {
            exponent: 0.0,
            exponent_spread: 0.3,
            level_db: 0.0,
            level_spread_db: 3.0,
        },
        battery: Some(BatterySag::USUAL),
    };
}

/// Concentric layers behind the skin, each of even thickness; inside them lies the cavity.
///
/// ```text
/// e(x, a) = A(x, a) − c₀ − c₁ log₁₀ d,   A = Σₖ αₖ ℓₖ
/// αₖ dB/mm plane-wave attenuation of tissue k at the capsule's frequency, ℓₖ mm of the straight line from capsule x to
/// site a within it, d mm its length
/// ```
///
/// c₀ and c₁ are the least-squares line through A over the belly and all sites: the law has already taken the mean
/// absorption at each distance, and its slope, so that only the deviation is added. An exponent of 4.26 holds absorption
/// as well as spreading, and is not counted twice. Reflections at the borders are left out: at near normal incidence they
/// are alike on all lines, and so part of the law.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TissueLayers {
    /// Thickness of the skin, mm.
    pub skin_mm: f64,
    /// Thickness of the fat beneath it, mm.
    pub fat_mm: f64,
    /// Thickness of the wall's muscle, mm.
    pub muscle_mm: f64,
    /// Share of the cavity that absorbs as small intestine does; the rest as fat does (mesentery). 0 to 1.
    pub bowel_share: f64,
}

impl TissueLayers {
    /// 2 mm of skin, 18 mm of fat, 12 mm of muscle, a cavity half of bowel and half of fat (invented; at 433 MHz the
    /// cavity then absorbs 1.86 dB/cm, and the deep-tissue law falls by 1.85 dB/cm at 100 mm).
    pub const USUAL: Self = Self {
        skin_mm: 2.0,
        fat_mm: 18.0,
        muscle_mm: 12.0,
        bowel_share: 0.5,
    };
}

/// How a site's antenna hears by direction: `side_db · (1 − cos θ)` less at an angle θ from straight into the body, about
/// its mean over the belly at each distance, which is the law's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AntennaPattern {
    /// How much less it hears along the skin than straight in, dB.
    pub side_db: f64,
}

impl AntennaPattern {
    /// 4 dB along the skin (invented).
    pub const USUAL: Self = Self { side_db: 4.0 };
}

/// The capsule's own antenna, a short dipole along its axis, as the capsule turns.
///
/// ```text
/// g(ψ) = 10 log₁₀(n + (1 − n) 3/2 sin²ψ) − m,   E u(t)·u(t + Δ) = exp(−Δ / τ)
/// ψ angle between axis u and site, n depth of the null, m dB the mean over all attitudes, τ s memory
/// ```
///
/// The mean is taken off because the law's median already pools attitudes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tumbling {
    /// Memory of the attitude τ, s.
    pub memory_s: f64,
    /// What is left along the axis, as a share of power: the body scatters some there. Above 0, to 1.
    pub null_share: f64,
}

impl Tumbling {
    /// 90 s of memory and a null of a tenth, −10 dB (invented).
    pub const USUAL: Self = Self {
        memory_s: 90.0,
        null_share: 0.1,
    };
}

/// How often the noise from sample to sample is far larger than usual.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Tails {
    /// Never: it is Gaussian.
    None,
    /// A share of the samples has its noise multiplied.
    Contaminated {
        /// Which share, 0 to 1.
        share: f64,
        /// By how much.
        factor: f64,
    },
    /// Student's t, scaled to the same standard deviation.
    Student {
        /// Degrees of freedom, 3 or more.
        degrees: u8,
    },
}

/// How law and level really are, against what the study is told: `true = told + offset + spread · n`, n standard normal,
/// drawn once a study.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mismatch {
    /// True exponent less the told one. The two laws meet at [`Mismatch::PIVOT_MM`].
    pub exponent: f64,
    /// Spread of that between studies.
    pub exponent_spread: f64,
    /// True level less the told one, dB, at all sites alike.
    pub level_db: f64,
    /// Spread of that between studies, dB.
    pub level_spread_db: f64,
}

impl Mismatch {
    /// The study is told the truth.
    pub const NONE: Self = Self {
        exponent: 0.0,
        exponent_spread: 0.0,
        level_db: 0.0,
        level_spread_db: 0.0,
    };

    /// Where a wrong exponent makes no difference, mm: the reference distance of the deep-tissue law.
    pub const PIVOT_MM: f64 = 50.0;
}

/// How the capsule weakens as its battery empties: evenly, and faster over the last tenth of its life, which is the rated
/// one or else the recording's length.
///
/// ```text
/// s(f) = slope f + knee ((f − 0.9) / 0.1)²,   the second only for f > 0.9
/// s dB, f share of the life that is over
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BatterySag {
    /// How much weaker over the whole life, dB.
    pub slope_db: f64,
    /// How much weaker still at its end, dB.
    pub knee_db: f64,
}

impl BatterySag {
    /// 1 dB over the life, and 3 dB at its end (invented).
    pub const USUAL: Self = Self {
        slope_db: 1.0,
        knee_db: 3.0,
    };

    /// How much weaker at a share of the life, dB.
    pub(crate) fn loss_db(&self, share: f64) -> f64 {
        // A battery that outlasts its rated life by far is given up on here: numbers stay finite.
        let share = share.clamp(0.0, 3.0);
        let beyond = ((share - 0.9) / 0.1).max(0.0);
        self.slope_db * share + self.knee_db * beyond * beyond
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_battery_sags_evenly_and_then_at_its_knee() {
        let sag = BatterySag::USUAL;
        assert_eq!(sag.loss_db(0.0), 0.0);
        assert!((sag.loss_db(0.5) - 0.5).abs() < 1e-12);
        assert!((sag.loss_db(1.0) - 4.0).abs() < 1e-9);
    }
}
