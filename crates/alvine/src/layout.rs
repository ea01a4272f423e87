//! Sites and layouts: where the antennas are, and whether a position can be told from there.

use std::collections::HashMap;

use nalgebra::Matrix3;
use thiserror::Error;

use crate::torso::{AbdominalPlanes, Position, Torso};

/// The fewest sites from which a position and nothing else can be found without luck.
pub const FEWEST_SITES: usize = 4;

/// One antenna's place on the body.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// Its name, unique in its layout, such as `epigastric`.
    pub name: String,
    /// Where it is, mm.
    pub position_mm: Position,
    /// Gain of antenna and cable relative to the law's, dB.
    pub gain_db: f64,
}

impl Site {
    /// A site with no gain of its own.
    #[must_use]
    pub fn new(name: impl Into<String>, position_mm: Position) -> Self {
        Self {
            name: name.into(),
            position_mm,
            gain_db: 0.0,
        }
    }
}

/// Why a set of sites is no layout.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum LayoutError {
    /// Fewer sites than a position needs.
    #[error("{found} sites; a layout needs at least {least}")]
    TooFewSites {
        /// How many there were.
        found: usize,
        /// How many there must be.
        least: usize,
    },
    /// Two sites of one name.
    #[error("sites {} and {} are both named `{name}`", first + 1, second + 1)]
    DuplicateName {
        /// The name.
        name: String,
        /// Index of the first.
        first: usize,
        /// Index of the second.
        second: usize,
    },
    /// A name that cannot head a column.
    #[error("site {} is named `{name}`; {why}", index + 1)]
    BadName {
        /// Index of the site.
        index: usize,
        /// The name.
        name: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// Two sites closer than two antennas can be.
    #[error("sites `{first}` and `{second}` are {apart_mm:.1} mm apart; expected at least {least_mm} mm")]
    Coincident {
        /// Name of the first.
        first: String,
        /// Name of the second.
        second: String,
        /// Distance between them.
        apart_mm: f64,
        /// The least distance.
        least_mm: f64,
    },
    /// A coordinate or gain that is not a number or beyond any body.
    #[error("site `{name}`: {what} is {found}; expected {expected}")]
    ImpossibleValue {
        /// Name of the site.
        name: String,
        /// Which value.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
    /// All sites in one plane, or on one line: a place and its mirror image cannot be told apart.
    #[error(
        "all sites lie within {spread_mm:.1} mm of one plane, so that places on its two sides cannot be told apart; \
         expected a spread of at least {least_mm} mm"
    )]
    Coplanar {
        /// Root-mean-square distance of the sites from their best plane.
        spread_mm: f64,
        /// The least that is taken.
        least_mm: f64,
    },
}

/// A valid set of sites: four or more, of unique names, apart, and not all in one plane.
#[derive(Debug, Clone, PartialEq)]
pub struct Layout {
    sites: Vec<Site>,
}

impl Layout {
    /// Two sites nearer than this are taken for one entered twice, mm (common practice, no source).
    pub const LEAST_APART_MM: f64 = 5.0;
    /// Sites nearer to one plane than this (root mean square) cannot tell front from back, mm (common practice, no
    /// source: on a torso of 330 mm × 230 mm the default eight spread 14 mm).
    pub const LEAST_SPREAD_MM: f64 = 2.0;
    /// No coordinate of a site on a person is further from the umbilicus than this, mm.
    pub const FURTHEST_MM: f64 = 2000.0;
    /// Sites that a room needs at least.
    pub const FEWEST_IN_ROOM: usize = 3;
    /// No coordinate of a site in a room is further from the origin than this, mm.
    pub const FURTHEST_IN_ROOM_MM: f64 = 1e6;

    /// Checks the sites and makes a layout of them, keeping their order.
    ///
    /// # Errors
    ///
    /// The first [`LayoutError`] met.
    pub fn new(sites: Vec<Site>) -> Result<Self, LayoutError> {
        if sites.len() < FEWEST_SITES {
            return Err(LayoutError::TooFewSites {
                found: sites.len(),
                least: FEWEST_SITES,
            });
        }
        check_names(&sites)?;
        check_values(&sites, Self::FURTHEST_MM, "−2000 to 2000 mm")?;
        check_apart(&sites)?;
        check_spread(&sites)?;
        Ok(Self { sites })
    }

