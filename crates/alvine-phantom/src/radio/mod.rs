//! How strongly each site hears the capsule: the law, and what the law leaves out.
//!
//! ```text
//! P = P₀ + g − L(|x − a|) + shadowing(x) + attitude(t) − loosening(t) + noise
//! ```
//!
//! with a and g as the belt really sits; then the receiver's step, floor and ceiling, and the packets that get lost.

mod loosening;
mod mounting;
mod packets;
mod shadowing;

use alvine::recording::Receiver;
use alvine::{Position, Propagation, Setup, Site, TrueLoosening};
use rand::Rng;
use rand_distr::StandardNormal;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::scenario::Scenario;
use crate::streams::{Purpose, stream};
use crate::wander::Wander;
use loosening::LooseAntenna;
pub use loosening::Loosening;
pub use packets::PacketLoss;
use packets::Packets;
use shadowing::Shadowing;

/// The air between capsule and belt once, and every instant.
#[derive(Debug)]
pub(crate) struct Radio<'a> {
    setup: &'a Setup,
    sites: Vec<Site>,
    shadowing: Shadowing,
    attitude: Wander,
    attitude_rng: Xoshiro256PlusPlus,
    noise_rng: Xoshiro256PlusPlus,
    packets: Packets,
    loose: Option<LooseAntenna>,
}

impl<'a> Radio<'a> {
    pub(crate) fn new(scenario: &Scenario, setup: &'a Setup, duration_s: f64) -> Self {
        let (seed, sites) = (scenario.seed, setup.layout.len());
        let mut attitude_rng = stream(seed, Purpose::Wander);
        Self {
            setup,
            sites: mounting::mounted(
                setup.layout.sites(),
                &setup.torso,
                scenario.placement_spread_mm,
                scenario.gain_spread_db,
                seed,
            ),
            shadowing: Shadowing::new(
                seed,
                sites,
                scenario.noise.shadowing_db(),
                scenario.shadowing_correlation_mm,
            ),
            attitude: Wander::new(scenario.attitude_db, scenario.attitude_correlation_s, &mut attitude_rng),
            attitude_rng,
            noise_rng: stream(seed, Purpose::Noise),
            packets: Packets::new(&scenario.packet_loss, sites, seed),
            loose: LooseAntenna::new(&scenario.loosening, sites, duration_s, seed),
        }
    }

    /// What each site reports at a time, dBm, NaN for no packet, `step_s` after the last call; no place means that the
    /// capsule has left the body for good and no packet comes.
    pub(crate) fn hear(&mut self, time_s: f64, step_s: f64, place_mm: Option<&Position>, levels_dbm: &mut [f32]) {
        self.packets.advance(step_s);
        let attitude_db = self.attitude.step(step_s, &mut self.attitude_rng);
        let loose_db = self.loose.as_mut().map_or(0.0, |loose| loose.loss_db(time_s, step_s));
        if let Some(place_mm) = place_mm {
            self.shadowing.move_to(place_mm);
        }
        for (index, level_dbm) in levels_dbm.iter_mut().enumerate() {
            // Drawn whether it is heard or not, so that a lost packet leaves later noise as it was.
            let normal: f64 = self.noise_rng.sample(StandardNormal);
            let Some(place_mm) = place_mm.filter(|_| !self.packets.lost(index)) else {
                *level_dbm = f32::NAN;
                continue;
            };
            let site = &self.sites[index];
            let median_dbm =
                self.setup.transmitter.power_dbm() + site.gain_db - self.setup.law.loss_db(place_mm, &site.position_mm);
            let is_loose = self.loose.as_ref().is_some_and(|loose| loose.site() == index);
            let true_dbm =
                median_dbm + self.shadowing.at_site_db(index) + attitude_db + self.setup.noise.noise_db() * normal
                    - if is_loose { loose_db } else { 0.0 };
            *level_dbm = reported(&self.setup.receiver, true_dbm);
        }
    }

    /// The loosenings that were put in.
    pub(crate) fn true_loosenings(&self) -> Vec<TrueLoosening> {
        let loose = self.loose.iter();
        loose.map(|loose| loose.truth(&self.sites[loose.site()].name)).collect()
    }
}

/// What a receiver reports of a level: rounded to its step, and no lower than its floor nor higher than its ceiling.
fn reported(receiver: &Receiver, level_dbm: f64) -> f32 {
    let stepped_dbm = receiver
        .step_db()
        .map_or(level_dbm, |step_db| (level_dbm / step_db).round() * step_db);
    let ceiling_dbm = receiver.ceiling_dbm().unwrap_or(f64::INFINITY);
    stepped_dbm.min(ceiling_dbm).max(receiver.floor_dbm()) as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_rounded_and_held_between_floor_and_ceiling() {
        let receiver = Receiver::new(-100.0, Some(-25.0), Some(1.0)).unwrap();
        assert_eq!(reported(&receiver, -61.4), -61.0);
        assert_eq!(reported(&receiver, -130.0), -100.0);
        assert_eq!(reported(&receiver, -3.0), -25.0);
        let fine = Receiver::new(-100.0, None, None).unwrap();
        assert_eq!(reported(&fine, -61.25), -61.25);
    }
}
