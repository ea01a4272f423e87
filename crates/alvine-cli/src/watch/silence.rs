//! Silence: drop-outs, leaps of the clock, and the end.

use alvine::{Quality, median};

/// So long after it was last heard an examination is told as ended, s: within 25 minutes, with room for the rows that come late.
const END_AFTER_S: f64 = 20.0 * 60.0;
/// The usual step of the clock is the median of so many.
const STEPS_KEPT: usize = 31;

/// What silence and the clock bring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sound {
    /// None has heard anything for [`Quality::DROPOUT_S`].
    Dropout {
        /// Since when, s.
        since_s: f64,
    },
    /// One heard something after a drop-out.
    Back {
        /// How long none had, s.
        silent_s: f64,
    },
    /// A step of the clock far longer than its usual one.
    ClockJump {
        /// How long, s.
        by_s: f64,
    },
    /// None has heard anything for so long that it is the end.
    Ended {
        /// When one had last, s.
        last_heard_s: f64,
    },
}

/// Silence so far.
#[derive(Debug, Default)]
pub struct Silence {
    previous_s: Option<f64>,
    last_heard_s: Option<f64>,
    told: bool,
    ended: bool,
    dropouts: u64,
    steps_s: Vec<f64>,
}

impl Silence {
    /// Takes the next instant, heard by some site or not.
    pub fn step(&mut self, time_s: f64, heard: bool) -> Vec<Sound> {
        let mut sounds = Vec::new();
        if let Some(previous_s) = self.previous_s.replace(time_s) {
            let step_s = time_s - previous_s;
            if self
                .usual_step_s()
                .is_some_and(|usual_s| step_s > Quality::JUMP_STEPS * usual_s)
            {
                sounds.push(Sound::ClockJump { by_s: step_s });
            } else if self.steps_s.len() < STEPS_KEPT {
                self.steps_s.push(step_s);
            }
        }
        if heard {
            if let Some(last_s) = self.last_heard_s.filter(|_| self.told) {
                sounds.push(Sound::Back {
                    silent_s: time_s - last_s,
                });
            }
            (self.told, self.ended) = (false, false);
            self.last_heard_s = Some(time_s);
        } else if let Some(last_s) = self.last_heard_s {
            let silent_s = time_s - last_s;
            if silent_s >= Quality::DROPOUT_S && !self.told {
                self.told = true;
                self.dropouts += 1;
                sounds.push(Sound::Dropout { since_s: last_s });
            }
            if silent_s >= END_AFTER_S && !self.ended {
                self.ended = true;
                sounds.push(Sound::Ended { last_heard_s: last_s });
            }
        }
        sounds
    }

    /// When any site heard the capsule last, s.
    pub fn last_heard_s(&self) -> Option<f64> {
        self.last_heard_s
    }

    /// How many drop-outs there were.
    pub fn dropouts(&self) -> u64 {
        self.dropouts
    }

    /// The median of the first steps.
    fn usual_step_s(&self) -> Option<f64> {
        if self.steps_s.len() < STEPS_KEPT {
            return None;
        }
        median(&mut self.steps_s.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_silence_is_told_once_and_becomes_the_end_within_twenty_five_minutes() {
        let mut silence = Silence::default();
        let mut told = Vec::new();
        for second in 0..4000 {
            let heard = !(100..110).contains(&second) && second < 2000;
            told.extend(
                silence
                    .step(f64::from(second), heard)
                    .into_iter()
                    .map(|sound| (second, sound)),
            );
        }
        assert_eq!(
            told,
            [
                (104, Sound::Dropout { since_s: 99.0 }),
                (110, Sound::Back { silent_s: 11.0 }),
                (2004, Sound::Dropout { since_s: 1999.0 }),
                (3199, Sound::Ended { last_heard_s: 1999.0 }),
            ]
        );
        assert_eq!(silence.dropouts(), 2);
    }

    #[test]
    fn a_capsule_that_was_never_heard_has_not_ended_and_a_leap_is_told() {
        let mut silence = Silence::default();
        let told: Vec<Sound> = (0..3000)
            .flat_map(|second| silence.step(f64::from(second), false))
            .collect();
        assert!(told.is_empty());
        assert_eq!(silence.step(3100.0, true), [Sound::ClockJump { by_s: 101.0 }]);
    }
}
