//! Design: where on the skin so many sites should sit, so that a criterion becomes least.
//!
//! Three steps, each a module: *space* says where a site may sit and lays candidates there; *exchange* chooses among
//! them, from a greedy start and from random ones, swapping one site at a time for the best candidate until no swap
//! helps; *refine* then moves each site freely between the candidates, by the simplex of Nelder and Mead.
//!
//! Judged are the places of the gut on a lattice, with the level known as well as the estimator takes it to be. All
//! criteria are lengths in mm, and less is better.
//!
//! # Source
//!
//! V. V. Fedorov, *Theory of Optimal Experiments* (1972), for the exchange and the letters; J. A. Nelder, R. Mead, *A
//! simplex method for function minimization*, Comput. J. 7 (1965), as in the crate `argmin`.

mod criterion;
mod exchange;
mod field;
mod refine;
mod space;

use thiserror::Error;

pub use criterion::{Criterion, Objective};
pub use space::{DesignSpace, KeepOut};

use super::information::Radio;
use super::organs::OrganSet;
use super::volume::{Volume, VolumeError};
use crate::layout::{FEWEST_SITES, Layout, LayoutError, Site};
use crate::setup::Setup;
use crate::torso::Position;
use field::Field;
use space::Spot;

/// Why no layout can be designed as asked.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum DesignError {
    /// A number of sites that makes no layout, or more than are designed.
    #[error("{found} sites; expected {least} to {most}")]
    ImpossibleCount {
        /// How many were asked for.
        found: usize,
        /// The fewest that do.
        least: usize,
        /// The most that are designed.
        most: usize,
    },
    /// A limit of the space that cannot be.
    #[error("{what} is {found}; expected {expected}")]
    ImpossibleValue {
        /// Which limit.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
    /// The limits leave no room for so many sites.
    #[error("the limits leave room for {room} sites; expected room for {needed}")]
    NoRoom {
        /// How many sites found room.
        room: usize,
        /// How many were asked for.
        needed: usize,
    },
    /// The spacing of the places judged does not do.
    #[error(transparent)]
    Volume(#[from] VolumeError),
    /// The sites that were found make no layout.
    #[error(transparent)]
    Layout(#[from] LayoutError),
}

/// A design problem, ready to be solved for any number of sites.
#[derive(Debug)]
pub struct Design<'a> {
    setup: &'a Setup,
    space: DesignSpace,
    objective: Objective,
    places_mm: Vec<Position>,
    field: Field,
}

/// A layout that was designed.
#[derive(Debug, Clone, PartialEq)]
pub struct Designed {
    /// The layout; its sites are numbered from the head down, and from the patient's right to left.
    pub layout: Layout,
    /// The criterion, mm.
    pub value_mm: f64,
    /// The criterion before sites were moved freely between the candidates, mm.
    pub exchanged_mm: f64,
}

/// The criterion at one number of sites.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// How many sites.
    pub sites: usize,
    /// The criterion, mm, by exchange among candidates only.
    pub value_mm: f64,
}

impl<'a> Design<'a> {
    /// The most sites that are designed.
    pub const MOST_SITES: usize = 32;

    /// Lays candidates and judged places. The setup's own layout plays no part; its law, noise, receiver and torso do.
    ///
    /// # Errors
    ///
    /// [`DesignError`] when a limit or a spacing does not do.
    pub fn new(setup: &'a Setup, space: DesignSpace, objective: Objective) -> Result<Self, DesignError> {
        space.validate()?;
        let places_mm: Vec<Position> = Volume::new(setup.torso, objective.spacing_mm)?
            .places_mm()
            .filter(|place| OrganSet::at(&setup.torso, place).is_gut())
            .collect();
        let spread_db = objective.radio.spread_db(setup);
        let field = Field::new(
            &Radio::new(setup, spread_db),
            space.candidates(&setup.torso),
            &places_mm,
        );
        Ok(Self {
            setup,
            space,
            objective,
            places_mm,
            field,
        })
    }

    /// How many candidate sites there are.
    #[must_use]
    pub fn candidates(&self) -> usize {
        self.field.spots.len()
    }

    /// How many places are judged.
    #[must_use]
    pub fn places(&self) -> usize {
        self.places_mm.len()
    }

    /// The criterion of any layout on the setup's torso, mm, for comparison.
    #[must_use]
    pub fn value_mm(&self, layout: &Layout) -> f64 {
        let radio = Radio::new(self.setup, self.objective.radio.spread_db(self.setup));
        let sites: Vec<_> = layout
            .sites()
            .iter()
            .map(|site| field::of_site(&radio, site, &self.places_mm))
            .collect();
        let parts: Vec<&[_]> = sites.iter().map(Vec::as_slice).collect();
        self.objective.value_of_parts_mm(&parts, self.places_mm.len())
    }

