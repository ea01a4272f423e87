//! How strongly each site hears the capsule: the law, and what the law leaves out.
//!
//! ```text
//! P = P₀ + δ + g − L(d) − 10 Δn log₁₀(d / 50) − e(x, a) + shadowing(x) + attitude(t) + dipole(x, a, t)
//!     − battery(t) − loosening(t) + noise,   d = |x − a|
//! ```
//!
//! with a and g as the belt really sits, L the law that the study is told, δ and Δn how level and exponent really differ
//! from it, e what layers and antenna pattern add about it ([`effects`]); then the receiver's step, floor and ceiling, and the packets that get lost.

mod attitude;
mod effects;
mod excess;
mod loosening;
mod median;
mod mounting;
mod packets;
mod profile;
mod shadowing;
mod tails;

use alvine::recording::{POSSIBLE_DBM, Receiver};
use alvine::{Position, Setup, Site, TrueLoosening};
use rand::Rng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::chance::normal;
use crate::error::PhantomError;
use crate::scenario::Scenario;
use crate::streams::{Purpose, stream};
use crate::wander::Wander;
use attitude::Attitude;
pub use effects::{AntennaPattern, BatterySag, Mismatch, RadioEffects, Tails, TissueLayers, Tumbling};
use excess::Excess;
use loosening::LooseAntenna;
pub use loosening::{Loosening, LooseningManner};
pub use packets::PacketLoss;
use packets::Packets;
pub use profile::RadioProfile;
use shadowing::Shadowing;
use tails::Multiplier;

/// How the air really was, where the study is told otherwise.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueRadio {
    /// The sites as they really sit, with their true gains.
    pub sites: Vec<Site>,
    /// True exponent less the told one, about [`Mismatch::PIVOT_MM`].
    pub exponent_excess: f64,
    /// True level less the told one, dB.
    pub level_excess_db: f64,
    /// Standard deviation of the shadowing field, dB.
    pub shadowing_db: f64,
    /// Its correlation length, mm.
    pub shadowing_correlation_mm: f64,
}

/// The air between capsule and belt once, and every instant.
#[derive(Debug)]
pub(crate) struct Radio<'a> {
    setup: &'a Setup,
    truth: TrueRadio,
    excess: Option<Excess>,
    dipole: Option<Attitude>,
    battery: Option<(BatterySag, f64)>,
    shadowing: Shadowing,
    attitude: Wander,
    attitude_rng: Xoshiro256PlusPlus,
    noise_rng: Xoshiro256PlusPlus,
    tails: Multiplier,
    packets: Packets,
    loose: Option<LooseAntenna>,
}

impl<'a> Radio<'a> {
    /// The radio of a scenario whose recording is so long.
    pub(crate) fn new(scenario: &Scenario, setup: &'a Setup, duration_s: f64) -> Result<Self, PhantomError> {
        let (seed, sites, effects) = (scenario.seed, setup.layout.len(), &scenario.effects);
        let mounted = mounting::mounted(
            setup.layout.sites(),
            &setup.torso,
            scenario.placement_spread_mm,
            scenario.gain_spread_db,
            seed,
        );
        let excess = Excess::new(
            effects.layers.as_ref(),
            effects.pattern.as_ref(),
            setup.torso,
            setup.transmitter.frequency_mhz(),
            &mounted,
        )?;
        let dipole = effects.tumbling.map(|tumbling| Attitude::new(&tumbling, seed));
        let taken_db = if effects.shadowing_pools {
            let by_direction_db = excess.as_ref().map_or(0.0, Excess::spread_db);
            by_direction_db.hypot(dipole.as_ref().map_or(0.0, Attitude::spread_db))
        } else {
            0.0
        };
        let spread_db = scenario.noise.shadowing_db();
        let shadowing_db = (spread_db * spread_db - taken_db * taken_db).max(0.0).sqrt();
        let correlation_mm = shadowing_length_mm(scenario.shadowing_correlation_mm, seed);
        let [exponent_excess, level_excess_db] = mismatch(&effects.mismatch, seed);
        let mut attitude_rng = stream(seed, Purpose::Wander);
        let battery_s = setup.transmitter.battery_h().map_or(duration_s, |hours| 3600.0 * hours);
        Ok(Self {
            setup,
            excess,
            dipole,
            battery: effects.battery.map(|sag| (sag, battery_s)),
            shadowing: Shadowing::new(seed, sites, shadowing_db, correlation_mm),
            attitude: Wander::new(scenario.attitude_db, scenario.attitude_correlation_s, &mut attitude_rng),
            attitude_rng,
            noise_rng: stream(seed, Purpose::Noise),
            tails: Multiplier::new(effects.tails, seed),
            packets: Packets::new(&scenario.packet_loss, sites, seed),
            loose: LooseAntenna::new(&scenario.loosening, scenario.loosening_manner, sites, duration_s, seed),
            truth: TrueRadio {
                sites: mounted,
                exponent_excess,
                level_excess_db,
                shadowing_db,
                shadowing_correlation_mm: correlation_mm,
            },
        })
    }

