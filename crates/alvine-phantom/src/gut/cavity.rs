//! Where in a torso the gut can lie: the cavity inside the abdominal wall, and the spine that bounds it behind.
//!
//! All sizes are fractions of the torso's breadth and depth, chosen so that the midlines of two living people's guts
//! lie as deep as the phantom's (see the dataset `gut-centrelines`); there is no other source for them.

use alvine::{Position, Torso};

/// The torso on which the anatomy is written down; other torsos scale x by breadth and y by depth.
const REFERENCE_BREADTH_MM: f64 = 330.0;
const REFERENCE_DEPTH_MM: f64 = 230.0;

/// Gut midlines keep this far from the spine's bone, mm: half the gut's own thickness (common practice, no source).
const SPINE_MARGIN_MM: f64 = 10.0;

/// A torso with what bounds the gut in it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cavity {
    torso: Torso,
    across: f64,
    through: f64,
    /// By how much heights over the navel are stretched.
    upwards: f64,
}

/// An upright ellipse at one height.
#[derive(Debug, Clone, Copy)]
struct Section {
    y_mm: f64,
    half_x_mm: f64,
    half_y_mm: f64,
}

impl Section {
    /// Distance from the axis in units of the rim's.
    fn radial(&self, place: &Position) -> f64 {
        let (x, y) = (place.x / self.half_x_mm, (place.y - self.y_mm) / self.half_y_mm);
        (x * x + y * y).sqrt()
    }
}

impl Cavity {
    /// Lowest and highest place of the mesenteric small bowel, mm.
    const COILS_Z_MM: (f64, f64) = (-130.0, 112.0);

    pub(crate) fn new(torso: Torso, upwards: f64) -> Self {
        Self {
            upwards,
            torso,
            across: torso.breadth_mm() / REFERENCE_BREADTH_MM,
            through: torso.depth_mm() / REFERENCE_DEPTH_MM,
        }
    }

    /// A place of the reference torso moved to this one.
    pub(crate) fn scaled(&self, place: Position) -> Position {
        let upwards = if place.z > 0.0 { self.upwards } else { 1.0 };
        Position::new(place.x * self.across, place.y * self.through, place.z * upwards)
    }

    /// The section that holds the coils of the small bowel at a height: the lower, the narrower and the deeper.
    fn coils(&self, z_mm: f64) -> Section {
        let pelvic = ((-30.0 - z_mm) / 100.0).clamp(0.0, 1.0);
        Section {
            y_mm: (87.0 + 22.0 * pelvic) * self.through,
            half_x_mm: (104.0 - 38.0 * pelvic) * self.across,
            half_y_mm: 51.0 * self.through,
        }
    }

    /// The bone of the spine at a height; below the lumbar spine it gives way backwards, as the sacrum does.
    fn spine(&self, z_mm: f64) -> Section {
        let sacral = ((-60.0 - z_mm) / 80.0).clamp(0.0, 1.0);
        Section {
            y_mm: (166.0 + 60.0 * sacral) * self.through,
            half_x_mm: 25.0 * self.across,
            half_y_mm: 32.0 * self.through,
        }
    }

    /// The spine with half a gut's thickness about it.
    fn wide_spine(&self, z_mm: f64) -> Section {
        let bone = self.spine(z_mm);
        Section {
            half_x_mm: bone.half_x_mm + SPINE_MARGIN_MM,
            half_y_mm: bone.half_y_mm + SPINE_MARGIN_MM,
            ..bone
        }
    }

    /// Whether a place is in the bone of the spine.
    #[cfg(test)]
    pub(crate) fn in_spine(&self, place: &Position) -> bool {
        self.spine(place.z).radial(place) < 1.0
    }

    /// Lowest and highest place of the coils here, mm.
    fn coils_z_mm(&self) -> (f64, f64) {
        (Self::COILS_Z_MM.0, Self::COILS_Z_MM.1 * self.upwards)
    }

    /// How far a place is outside what the coils may fill, roughly, mm; 0 inside.
    pub(crate) fn coil_excess_mm(&self, place: &Position) -> f64 {
        let section = self.coils(place.z);
        let wall_mm = (section.radial(place) - 1.0).max(0.0) * section.half_y_mm;
        let spine = self.wide_spine(place.z);
        let bone_mm = (1.0 - spine.radial(place)).max(0.0) * spine.half_x_mm;
        let (low_mm, high_mm) = self.coils_z_mm();
        wall_mm + bone_mm + (low_mm - place.z).max(0.0) + (place.z - high_mm).max(0.0)
    }

    /// The place pulled into what the coils may fill.
    pub(crate) fn among_coils(&self, place: Position) -> Position {
        let mut inside = place;
        let (low_mm, high_mm) = self.coils_z_mm();
        inside.z = inside.z.clamp(low_mm, high_mm);
        let section = self.coils(inside.z);
        let radial = section.radial(&inside);
        if radial > 1.0 {
            inside.x /= radial;
            inside.y = section.y_mm + (inside.y - section.y_mm) / radial;
        }
        self.before_spine(inside)
    }

    /// The place kept inside the wall all round, in front of the spine and above the pelvic floor.
    pub(crate) fn in_body(&self, place: Position) -> Position {
        let mut inside = within_skin(&self.torso, &place, 0.86);
        inside.z = place.z.max(Torso::LOWEST_MM + 2.0);
        self.before_spine(inside)
    }

    /// The place moved forwards out of the spine and its margin.
    fn before_spine(&self, mut place: Position) -> Position {
        let spine = self.wide_spine(place.z);
        let across = place.x / spine.half_x_mm;
        if spine.radial(&place) < 1.0 {
            place.y = spine.y_mm - spine.half_y_mm * (1.0 - across * across).max(0.0).sqrt();
        }
        place
    }
}

/// As [`Torso::clamp`], by square roots alone: these are the same bits on every machine, `hypot` is not.
pub(crate) fn within_skin(torso: &Torso, place: &Position, fraction: f64) -> Position {
    let (half_x_mm, half_y_mm) = torso.semi_axes_mm();
    let skin = Section {
        y_mm: half_y_mm,
        half_x_mm,
        half_y_mm,
    };
    let radial = skin.radial(place);
    let mut inside = *place;
    if radial > fraction {
        let shrink = fraction / radial;
        inside.x *= shrink;
        inside.y = half_y_mm + (inside.y - half_y_mm) * shrink;
    }
    inside.z = inside.z.clamp(Torso::LOWEST_MM, Torso::HIGHEST_MM);
    inside
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_is_pulled_in_is_inside(
            x in -300.0..300.0_f64, y in -100.0..400.0_f64, z in -300.0..300.0_f64,
            breadth in 240.0..400.0_f64, ratio in 0.6..0.85_f64,
        ) {
            let torso = Torso::new(breadth, breadth * ratio).unwrap();
            let cavity = Cavity::new(torso, 1.0);
            let coil = cavity.among_coils(Position::new(x, y, z));
            prop_assert!(cavity.coil_excess_mm(&coil) < 1e-6, "{coil} is {} out", cavity.coil_excess_mm(&coil));
            prop_assert!(torso.contains(&coil) && !cavity.in_spine(&coil));
            let anywhere = cavity.in_body(Position::new(x, y, z));
            prop_assert!(torso.radial(&anywhere) <= 0.86 + 1e-12 && !cavity.in_spine(&anywhere));
        }
    }
}
