//! Which places belong to which organ: ellipsoids in a reference torso.
//!
//! An ellipsoid is where a part of the gut usually is in one person or another, not its outline: neighbours overlap, as
//! organs of different people do. Sizes scale sideways with the torso's breadth and in depth with its depth; heights
//! stay, as the planes of the abdomen do not depend on girth.
//!
//! # Source
//!
//! Invented for this use, after the planes of the abdomen ([`crate::torso::AbdominalPlanes`]), textbook order, and the
//! lie of the parts in the CT of two living people (`datasets/gut-centrelines`). Common practice, no source to the
//! millimetre. A test in the workspace holds them against the phantom's random guts.

use crate::torso::{Position, Torso};

/// Breadth and depth of the torso on which the ellipsoids are written down, mm.
const REFERENCE_MM: (f64, f64) = (330.0, 230.0);

/// A region of the abdomen that holds one part of the gut.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum OrganRegion {
    /// Fundus, body and antrum.
    Stomach,
    /// Duodenum and jejunum.
    ProximalSmallBowel,
    /// Ileum.
    DistalSmallBowel,
    /// Last ileum, valve and caecum.
    Ileocaecal,
    /// Caecum to hepatic flexure.
    AscendingColon,
    /// Hepatic to splenic flexure.
    TransverseColon,
    /// Splenic flexure to the pelvic brim.
    DescendingColon,
    /// Sigmoid colon and rectum.
    Rectosigmoid,
}

impl OrganRegion {
    /// Every region, from mouth to anus.
    pub const ALL: [OrganRegion; 8] = [
        OrganRegion::Stomach,
        OrganRegion::ProximalSmallBowel,
        OrganRegion::DistalSmallBowel,
        OrganRegion::Ileocaecal,
        OrganRegion::AscendingColon,
        OrganRegion::TransverseColon,
        OrganRegion::DescendingColon,
        OrganRegion::Rectosigmoid,
    ];

    /// The name used in files and on screens.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            OrganRegion::Stomach => "stomach",
            OrganRegion::ProximalSmallBowel => "proximal-small-bowel",
            OrganRegion::DistalSmallBowel => "distal-small-bowel",
            OrganRegion::Ileocaecal => "ileocaecal",
            OrganRegion::AscendingColon => "ascending-colon",
            OrganRegion::TransverseColon => "transverse-colon",
            OrganRegion::DescendingColon => "descending-colon",
            OrganRegion::Rectosigmoid => "rectosigmoid",
        }
    }

    /// Centre and half axes of its ellipsoid in a torso, mm.
    #[must_use]
    pub fn ellipsoid_mm(self, torso: &Torso) -> (Position, Position) {
        let (centre, half) = self.reference_mm();
        let scale = Position::new(
            torso.breadth_mm() / REFERENCE_MM.0,
            torso.depth_mm() / REFERENCE_MM.1,
            1.0,
        );
        let scaled = |mm: [f64; 3]| Position::from(mm).component_mul(&scale);
        (scaled(centre), scaled(half))
    }

    /// Whether a place of a torso belongs to it.
    #[must_use]
    pub fn contains(self, torso: &Torso, place_mm: &Position) -> bool {
        let (centre_mm, half_mm) = self.ellipsoid_mm(torso);
        (place_mm - centre_mm).component_div(&half_mm).norm_squared() <= 1.0
    }

    const fn reference_mm(self) -> ([f64; 3], [f64; 3]) {
        match self {
            OrganRegion::Stomach => ([35.0, 82.0, 135.0], [65.0, 50.0, 65.0]),
            OrganRegion::ProximalSmallBowel => ([15.0, 88.0, 50.0], [95.0, 52.0, 85.0]),
            OrganRegion::DistalSmallBowel => ([-5.0, 92.0, -45.0], [90.0, 52.0, 85.0]),
            OrganRegion::Ileocaecal => ([-78.0, 90.0, -45.0], [50.0, 45.0, 45.0]),
            OrganRegion::AscendingColon => ([-100.0, 102.0, 35.0], [42.0, 48.0, 80.0]),
            OrganRegion::TransverseColon => ([15.0, 70.0, 80.0], [120.0, 55.0, 85.0]),
            OrganRegion::DescendingColon => ([108.0, 120.0, 30.0], [42.0, 50.0, 130.0]),
            OrganRegion::Rectosigmoid => ([15.0, 120.0, -115.0], [80.0, 65.0, 65.0]),
        }
    }
}

/// The regions to which one place belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct OrganSet(u8);

impl OrganSet {
    /// The regions of a torso that hold a place.
    #[must_use]
    pub fn at(torso: &Torso, place_mm: &Position) -> Self {
        let bit = |(k, region): (usize, &OrganRegion)| u8::from(region.contains(torso, place_mm)) << k;
        Self(
            OrganRegion::ALL
                .iter()
                .enumerate()
                .map(bit)
                .fold(0, |set, bit| set | bit),
        )
    }

    /// Whether a region is among them.
    #[must_use]
    pub const fn has(self, region: OrganRegion) -> bool {
        self.0 >> (region as u8) & 1 == 1
    }

    /// Whether any part of the gut usually lies there.
    #[must_use]
    pub const fn is_gut(self) -> bool {
        self.0 != 0
    }

    /// The regions as bits, in the order of [`OrganRegion::ALL`].
    #[must_use]
    pub const fn bits(self) -> u8 {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_region_holds_its_centre_and_lies_in_the_torso() {
        for (breadth, depth) in [(250.0, 169.0), (330.0, 230.0), (385.0, 300.0)] {
            let torso = Torso::new(breadth, depth).unwrap();
            for region in OrganRegion::ALL {
                let (centre_mm, half_mm) = region.ellipsoid_mm(&torso);
                assert!(OrganSet::at(&torso, &centre_mm).has(region));
                assert!(torso.contains(&centre_mm), "{region:?}");
                // Edges straight ahead and to the sides are not far outside the skin.
                for edge in [
                    centre_mm - Position::new(0.0, half_mm.y, 0.0),
                    centre_mm + Position::new(half_mm.x * centre_mm.x.signum(), 0.0, 0.0),
                ] {
                    assert!(torso.radial(&edge) < 1.05, "{region:?} at {edge}");
                }
            }
        }
    }

    #[test]
    fn the_far_back_is_no_gut_and_bits_follow_the_order() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        assert!(!OrganSet::at(&torso, &Position::new(0.0, 220.0, 50.0)).is_gut());
        let stomach = OrganSet::at(&torso, &Position::new(60.0, 110.0, 175.0));
        assert_eq!(stomach.bits() & 1, 1);
        assert!(stomach.has(OrganRegion::Stomach) && !stomach.has(OrganRegion::Rectosigmoid));
    }

    #[test]
    fn neighbours_in_the_gut_touch_and_strangers_do_not() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let both = |one: OrganRegion, other: OrganRegion| {
            let volume = crate::siting::Volume::new(torso, 10.0).unwrap();
            volume
                .places_mm()
                .filter(|place| one.contains(&torso, place) && other.contains(&torso, place))
                .count()
        };
        assert!(both(OrganRegion::Ileocaecal, OrganRegion::AscendingColon) > 0);
        assert!(both(OrganRegion::DistalSmallBowel, OrganRegion::Ileocaecal) > 0);
        assert_eq!(both(OrganRegion::AscendingColon, OrganRegion::DescendingColon), 0);
        assert_eq!(both(OrganRegion::Stomach, OrganRegion::Rectosigmoid), 0);
    }
}
