//! Flags and tracks: where the capsule was at each instant, how sure that is, and what was unusual.

use std::fmt;
use std::ops::{BitOr, BitOrAssign};

use nalgebra::Matrix3;

use crate::torso::Position;

/// A set of named remarks on one instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash)]
pub struct Flags(u16);

impl Flags {
    /// Nothing unusual.
    pub const NONE: Self = Self(0);
    /// Fewer than four sites heard the capsule.
    pub const FEW_SITES: Self = Self(1);
    /// The best place lies at the edge of the torso.
    pub const EDGE: Self = Self(1 << 1);
    /// A distant place fits nearly as well.
    pub const AMBIGUOUS: Self = Self(1 << 2);
    /// No fix at this instant: the smoother bridged it.
    pub const BRIDGED: Self = Self(1 << 3);
    /// At least one site was saturated.
    pub const SATURATED: Self = Self(1 << 4);
    /// The search ended before it settled.
    pub const UNSETTLED: Self = Self(1 << 5);
    /// The clock leapt just before this instant.
    pub const CLOCK_JUMP: Self = Self(1 << 6);
    /// A site that was judged loose was left out.
    pub const LOOSE_SITE: Self = Self(1 << 7);
    /// The fix lay far from the track and was given less weight.
    pub const OUTLIER: Self = Self(1 << 8);

    /// Each flag and its name in files.
    pub const NAMED: [(Self, &'static str); 9] = [
        (Self::FEW_SITES, "few-sites"),
        (Self::EDGE, "edge"),
        (Self::AMBIGUOUS, "ambiguous"),
        (Self::BRIDGED, "bridged"),
        (Self::SATURATED, "saturated"),
        (Self::UNSETTLED, "unsettled"),
        (Self::CLOCK_JUMP, "clock-jump"),
        (Self::LOOSE_SITE, "loose-site"),
        (Self::OUTLIER, "outlier"),
    ];

    /// Whether all of `other` are set.
    #[must_use]
    pub const fn contains(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }

    /// Whether nothing is set.
    #[must_use]
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The bits, as stored in HDF5: bit k is the k-th of [`Flags::NAMED`].
    #[must_use]
    pub const fn bits(self) -> u16 {
        self.0
    }

    /// The flags of the known bits; unknown ones are dropped.
    #[must_use]
    pub const fn from_bits(bits: u16) -> Self {
        Self(bits & ((1 << Self::NAMED.len()) - 1))
    }
}

impl BitOr for Flags {
    type Output = Self;

    fn bitor(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
}

impl BitOrAssign for Flags {
    fn bitor_assign(&mut self, other: Self) {
        self.0 |= other.0;
    }
}

/// The names of the set flags, separated by spaces.
impl fmt::Display for Flags {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut separator = "";
        for (flag, name) in Self::NAMED {
            if self.contains(flag) {
                write!(f, "{separator}{name}")?;
                separator = " ";
            }
        }
        Ok(())
    }
}

/// One instant of a track.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackPoint {
    /// Index of the instant in the recording.
    pub instant: usize,
    /// Seconds since the recording began.
    pub time_s: f64,
    /// Where the capsule was, mm.
    pub position_mm: Position,
    /// Covariance of that, mm²: noise and static shadowing together.
    pub covariance_mm2: Matrix3<f64>,
    /// How many sites' readings, heard or below the floor, made the fix; 0 where it was bridged.
    pub sites_used: u16,
    /// What was unusual.
    pub flags: Flags,
}

/// The smoothed sequence of fixes, in order of time; instants at which nothing can be said are absent.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Track {
    /// The points, by increasing instant.
    pub points: Vec<TrackPoint>,
}

impl Track {
    /// The points from one time to another, s, both included.
    #[must_use]
    pub fn between(&self, [from_s, to_s]: [f64; 2]) -> &[TrackPoint] {
        let first = self.points.partition_point(|point| point.time_s < from_s);
        let end = self.points.partition_point(|point| point.time_s <= to_s);
        self.points.get(first..end).unwrap_or_default()
    }

    /// How many points carry a flag.
    #[must_use]
    pub fn count(&self, flag: Flags) -> usize {
        self.points.iter().filter(|point| point.flags.contains(flag)).count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_print_by_name_and_survive_their_bits() {
        let flags = Flags::EDGE | Flags::BRIDGED;
        assert_eq!(flags.to_string(), "edge bridged");
        assert_eq!(Flags::from_bits(flags.bits()), flags);
        assert_eq!(Flags::NONE.to_string(), "");
        assert!(flags.contains(Flags::EDGE) && !flags.contains(Flags::SATURATED));
    }

    #[test]
    fn points_between_two_times_are_those_at_both_too() {
        let point = |time_s: f64| TrackPoint {
            instant: 0,
            time_s,
            position_mm: Position::zeros(),
            covariance_mm2: Matrix3::identity(),
            sites_used: 8,
            flags: Flags::NONE,
        };
        let track = Track {
            points: [1.0, 2.0, 3.0, 4.0].map(point).to_vec(),
        };
        assert_eq!(track.between([2.0, 3.0]), &track.points[1..3]);
        assert_eq!(track.between([1.5, 9.0]), &track.points[1..]);
        assert!(track.between([3.0, 2.0]).is_empty() && track.between([5.0, 9.0]).is_empty());
    }
}
