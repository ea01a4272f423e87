//! Where a site may sit: the skin between two heights, so far round from the front, without what is kept out.
//!
//! A spot on the skin has two coordinates: the height z, and the angle θ of the ellipse,
//!
//! ```text
//! x = a sin θ,   y = b (1 − cos θ)
//! a, b half breadth and depth, mm; θ 0 at the front midline, 90° at the left flank, 180° at the spine
//! ```

use super::DesignError;
use crate::torso::{Position, Torso};

/// A ball in which no site may sit: a wound, a stoma, a seam of the garment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeepOut {
    /// Its centre, mm.
    pub centre_mm: Position,
    /// Its radius, mm.
    pub radius_mm: f64,
}

/// Where sites may sit.
#[derive(Debug, Clone, PartialEq)]
pub struct DesignSpace {
    /// No site is lower, mm above the umbilicus.
    pub lowest_mm: f64,
    /// No site is higher, mm above the umbilicus.
    pub highest_mm: f64,
    /// No site is further round from the front midline, degrees: 90 is the flank, 180 the spine.
    pub widest_deg: f64,
    /// No two sites are nearer, mm.
    pub least_apart_mm: f64,
    /// No site sits in these.
    pub keep_out: Vec<KeepOut>,
    /// Spacing of the candidates, mm.
    pub candidate_spacing_mm: f64,
}

impl Default for DesignSpace {
    /// A belt as high as the default eight (−90 to 115 mm), from flank to flank, antennas 50 mm apart (common practice,
    /// no source), candidates every 20 mm.
    fn default() -> Self {
        Self {
            lowest_mm: -90.0,
            highest_mm: 115.0,
            widest_deg: 90.0,
            least_apart_mm: 50.0,
            keep_out: Vec::new(),
            candidate_spacing_mm: 20.0,
        }
    }
}

/// A spot on the skin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    /// Angle from the front midline, radians; to the patient's left where positive.
    pub angle: f64,
    /// Height, mm.
    pub z_mm: f64,
}

impl Spot {
    pub fn place_mm(&self, torso: &Torso) -> Position {
        let (a, b) = torso.semi_axes_mm();
        let (sin, cos) = self.angle.sin_cos();
        Position::new(a * sin, b * (1.0 - cos), self.z_mm)
    }
}

impl DesignSpace {
    pub(super) fn validate(&self) -> Result<(), DesignError> {
        let impossible = |what, found, expected| Err(DesignError::ImpossibleValue { what, found, expected });
        let heights = -400.0..=600.0;
        if !heights.contains(&self.lowest_mm) {
            return impossible("lowest_mm", self.lowest_mm, "−400 to 600 mm");
        }
        if !heights.contains(&self.highest_mm) || self.highest_mm < self.lowest_mm {
            return impossible(
                "highest_mm",
                self.highest_mm,
                "no lower than the lowest, and at most 600 mm",
            );
        }
        if !(10.0..=180.0).contains(&self.widest_deg) {
            return impossible("widest_deg", self.widest_deg, "10 to 180 degrees");
        }
        if !(5.0..=500.0).contains(&self.least_apart_mm) {
            return impossible("least_apart_mm", self.least_apart_mm, "5 to 500 mm");
        }
        if !(10.0..=100.0).contains(&self.candidate_spacing_mm) {
            return impossible("candidate_spacing_mm", self.candidate_spacing_mm, "10 to 100 mm");
        }
        for keep_out in &self.keep_out {
            if !(keep_out.radius_mm >= 0.0 && keep_out.radius_mm <= 1000.0) {
                return impossible("radius_mm", keep_out.radius_mm, "0 to 1000 mm");
            }
            if let Some(&found) = keep_out.centre_mm.iter().find(|value| !value.is_finite()) {
                return impossible("centre_mm", found, "finite coordinates");
            }
        }
        Ok(())
    }

    /// The widest angle, radians.
    pub fn widest(&self) -> f64 {
        self.widest_deg.to_radians()
    }

    /// The spot pulled within heights and angle.
    pub(super) fn clamp(&self, spot: Spot) -> Spot {
        Spot {
            angle: spot.angle.clamp(-self.widest(), self.widest()),
            z_mm: spot.z_mm.clamp(self.lowest_mm, self.highest_mm),
        }
    }

    /// Whether nothing is kept out there.
    pub(super) fn is_free(&self, place_mm: &Position) -> bool {
        let outside = |keep_out: &KeepOut| (place_mm - keep_out.centre_mm).norm() >= keep_out.radius_mm;
        self.keep_out.iter().all(outside)
    }

