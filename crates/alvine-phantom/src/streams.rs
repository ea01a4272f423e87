//! Streams of chance, one a purpose, so that switching one thing off moves nothing else.
//!
//! All streams come from one seed of xoshiro256++ by its own long jump (2¹⁹² draws) a purpose and its short jump (2¹²⁸
//! draws) a site: no two overlap in any run that ends.

use rand::SeedableRng;
use rand_xoshiro::Xoshiro256PlusPlus;

/// What a stream of chance is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Purpose {
    /// Size of the torso.
    Torso,
    /// Shape of the gut.
    Anatomy,
    /// Residence times.
    Transit,
    /// Movement along the gut.
    Motion,
    /// Breathing and drift of the organs.
    Organs,
    /// Shadowing fields.
    Shadowing,
    /// Gain and placement of the antennas.
    Mounting,
    /// Wander of the capsule's attitude.
    Wander,
    /// Noise from sample to sample.
    Noise,
    /// Packets lost.
    Packets,
    /// Antennas that work loose.
    Loosening,
    /// Invented findings.
    Findings,
    /// The capsule before it is swallowed.
    Hand,
    /// Attitude of the capsule's dipole.
    Tumbling,
    /// Samples with far larger noise.
    Tails,
    /// Law and level as they really are.
    Mismatch,
    /// Correlation length of the shadowing.
    ShadowingLength,
    /// Whether an antenna works loose at all, and in which manner.
    LooseningManner,
    /// When the body turns, and how.
    Posture,
    /// Heights of the planes of the abdomen.
    Planes,
    /// The capsule held near each antenna before the swallow.
    Held,
}

/// The stream for one purpose.
pub(crate) fn stream(seed: u64, purpose: Purpose) -> Xoshiro256PlusPlus {
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(seed);
    for _ in 0..purpose as usize {
        rng.long_jump();
    }
    rng
}

/// The stream for one purpose at one of several places, such as a site.
pub(crate) fn stream_at(seed: u64, purpose: Purpose, place: usize) -> Xoshiro256PlusPlus {
    let mut rng = stream(seed, purpose);
    for _ in 0..place {
        rng.jump();
    }
    rng
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::RngCore;

    #[test]
    fn one_seed_gives_one_stream_and_purposes_differ() {
        let first = stream(7, Purpose::Noise).next_u64();
        assert_eq!(first, stream(7, Purpose::Noise).next_u64());
        assert_ne!(first, stream(8, Purpose::Noise).next_u64());
        assert_ne!(first, stream(7, Purpose::Packets).next_u64());
        assert_ne!(first, stream_at(7, Purpose::Noise, 1).next_u64());
    }
}
