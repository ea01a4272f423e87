//! The window: the knots of one lag, and what all before them told of the first.

use nalgebra::Matrix3;

use super::head::{Newest, kinematic};
use crate::fix::PositionPrior;
use crate::setup::Setup;
use crate::torso::Position;
use crate::track::Flags;
use crate::trajectory::cells::{Forward, Start};
use crate::trajectory::descent::descend;
use crate::trajectory::knots::Knots;
use crate::trajectory::objective::{BIAS, Before, BlurCurvature, Objective, States, UNDAMPED_OR_NEARLY};
use crate::trajectory::options::TrajectoryOptions;
use crate::trajectory::tridiagonal::Chain;
use crate::trajectory::{first_states, knot_flags};

/// The knots held.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::trajectory) struct Window {
    pub knots: Knots,
    pub places: Vec<Option<PositionPrior>>,
    pub ambiguous: Vec<bool>,
    pub states: States,
    pub before: Option<Before>,
    /// Whether the last refinement settled.
    pub settled: bool,
}

/// A knot that has all its readings.
pub(super) struct Closed<'a> {
    pub knot: &'a Knots,
    pub row: &'a [f64],
    pub place: Option<PositionPrior>,
}

/// The other place must explain the window's readings better by this much, in units of log-posterior: a thousand to one.
const SURELY: f64 = 7.0;
/// Rounds that a comparison of two places may take.
const ROUNDS_TO_COMPARE: usize = 12;

impl Window {
    pub fn new(sites: usize) -> Self {
        Self {
            knots: Knots {
                time_s: Vec::new(),
                instants: Vec::new(),
                readings: Vec::new(),
                sites,
            },
            places: Vec::new(),
            ambiguous: Vec::new(),
            states: States {
                size: BIAS + sites,
                values: Vec::new(),
            },
            before: None,
            settled: true,
        }
    }

    pub fn is_empty(&self) -> bool {
        self.places.is_empty()
    }

    pub fn push(&mut self, closed: Closed<'_>) {
        self.knots.time_s.extend_from_slice(&closed.knot.time_s);
        self.knots.instants.extend_from_slice(&closed.knot.instants);
        self.knots.readings.extend_from_slice(&closed.knot.readings);
        self.states.values.extend_from_slice(closed.row);
        self.places.push(closed.place);
        self.ambiguous.push(self.ambiguous.last().copied().unwrap_or(false));
    }

    /// Says of the newest knot, and so of those to come, whether a distant place is nearly as likely.
    pub fn mark_ambiguous(&mut self, ambiguous: bool) {
        if let Some(newest) = self.ambiguous.last_mut() {
            *newest = ambiguous;
        }
    }

    pub fn newest_row(&self) -> &[f64] {
        self.states.row(self.places.len() - 1)
    }

    pub fn newest_place(&self) -> Position {
        self.states.place(self.places.len() - 1)
    }

    /// What is known of the last knot, from the factored window.
    pub fn newest(&self, setup: &Setup, options: &TrajectoryOptions, chain: &Chain) -> Newest {
        let objective = self.objective(setup, options);
        let last = self.places.len() - 1;
        Newest {
            time_s: self.knots.time_s[last],
            row: self.newest_row().to_vec(),
            covariance: kinematic(chain),
            lasting_mm2: objective.lone_covariance_mm2(&self.states, last) * options.lasting_share,
            least_weight: objective.least_weight(&self.states, last),
        }
    }

    /// How many knots only rows before `until_s` need.
    pub fn older_than(&self, until_s: f64) -> usize {
        self.knots.time_s[1..]
            .iter()
            .take_while(|&&time_s| time_s <= until_s)
            .count()
    }

