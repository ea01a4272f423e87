//! The setup of an examination: everything about it but the recording.

use thiserror::Error;

use crate::layout::Layout;
use crate::noise::NoiseModel;
use crate::propagation::{Law, LogDistance, Propagation};
use crate::recording::Receiver;
use crate::space::{Room, Space};
use crate::torso::{Position, Torso};

/// Why a transmitter cannot be as described.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum TransmitterError {
    /// A value that no capsule has, or not a number.
    #[error("transmitter {what} is {found}; expected {expected}")]
    ImpossibleValue {
        /// Which value.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
}

/// The capsule's transmitter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Transmitter {
    frequency_mhz: f64,
    power_dbm: f64,
    battery_h: Option<f64>,
}

impl Transmitter {
    /// A transmitter from frequency, radiated power and, where known, rated battery life.
    ///
    /// # Errors
    ///
    /// [`TransmitterError::ImpossibleValue`] unless 1 ≤ frequency ≤ 100 000 MHz, −150 ≤ power ≤ 50 dBm and 0 < battery
    /// ≤ 1000 h.
    pub fn new(frequency_mhz: f64, power_dbm: f64, battery_h: Option<f64>) -> Result<Self, TransmitterError> {
        let impossible = |what, found, expected| TransmitterError::ImpossibleValue { what, found, expected };
        if !(1.0..=100_000.0).contains(&frequency_mhz) {
            return Err(impossible("frequency_mhz", frequency_mhz, "1 to 100000 MHz"));
        }
        if !(-150.0..=50.0).contains(&power_dbm) {
            return Err(impossible("power_dbm", power_dbm, "−150 to 50 dBm"));
        }
        if let Some(battery_h) = battery_h
            && !(battery_h > 0.0 && battery_h <= 1000.0)
        {
            return Err(impossible("battery_h", battery_h, "above 0 and at most 1000 h"));
        }
        Ok(Self {
            frequency_mhz,
            power_dbm,
            battery_h,
        })
    }

    /// Carrier frequency, MHz.
    #[must_use]
    pub const fn frequency_mhz(&self) -> f64 {
        self.frequency_mhz
    }

    /// Radiated power, dBm.
    #[must_use]
    pub const fn power_dbm(&self) -> f64 {
        self.power_dbm
    }

    /// Rated life, h.
    #[must_use]
    pub const fn battery_h(&self) -> Option<f64> {
        self.battery_h
    }
}

/// Everything about an examination but the recording: body, sites, law, noise, transmitter, receiver.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// The body.
    pub torso: Torso,
    /// Where the transmitter is looked for in place of the body, for what is none; see [`Setup::in_room`].
    pub room: Option<Room>,
    /// The sites.
    pub layout: Layout,
    /// The median law of propagation.
    pub law: Law,
    /// What the law leaves out.
    pub noise: NoiseModel,
    /// The capsule's transmitter.
    pub transmitter: Transmitter,
    /// What the receiver can hear.
    pub receiver: Receiver,
}

impl Setup {
    /// The default eight sites on a torso, heard through the deep tissue of IEEE 802.15.6 (see
    /// [`LogDistance::DEEP_TISSUE_TO_SURFACE`]); a capsule of −20 dBm at 433 MHz (common practice, no source) and unknown battery.
    #[must_use]
    pub fn default_eight(torso: Torso, noise: NoiseModel, receiver: Receiver) -> Self {
        Self {
            torso,
            room: None,
            layout: Layout::default_eight(&torso),
            law: Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE),
            noise,
            transmitter: Transmitter {
                frequency_mhz: 433.0,
                power_dbm: -20.0,
                battery_h: None,
            },
            receiver,
        }
    }

    /// The setup of something that is no body: a tag in a flat, a capsule in a tank. No part of the gut lies anywhere then, so
    /// that `torso` is one of middle size and is asked for nothing.
    #[must_use]
    pub fn in_room(
        room: Room,
        layout: Layout,
        law: Law,
        noise: NoiseModel,
        transmitter: Transmitter,
        receiver: Receiver,
    ) -> Self {
        Self {
            torso: Torso::default(),
            room: Some(room),
            layout,
            law,
            noise,
            transmitter,
            receiver,
        }
    }

    /// Where the transmitter is looked for.
    #[must_use]
    pub fn space(&self) -> Space {
        self.room.map_or(Space::Torso(self.torso), Space::Room)
    }

    /// The median level at a site when the capsule is at a place, dBm, without the receiver's limits:
    /// `P = P₀ + g − L(d)`.
    ///
    /// # Panics
    ///
    /// When `site` is not an index of the layout.
    #[must_use]
    pub fn median_dbm(&self, place_mm: &Position, site: usize) -> f64 {
        let site = &self.layout.sites()[site];
        self.transmitter.power_dbm() + site.gain_db - self.law.loss_db(place_mm, &site.position_mm)
    }

    /// As [`Setup::median_dbm`], with the gradient of the loss by the place, dB/mm; the level's is the opposite.
    ///
    /// # Panics
    ///
    /// When `site` is not an index of the layout.
    #[must_use]
    pub fn median_and_loss_gradient(&self, place_mm: &Position, site: usize) -> (f64, Position) {
        let site = &self.layout.sites()[site];
        let (loss_db, gradient) = self.law.loss_and_gradient(place_mm, &site.position_mm);
        (self.transmitter.power_dbm() + site.gain_db - loss_db, gradient)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn median_levels_match_the_worked_example() {
        // Worked example: target (−30, 90, 100) mm, −20 dBm, default eight on 330 × 230 mm, 47.14 dB at 50 mm, n 4.26.
        let torso = Torso::new(330.0, 230.0).unwrap();
        let setup = Setup::default_eight(
            torso,
            NoiseModel::new(7.85, 2.0).unwrap(),
            Receiver::new(-100.0, None, None).unwrap(),
        );
        let place = Position::new(-30.0, 90.0, 100.0);
        for (site, expected_dbm) in [-78.908, -79.218, -86.246, -87.299, -92.240, -93.835, -93.898, -95.833]
            .into_iter()
            .enumerate()
        {
            assert_relative_eq!(setup.median_dbm(&place, site), expected_dbm, epsilon = 1e-3);
        }
    }
}
