//! The space in which the transmitter is looked for: the torso, or for other things than a body a room.

use thiserror::Error;

use crate::torso::{Position, Torso};

/// Why a room cannot be made.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum RoomError {
    /// A corner that is not a place, or that does not lie beyond the other along every axis.
    #[error("room from {least_mm} to {greatest_mm} mm along {axis}; expected two finite numbers, at least 1 mm apart")]
    NoExtent {
        /// `x`, `y` or `z`.
        axis: char,
        /// The lesser end that was given.
        least_mm: f64,
        /// The greater end that was given.
        greatest_mm: f64,
    },
}

/// A box with sides along the axes: a flat, a tank. Where the height is known, a thin one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    least_mm: Position,
    greatest_mm: Position,
}

impl Room {
    /// A room between two opposite corners.
    ///
    /// # Errors
    ///
    /// [`RoomError::NoExtent`] unless the second corner lies at least 1 mm beyond the first along every axis.
    pub fn new(least_mm: Position, greatest_mm: Position) -> Result<Self, RoomError> {
        for (index, axis) in ['x', 'y', 'z'].into_iter().enumerate() {
            let (least, greatest) = (least_mm[index], greatest_mm[index]);
            if !(least.is_finite() && greatest.is_finite() && greatest - least >= 1.0) {
                return Err(RoomError::NoExtent {
                    axis,
                    least_mm: least,
                    greatest_mm: greatest,
                });
            }
        }
        Ok(Self { least_mm, greatest_mm })
    }

    fn middle_mm(&self) -> Position {
        0.5 * (self.least_mm + self.greatest_mm)
    }

    fn half_sizes_mm(&self) -> Position {
        0.5 * (self.greatest_mm - self.least_mm)
    }
}

/// Where the transmitter is looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Space {
    /// Inside a body.
    Torso(Torso),
    /// Inside a room.
    Room(Room),
}

impl From<Torso> for Space {
    fn from(torso: Torso) -> Self {
        Self::Torso(torso)
    }
}

impl From<Room> for Space {
    fn from(room: Room) -> Self {
        Self::Room(room)
    }
}

/// An axis along which a space reaches less far than this share of its longest one tells nothing of where in it one is.
const THIN: f64 = 0.05;

impl Space {
    /// Its middle, mm.
    #[must_use]
    pub fn middle_mm(&self) -> Position {
        match self {
            Self::Torso(torso) => {
                let middle_z_mm = 0.5 * (Torso::LOWEST_MM + Torso::HIGHEST_MM);
                Position::new(0.0, 0.5 * torso.depth_mm(), middle_z_mm)
            }
            Self::Room(room) => room.middle_mm(),
        }
    }

    /// Half of how far it reaches along each axis, mm.
    #[must_use]
    pub fn half_sizes_mm(&self) -> Position {
        match self {
            Self::Torso(torso) => {
                let (a, b) = torso.semi_axes_mm();
                Position::new(a, b, 0.5 * (Torso::HIGHEST_MM - Torso::LOWEST_MM))
            }
            Self::Room(room) => room.half_sizes_mm(),
        }
    }

    /// Along which axes it is more than a sheet.
    #[must_use]
    pub fn is_wide(&self) -> [bool; 3] {
        let half_mm = self.half_sizes_mm();
        [0, 1, 2].map(|axis| half_mm[axis] > THIN * half_mm.max())
    }

    /// The side of a cube as large, mm; of a square or a stretch as large, where it is a sheet or a rod.
    #[must_use]
    pub fn size_mm(&self) -> f64 {
        let rounding = match self {
            Self::Torso(_) => std::f64::consts::FRAC_PI_4,
            Self::Room(_) => 1.0,
        };
        let half_mm = self.half_sizes_mm();
        let wide = self.is_wide();
        let (mut product, mut axes) = (rounding, 0.0);
        for axis in (0..3).filter(|&axis| wide[axis]) {
            product *= 2.0 * half_mm[axis];
            axes += 1.0;
        }
        product.powf(1.0 / axes)
    }

    /// The variances of a place anywhere in it, mm² along each axis.
    #[must_use]
    pub fn uniform_variances_mm2(&self) -> Position {
        let squares = self.half_sizes_mm().map(|half_mm| half_mm * half_mm);
        match self {
            // Of a uniform ellipse, and of a uniform height.
            Self::Torso(_) => Position::new(0.25 * squares.x, 0.25 * squares.y, squares.z / 3.0),
            Self::Room(_) => squares / 3.0,
        }
    }

