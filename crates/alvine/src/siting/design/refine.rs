//! The refinement: each site in turn moves freely on the skin, by a simplex in arc and height, until a round gains
//! nothing to speak of.

use argmin::core::{CostFunction, Error, Executor};
use argmin::solver::neldermead::NelderMead;

use super::super::information::{Information, Radio};
use super::Design;
use super::field::of_site;
use super::space::Spot;
use crate::layout::Site;

/// Rounds over all sites.
const MOST_ROUNDS: usize = 8;
/// A round that gains less than this share is the last.
const LEAST_GAIN: f64 = 2e-4;
/// Steps of one simplex.
const MOST_ITERATIONS: u64 = 40;
/// A simplex whose corners differ by less than this has settled, mm.
const SETTLED_MM: f64 = 1e-4;
/// Where no site may sit the cost is at least this, mm.
const FORBIDDEN_MM: f64 = 1e9;

/// Spots on the skin with their criterion.
#[derive(Debug, Clone)]
pub(super) struct Refined {
    pub spots: Vec<Spot>,
    pub value_mm: f64,
}

/// Moves sites until they settle.
pub(super) fn refine(design: &Design<'_>, mut spots: Vec<Spot>, mut value_mm: f64, progress: &dyn Fn(f64)) -> Refined {
    let radio = Radio::new(design.setup, design.objective.radio.spread_db(design.setup));
    for round in 0..MOST_ROUNDS {
        let before_mm = value_mm;
        for moving in 0..spots.len() {
            let cost = Cost::new(design, &radio, &spots, moving);
            if let Some((spot, found_mm)) = cost.settle(spots[moving])
                && found_mm < value_mm
            {
                spots[moving] = spot;
                value_mm = found_mm;
            }
        }
        progress((round + 1) as f64 / MOST_ROUNDS as f64);
        if value_mm > before_mm * (1.0 - LEAST_GAIN) {
            break;
        }
    }
    Refined { spots, value_mm }
}

/// The criterion as a function of one site's spot, the others staying.
struct Cost<'a> {
    design: &'a Design<'a>,
    radio: &'a Radio<'a>,
    others: Vec<Spot>,
    parts: Vec<Vec<Information>>,
    rest: Vec<Information>,
    /// Mean radius of the torso, mm: turns angles into lengths, so that both coordinates have one scale.
    radius_mm: f64,
}

impl<'a> Cost<'a> {
    fn new(design: &'a Design<'a>, radio: &'a Radio<'a>, spots: &[Spot], moving: usize) -> Self {
        let mut others = spots.to_vec();
        others.remove(moving);
        let part = |spot: &Spot| Self::part_of(design, radio, spot);
        let parts: Vec<Vec<Information>> = others.iter().map(part).collect();
        let mut rest = vec![Information::default(); design.places()];
        for part in &parts {
            for (sum, part) in rest.iter_mut().zip(part) {
                *sum = sum.plus(part);
            }
        }
        let (a, b) = design.setup.torso.semi_axes_mm();
        Self {
            design,
            radio,
            others,
            parts,
            rest,
            radius_mm: 0.5 * (a + b),
        }
    }

    fn part_of(design: &Design<'_>, radio: &Radio<'_>, spot: &Spot) -> Vec<Information> {
        let site = Site::new(String::new(), spot.place_mm(&design.setup.torso));
        of_site(radio, &site, &design.places_mm)
    }

    /// The best spot about one, with its criterion.
    fn settle(&self, from: Spot) -> Option<(Spot, f64)> {
        let edge_mm = 0.6 * self.design.space.candidate_spacing_mm;
        let corner = vec![from.angle * self.radius_mm, from.z_mm];
        // Edges point inwards, so that a start at a limit does not make a flat simplex.
        let inwards = |value: f64, middle: f64| if value > middle { -edge_mm } else { edge_mm };
        let space = &self.design.space;
        let along = inwards(corner[0], 0.0);
        let up = inwards(corner[1], 0.5 * (space.lowest_mm + space.highest_mm));
        let simplex = vec![
            corner.clone(),
            vec![corner[0] + along, corner[1]],
            vec![corner[0], corner[1] + up],
        ];
        let solver = NelderMead::new(simplex).with_sd_tolerance(SETTLED_MM).ok()?;
        let outcome = Executor::new(self, solver)
            .configure(|state| state.max_iters(MOST_ITERATIONS))
            .timer(false)
            .run()
            .ok()?;
        let spot = self.spot(&outcome.state.best_param?);
        Some((spot, outcome.state.best_cost))
    }

    fn spot(&self, parameters: &[f64]) -> Spot {
        self.design.space.clamp(Spot {
            angle: parameters[0] / self.radius_mm,
            z_mm: parameters[1],
        })
    }

    fn value_mm(&self, spot: &Spot) -> f64 {
        let torso = &self.design.setup.torso;
        let place_mm = spot.place_mm(torso);
        let others = self.others.iter().map(|other| other.place_mm(torso));
        if !self.design.space.is_free(&place_mm) || !self.design.space.is_apart(&place_mm, others) {
            return FORBIDDEN_MM;
        }
        let own = Self::part_of(self.design, self.radio, spot);
        let totals: Vec<Information> = self.rest.iter().zip(&own).map(|(sum, part)| sum.plus(part)).collect();
        let parts = self.parts.iter().map(Vec::as_slice).chain([own.as_slice()]);
        self.design.objective.value_of_totals_mm(&totals, parts, f64::INFINITY)
    }
}

impl CostFunction for &Cost<'_> {
    type Param = Vec<f64>;
    type Output = f64;

    fn cost(&self, parameters: &Vec<f64>) -> Result<f64, Error> {
        Ok(self.value_mm(&self.spot(parameters)))
    }
}
