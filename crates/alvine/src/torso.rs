//! The torso: an upright elliptical cylinder of skin, and the planes that divide the abdomen.
//!
//! The frame is the DICOM patient orientation (LPS) in millimetres with its origin on the skin at the
//! umbilicus: x to the patient's left, y to posterior, z to superior. The skin of a torso of breadth 2a and
//! depth 2b is
//!
//! ```text
//! (x / a)² + ((y − b) / b)² = 1
//! ```
//!
//! so that y > 0 is depth behind the foremost skin.

use nalgebra::Vector3;
use thiserror::Error;

/// A place in the body: millimetres, LPS, origin on the skin at the umbilicus.
pub type Position = Vector3<f64>;

/// Why a torso cannot be made.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum TorsoError {
    /// A size no adult or child torso has, or not a number.
    #[error("torso {what} of {found_mm} mm; expected {least_mm} to {most_mm} mm")]
    ImpossibleSize {
        /// `breadth` or `depth`.
        what: &'static str,
        /// What was given.
        found_mm: f64,
        /// The least that is taken.
        least_mm: f64,
        /// The most that is taken.
        most_mm: f64,
    },
}

/// The height of the planes that divide the abdomen, above (+) or below (−) the umbilicus.
///
/// # Source
///
/// `transpyloric_mm` is the mean of the medians of men (112) and women (106), `subcostal_mm` of the tenth rib (62
/// and 75), both computed from the public 2012 US Army anthropometric survey; `transtubercular_mm`, 45 mm below the
/// umbilicus, is common practice, no source. Each varies by about ± 20 mm between people.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AbdominalPlanes {
    /// Halfway between jugular notch and symphysis, the usual level of the pylorus.
    pub transpyloric_mm: f64,
    /// Lowest points of the costal margin.
    pub subcostal_mm: f64,
    /// Tubercles of the iliac crests.
    pub transtubercular_mm: f64,
}

impl Default for AbdominalPlanes {
    fn default() -> Self {
        Self {
            transpyloric_mm: 109.0,
            subcostal_mm: 68.0,
            transtubercular_mm: -45.0,
        }
    }
}

/// An elliptical torso.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Torso {
    breadth_mm: f64,
    depth_mm: f64,
}

impl Default for Torso {
    /// 330 mm broad and 230 mm deep: the example of this documentation (common practice, no source).
    fn default() -> Self {
        Self {
            breadth_mm: 330.0,
            depth_mm: 230.0,
        }
    }
}

impl Torso {
    /// The lowest place the gut reaches: the pelvic floor (common practice, no source).
    pub const LOWEST_MM: f64 = -180.0;
    /// The highest place the search for the capsule goes: the lower oesophagus (common practice, no source).
    pub const HIGHEST_MM: f64 = 260.0;

    const LEAST_MM: f64 = 80.0;
    const MOST_MM: f64 = 900.0;

    /// A torso of a given breadth (side to side) and depth (front to back) at the umbilicus.
    ///
    /// # Errors
    ///
    /// [`TorsoError::ImpossibleSize`] when either is not a number between 80 and 900 mm.
    pub fn new(breadth_mm: f64, depth_mm: f64) -> Result<Self, TorsoError> {
        for (what, found_mm) in [("breadth", breadth_mm), ("depth", depth_mm)] {
            if !(Self::LEAST_MM..=Self::MOST_MM).contains(&found_mm) {
                return Err(TorsoError::ImpossibleSize {
                    what,
                    found_mm,
                    least_mm: Self::LEAST_MM,
                    most_mm: Self::MOST_MM,
                });
            }
        }
        Ok(Self { breadth_mm, depth_mm })
    }

    /// Side to side, mm.
    #[must_use]
    pub const fn breadth_mm(&self) -> f64 {
        self.breadth_mm
    }

    /// Front to back, mm.
    #[must_use]
    pub const fn depth_mm(&self) -> f64 {
        self.depth_mm
    }