    /// Whether a place is inside.
    #[must_use]
    pub fn contains(&self, place_mm: &Position) -> bool {
        match self {
            Self::Torso(torso) => torso.contains(place_mm),
            Self::Room(room) => {
                (0..3).all(|axis| (room.least_mm[axis]..=room.greatest_mm[axis]).contains(&place_mm[axis]))
            }
        }
    }

    /// How far out a place is: 0 on the torso's axis or in the middle of a room, 1 on the skin or the walls.
    #[must_use]
    pub fn radial(&self, place_mm: &Position) -> f64 {
        match self {
            Self::Torso(torso) => torso.radial(place_mm),
            Self::Room(room) => {
                let wide = self.is_wide();
                let offset_mm = place_mm - room.middle_mm();
                let shares = offset_mm.component_div(&room.half_sizes_mm()).abs();
                (0..3)
                    .filter(|&axis| wide[axis])
                    .fold(0.0, |most, axis| shares[axis].max(most))
            }
        }
    }

    /// The place pulled back inside: see [`Torso::clamp`]; onto the nearest wall of a room.
    #[must_use]
    pub fn clamp(&self, place_mm: &Position, fraction: f64) -> Position {
        match self {
            Self::Torso(torso) => torso.clamp(place_mm, fraction),
            Self::Room(room) => place_mm.sup(&room.least_mm).inf(&room.greatest_mm),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn flat() -> Room {
        Room::new(Position::new(0.0, 0.0, 1290.0), Position::new(9000.0, 7000.0, 1310.0)).unwrap()
    }

    #[test]
    fn a_rooms_corners_lie_in_order_along_every_axis() {
        let refused = Room::new(Position::zeros(), Position::new(10.0, -1.0, 10.0)).unwrap_err();
        assert_eq!(
            refused.to_string(),
            "room from 0 to -1 mm along y; expected two finite numbers, at least 1 mm apart"
        );
        assert!(Room::new(Position::zeros(), Position::new(10.0, f64::NAN, 10.0)).is_err());
    }

    #[test]
    fn a_thin_room_is_a_sheet_and_its_size_that_of_a_square() {
        let space = Space::from(flat());
        assert_eq!(space.is_wide(), [true, true, false]);
        assert_relative_eq!(space.size_mm(), 63.0_f64.sqrt() * 1000.0, epsilon = 1e-6);
        let torso = Space::from(Torso::new(330.0, 230.0).unwrap());
        let volume_mm3 = std::f64::consts::PI * 165.0 * 115.0 * 440.0;
        assert_relative_eq!(torso.size_mm(), volume_mm3.cbrt(), epsilon = 1e-9);
    }

    #[test]
    fn places_outside_come_back_to_the_nearest_wall() {
        let space = Space::from(flat());
        let outside = Position::new(-50.0, 8000.0, 1300.0);
        assert!(!space.contains(&outside));
        assert_eq!(space.clamp(&outside, 1.0), Position::new(0.0, 7000.0, 1300.0));
        assert_relative_eq!(space.radial(&Position::new(9000.0, 3500.0, 1310.0)), 1.0);
        assert_eq!(space.radial(&space.middle_mm()), 0.0);
    }

    #[test]
    fn the_variance_of_a_uniform_place_is_that_of_a_lattice_of_places() {
        let space = Space::from(Torso::new(330.0, 230.0).unwrap());
        let (mut sum, mut count) = (Position::zeros(), 0.0);
        let half_mm = space.half_sizes_mm();
        for i in -40..=40 {
            for j in -40..=40 {
                for k in -40..=40 {
                    let share = Position::new(f64::from(i), f64::from(j), f64::from(k)) / 40.5;
                    let offset_mm = share.component_mul(&half_mm);
                    if space.contains(&(space.middle_mm() + offset_mm)) {
                        sum += offset_mm.component_mul(&offset_mm);
                        count += 1.0;
                    }
                }
            }
        }
        let expected = space.uniform_variances_mm2();
        assert!(((sum / count).component_div(&expected) - Position::repeat(1.0)).amax() < 0.01);
    }
}
