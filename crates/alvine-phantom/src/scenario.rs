//! A scenario: everything that decides a simulated recording, the seed of chance included.

use alvine::recording::Receiver;
use alvine::{Law, Layout, LogDistance, NoiseModel, Torso, Transmitter};

use crate::body::TorsoChoice;
use crate::error::PhantomError;
use crate::gut::Anatomy;
use crate::motion::{MOST_S, Residence, Transit};
use crate::radio::{Loosening, LooseningManner, PacketLoss, RadioEffects, Tails};

/// The most instants in a recording, so that no slip of a unit fills the memory.
const MOST_INSTANTS: f64 = 1e7;

/// Everything that decides a simulated recording. Two equal scenarios give equal bytes.
///
/// Start from [`Scenario::demo`] or [`Scenario::named`] and change what matters:
///
/// ```
/// use alvine_phantom::{PacketLoss, Scenario, simulate};
/// let scenario = Scenario {
///     duration_h: 1.0,
///     packet_loss: PacketLoss::NONE,
///     ..Scenario::demo(7)
/// };
/// let simulated = simulate(&scenario)?;
/// assert_eq!(simulated.recording.len(), 7200);
/// # Ok::<(), alvine_phantom::PhantomError>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Scenario {
    /// Seed of all chance. Each purpose has a stream of its own: switching one thing off leaves the others as they were.
    pub seed: u64,
    /// The gut: drawn, or one of two living people's, which has a torso of its own.
    pub anatomy: Anatomy,
    /// The body, for a gut that is drawn.
    pub torso: TorsoChoice,
    /// The sites; `None` for the default eight on the torso.
    pub layout: Option<Layout>,
    /// Instants a second, 0.05 to 50 Hz.
    pub rate_hz: f64,
    /// Length of the recording, h: until the battery is empty or the belt is taken off.
    pub duration_h: f64,
    /// When the capsule is swallowed, s after the recording begins; negative where it began too late.
    pub swallowed_s: f64,
    /// How long the capsule stays where.
    pub transit: Transit,
    /// The capsule's transmitter.
    pub transmitter: Transmitter,
    /// What the receiver can hear.
    pub receiver: Receiver,
    /// The median law of propagation; the study is told the same.
    pub law: Law,
    /// Shadowing and noise; the study is told the same spreads, and not the field.
    pub noise: NoiseModel,
    /// Distance over which shadowing keeps its value, mm: drawn evenly between the two (40 mm: common practice, no
    /// source).
    pub shadowing_correlation_mm: [f64; 2],
    /// Spread of the level common to all sites as the capsule turns, dB (1.5 dB, invented). Part of what the law leaves
    /// out; the study is not told.
    pub attitude_db: f64,
    /// How long the capsule keeps its attitude, s (90 s, invented).
    pub attitude_correlation_s: f64,
    /// Spread of the antennas' gains about what the study says, dB (1 dB, invented).
    pub gain_spread_db: f64,
    /// Spread of the antennas' places along the skin about what the study says, mm each way (5 mm, invented).
    pub placement_spread_mm: f64,
    /// How packets get lost.
    pub packet_loss: PacketLoss,
    /// Which antenna works loose.
    pub loosening: Loosening,
    /// In which manner it does.
    pub loosening_manner: LooseningManner,
    /// What the air does beyond all this; the study is not told.
    pub effects: RadioEffects,
    /// How far breathing moves the upper organs, mm (12 mm; 10 to 15 mm at rest, from memory).
    pub breath_mm: f64,
    /// Spread of the organs' slow drift along each axis, mm (4 mm, invented).
    pub drift_mm: f64,
    /// How far organs move when the body turns or rises, mm: down by so much when upright, sideways by half when lying on a
    /// side (0 in the named scenarios; 20 mm is likely: invented).
    pub posture_mm: f64,
    /// How long a posture is kept in the mean, s (1800 s, invented).
    pub posture_s: f64,
    /// How many findings to invent in the small bowel.
    pub findings: usize,
}

impl Scenario {
    /// Static shadowing of the demo, dB: invented, and kinder than the published spread of 7.85 dB (from memory), which
    /// pools places, directions and bodies. With that one a single fix errs by about 65 mm.
    pub const DEMO_SHADOWING_DB: f64 = 4.0;