    /// The y of the front skin at a given x, mm; at the flank when x lies beyond it.
    #[must_use]
    pub fn front_skin_y_mm(&self, x_mm: f64) -> f64 {
        let (a, b) = self.semi_axes_mm();
        let u = (x_mm / a).clamp(-1.0, 1.0);
        b * (1.0 - (1.0 - u * u).sqrt())
    }

    /// Distance from the axis in units of the skin's: below 1 inside, 1 on the skin.
    #[must_use]
    pub fn radial(&self, position: &Position) -> f64 {
        let (a, b) = self.semi_axes_mm();
        (position.x / a).hypot((position.y - b) / b)
    }

    /// Whether a place is inside the skin, between the pelvic floor and the lower oesophagus.
    #[must_use]
    pub fn contains(&self, position: &Position) -> bool {
        self.radial(position) <= 1.0 && (Self::LOWEST_MM..=Self::HIGHEST_MM).contains(&position.z)
    }

    /// The place pulled back inside, along the ray from the axis and along z; `fraction` of the radius is kept as
    /// the limit. Places already inside come back unchanged.
    #[must_use]
    pub fn clamp(&self, position: &Position, fraction: f64) -> Position {
        let (_, b) = self.semi_axes_mm();
        let radial = self.radial(position);
        let mut inside = *position;
        if radial > fraction {
            let shrink = fraction / radial;
            inside.x *= shrink;
            inside.y = b + (inside.y - b) * shrink;
        }
        inside.z = inside.z.clamp(Self::LOWEST_MM, Self::HIGHEST_MM);
        inside
    }

    /// The circumference of the ellipse, mm, by Ramanujan's second approximation (relative error below 1e-5 for any
    /// torso). A tape round a real waist reads about 5 % more, as a waist is squarer than an ellipse (mean ratio
    /// 0.947 in 6068 adults of the 2012 US Army survey).
    #[must_use]
    pub fn perimeter_mm(&self) -> f64 {
        let (a, b) = self.semi_axes_mm();
        let h = ((a - b) / (a + b)).powi(2);
        std::f64::consts::PI * (a + b) * (1.0 + 3.0 * h / (10.0 + (4.0 - 3.0 * h).sqrt()))
    }

    /// Half of breadth and depth, mm.
    #[must_use]
    pub const fn semi_axes_mm(&self) -> (f64, f64) {
        (0.5 * self.breadth_mm, 0.5 * self.depth_mm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn perimeter_matches_the_worked_value() {
        // Worked value for a 330 × 230 mm ellipse (Ramanujan): 886.673 mm.
        let torso = Torso::new(330.0, 230.0).unwrap();
        assert_relative_eq!(torso.perimeter_mm(), 886.673, epsilon = 1e-3);
    }

    #[test]
    fn front_skin_lies_on_the_ellipse() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        for x in [-165.0, -90.0, 0.0, 40.0, 165.0] {
            let skin = Position::new(x, torso.front_skin_y_mm(x), 0.0);
            assert_relative_eq!(torso.radial(&skin), 1.0, epsilon = 1e-12);
        }
        // Worked values of the example layout: (±90, 18.614) and (±130, 44.180).
        assert_relative_eq!(torso.front_skin_y_mm(90.0), 18.614, epsilon = 1e-3);
        assert_relative_eq!(torso.front_skin_y_mm(130.0), 44.180, epsilon = 1e-3);
    }

    #[test]
    fn clamping_moves_nothing_that_is_inside_and_brings_the_rest_in() {
        let torso = Torso::new(300.0, 210.0).unwrap();
        let inside = Position::new(20.0, 90.0, 10.0);
        assert_eq!(torso.clamp(&inside, 1.0), inside);
        let outside = torso.clamp(&Position::new(400.0, -300.0, 900.0), 0.98);
        assert!(torso.contains(&outside));
        assert_relative_eq!(torso.radial(&outside), 0.98, epsilon = 1e-12);
    }

    #[test]
    fn a_torso_of_no_size_is_refused() {
        assert!(Torso::new(f64::NAN, 200.0).is_err());
        assert!(Torso::new(300.0, 0.0).is_err());
    }
}