    /// Designs a layout of so many sites. `progress` is told the share done, 0 to 1.
    ///
    /// # Errors
    ///
    /// [`DesignError`] when there are too few or too many, or no room for them.
    pub fn place(&self, sites: usize, progress: &(dyn Fn(f64) + Sync)) -> Result<Designed, DesignError> {
        self.check_count(sites)?;
        let mut best = exchange::Chosen::none();
        let starts = exchange::starts(self, sites);
        for (k, start) in starts.iter().enumerate() {
            let chosen = exchange::exchange(self, start.clone());
            if chosen.value_mm < best.value_mm {
                best = chosen;
            }
            progress(0.7 * (k + 1) as f64 / starts.len() as f64);
        }
        if best.indices.len() < sites {
            return Err(DesignError::NoRoom {
                room: starts.iter().map(Vec::len).max().unwrap_or(0),
                needed: sites,
            });
        }
        let spots = best.indices.iter().map(|&index| self.field.spots[index]).collect();
        let refined = refine::refine(self, spots, best.value_mm, &|share| progress(0.7 + 0.3 * share));
        Ok(Designed {
            layout: self.layout(refined.spots)?,
            value_mm: refined.value_mm,
            exchanged_mm: best.value_mm,
        })
    }

    /// The criterion for each number of sites, each starting from the one before. Numbers that find no room end the
    /// curve.
    ///
    /// # Errors
    ///
    /// [`DesignError::ImpossibleCount`] for a number that makes no layout.
    pub fn curve(&self, counts: &[usize], progress: &(dyn Fn(f64) + Sync)) -> Result<Vec<CurvePoint>, DesignError> {
        let mut points = Vec::with_capacity(counts.len());
        let mut start = Vec::new();
        for (k, &sites) in counts.iter().enumerate() {
            self.check_count(sites)?;
            start.truncate(sites);
            exchange::grow(self, &mut start, sites);
            if start.len() < sites {
                break;
            }
            let chosen = exchange::exchange(self, start);
            points.push(CurvePoint {
                sites,
                value_mm: chosen.value_mm,
            });
            start = chosen.indices;
            progress((k + 1) as f64 / counts.len() as f64);
        }
        Ok(points)
    }

    fn check_count(&self, found: usize) -> Result<(), DesignError> {
        let least = FEWEST_SITES + usize::from(self.objective.survive_loss);
        if (least..=Self::MOST_SITES).contains(&found) {
            return Ok(());
        }
        Err(DesignError::ImpossibleCount {
            found,
            least,
            most: Self::MOST_SITES,
        })
    }

    fn layout(&self, mut spots: Vec<Spot>) -> Result<Layout, DesignError> {
        // From the head down in steps of a hand's breadth, and from right to left within a step.
        const ROW_MM: f64 = 60.0;
        let row = |spot: &Spot| (-spot.z_mm / ROW_MM).round();
        spots.sort_by(|one, other| {
            let by_row = row(one).total_cmp(&row(other));
            by_row.then(one.angle.total_cmp(&other.angle))
        });
        let sites = spots
            .iter()
            .enumerate()
            .map(|(k, spot)| Site::new(format!("s{:02}", k + 1), spot.place_mm(&self.setup.torso)));
        Ok(Layout::new(sites.collect())?)
    }
}

#[cfg(test)]
mod tests {
    use super::super::information::tests::default_setup;
    use super::super::survey::{SurveyOptions, survey};
    use super::*;

    fn objective(criterion: Criterion) -> Objective {
        Objective {
            criterion,
            spacing_mm: 30.0,
            ..Objective::default()
        }
    }

    fn design(setup: &Setup, objective: Objective) -> Designed {
        let space = DesignSpace {
            candidate_spacing_mm: 40.0,
            ..DesignSpace::default()
        };
        Design::new(setup, space, objective).unwrap().place(8, &|_| {}).unwrap()
    }

    #[test]
    fn eight_designed_sites_beat_the_default_eight_by_every_criterion() {
        let setup = default_setup();
        for criterion in Criterion::ALL {
            let objective = objective(criterion);
            let problem = Design::new(&setup, DesignSpace::default(), objective).unwrap();
            let designed = design(&setup, objective);
            assert!(
                designed.value_mm < 0.97 * problem.value_mm(&setup.layout),
                "{criterion:?}: {} against {}",
                designed.value_mm,
                problem.value_mm(&setup.layout)
            );
            assert!(designed.value_mm <= designed.exchanged_mm);
            let again = problem.value_mm(&designed.layout);
            assert!((again - designed.value_mm).abs() < 1e-6 * again, "{criterion:?}");
        }
    }