    /// The names that [`Scenario::named`] knows.
    pub const NAMES: [&'static str; 8] = [
        "default",
        "gastric-retention",
        "battery-ends-in-small-bowel",
        "expulsion-recorded",
        "started-late",
        "fed",
        "small-bowel-retention",
        "stasis-before-valve",
    ];

    /// The demo: a median torso of 330 mm × 230 mm, the default eight sites, 2 Hz for 12 h, the deep-tissue law at
    /// −20 dBm, 4 dB of shadowing and 2 dB of noise (both invented), a floor of −100 dBm and steps of 1 dB, one antenna
    /// working loose, transit as published for fasting healthy people.
    #[must_use]
    pub fn demo(seed: u64) -> Self {
        #[expect(
            clippy::expect_used,
            reason = "constants within their ranges, as every test of the demo shows"
        )]
        let (torso, transmitter, receiver, noise) = (
            Torso::new(330.0, 230.0).expect("a possible torso"),
            Transmitter::new(433.0, -20.0, Some(12.0)).expect("a possible transmitter"),
            Receiver::new(-100.0, Some(-25.0), Some(1.0)).expect("a possible receiver"),
            NoiseModel::new(Self::DEMO_SHADOWING_DB, 2.0).expect("a possible noise model"),
        );
        Self {
            seed,
            anatomy: Anatomy::Drawn,
            torso: TorsoChoice::Fixed(torso),
            layout: None,
            rate_hz: 2.0,
            duration_h: 12.0,
            swallowed_s: 412.0,
            transit: Transit::default(),
            transmitter,
            receiver,
            law: Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE),
            noise,
            shadowing_correlation_mm: [40.0; 2],
            attitude_db: 1.5,
            attitude_correlation_s: 90.0,
            gain_spread_db: 1.0,
            placement_spread_mm: 5.0,
            packet_loss: PacketLoss::USUAL,
            loosening: Loosening::Random,
            loosening_manner: LooseningManner::Ramp,
            effects: RadioEffects::NONE,
            breath_mm: 12.0,
            drift_mm: 4.0,
            posture_mm: 0.0,
            posture_s: 1800.0,
            findings: 3,
        }
    }

    /// The scenario of a name: the demo with a torso drawn from the seed, and
    ///
    /// - `default`: nothing else;
    /// - `gastric-retention`: the capsule never leaves the stomach;
    /// - `battery-ends-in-small-bowel`: the recording ends before the valve;
    /// - `expulsion-recorded`: a short colon time, so that the capsule is expelled within the recording;
    /// - `started-late`: the recording begins a minute and a half after the swallow;
    /// - `fed`: swallowed with a test meal, which keeps it in the stomach for hours;
    /// - `small-bowel-retention`: the capsule comes to rest in jejunum or ileum for good;
    /// - `stasis-before-valve`: it rests for five hours just before the valve.
    ///
    /// # Errors
    ///
    /// [`PhantomError::UnknownScenario`] for any other name.
    pub fn named(name: &str, seed: u64) -> Result<Self, PhantomError> {
        let mut scenario = Self {
            torso: TorsoChoice::Drawn,
            ..Self::demo(seed)
        };
        match name {
            "default" => {}
            "gastric-retention" => scenario.transit.stomach = Residence::Endless,
            "battery-ends-in-small-bowel" => {
                scenario.transit.stomach = Residence::Fixed(95.0 * 60.0);
                scenario.transit.small_bowel = Residence::Fixed(11.0 * 3600.0);
                scenario.duration_h = 9.0;
            }
            "expulsion-recorded" => {
                scenario.transit.stomach = Residence::Fixed(25.0 * 60.0);
                scenario.transit.small_bowel = Residence::Fixed(3.25 * 3600.0);
                scenario.transit.colon = Residence::Fixed(6.5 * 3600.0);
            }
            "started-late" => scenario.swallowed_s = -90.0,
            "fed" => scenario.transit = Transit::fed(),
            "small-bowel-retention" => {
                scenario.transit.stomach = Residence::Fixed(25.0 * 60.0);
                scenario.transit.small_bowel = Residence::Endless;
            }
            "stasis-before-valve" => {
                scenario.transit.stomach = Residence::Fixed(25.0 * 60.0);
                scenario.transit.stasis_s = 5.0 * 3600.0;
            }
            _ => return Err(PhantomError::UnknownScenario { found: name.to_owned() }),
        }
        Ok(scenario)
    }

    /// Length of the recording, s.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        3600.0 * self.duration_h
    }

    /// Checks every parameter that its own type does not.
    ///
    /// # Errors
    ///
    /// [`PhantomError::ImpossibleValue`] for the first that is absurd or not a number.
    pub fn validate(&self) -> Result<(), PhantomError> {
        for (what, found, range, expected) in [
            ("rate_hz", self.rate_hz, 0.05..=50.0, "0.05 to 50 Hz"),
            ("duration_h", self.duration_h, 0.01..=240.0, "0.01 to 240 h"),
            (
                "swallowed_s",
                self.swallowed_s,
                -864_000.0..=864_000.0,
                "−864000 to 864000 s",
            ),
            (
                "noise.shadowing_correlation_mm",
                self.shadowing_correlation_mm[0],
                1.0..=10_000.0,
                "1 to 10000 mm",
            ),
            (
                "noise.shadowing_correlation_mm",
                self.shadowing_correlation_mm[1],
                self.shadowing_correlation_mm[0]..=10_000.0,
                "from the least length to 10000 mm",
            ),
            ("attitude.spread_db", self.attitude_db, 0.0..=40.0, "0 to 40 dB"),
            (
                "attitude.memory_s",
                self.attitude_correlation_s,
                0.01..=1e6,
                "0.01 to 1000000 s",
            ),
            ("mounting.gain_spread_db", self.gain_spread_db, 0.0..=40.0, "0 to 40 dB"),
            (
                "mounting.placement_spread_mm",
                self.placement_spread_mm,
                0.0..=100.0,
                "0 to 100 mm",
            ),
            ("packets.share", self.packet_loss.share, 0.0..=0.99, "0 to 0.99"),
            (
                "packets.burst_s",
                self.packet_loss.burst_s,
                0.01..=1e6,
                "0.01 to 1000000 s",
            ),
            (
                "packets.common_share",
                self.packet_loss.common_share,
                0.0..=0.99,
                "0 to 0.99",
            ),
            (
                "packets.common_burst_s",
                self.packet_loss.common_burst_s,
                0.01..=1e6,
                "0.01 to 1000000 s",
            ),
            ("organs.breath_mm", self.breath_mm, 0.0..=50.0, "0 to 50 mm"),
            ("organs.drift_mm", self.drift_mm, 0.0..=50.0, "0 to 50 mm"),
            ("organs.posture_mm", self.posture_mm, 0.0..=100.0, "0 to 100 mm"),
            ("organs.posture_s", self.posture_s, 1.0..=1e6, "1 to 1000000 s"),
        ] {
            in_range(what, found, &range, expected)?;
        }
        let instants = self.rate_hz * self.duration_s();
        in_range(
            "rate_hz × duration_h",
            instants,
            &(0.0..=MOST_INSTANTS),
            "at most 10 million instants",
        )?;
        for (what, residence) in [
            ("transit.oesophagus", self.transit.oesophagus),
            ("transit.stomach", self.transit.stomach),
            ("transit.small_bowel", self.transit.small_bowel),
            ("transit.colon", self.transit.colon),
        ] {
            validate_residence(what, residence)?;
        }
        in_range(
            "transit.stasis_s",
            self.transit.stasis_s,
            &(0.0..=MOST_S),
            "0 to 10000000 s",
        )?;
        validate_loosening(&self.loosening)?;
        validate_effects(&self.effects)
    }
}

