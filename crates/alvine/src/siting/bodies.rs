//! Bodies of other sizes, and how a layout is worn on them.

use crate::layout::{Layout, LayoutError, Site};
use crate::torso::{Position, Torso};

/// A torso's size among adults.
///
/// # Source
///
/// Breadth and depth of the waist at the navel in the 2012 US Army anthropometric survey (ANSUR II; Gordon et al. 2014,
/// NATICK/TR-15/007; 1986 women, 4082 men), quantiles computed from its public data. Breadth and depth are each taken at
/// the quantile, which is more extreme than one person in twenty. Soldiers are leaner and younger than patients. The
/// torso is the ellipse of that breadth and depth, whose girth is about 5 % short of a tape round the same waist.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum BodySize {
    /// The 5th percentile of women: 250 mm × 169 mm.
    Thin,
    /// Midway between the medians of women (298 mm × 209 mm) and men (325 mm × 234 mm): 311.5 mm × 221.5 mm.
    Median,
    /// The 95th percentile of men: 385 mm × 300 mm.
    Large,
}

impl BodySize {
    /// Every size, from thin to large.
    pub const ALL: [BodySize; 3] = [BodySize::Thin, BodySize::Median, BodySize::Large];

    /// The name used in files and on screens.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            BodySize::Thin => "thin",
            BodySize::Median => "median",
            BodySize::Large => "large",
        }
    }

    /// Breadth and depth, mm.
    #[must_use]
    pub const fn breadth_and_depth_mm(self) -> (f64, f64) {
        match self {
            BodySize::Thin => (250.0, 169.0),
            BodySize::Median => (311.5, 221.5),
            BodySize::Large => (385.0, 300.0),
        }
    }

    /// The torso; `None` never, as each size is one that exists.
    #[must_use]
    pub fn torso(self) -> Option<Torso> {
        let (breadth_mm, depth_mm) = self.breadth_and_depth_mm();
        Torso::new(breadth_mm, depth_mm).ok()
    }
}

/// A layout as it is worn on another torso: x scales with the breadth and y with the depth, which takes each place on
/// the one skin to a place on the other; heights stay, as a belt hangs from the same bones.
///
/// # Errors
///
/// [`LayoutError`] when the sites come too close to each other or to one plane.
pub fn refit(layout: &Layout, from: &Torso, to: &Torso) -> Result<Layout, LayoutError> {
    let scale = Position::new(
        to.breadth_mm() / from.breadth_mm(),
        to.depth_mm() / from.depth_mm(),
        1.0,
    );
    let worn = layout.sites().iter().map(|site| Site {
        position_mm: site.position_mm.component_mul(&scale),
        ..site.clone()
    });
    Layout::new(worn.collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn the_default_eight_worn_on_another_torso_are_its_own_default_eight() {
        let from = Torso::new(330.0, 230.0).unwrap();
        for size in BodySize::ALL {
            let to = size.torso().unwrap();
            let worn = refit(&Layout::default_eight(&from), &from, &to).unwrap();
            for (site, own) in worn.sites().iter().zip(Layout::default_eight(&to).sites()) {
                assert_relative_eq!(site.position_mm, own.position_mm, epsilon = 1e-9);
                assert_relative_eq!(to.radial(&site.position_mm), 1.0, epsilon = 1e-9);
            }
        }
    }

    #[test]
    fn sizes_grow() {
        let breadths = BodySize::ALL.map(|size| size.breadth_and_depth_mm().0);
        assert!(breadths.is_sorted());
    }
}