    #[test]
    fn the_criterion_of_the_mean_is_the_mean_of_the_survey() {
        let setup = default_setup();
        let problem = Design::new(&setup, DesignSpace::default(), objective(Criterion::Mean)).unwrap();
        let volume = Volume::new(setup.torso, 30.0).unwrap();
        let gut = survey(&setup, volume, &SurveyOptions::default()).gut();
        assert!((problem.value_mm(&setup.layout) - gut.mean_mm).abs() < 1e-5 * gut.mean_mm);
        let problem = Design::new(&setup, DesignSpace::default(), objective(Criterion::Worst)).unwrap();
        assert!((problem.value_mm(&setup.layout) - gut.worst_mm).abs() < 1e-5 * gut.worst_mm);
    }

    #[test]
    fn designed_sites_keep_to_the_limits() {
        let setup = default_setup();
        let space = DesignSpace {
            lowest_mm: -60.0,
            highest_mm: 80.0,
            widest_deg: 70.0,
            least_apart_mm: 60.0,
            keep_out: vec![KeepOut {
                centre_mm: Position::new(-100.0, 24.0, -30.0),
                radius_mm: 50.0,
            }],
            ..DesignSpace::default()
        };
        let problem = Design::new(&setup, space.clone(), objective(Criterion::Mean)).unwrap();
        let designed = problem.place(8, &|_| {}).unwrap();
        let sites = designed.layout.sites();
        for (k, site) in sites.iter().enumerate() {
            let place = site.position_mm;
            assert!((setup.torso.radial(&place) - 1.0).abs() < 1e-9);
            assert!((-60.0..=80.0).contains(&place.z), "{place}");
            let angle = (place.x / 165.0).atan2(1.0 - place.y / 115.0).to_degrees();
            assert!(angle.abs() <= 70.0 + 1e-6, "{angle}");
            assert!((place - space.keep_out[0].centre_mm).norm() >= 50.0 - 1e-9);
            for other in &sites[k + 1..] {
                assert!((place - other.position_mm).norm() >= 60.0 - 1e-9);
            }
        }
    }

    #[test]
    fn a_design_that_survives_a_loss_loses_less_than_one_that_was_not_asked_to() {
        let setup = default_setup();
        let robust = Objective {
            survive_loss: true,
            ..objective(Criterion::Mean)
        };
        let problem = Design::new(&setup, DesignSpace::default(), robust).unwrap();
        let (plain, safe) = (design(&setup, objective(Criterion::Mean)), design(&setup, robust));
        assert!(safe.value_mm <= problem.value_mm(&plain.layout) * (1.0 + 1e-9));
        // What it pays for that with all sites in place is little.
        let problem = Design::new(&setup, DesignSpace::default(), objective(Criterion::Mean)).unwrap();
        assert!(problem.value_mm(&safe.layout) < 1.1 * plain.value_mm);
    }

    #[test]
    fn the_curve_falls() {
        let setup = default_setup();
        let problem = Design::new(&setup, DesignSpace::default(), objective(Criterion::Mean)).unwrap();
        let curve = problem.curve(&[4, 6, 8, 12], &|_| {}).unwrap();
        assert_eq!(curve.iter().map(|point| point.sites).collect::<Vec<_>>(), [4, 6, 8, 12]);
        assert!(curve.windows(2).all(|pair| pair[1].value_mm < pair[0].value_mm));
    }

    #[test]
    fn one_thread_gives_what_many_give() {
        let setup = default_setup();
        let single = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        let objective = objective(Criterion::Percentile95);
        assert_eq!(single.install(|| design(&setup, objective)), design(&setup, objective));
    }

    #[test]
    fn what_cannot_be_designed_is_refused_with_its_reason() {
        let setup = default_setup();
        let problem = Design::new(&setup, DesignSpace::default(), objective(Criterion::Mean)).unwrap();
        assert!(matches!(
            problem.place(3, &|_| {}),
            Err(DesignError::ImpossibleCount { found: 3, least: 4, .. })
        ));
        assert!(problem.place(33, &|_| {}).is_err());
        let crowded = DesignSpace {
            least_apart_mm: 150.0,
            ..DesignSpace::default()
        };
        let problem = Design::new(&setup, crowded, objective(Criterion::Mean)).unwrap();
        assert!(matches!(
            problem.place(20, &|_| {}),
            Err(DesignError::NoRoom { needed: 20, .. })
        ));
        let upside_down = DesignSpace {
            lowest_mm: 100.0,
            highest_mm: 0.0,
            ..DesignSpace::default()
        };
        assert!(Design::new(&setup, upside_down, objective(Criterion::Mean)).is_err());
        let robust = Objective {
            survive_loss: true,
            ..objective(Criterion::Mean)
        };
        let problem = Design::new(&setup, DesignSpace::default(), robust).unwrap();
        assert!(matches!(
            problem.place(4, &|_| {}),
            Err(DesignError::ImpossibleCount { least: 5, .. })
        ));
    }
}