    /// The same of sites in a room and not on a body: three are enough, up to a kilometre away, and they may lie in one plane, as
    /// a room may be as thin as the height of the transmitter is known.
    ///
    /// # Errors
    ///
    /// The first [`LayoutError`] met.
    pub fn in_room(sites: Vec<Site>) -> Result<Self, LayoutError> {
        if sites.len() < Self::FEWEST_IN_ROOM {
            return Err(LayoutError::TooFewSites {
                found: sites.len(),
                least: Self::FEWEST_IN_ROOM,
            });
        }
        check_names(&sites)?;
        check_values(&sites, Self::FURTHEST_IN_ROOM_MM, "−1000000 to 1000000 mm")?;
        check_apart(&sites)?;
        Ok(Self { sites })
    }

    /// The eight abdominal regions but the umbilical one, on the front skin of a torso.
    ///
    /// The upper row sits 6 mm above the transpyloric plane, the middle row at the umbilicus, the lower row 45 mm
    /// below the transtubercular plane; the outer columns at 6/11 of the half breadth, the lumbar ones at 26/33. For
    /// a torso of 330 mm × 230 mm that gives x = ±90 and ±130, z = 115, 0 and −90 mm.
    ///
    /// # Panics
    ///
    /// Never: eight places on any torso that exists are apart and not in one plane.
    #[must_use]
    pub fn default_eight(torso: &Torso) -> Self {
        let planes = AbdominalPlanes::default();
        let half_breadth_mm = 0.5 * torso.breadth_mm();
        let (column_mm, flank_mm) = (half_breadth_mm * 6.0 / 11.0, half_breadth_mm * 26.0 / 33.0);
        let upper_mm = planes.transpyloric_mm + 6.0;
        let lower_mm = planes.transtubercular_mm - 45.0;
        let sites = [
            ("right-hypochondriac", -column_mm, upper_mm),
            ("epigastric", 0.0, upper_mm),
            ("left-hypochondriac", column_mm, upper_mm),
            ("right-lumbar", -flank_mm, 0.0),
            ("left-lumbar", flank_mm, 0.0),
            ("right-iliac", -column_mm, lower_mm),
            ("hypogastric", 0.0, lower_mm),
            ("left-iliac", column_mm, lower_mm),
        ]
        .into_iter()
        .map(|(name, x_mm, z_mm)| Site::new(name, Position::new(x_mm, torso.front_skin_y_mm(x_mm), z_mm)))
        .collect();
        Self { sites }
    }

    /// The sites, in order.
    #[must_use]
    pub fn sites(&self) -> &[Site] {
        &self.sites
    }

    /// The sites' names, in their order.
    #[must_use]
    pub fn names(&self) -> Vec<String> {
        self.sites.iter().map(|site| site.name.clone()).collect()
    }

    /// How many sites there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.sites.len()
    }

    /// Never true: a layout has at least four sites.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.sites.is_empty()
    }

    /// The index of a site by name.
    #[must_use]
    pub fn index_of(&self, name: &str) -> Option<usize> {
        self.sites.iter().position(|site| site.name == name)
    }

    /// Root-mean-square distance of the sites from the plane that fits them best, mm.
    #[must_use]
    pub fn spread_mm(&self) -> f64 {
        spread_mm(&self.sites)
    }
}

fn check_names(sites: &[Site]) -> Result<(), LayoutError> {
    let mut first_of = HashMap::new();
    for (index, site) in sites.iter().enumerate() {
        let name = site.name.as_str();
        let why = if name.is_empty() {
            Some("a site needs a name")
        } else if name.starts_with("aux_") {
            Some("columns that begin with `aux_` are not sites")
        } else if name == "time_s" {
            Some("`time_s` is the column of time")
        } else if name.chars().any(|c| c.is_control() || matches!(c, ',' | '"')) || name.trim() != name {
            Some("a name that heads a column has no comma, quote, control character, or space at its ends")
        } else {
            None
        };
        if let Some(why) = why {
            return Err(LayoutError::BadName {
                index,
                name: name.to_owned(),
                why,
            });
        }
        if let Some(first) = first_of.insert(name, index) {
            return Err(LayoutError::DuplicateName {
                name: name.to_owned(),
                first,
                second: index,
            });
        }
    }
    Ok(())
}

fn check_values(sites: &[Site], furthest_mm: f64, expected_mm: &'static str) -> Result<(), LayoutError> {
    let impossible = |site: &Site, what, found, expected| LayoutError::ImpossibleValue {
        name: site.name.clone(),
        what,
        found,
        expected,
    };
    for site in sites {
        for (what, found) in ["x_mm", "y_mm", "z_mm"].into_iter().zip(site.position_mm.iter()) {
            if !(-furthest_mm..=furthest_mm).contains(found) {
                return Err(impossible(site, what, *found, expected_mm));
            }
        }
        if !(-100.0..=100.0).contains(&site.gain_db) {
            return Err(impossible(site, "gain_db", site.gain_db, "−100 to 100 dB"));
        }
    }
    Ok(())
}

