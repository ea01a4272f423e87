//! The places at which a layout is judged: a lattice inside the torso.

use thiserror::Error;

use crate::torso::{Position, Torso};

/// Why no lattice can be laid.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum VolumeError {
    /// A spacing that is not a number, or that would give too many places or none.
    #[error("spacing of {found_mm} mm; expected {least_mm} to {most_mm} mm")]
    ImpossibleSpacing {
        /// What was given.
        found_mm: f64,
        /// The least that is taken.
        least_mm: f64,
        /// The most that is taken.
        most_mm: f64,
    },
}

/// A lattice of cubic cells whose centres lie inside a torso, between pelvic floor and lower oesophagus.
///
/// One cell's centre lies on the torso's axis, so that the lattice is the same on the patient's left and right.
///
/// # Examples
///
/// ```
/// use alvine::{Torso, siting::Volume};
/// let volume = Volume::new(Torso::new(330.0, 230.0)?, 5.0)?;
/// // π × 165 mm × 115 mm × 440 mm / (5 mm)³, but for cells cut by the skin.
/// assert!((volume.len() as f64 / 209_834.0 - 1.0).abs() < 0.01);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Volume {
    torso: Torso,
    spacing_mm: f64,
    /// Cells along x, y and z.
    counts: [usize; 3],
    first_mm: Position,
    /// Cells inside, as indices with x running fastest, then y, then z.
    inside: Vec<u32>,
}

impl Volume {
    /// The finest spacing that is taken, mm.
    pub const FINEST_MM: f64 = 2.0;
    /// The coarsest spacing that is taken, mm.
    pub const COARSEST_MM: f64 = 40.0;

    /// Lays the lattice.
    ///
    /// # Errors
    ///
    /// [`VolumeError::ImpossibleSpacing`] unless the spacing is between 2 and 40 mm, and more than that from below where
    /// the torso is so large that there would be more than ten million cells.
    pub fn new(torso: Torso, spacing_mm: f64) -> Result<Self, VolumeError> {
        let least_mm = Self::finest_mm(&torso);
        if !(least_mm..=Self::COARSEST_MM).contains(&spacing_mm) {
            return Err(VolumeError::ImpossibleSpacing {
                found_mm: spacing_mm,
                least_mm,
                most_mm: Self::COARSEST_MM,
            });
        }
        let (a, b) = torso.semi_axes_mm();
        let half = |extent_mm: f64| (extent_mm / spacing_mm).floor();
        let (half_x, half_y) = (half(a), half(b));
        let height_mm = Torso::HIGHEST_MM - Torso::LOWEST_MM;
        let layers = half(height_mm);
        let counts = [2.0 * half_x + 1.0, 2.0 * half_y + 1.0, layers].map(|count| count as usize);
        let first_mm = Position::new(
            -half_x * spacing_mm,
            b - half_y * spacing_mm,
            Torso::LOWEST_MM + 0.5 * (height_mm - (layers - 1.0) * spacing_mm),
        );
        let mut volume = Self {
            torso,
            spacing_mm,
            counts,
            first_mm,
            inside: Vec::new(),
        };
        let cells = counts.iter().product::<usize>();
        // Ten million cells, and one more along each edge: far below 2³².
        volume.inside = (0..cells)
            .filter(|&cell| volume.torso.contains(&volume.cell_mm(cell)))
            .map(|cell| cell as u32)
            .collect();
        Ok(volume)
    }

    /// The finest spacing for a torso, mm, in whole tenths.
    fn finest_mm(torso: &Torso) -> f64 {
        const MOST_CELLS: f64 = 1e7;
        let box_mm3 = torso.breadth_mm() * torso.depth_mm() * (Torso::HIGHEST_MM - Torso::LOWEST_MM);
        let finest_mm = (10.0 * (box_mm3 / MOST_CELLS).cbrt()).ceil() / 10.0;
        finest_mm.max(Self::FINEST_MM)
    }