fn in_range(
    what: &'static str,
    found: f64,
    range: &std::ops::RangeInclusive<f64>,
    expected: &'static str,
) -> Result<(), PhantomError> {
    if range.contains(&found) {
        Ok(())
    } else {
        Err(PhantomError::ImpossibleValue { what, found, expected })
    }
}

fn validate_residence(what: &'static str, residence: Residence) -> Result<(), PhantomError> {
    let times_s = 0.0..=MOST_S;
    match residence {
        Residence::Drawn { median_s, sd_ln } => {
            in_range(what, median_s, &times_s, "a median of 0 to 10000000 s")?;
            in_range(what, sd_ln, &(0.0..=3.0), "a spread of ln(time) of 0 to 3")
        }
        Residence::Quantiles(quantiles_s) => {
            let rising = "5 rising times of 1 to 10000000 s";
            let mut least_s = 1.0;
            for quantile_s in quantiles_s {
                in_range(what, quantile_s, &(least_s..=MOST_S), rising)?;
                least_s = quantile_s;
            }
            Ok(())
        }
        Residence::Fixed(seconds) => in_range(what, seconds, &times_s, "0 to 10000000 s"),
        Residence::Endless => Ok(()),
    }
}

fn validate_effects(effects: &RadioEffects) -> Result<(), PhantomError> {
    if let Some(layers) = &effects.layers {
        for (what, thickness_mm) in [
            ("layers.skin_mm", layers.skin_mm),
            ("layers.fat_mm", layers.fat_mm),
            ("layers.muscle_mm", layers.muscle_mm),
        ] {
            in_range(what, thickness_mm, &(0.0..=200.0), "0 to 200 mm")?;
        }
        in_range("layers.bowel_share", layers.bowel_share, &(0.0..=1.0), "0 to 1")?;
    }
    if let Some(pattern) = &effects.pattern {
        in_range("pattern.side_db", pattern.side_db, &(0.0..=40.0), "0 to 40 dB")?;
    }
    if let Some(tumbling) = &effects.tumbling {
        let memory_s = 0.01..=1e6;
        in_range("tumbling.memory_s", tumbling.memory_s, &memory_s, "0.01 to 1000000 s")?;
        in_range("tumbling.null_share", tumbling.null_share, &(0.001..=1.0), "0.001 to 1")?;
    }
    match effects.tails {
        Tails::None => {}
        Tails::Contaminated { share, factor } => {
            in_range("tails.share", share, &(0.0..=1.0), "0 to 1")?;
            in_range("tails.factor", factor, &(1.0..=100.0), "1 to 100")?;
        }
        Tails::Student { degrees } => in_range("tails.degrees", f64::from(degrees), &(3.0..=100.0), "3 to 100")?,
    }
    let mismatch = &effects.mismatch;
    in_range("mismatch.exponent", mismatch.exponent, &(-5.0..=5.0), "−5 to 5")?;
    in_range(
        "mismatch.exponent_spread",
        mismatch.exponent_spread,
        &(0.0..=2.0),
        "0 to 2",
    )?;
    in_range("mismatch.level_db", mismatch.level_db, &(-60.0..=60.0), "−60 to 60 dB")?;
    in_range(
        "mismatch.level_spread_db",
        mismatch.level_spread_db,
        &(0.0..=20.0),
        "0 to 20 dB",
    )?;
    if let Some(battery) = &effects.battery {
        in_range("battery.slope_db", battery.slope_db, &(0.0..=60.0), "0 to 60 dB")?;
        in_range("battery.knee_db", battery.knee_db, &(0.0..=60.0), "0 to 60 dB")?;
    }
    Ok(())
}