    /// What each site reports at a time, dBm, NaN for no packet, `step_s` after the last call; no place means that the
    /// capsule has left the body for good and no packet comes.
    pub(crate) fn hear(&mut self, time_s: f64, step_s: f64, place_mm: Option<&Position>, levels_dbm: &mut [f32]) {
        self.packets.advance(step_s);
        let mut common_db = self.attitude.step(step_s, &mut self.attitude_rng) + self.truth.level_excess_db;
        if let Some((sag, battery_s)) = &self.battery {
            common_db -= sag.loss_db(time_s / battery_s);
        }
        if let Some(dipole) = &mut self.dipole {
            dipole.step(step_s);
        }
        let loose_db = self.loose.as_mut().map_or(0.0, |loose| loose.loss_db(time_s, step_s));
        if let Some(place_mm) = place_mm {
            self.shadowing.move_to(place_mm);
        }
        for (index, level_dbm) in levels_dbm.iter_mut().enumerate() {
            // Drawn whether it is heard or not, so that a lost packet leaves later noise as it was.
            let normal = normal(&mut self.noise_rng);
            let noise_db = self.setup.noise.noise_db() * normal * self.tails.next_factor();
            let Some(place_mm) = place_mm.filter(|_| !self.packets.lost(index)) else {
                *level_dbm = f32::NAN;
                continue;
            };
            let is_loose = self.loose.as_ref().is_some_and(|loose| loose.site() == index);
            let true_dbm =
                self.at_rest_dbm(place_mm, index) + common_db + noise_db - if is_loose { loose_db } else { 0.0 };
            *level_dbm = reported(&self.setup.receiver, true_dbm);
        }
    }

    /// The level at a site of a capsule at a place, whatever the time: law, gain, mismatch, layers, pattern, shadowing,
    /// and the dipole in its present attitude.
    fn at_rest_dbm(&self, place_mm: &Position, index: usize) -> f64 {
        let site = &self.truth.sites[index];
        let median_dbm = self.setup.transmitter.power_dbm() + site.gain_db
            - median::loss_db(&self.setup.law, place_mm, &site.position_mm);
        let towards = site.position_mm - place_mm;
        let decades = libm::log10(towards.norm().max(1.0) / Mismatch::PIVOT_MM);
        median_dbm + self.shadowing.at_site_db(index)
            - 10.0 * self.truth.exponent_excess * decades
            - self
                .excess
                .as_ref()
                .map_or(0.0, |excess| excess.loss_db(place_mm, index))
            + self.dipole.as_ref().map_or(0.0, |dipole| dipole.gain_db(&towards))
    }

    /// The loosenings that were put in.
    pub(crate) fn true_loosenings(&self) -> Vec<TrueLoosening> {
        let loose = self.loose.iter();
        loose
            .map(|loose| loose.truth(&self.truth.sites[loose.site()].name))
            .collect()
    }

    /// How the air really was.
    pub(crate) fn into_truth(self) -> TrueRadio {
        self.truth
    }
}

/// The correlation length, mm: evenly drawn between the two where they differ.
fn shadowing_length_mm([least_mm, most_mm]: [f64; 2], seed: u64) -> f64 {
    let share: f64 = stream(seed, Purpose::ShadowingLength).random();
    least_mm + share * (most_mm - least_mm)
}

/// How exponent and level, dB, really differ from what the study is told.
fn mismatch(mismatch: &Mismatch, seed: u64) -> [f64; 2] {
    let mut rng = stream(seed, Purpose::Mismatch);
    let [exponent, level] = [0; 2].map(|_| normal(&mut rng));
    [
        mismatch.exponent + mismatch.exponent_spread * exponent,
        mismatch.level_db + mismatch.level_spread_db * level,
    ]
}

/// What a receiver reports of a level: rounded to its step, and no lower than its floor nor higher than its ceiling.
fn reported(receiver: &Receiver, level_dbm: f64) -> f32 {
    let stepped_dbm = receiver
        .step_db()
        .map_or(level_dbm, |step_db| (level_dbm / step_db).round() * step_db);
    // No recording holds more, whatever the scenario.
    let ceiling_dbm = receiver.ceiling_dbm().unwrap_or(f64::from(*POSSIBLE_DBM.end()));
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