    /// The model of the window, biases forgetting by the path in its states.
    pub fn objective<'a>(&'a self, setup: &'a Setup, options: &'a TrajectoryOptions) -> Objective<'a> {
        let mut objective =
            Objective::new(setup, options, &self.knots, self.places.clone()).after(self.before.as_ref());
        objective.forget_by_distance(&self.states);
        objective
    }

    /// Descends from where the states are; tells whether that settled.
    pub fn refine(&mut self, setup: &Setup, options: &TrajectoryOptions, chain: &mut Chain) -> bool {
        let mut objective =
            Objective::new(setup, options, &self.knots, self.places.clone()).after(self.before.as_ref());
        self.settled = descend(&mut objective, &mut self.states, chain, options.most_rounds).settled;
        self.settled
    }

    /// Factors the window at its states, and tells what it says of its last knot; `None` where that is open.
    pub fn factor(&self, setup: &Setup, options: &TrajectoryOptions, chain: &mut Chain) -> Option<Before> {
        let objective = self.objective(setup, options);
        objective
            .factor_nearly_undamped(BlurCurvature::LeftOut, &self.states, chain)
            .ok()?;
        objective.up_to_last(&self.states, chain).ok()
    }

    /// Marginalises the first knot.
    pub fn shift(&mut self, setup: &Setup, options: &TrajectoryOptions, chain: &mut Chain) {
        let objective = self.objective(setup, options);
        // Where even this fails nothing was told, and the next knot begins anew.
        self.before = UNDAMPED_OR_NEARLY
            .iter()
            .find_map(|&damping| objective.past_first(&self.states, damping, chain).ok());
        self.knots.time_s.remove(0);
        self.knots.instants.remove(0);
        self.knots.readings.drain(..self.knots.sites);
        self.places.remove(0);
        self.ambiguous.remove(0);
        self.states.values.drain(..self.states.size);
    }

    /// Compares where the window has the capsule with where the cells have it, by the window's readings alone; goes there, and
    /// forgets what came before, where they are surely better explained from there.
    pub fn look_elsewhere(
        &mut self,
        setup: &Setup,
        options: &TrajectoryOptions,
        starts: &[Start],
        chain: &mut Chain,
    ) -> bool {
        let mut objective = Objective::new(setup, options, &self.knots, self.places.clone());
        let mut here = self.states.clone();
        let mut elsewhere = first_states(&self.knots, starts, setup.space().middle_mm(), self.states.size);
        let mut value = |states: &mut States| descend(&mut objective, states, chain, ROUNDS_TO_COMPARE).value;
        let better = value(&mut elsewhere) + SURELY < value(&mut here);
        if better {
            self.states = elsewhere;
            self.before = None;
        }
        better
    }

    /// What is never averaged away at a knot, mm², and what is unusual about it.
    pub fn describe(
        &self,
        objective: &Objective<'_>,
        knot: usize,
        options: &TrajectoryOptions,
    ) -> (Matrix3<f64>, Flags) {
        let lasting_mm2 = objective.lone_covariance_mm2(&self.states, knot) * options.lasting_share;
        let least_weight = objective.least_weight(&self.states, knot);
        (
            lasting_mm2,
            knot_flags(self.ambiguous[knot], least_weight, self.settled),
        )
    }
}

/// The cells beside the window.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::trajectory) struct CellsSoFar {
    /// Distance between cells, mm: other spaces have others.
    pub spacing_mm: f64,
    /// The probability of each cell at the last step.
    pub probability: Vec<f32>,
    /// Time of the last step, s.
    pub last_s: Option<f64>,
    /// Where the capsule was at each step within the window.
    pub starts: Vec<Start>,
    /// The first knot of the window that no step has used.
    pub unused: usize,
    /// Before this the cells are not believed again, s.
    pub not_before_s: f64,
    /// Whether a distant place is nearly as likely now.
    pub ambiguous: bool,
}

impl CellsSoFar {
    pub fn new(cells: usize, spacing_mm: f64) -> Self {
        Self {
            spacing_mm,
            probability: vec![1.0 / cells.max(1) as f32; cells],
            last_s: None,
            starts: Vec::new(),
            unused: 0,
            not_before_s: f64::NEG_INFINITY,
            ambiguous: false,
        }
    }

    /// Takes a step where the unused knots span one.
    pub fn step(&mut self, search: &mut Forward, setup: &Setup, knots: &Knots, knot_s: f64) -> Option<Start> {
        let (first_s, last_s) = (knots.time_s.get(self.unused)?, knots.time_s[knots.len() - 1]);
        if last_s + knot_s < first_s + search.step_s() {
            return None;
        }
        let passed_s = self.last_s.map(|before_s| last_s - before_s);
        let start = search.take(setup, knots, self.unused, passed_s, &mut self.probability);
        self.last_s = Some(start.time_s);
        self.unused = knots.len();
        self.ambiguous = start.ambiguous;
        self.starts.retain(|old| old.time_s >= knots.time_s[0]);
        self.starts.push(start);
        Some(start)
    }

    /// The window's first knot has left it.
    pub fn forget_first(&mut self) {
        self.unused = self.unused.saturating_sub(1);
    }
}
