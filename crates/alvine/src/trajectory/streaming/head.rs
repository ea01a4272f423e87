//! The newest knot, refined at each row given what all knots before it told.

use nalgebra::{Matrix3, SMatrix};

use crate::fix::PositionPrior;
use crate::setup::Setup;
use crate::torso::Position;
use crate::trajectory::descent::{longest_step_mm, step};
use crate::trajectory::instants::{Covariances, Interpolation, PlaceAt};
use crate::trajectory::knots::{Heard, Knots};
use crate::trajectory::motion::MotionPrior;
use crate::trajectory::objective::{Before, BlurCurvature, Objective, States};
use crate::trajectory::options::TrajectoryOptions;
use crate::trajectory::tridiagonal::{Chain, KINEMATIC};

/// The last closed knot, if any, and the one whose readings still come.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::trajectory) struct Head {
    pub told: Option<Told>,
    /// The state of the closed knot, if any, then of the open one, if it has been heard.
    pub states: States,
    pub newest: Option<Newest>,
}

/// What is known of the last closed knot.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::trajectory) struct Told {
    pub time_s: f64,
    pub before: Before,
}

/// What is known now.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::trajectory) struct Newest {
    pub time_s: f64,
    pub row: Vec<f64>,
    pub covariance: SMatrix<f64, KINEMATIC, KINEMATIC>,
    pub lasting_mm2: Matrix3<f64>,
    /// The least weight left to a reading.
    pub least_weight: f64,
}

/// Steps that one row may take, and the gain in log-posterior below which none more is taken.
const MOST_STEPS: usize = 4;
const WORTH: f64 = 0.02;
/// Dampings tried in turn, as [`Objective::factor`] takes them.
const DAMPINGS: [f64; 5] = [0.0, 10.0, 1e3, 1e5, 1e7];

impl Head {
    pub fn new(size: usize) -> Self {
        Self {
            told: None,
            states: States {
                size,
                values: Vec::new(),
            },
            newest: None,
        }
    }

    pub fn is_empty(&self) -> bool {
        self.states.values.is_empty()
    }

    /// Begins at a place, at rest.
    pub fn begin(&mut self, place_mm: &Position, size: usize) {
        self.states.values = vec![0.0; size];
        self.states.values[..3].copy_from_slice(place_mm.as_slice());
    }

    /// Refines the open knot, whose readings so far are the only ones of `knot`.
    pub fn take(
        &mut self,
        setup: &Setup,
        options: &TrajectoryOptions,
        knot: &Knots,
        place: Option<PositionPrior>,
        chain: &mut Chain,
    ) {
        let size = self.states.size;
        let mut knots = knot.clone();
        let mut places = vec![place];
        if let Some(told) = &self.told {
            knots.time_s.insert(0, told.time_s);
            knots.instants.insert(0, (0, 1));
            knots.readings.splice(..0, vec![Heard::default(); knots.sites]);
            places.insert(0, None);
            if self.states.values.len() == size {
                self.states.values.extend_from_within(..);
            }
        }
        let mut objective = Objective::new(setup, options, &knots, places);
        objective = objective.after(self.told.as_ref().map(|told| &told.before));
        objective.forget_by_distance(&self.states);
        if !refine(&objective, &mut self.states, chain) {
            self.newest = None;
            return;
        }
        let newest = knots.len() - 1;
        self.newest = Some(Newest {
            time_s: knots.time_s[newest],
            row: self.states.row(newest).to_vec(),
            covariance: kinematic(chain),
            lasting_mm2: objective.lone_covariance_mm2(&self.states, newest) * options.lasting_share,
            least_weight: objective.least_weight(&self.states, newest),
        });
    }

    /// The open knot is closed, and the window has refined it: its state, and what is known of it.
    pub fn close(&mut self, row: &[f64], told: Option<Before>, newest: Option<Newest>) {
        self.told = told.zip(newest.as_ref()).map(|(before, newest)| Told {
            time_s: newest.time_s,
            before,
        });
        self.states.values.clear();
        self.states.values.extend_from_slice(row);
        self.newest = newest;
    }
}

/// Descends by a few steps; tells whether that left the system factored, undamped or nearly.
fn refine(objective: &Objective<'_>, states: &mut States, chain: &mut Chain) -> bool {
    let mut tried = states.clone();
    let mut value = objective.value(states);
    for _ in 0..MOST_STEPS {
        let mut gain = 0.0;
        let mut used = 0.0;
        for damping in DAMPINGS {
            used = damping;
            if objective.factor(states, damping, chain).is_err() {
                continue;
            }
            step(states, &chain.solve(), longest_step_mm(objective), &mut tried);
            let there = objective.value(&tried);
            if there <= value {
                gain = value - there;
                value = there;
                std::mem::swap(states, &mut tried);
                break;
            }
        }
        if gain < WORTH {
            return used == 0.0
                || objective
                    .factor_nearly_undamped(BlurCurvature::LeftOut, states, chain)
                    .is_ok();
        }
    }
    objective
        .factor_nearly_undamped(BlurCurvature::LeftOut, states, chain)
        .is_ok()
}

/// The covariance of place and velocity at the last knot of a factored system.
pub(super) fn kinematic(chain: &Chain) -> SMatrix<f64, KINEMATIC, KINEMATIC> {
    let covariance = chain.last_covariance();
    SMatrix::from_fn(|row, column| covariance[row * chain.size() + column])
}

impl Newest {
    /// The place at a later time, by the motion prior.
    pub fn place_at(&self, time_s: f64, motion: &MotionPrior) -> PlaceAt {
        let states = States {
            size: self.row.len(),
            values: self.row.clone(),
        };
        Interpolation {
            time_s: &[self.time_s],
            states: &states,
            covariances: &Covariances {
                at: vec![self.covariance],
                with_next: Vec::new(),
            },
            motion,
            motion_weight: &[],
        }
        .at(time_s, 0)
    }
}