fn check_apart(sites: &[Site]) -> Result<(), LayoutError> {
    for (i, first) in sites.iter().enumerate() {
        for second in &sites[i + 1..] {
            let apart_mm = (first.position_mm - second.position_mm).norm();
            if apart_mm < Layout::LEAST_APART_MM {
                return Err(LayoutError::Coincident {
                    first: first.name.clone(),
                    second: second.name.clone(),
                    apart_mm,
                    least_mm: Layout::LEAST_APART_MM,
                });
            }
        }
    }
    Ok(())
}

fn check_spread(sites: &[Site]) -> Result<(), LayoutError> {
    let spread_mm = spread_mm(sites);
    if spread_mm < Layout::LEAST_SPREAD_MM {
        return Err(LayoutError::Coplanar {
            spread_mm,
            least_mm: Layout::LEAST_SPREAD_MM,
        });
    }
    Ok(())
}

/// The smallest principal standard deviation of the sites.
fn spread_mm(sites: &[Site]) -> f64 {
    let n = sites.len() as f64;
    let mean = sites.iter().map(|site| site.position_mm).sum::<Position>() / n;
    let scatter: Matrix3<f64> = sites
        .iter()
        .map(|site| site.position_mm - mean)
        .map(|offset| offset * offset.transpose())
        .sum();
    (scatter / n).symmetric_eigenvalues().min().max(0.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn eight() -> Vec<Site> {
        Layout::default_eight(&Torso::new(330.0, 230.0).unwrap()).sites
    }

    #[test]
    fn default_eight_matches_the_worked_layout() {
        let expected = [
            (-90.0, 18.614, 115.0),
            (0.0, 0.0, 115.0),
            (90.0, 18.614, 115.0),
            (-130.0, 44.180, 0.0),
            (130.0, 44.180, 0.0),
            (-90.0, 18.614, -90.0),
            (0.0, 0.0, -90.0),
            (90.0, 18.614, -90.0),
        ];
        for (site, (x, y, z)) in eight().iter().zip(expected) {
            assert_relative_eq!(site.position_mm, Position::new(x, y, z), epsilon = 1e-3);
        }
    }

    #[test]
    fn default_eight_is_a_valid_layout_on_every_torso() {
        for (breadth, depth) in [(80.0, 80.0), (250.0, 169.0), (385.0, 300.0), (900.0, 900.0)] {
            let layout = Layout::default_eight(&Torso::new(breadth, depth).unwrap());
            assert_eq!(Layout::new(layout.sites.clone()), Ok(layout));
        }
    }

    #[test]
    fn sites_in_a_room_may_lie_in_one_plane_and_far_away() {
        let corners = [[0.0, 0.0], [9000.0, 0.0], [0.0, 7000.0]];
        let sites: Vec<Site> = (0..3)
            .map(|index| {
                Site::new(
                    format!("r{index}"),
                    Position::new(corners[index][0], corners[index][1], 2000.0),
                )
            })
            .collect();
        assert!(Layout::new(sites.clone()).is_err());
        assert!(Layout::in_room(sites[..2].to_vec()).is_err());
        assert_eq!(Layout::in_room(sites).unwrap().len(), 3);
    }

    #[test]
    fn each_fault_of_a_layout_has_its_own_error() {
        assert!(matches!(
            Layout::new(eight()[..3].to_vec()),
            Err(LayoutError::TooFewSites { found: 3, least: 4 })
        ));
        let mut sites = eight();
        sites[4].name = sites[1].name.clone();
        assert!(matches!(
            Layout::new(sites),
            Err(LayoutError::DuplicateName {
                first: 1,
                second: 4,
                ..
            })
        ));
        let mut sites = eight();
        sites[2].position_mm = sites[1].position_mm;
        assert!(matches!(Layout::new(sites), Err(LayoutError::Coincident { .. })));
        let mut sites = eight();
        sites[0].position_mm.x = f64::INFINITY;
        assert!(matches!(Layout::new(sites), Err(LayoutError::ImpossibleValue { .. })));
        let mut sites = eight();
        for site in &mut sites {
            site.position_mm.y = 0.0;
        }
        assert!(matches!(Layout::new(sites), Err(LayoutError::Coplanar { .. })));
        let mut sites = eight();
        sites[0].name = "aux_battery".into();
        assert!(matches!(Layout::new(sites), Err(LayoutError::BadName { index: 0, .. })));
    }
}
