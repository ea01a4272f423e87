//! Packets lost in bursts: a two-state chain a site, and one for all sites together.
//!
//! ```text
//! P(good → bad) = Δ / good_s,   P(bad → good) = Δ / burst_s,   good_s = burst_s (1 − q) / q
//! q share of time lost, burst_s s mean length of a burst; the exact transition over Δ is used
//! ```

use rand::Rng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::streams::{Purpose, stream_at};

/// How packets get lost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PacketLoss {
    /// Share of time that a single site loses, 0 to below 1 (invented).
    pub share: f64,
    /// Mean length of a site's burst, s (invented).
    pub burst_s: f64,
    /// Share of time that all sites lose together, 0 to below 1 (invented).
    pub common_share: f64,
    /// Mean length of a common burst, s (invented).
    pub common_burst_s: f64,
}

impl PacketLoss {
    /// No packet is lost.
    pub const NONE: Self = Self {
        share: 0.0,
        burst_s: 1.0,
        common_share: 0.0,
        common_burst_s: 1.0,
    };
    /// One packet in fifty at each site, in bursts of 4 s, and half a percent at all sites, in bursts of 10 s
    /// (invented).
    pub const USUAL: Self = Self {
        share: 0.02,
        burst_s: 4.0,
        common_share: 0.005,
        common_burst_s: 10.0,
    };
}

/// One two-state chain.
#[derive(Debug, Clone)]
struct Chain {
    share: f64,
    burst_s: f64,
    lost: bool,
    rng: Xoshiro256PlusPlus,
}

impl Chain {
    fn new(share: f64, burst_s: f64, mut rng: Xoshiro256PlusPlus) -> Self {
        let lost = rng.random::<f64>() < share;
        Self {
            share,
            burst_s,
            lost,
            rng,
        }
    }

    /// Whether the packet is lost `step_s` later. Over Δ the chain forgets `1 − exp(−Δ / (burst_s (1 − q)))`.
    fn step(&mut self, step_s: f64) -> bool {
        let forgets = 1.0 - libm::exp(-step_s / (self.burst_s * (1.0 - self.share)));
        let stays_lost = self.share + (1.0 - self.share) * (1.0 - forgets);
        let becomes_lost = self.share * forgets;
        let chance = if self.lost { stays_lost } else { becomes_lost };
        self.lost = self.rng.random::<f64>() < chance;
        self.lost
    }
}

/// The packets of a recording.
#[derive(Debug, Clone)]
pub(crate) struct Packets {
    common: Chain,
    by_site: Vec<Chain>,
    common_lost: bool,
}

impl Packets {
    pub(crate) fn new(loss: &PacketLoss, sites: usize, seed: u64) -> Self {
        let chain = |share, burst_s, place| Chain::new(share, burst_s, stream_at(seed, Purpose::Packets, place));
        Self {
            common: chain(loss.common_share, loss.common_burst_s, 0),
            by_site: (1..=sites)
                .map(|place| chain(loss.share, loss.burst_s, place))
                .collect(),
            common_lost: false,
        }
    }

    /// Moves all sites on by `step_s`.
    pub(crate) fn advance(&mut self, step_s: f64) {
        self.common_lost = self.common.step(step_s);
        for chain in &mut self.by_site {
            chain.step(step_s);
        }
    }

    /// Whether a site's packet of this instant is lost.
    pub(crate) fn lost(&self, site: usize) -> bool {
        self.common_lost || self.by_site[site].lost
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn losses_have_their_share_and_come_in_bursts() {
        let loss = PacketLoss {
            share: 0.1,
            burst_s: 5.0,
            ..PacketLoss::NONE
        };
        let mut packets = Packets::new(&loss, 1, 4);
        let lost: Vec<bool> = (0..400_000)
            .map(|_| {
                packets.advance(0.5);
                packets.lost(0)
            })
            .collect();
        let count = lost.iter().filter(|&&lost| lost).count() as f64;
        let bursts = lost.windows(2).filter(|pair| !pair[0] && pair[1]).count() as f64;
        // 200 000 s with cycles of 50 s are 4000 bursts: relative sd of their number and mean length about 1.6 % each.
        // Between samples 0.5 s apart some short gaps go unseen, which lengthens bursts by up to Δ / 2 and a tenth.
        assert!((count / 400_000.0 - 0.1).abs() < 0.01, "{count}");
        let mean_burst_s = 0.5 * count / bursts;
        assert!((4.7..5.6).contains(&mean_burst_s), "{mean_burst_s}");
    }

    #[test]
    fn a_common_burst_silences_every_site() {
        let loss = PacketLoss {
            common_share: 0.3,
            common_burst_s: 5.0,
            ..PacketLoss::NONE
        };
        let mut packets = Packets::new(&loss, 3, 4);
        let mut silent = 0;
        for _ in 0..1000 {
            packets.advance(0.5);
            let lost = (0..3).filter(|&site| packets.lost(site)).count();
            assert!(lost == 0 || lost == 3);
            silent += usize::from(lost == 3);
        }
        assert!(silent > 0);
    }
}
