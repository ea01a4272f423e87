//! Which part of the studies one process of many takes.

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

/// Part `number` of `of`, counted from 1.
///
/// A study's part follows from its path alone, so that studies that come or go move no other between parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Shard {
    number: u32,
    of: u32,
}

/// A part that is none.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("found {found:?}; expected I/N with I from 1 to N and N up to {most}, such as 2/8", most = Shard::MOST)]
pub struct ShardError {
    /// What was given.
    pub found: String,
}

impl Shard {
    /// No more parts than this.
    pub const MOST: u32 = 9999;
    /// All of it.
    pub const WHOLE: Self = Self { number: 1, of: 1 };

    /// Part `number` of `of`; `None` unless 1 ≤ number ≤ of ≤ [`Shard::MOST`].
    #[must_use]
    pub const fn new(number: u32, of: u32) -> Option<Self> {
        if number >= 1 && number <= of && of <= Self::MOST {
            Some(Self { number, of })
        } else {
            None
        }
    }

    /// Its number, from 1.
    #[must_use]
    pub const fn number(self) -> u32 {
        self.number
    }

    /// How many parts there are.
    #[must_use]
    pub const fn of(self) -> u32 {
        self.of
    }

    /// Whether a study falls to this part.
    #[must_use]
    pub fn takes(self, study: &str) -> bool {
        mixed(study) % u64::from(self.of) == u64::from(self.number - 1)
    }

    /// The name of its files, without what they end in.
    #[must_use]
    pub fn file_stem(self) -> String {
        format!("part-{:04}-of-{:04}", self.number, self.of)
    }

    /// The part whose files have this name, without what they end in.
    #[must_use]
    pub fn from_file_stem(stem: &str) -> Option<Self> {
        let (number, of) = stem.strip_prefix("part-")?.split_once("-of-")?;
        let shard = Self::new(number.parse().ok()?, of.parse().ok()?)?;
        (shard.file_stem() == stem).then_some(shard)
    }
}

impl fmt::Display for Shard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.number, self.of)
    }
}

impl FromStr for Shard {
    type Err = ShardError;

    fn from_str(text: &str) -> Result<Self, ShardError> {
        let parts = text.split_once('/').and_then(|(number, of)| {
            let plain = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
            (plain(number) && plain(of)).then_some(())?;
            Self::new(number.parse().ok()?, of.parse().ok()?)
        });
        parts.ok_or_else(|| ShardError { found: text.to_owned() })
    }
}

/// FNV-1a of 64 bits, then mixed so that its low bits are as good as its high ones.
fn mixed(text: &str) -> u64 {
    let hash = text.bytes().fold(0xCBF2_9CE4_8422_2325, |hash: u64, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3)
    });
    let hash = (hash ^ (hash >> 32)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    hash ^ (hash >> 32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_study_falls_to_one_part_and_the_parts_are_about_equal() {
        for of in [1, 2, 3, 7, 8] {
            let mut counts = vec![0; of as usize];
            for study in 0..4000 {
                let name = format!("phantom-default-{study}");
                let taking: Vec<u32> = (1..=of).filter(|&k| Shard::new(k, of).unwrap().takes(&name)).collect();
                assert_eq!(taking.len(), 1);
                counts[taking[0] as usize - 1] += 1;
            }
            let (mean, most) = (4000.0 / f64::from(of), *counts.iter().max().unwrap());
            // Five standard deviations of a binomial count.
            assert!(f64::from(most) <= mean + 5.0 * mean.sqrt(), "{of}: {counts:?}");
        }
    }

    #[test]
    fn a_part_prints_as_it_is_read_and_names_its_files() {
        let shard: Shard = "2/8".parse().unwrap();
        assert_eq!((shard.to_string().as_str(), shard.number(), shard.of()), ("2/8", 2, 8));
        assert_eq!(shard.file_stem(), "part-0002-of-0008");
        assert_eq!(Shard::from_file_stem("part-0002-of-0008"), Some(shard));
        for text in ["", "2", "0/8", "9/8", "+1/2", "1/2/3", "1/10000", "-1/3", " 1/3", "a/b"] {
            assert_eq!(text.parse::<Shard>().unwrap_err().found, text);
        }
        for stem in ["part-2-of-8", "part-0009-of-0008", "part-0001-of-0001x", "other"] {
            assert_eq!(Shard::from_file_stem(stem), None, "{stem}");
        }
    }
}
