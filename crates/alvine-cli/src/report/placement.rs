//! Where labels go, so that none covers another.

use super::canvas::Place;

/// A rectangle on the page, px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// Left edge.
    pub left: f64,
    /// Upper edge.
    pub top: f64,
    /// Right edge.
    pub right: f64,
    /// Lower edge.
    pub bottom: f64,
}

impl Area {
    /// Around a centre.
    pub fn around((x, y): Place, width_px: f64, height_px: f64) -> Self {
        Self {
            left: x - 0.5 * width_px,
            top: y - 0.5 * height_px,
            right: x + 0.5 * width_px,
            bottom: y + 0.5 * height_px,
        }
    }

    fn overlaps(&self, other: &Self) -> bool {
        self.left < other.right && other.left < self.right && self.top < other.bottom && other.top < self.bottom
    }

    fn within(&self, other: &Self) -> bool {
        self.left >= other.left && self.right <= other.right && self.top >= other.top && self.bottom <= other.bottom
    }
}

/// Keeps what is taken, and finds room for more.
#[derive(Debug, Clone)]
pub struct Placement {
    page: Area,
    taken: Vec<Area>,
}

impl Placement {
    /// A page with nothing on it.
    pub const fn new(page: Area) -> Self {
        Self {
            page,
            taken: Vec::new(),
        }
    }

    /// Marks an area as taken.
    pub fn take(&mut self, area: Area) {
        self.taken.push(area);
    }

    /// Finds room for a label of a size near a mark, takes it, and answers its centre; nearer rings of places are
    /// tried before further ones. `None` when there is none.
    pub fn near(&mut self, (x, y): Place, width_px: f64, height_px: f64, gap_px: f64) -> Option<Place> {
        for ring in [1.0, 2.0, 3.5, 5.0, 7.0, 9.0] {
            let gap_px = gap_px * ring;
            let (right, left) = (x + gap_px + 0.5 * width_px, x - gap_px - 0.5 * width_px);
            let (below, above) = (y + gap_px + 0.5 * height_px, y - gap_px - 0.5 * height_px);
            let candidates = [
                (right, y),
                (left, y),
                (x, above),
                (x, below),
                (right, above),
                (right, below),
                (left, above),
                (left, below),
            ];
            for centre in candidates {
                let area = Area::around(centre, width_px, height_px);
                if area.within(&self.page) && !self.taken.iter().any(|taken| area.overlaps(taken)) {
                    self.taken.push(area);
                    return Some(centre);
                }
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_of_one_place_do_not_cover_each_other() {
        let mut placement = Placement::new(Area::around((100.0, 100.0), 400.0, 400.0));
        let mut placed: Vec<Area> = Vec::new();
        for _ in 0..12 {
            let centre = placement.near((100.0, 100.0), 60.0, 14.0, 8.0).unwrap();
            let area = Area::around(centre, 60.0, 14.0);
            assert!(placed.iter().all(|other| !area.overlaps(other)));
            placed.push(area);
        }
    }

    #[test]
    fn a_label_that_has_no_room_is_not_placed() {
        let mut placement = Placement::new(Area::around((0.0, 0.0), 20.0, 20.0));
        assert_eq!(placement.near((0.0, 0.0), 60.0, 14.0, 8.0), None);
    }
}