    /// The torso it lies in.
    #[must_use]
    pub const fn torso(&self) -> &Torso {
        &self.torso
    }

    /// Distance between neighbouring places, mm.
    #[must_use]
    pub const fn spacing_mm(&self) -> f64 {
        self.spacing_mm
    }

    /// How many cells the box round the torso has along x, y and z.
    #[must_use]
    pub const fn counts(&self) -> [usize; 3] {
        self.counts
    }

    /// How many places there are inside.
    #[must_use]
    pub fn len(&self) -> usize {
        self.inside.len()
    }

    /// Never true: the torso's axis is always inside.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.inside.is_empty()
    }

    /// The cell of a place in the box, x running fastest, then y, then z.
    ///
    /// # Panics
    ///
    /// When `index` is not below [`Volume::len`].
    #[must_use]
    pub fn cell(&self, index: usize) -> usize {
        self.inside[index] as usize
    }

    /// Where a place is, mm.
    ///
    /// # Panics
    ///
    /// When `index` is not below [`Volume::len`].
    #[must_use]
    pub fn place_mm(&self, index: usize) -> Position {
        self.cell_mm(self.cell(index))
    }

    /// The place nearest to a position, looked for in the position's own cell and those about it; `None` further out.
    #[must_use]
    pub fn nearest(&self, position_mm: &Position) -> Option<usize> {
        let steps = (position_mm - self.first_mm) / self.spacing_mm;
        let own = steps.map(f64::round);
        // Of all cells the own one is nearest; only where it is outside do its neighbours come in.
        self.index_at(&own).or_else(|| {
            let offset = |k: i32| Position::new(f64::from(k % 3 - 1), f64::from(k / 3 % 3 - 1), f64::from(k / 9 - 1));
            (0..27)
                .map(|k| own + offset(k))
                .filter_map(|cell| Some((self.index_at(&cell)?, (cell - steps).norm_squared())))
                .min_by(|(_, one), (_, other)| one.total_cmp(other))
                .map(|(index, _)| index)
        })
    }

    /// The place in a cell given by whole numbers along x, y and z; `None` where there is none.
    fn index_at(&self, cell: &Position) -> Option<usize> {
        let mut within = cell.iter().zip(self.counts);
        if !within.all(|(&at, count)| at >= 0.0 && at < count as f64) {
            return None;
        }
        let [nx, ny, _] = self.counts;
        let flat = cell.x as usize + nx * (cell.y as usize + ny * cell.z as usize);
        self.inside.binary_search(&(flat as u32)).ok()
    }

    /// All places, in order.
    pub fn places_mm(&self) -> impl ExactSizeIterator<Item = Position> + '_ {
        self.inside.iter().map(|&cell| self.cell_mm(cell as usize))
    }

    /// The coordinates of the cells along one axis (0, 1, 2 for x, y, z), mm.
    ///
    /// # Panics
    ///
    /// When `axis` is above 2.
    #[must_use]
    pub fn coordinates_mm(&self, axis: usize) -> Vec<f64> {
        let at = |k: usize| self.first_mm[axis] + k as f64 * self.spacing_mm;
        (0..self.counts[axis]).map(at).collect()
    }

    /// Values of the places laid out over the whole box, x running fastest; `outside` where there is no place.
    ///
    /// Values beyond the places are ignored.
    #[must_use]
    pub fn spread_out<T: Copy>(&self, values: impl IntoIterator<Item = T>, outside: T) -> Vec<T> {
        let mut laid = vec![outside; self.counts.iter().product()];
        for (&cell, value) in self.inside.iter().zip(values) {
            laid[cell as usize] = value;
        }
        laid
    }

    fn cell_mm(&self, cell: usize) -> Position {
        let [nx, ny, _] = self.counts;
        let step = Position::new((cell % nx) as f64, (cell / nx % ny) as f64, (cell / (nx * ny)) as f64);
        self.first_mm + step * self.spacing_mm
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn every_place_is_inside_and_the_lattice_is_the_same_on_both_sides() {
        let torso = Torso::new(331.0, 227.0).unwrap();
        let volume = Volume::new(torso, 9.0).unwrap();
        let mut left = 0;
        let mut right = 0;
        for place in volume.places_mm() {
            assert!(torso.contains(&place));
            left += usize::from(place.x > 1e-9);
            right += usize::from(place.x < -1e-9);
        }
        assert_eq!(left, right);
        assert_eq!(volume.places_mm().len(), volume.len());
    }

    #[test]
    fn the_lattice_fills_the_torso() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        for spacing_mm in [5.0, 10.0] {
            let volume = Volume::new(torso, spacing_mm).unwrap();
            let filled_mm3 = volume.len() as f64 * spacing_mm.powi(3);
            let torso_mm3 = std::f64::consts::PI * 165.0 * 115.0 * 440.0;
            // Cells cut by the skin: their surface is 6 % of the volume at 10 mm, in and out nearly even.
            assert_relative_eq!(filled_mm3, torso_mm3, max_relative = 0.01);
        }
    }

    #[test]
    fn values_come_back_at_the_cells_of_their_places() {
        let volume = Volume::new(Torso::new(200.0, 150.0).unwrap(), 20.0).unwrap();
        let laid = volume.spread_out((0..volume.len()).map(|index| index as f64), f64::NAN);
        assert_eq!(laid.len(), volume.counts().iter().product::<usize>());
        for index in 0..volume.len() {
            assert_eq!(laid[volume.cell(index)], index as f64);
            let place = volume.place_mm(index);
            let [nx, ny, _] = volume.counts();
            let cell = volume.cell(index);
            assert_relative_eq!(place.x, volume.coordinates_mm(0)[cell % nx], epsilon = 1e-9);
            assert_relative_eq!(place.y, volume.coordinates_mm(1)[cell / nx % ny], epsilon = 1e-9);
            assert_relative_eq!(place.z, volume.coordinates_mm(2)[cell / (nx * ny)], epsilon = 1e-9);
        }
        assert_eq!(laid.iter().filter(|value| !value.is_nan()).count(), volume.len());
    }

    #[test]
    fn the_nearest_place_is_the_nearest_of_all() {
        let volume = Volume::new(Torso::new(240.0, 170.0).unwrap(), 20.0).unwrap();
        for index in (0..volume.len()).step_by(13) {
            let position = volume.place_mm(index) + Position::new(6.0, -8.0, 3.0);
            let far = |index: usize| (volume.place_mm(index) - position).norm();
            let nearest = volume.nearest(&position).unwrap();
            let least = (0..volume.len()).map(far).fold(f64::INFINITY, f64::min);
            assert_relative_eq!(far(nearest), least, epsilon = 1e-9);
        }
        assert_eq!(volume.nearest(&Position::new(0.0, 85.0, 900.0)), None);
        assert_eq!(volume.nearest(&Position::new(f64::NAN, 0.0, 0.0)), None);
    }

    #[test]
    fn spacings_that_give_too_many_places_or_none_are_refused() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        for spacing_mm in [0.0, -5.0, 1.9, 41.0, f64::NAN, f64::INFINITY] {
            assert!(Volume::new(torso, spacing_mm).is_err(), "{spacing_mm}");
        }
        assert!(Volume::new(torso, 2.0).is_ok());
        // 900 mm × 900 mm × 440 mm in ten million cells: 3.29 mm each.
        let widest = Torso::new(900.0, 900.0).unwrap();
        let error = Volume::new(widest, 3.0).unwrap_err();
        assert_eq!(error.to_string(), "spacing of 3 mm; expected 3.3 to 40 mm");
        assert!(Volume::new(widest, 3.3).is_ok());
        assert!(!Volume::new(Torso::new(80.0, 80.0).unwrap(), 40.0).unwrap().is_empty());
    }
}