fn validate_loosening(loosening: &Loosening) -> Result<(), PhantomError> {
    if let Loosening::Sometimes(chance) = *loosening {
        return in_range("loosening.chance", chance, &(0.0..=1.0), "0 to 1");
    }
    let Loosening::Fixed {
        start_s,
        end_s,
        grows_s,
        loss_db,
        ..
    } = *loosening
    else {
        return Ok(());
    };
    in_range("loosening.start_s", start_s, &(0.0..=864_000.0), "0 to 864000 s")?;
    in_range("loosening.end_s", end_s, &(start_s..=f64::INFINITY), "after its start")?;
    in_range("loosening.grows_s", grows_s, &(0.1..=864_000.0), "0.1 to 864000 s")?;
    in_range("loosening.loss_db", loss_db, &(0.0..=100.0), "0 to 100 dB")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_named_scenario_is_valid_and_no_other_name_is_known() {
        for name in Scenario::NAMES {
            assert_eq!(Scenario::named(name, 1).unwrap().validate(), Ok(()));
        }
        let error = Scenario::named("gastric", 1).unwrap_err();
        assert!(error.to_string().contains("gastric-retention"));
    }

    #[test]
    fn absurd_parameters_are_named() {
        let demo = Scenario::demo(1);
        for (scenario, named) in [
            (
                Scenario {
                    rate_hz: f64::NAN,
                    ..demo.clone()
                },
                "rate_hz",
            ),
            (
                Scenario {
                    drift_mm: -1.0,
                    ..demo.clone()
                },
                "drift_mm",
            ),
            (
                Scenario {
                    transit: Transit {
                        colon: Residence::Fixed(-3.0),
                        ..demo.transit
                    },
                    ..demo.clone()
                },
                "transit.colon",
            ),
        ] {
            assert!(scenario.validate().unwrap_err().to_string().contains(named));
        }
    }
}
