//! The radio of a scenario by name: what its law leaves out, switched together.

use alvine::NoiseModel;
use alvine::recording::Receiver;

use super::{Loosening, LooseningManner, PacketLoss, RadioEffects};
use crate::error::PhantomError;
use crate::scenario::Scenario;

/// A radio that any scenario can be given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RadioProfile {
    /// As the scenario has it: 4 dB of shadowing unless it says otherwise, gains off by 1 dB, sites by 5 mm each way.
    Usual,
    /// Everything obeys the model that the study is told: law, level, gains, sites; independent Gaussian noise and
    /// nothing else, no steps, no packet lost, no antenna loose. Floor and ceiling stay. For checking an estimator's
    /// consistency.
    Matched,
    /// What a belt on a real body may be expected to do: shadowing and direction together 7.85 dB (the published spread,
    /// from memory) over 40 to 80 mm, gains off by 1.5 dB, sites by 7 mm each way (10 mm along the skin), exponent off by
    /// 0.3 and level by 3 dB, tissue layers, antenna pattern, a tumbling capsule, one sample in twenty four times as
    /// noisy, steps of 1 dB, packets lost in bursts, a sagging battery, and in half of the studies an antenna that works
    /// loose in some manner. But for the published spread all of it is invented.
    Realistic,
}

impl RadioProfile {
    /// Every profile.
    pub const ALL: [Self; 3] = [Self::Usual, Self::Matched, Self::Realistic];

    /// Its name.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Usual => "usual",
            Self::Matched => "matched",
            Self::Realistic => "realistic",
        }
    }
}

impl std::str::FromStr for RadioProfile {
    type Err = PhantomError;

    fn from_str(name: &str) -> Result<Self, PhantomError> {
        let found = Self::ALL.into_iter().find(|profile| profile.as_str() == name);
        found.ok_or_else(|| PhantomError::UnknownRadio { found: name.to_owned() })
    }
}

impl Scenario {
    /// The same scenario with the radio of a profile. What happens to the capsule stays as it was.
    #[must_use]
    pub fn with_radio(self, profile: RadioProfile) -> Self {
        match profile {
            RadioProfile::Usual => self,
            RadioProfile::Matched => self.matched(),
            RadioProfile::Realistic => self.realistic(),
        }
    }

    fn matched(self) -> Self {
        Self {
            noise: noise(0.0),
            receiver: receiver(None),
            attitude_db: 0.0,
            gain_spread_db: 0.0,
            placement_spread_mm: 0.0,
            packet_loss: PacketLoss::NONE,
            loosening: Loosening::None,
            effects: RadioEffects::NONE,
            ..self
        }
    }

    fn realistic(self) -> Self {
        Self {
            noise: noise(NoiseModel::DEEP_TISSUE_SHADOWING_DB),
            receiver: receiver(Some(1.0)),
            shadowing_correlation_mm: [40.0, 80.0],
            // The capsule's attitude acts through its dipole instead.
            attitude_db: 0.0,
            gain_spread_db: 1.5,
            placement_spread_mm: 7.0,
            packet_loss: PacketLoss::USUAL,
            loosening: Loosening::Sometimes(0.5),
            loosening_manner: LooseningManner::Any,
            effects: RadioEffects::REALISTIC,
            ..self
        }
    }
}

#[expect(clippy::expect_used, reason = "both callers' spreads are possible")]
fn noise(shadowing_db: f64) -> NoiseModel {
    NoiseModel::new(shadowing_db, 2.0).expect("a possible noise model")
}

#[expect(clippy::expect_used, reason = "both callers' steps are possible")]
fn receiver(step_db: Option<f64>) -> Receiver {
    Receiver::new(-100.0, Some(-25.0), step_db).expect("a possible receiver")
}