    /// Whether a site may sit there beside others.
    pub(super) fn is_apart(&self, place_mm: &Position, others_mm: impl IntoIterator<Item = Position>) -> bool {
        others_mm
            .into_iter()
            .all(|other| (place_mm - other).norm() >= self.least_apart_mm)
    }

    /// Candidates in rows of equal steps of arc, both ends of each row included.
    pub(super) fn candidates(&self, torso: &Torso) -> Vec<Spot> {
        let angles = self.angles(torso);
        let rows = ((self.highest_mm - self.lowest_mm) / self.candidate_spacing_mm)
            .ceil()
            .max(0.0) as usize;
        let mut spots = Vec::with_capacity((rows + 1) * angles.len());
        for row in 0..=rows {
            let share = row as f64 / rows.max(1) as f64;
            let z_mm = self.lowest_mm + share * (self.highest_mm - self.lowest_mm);
            let row = angles.iter().map(|&angle| Spot { angle, z_mm });
            spots.extend(row.filter(|spot| self.is_free(&spot.place_mm(torso))));
        }
        spots
    }

    /// Angles at equal steps of arc of about the candidates' spacing, the same to both sides.
    fn angles(&self, torso: &Torso) -> Vec<f64> {
        const FINE: usize = 2000;
        let widest = self.widest();
        let at = |k: usize| widest * k as f64 / FINE as f64;
        let mut arcs_mm = vec![0.0];
        for k in 1..=FINE {
            let place = |k: usize| {
                Spot {
                    angle: at(k),
                    z_mm: 0.0,
                }
                .place_mm(torso)
            };
            arcs_mm.push(arcs_mm[k - 1] + (place(k) - place(k - 1)).norm());
        }
        let whole_mm = arcs_mm[FINE];
        let steps = (whole_mm / self.candidate_spacing_mm).ceil().max(1.0) as usize;
        let mut side = Vec::with_capacity(steps);
        for step in 1..=steps {
            let arc_mm = whole_mm * step as f64 / steps as f64;
            side.push(at(arcs_mm.partition_point(|&arc| arc < arc_mm).min(FINE)));
        }
        // Both flanks of a whole turn are one line down the spine.
        let closed = self.widest_deg >= 180.0;
        let right = side.iter().rev().skip(usize::from(closed)).map(|angle| -angle);
        right.chain([0.0]).chain(side.iter().copied()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn spots_lie_on_the_skin_and_flank_and_spine_are_where_the_angles_say() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let at = |degrees: f64| {
            let spot = Spot {
                angle: degrees.to_radians(),
                z_mm: 10.0,
            };
            spot.place_mm(&torso)
        };
        assert_relative_eq!(at(0.0), Position::new(0.0, 0.0, 10.0), epsilon = 1e-9);
        assert_relative_eq!(at(90.0), Position::new(165.0, 115.0, 10.0), epsilon = 1e-9);
        assert_relative_eq!(at(-180.0), Position::new(0.0, 230.0, 10.0), epsilon = 1e-9);
        assert_relative_eq!(torso.radial(&at(37.0)), 1.0, epsilon = 1e-12);
    }

    #[test]
    fn candidates_are_about_their_spacing_apart_and_reach_the_limits() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        for widest_deg in [60.0, 90.0, 180.0] {
            let space = DesignSpace {
                widest_deg,
                ..DesignSpace::default()
            };
            let angles = space.angles(&torso);
            let places: Vec<Position> = angles
                .iter()
                .map(|&angle| Spot { angle, z_mm: 0.0 }.place_mm(&torso))
                .collect();
            for pair in places.windows(2) {
                let apart_mm = (pair[1] - pair[0]).norm();
                assert!(apart_mm > 15.0 && apart_mm < 20.5, "{apart_mm}");
            }
            assert_relative_eq!(angles[angles.len() - 1], widest_deg.to_radians());
            let apart = (places[0] - places[places.len() - 1]).norm();
            assert!(apart > 15.0, "no candidate twice: {apart}");
            let candidates = space.candidates(&torso);
            let heights = candidates.iter().map(|spot| spot.z_mm);
            assert_eq!(heights.clone().fold(f64::INFINITY, f64::min), -90.0);
            assert_eq!(heights.fold(f64::NEG_INFINITY, f64::max), 115.0);
        }
    }

    #[test]
    fn a_belt_of_one_height_is_one_row() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let space = DesignSpace {
            lowest_mm: 20.0,
            highest_mm: 20.0,
            ..DesignSpace::default()
        };
        assert!(space.candidates(&torso).iter().all(|spot| spot.z_mm == 20.0));
        assert_eq!(space.candidates(&torso).len(), space.angles(&torso).len());
    }
}
