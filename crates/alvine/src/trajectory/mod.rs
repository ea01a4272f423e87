//! The trajectory: the most likely path through the whole recording at once, with everything that is not the path beside it.
//!
//! A fix treats each instant alone. A trajectory is one state at each of many *knots*, a few seconds apart, joined by a
//! prior on motion; the level common to all sites and a bias for each site are part of the state, so that what a turning
//! capsule or the body's shadowing does to many readings in a row is not mistaken for many independent errors, and the
//! covariance of the place carries it. The parts, each a module: *knots* gathers readings, *cells* finds where to start,
//! *rivals* keeps what else would fit, *objective* is the model, *descent* and *tridiagonal* find its most likely states, *instants*
//! goes back to every instant of the recording. Cost and memory are linear in the length of the recording. *streaming* does the same for a recording
//! that is still being made. *blur* averages over where the states may be, where that is wanted. *field* refines a track in shadowing
//! that is fixed in place.

#[cfg(test)]
mod against_scipy;
mod blur;
mod cells;
mod descent;
mod field;
mod instants;
mod knots;
mod motion;
pub(crate) mod objective;
mod options;
mod rivals;
mod streaming;
#[cfg(test)]
pub(crate) mod tests;
pub(crate) mod tridiagonal;

pub use field::{Calibrated, FieldOptions, SelfCalibration};
pub use motion::MotionPrior;
pub use options::{TrajectoryOptions, Wander};
pub use rivals::Rival;
pub use streaming::{
    Live, ResumeError, StateError, StreamingCounts, StreamingError, StreamingOptions, StreamingState,
    StreamingTrajectory,
};

use nalgebra::Matrix3;

use crate::estimator::{EstimateError, TrackEstimator, check_layout};
use crate::fix::PositionPrior;
use crate::layout::FEWEST_SITES;
use crate::loosening::{Loosening, is_loose};
use crate::recording::{Reading, Recording};
use crate::setup::Setup;
use crate::space::Space;
use crate::torso::Position;
use crate::track::{Flags, Track, TrackPoint};
use blur::Blur;
use cells::{Start, Weighed};
use descent::{Descent, descend};
use field::{Refined, refine};
use instants::{Covariances, Interpolation, PlaceAt};
use knots::Knots;
use objective::{BIAS, BlurCurvature, Objective, States};
use tridiagonal::{Chain, NotPositive};

/// The maximum a posteriori trajectory.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Trajectory {
    /// How it is estimated.
    pub options: TrajectoryOptions,
}

impl TrackEstimator for Trajectory {
    fn name(&self) -> &'static str {
        "trajectory"
    }

    fn estimate(
        &self,
        setup: &Setup,
        recording: &Recording,
        loosenings: &[Loosening],
        progress: &(dyn Fn(f64) + Sync),
    ) -> Result<Track, EstimateError> {
        let mut passes = self.begin(setup, recording, loosenings)?;
        progress(0.2);
        let track = passes.track(&|_| None, Instants::All);
        progress(1.0);
        Ok(track)
    }
}

impl Trajectory {
    /// Gathers a recording and finds where to start, for one pass or several over the same recording. `loosenings` are spans in
    /// which a site is not to be trusted.
    ///
    /// # Errors
    ///
    /// [`EstimateError::OtherLayout`] when the recording has other sites than the setup.
    pub fn begin<'a>(
        &'a self,
        setup: &'a Setup,
        recording: &'a Recording,
        loosenings: &'a [Loosening],
    ) -> Result<Passes<'a>, EstimateError> {
        check_layout(setup, recording)?;
        let knots = Knots::gather(setup, recording, self.options.knot_s, |site, time_s| {
            !is_loose(loosenings, site, time_s)
        });
        let cells = cells::weigh(setup, &knots, &self.options);
        let from: &[Start] = if self.options.global_start { &cells.starts } else { &[] };
        let states = first_states(&knots, from, setup.space().middle_mm(), BIAS + setup.layout.len());
        Ok(Passes {
            setup,
            recording,
            loosenings,
            options: &self.options,
            knots,
            cells,
            states,
        })
    }
}

/// The instants at which a track has points.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Instants {
    /// Every instant of the recording.
    All,
    /// The one in the middle of each knot's readings: enough to tell phases by.
    Knots,
}

/// One or several passes over a recording, each beginning where the last one ended.
#[derive(Debug, Clone)]
pub struct Passes<'a> {
    setup: &'a Setup,
    recording: &'a Recording,
    loosenings: &'a [Loosening],
    options: &'a TrajectoryOptions,
    knots: Knots,
    cells: Weighed,
    states: States,
}

impl Passes<'_> {
    /// The most likely track. `place` is what is known beforehand of the place at a time, s: where the gut, or the part of it that
    /// the capsule is in, usually lies; `None` where only the torso bounds it. Empty where nothing can be said.
    pub fn track(&mut self, place: &dyn Fn(f64) -> Option<PositionPrior>, instants: Instants) -> Track {
        self.solve(place, instants, None).0
    }

    /// Moves to the most likely path for the next pass to begin from, as [`Passes::track`] does, and tells nothing of it.
    pub fn draw(&mut self, place: &dyn Fn(f64) -> Option<PositionPrior>) {
        if self.knots.len() == 0 {
            return;
        }
        let mut objective = objective_about(self.setup, self.options, &self.knots, place);
        let mut chain = Chain::new(objective.size());
        // States without a covariance are where the descent left them: a track from there says so.
        let _ = settle(&mut objective, &mut self.states, &mut chain, self.options);
    }

    /// As [`Passes::track`] at every instant, and then refined in a field fixed in place, wherever something is known of the place
    /// beforehand; with what the recording says of the law and the sites. That is `None` where nothing could be refined.
    pub fn track_in_field(
        &mut self,
        place: &dyn Fn(f64) -> Option<PositionPrior>,
        field: &FieldOptions,
    ) -> (Track, Option<SelfCalibration>) {
        self.solve(place, Instants::All, Some(field))
    }

    /// Places far from points of a track of this recording, in the order of time, that fit nearly as well, given what is known
    /// beforehand of the place.
    #[must_use]
    pub fn rivals(&self, place: &dyn Fn(f64) -> Option<PositionPrior>, points: &[TrackPoint]) -> Vec<Rival> {
        rivals::rivals(&self.cells, points, place)
    }

    fn solve(
        &mut self,
        place: &dyn Fn(f64) -> Option<PositionPrior>,
        instants: Instants,
        field: Option<&FieldOptions>,
    ) -> (Track, Option<SelfCalibration>) {
        if self.knots.len() == 0 {
            return Default::default();
        }
        let mut objective = objective_about(self.setup, self.options, &self.knots, place);
        let mut chain = Chain::new(objective.size());
        // States that are no numbers have no covariance, and then nothing can be said of the place.
        let Ok(end) = settle(&mut objective, &mut self.states, &mut chain, self.options) else {
            return Default::default();
        };
        let refined = field.map_or_else(Refined::default, |field| self.refine(field, objective.places()));
        let covariances = Covariances::of(&mut chain);
        drop(chain);
        let found = Found {
            setup: self.setup,
            recording: self.recording,
            loosenings: self.loosenings,
            options: self.options,
            knots: &self.knots,
            starts: &self.cells.starts,
            objective: &objective,
            states: &self.states,
            covariances: &covariances,
            refined: &refined,
            settled: end.settled,
        };
        (found.track(instants), refined.calibration)
    }

    fn refine(&self, field: &FieldOptions, priors: &[Option<PositionPrior>]) -> Refined {
        let places_mm: Vec<Position> = (0..self.knots.len()).map(|knot| self.states.place(knot)).collect();
        refine(self.setup, field, &self.knots, self.options, &places_mm, priors)
    }
}

/// The objective, with what is known beforehand of the place at each knot.
fn objective_about<'a>(
    setup: &'a Setup,
    options: &'a TrajectoryOptions,
    knots: &'a Knots,
    place: &dyn Fn(f64) -> Option<PositionPrior>,
) -> Objective<'a> {
    let places = knots.time_s.iter().map(|&time_s| place(time_s)).collect();
    Objective::new(setup, options, knots, places)
}

/// Descends, as often as blurs are wanted, and leaves the system factored at the end.
fn settle(
    objective: &mut Objective<'_>,
    states: &mut States,
    chain: &mut Chain,
    options: &TrajectoryOptions,
) -> Result<Descent, NotPositive> {
    let mut end = descend(objective, states, chain, options.most_rounds);
    for _ in 0..options.blurs {
        objective.factor_nearly_undamped(BlurCurvature::Counted, states, chain)?;
        objective.blur(Blur::of(chain, states.size - BIAS));
        end = descend(objective, states, chain, options.most_rounds);
    }
    objective.factor_nearly_undamped(BlurCurvature::LeftOut, states, chain)?;
    Ok(end)
}

/// States at the knots on straight lines between the starting places, at rest; all at `otherwise_mm` where there are none.
fn first_states(knots: &Knots, starts: &[Start], otherwise_mm: Position, size: usize) -> States {
    let mut values = vec![0.0; knots.len() * size];
    for (row, &time_s) in values.chunks_exact_mut(size).zip(&knots.time_s) {
        let next = starts.partition_point(|start| start.time_s <= time_s);
        let place = match (next.checked_sub(1).map(|last| &starts[last]), starts.get(next)) {
            (Some(last), Some(next)) => {
                let share = (time_s - last.time_s) / (next.time_s - last.time_s);
                last.place_mm.lerp(&next.place_mm, share)
            }
            (Some(only), None) | (None, Some(only)) => only.place_mm,
            (None, None) => otherwise_mm,
        };
        row[..3].copy_from_slice(place.as_slice());
    }
    States { size, values }
}

/// Everything that a track is made from.
struct Found<'a> {
    setup: &'a Setup,
    recording: &'a Recording,
    loosenings: &'a [Loosening],
    options: &'a TrajectoryOptions,
    knots: &'a Knots,
    starts: &'a [Start],
    objective: &'a Objective<'a>,
    states: &'a States,
    covariances: &'a Covariances,
    refined: &'a Refined,
    settled: bool,
}

/// A reading with less than this weight left makes its block an outlier.
const OUTLIER_WEIGHT: f64 = 0.2;

/// What is unusual about a knot.
fn knot_flags(ambiguous: bool, least_weight: f64, settled: bool) -> Flags {
    let named = [
        (ambiguous, Flags::AMBIGUOUS),
        (least_weight < OUTLIER_WEIGHT, Flags::OUTLIER),
        (!settled, Flags::UNSETTLED),
    ];
    let holding = named.into_iter().filter(|&(holds, _)| holds);
    holding.fold(Flags::NONE, |all, (_, flag)| all | flag)
}

impl Found<'_> {
    fn track(&self, instants: Instants) -> Track {
        let motion_weight = self.motion_weights();
        let interpolation = Interpolation {
            time_s: &self.knots.time_s,
            states: self.states,
            covariances: self.covariances,
            motion: &self.options.motion,
            motion_weight: &motion_weight,
        };
        // Only where nothing was refined, and then for every instant of a knot.
        let mut lasting_mm2 = vec![None; self.knots.len()];
        let knot_flags = self.knot_flags();
        let mut points = Vec::new();
        let mut knot = 0;
        self.for_each_instant(instants, |instant, time_s| {
            while knot + 1 < self.knots.len() && self.knots.time_s[knot + 1] <= time_s {
                knot += 1;
            }
            if away_s(&self.knots.time_s, knot, time_s, self.options.knot_s) > self.options.longest_bridge_s {
                return;
            }
            let estimated = interpolation.at(time_s, knot);
            let place = match self.refined.at(&self.knots.time_s, knot, time_s) {
                Some(shift) => shift.of(&estimated),
                None => estimated.widened(lasting_mm2[knot].get_or_insert_with(|| self.lasting_mm2(knot))),
            };
            let (sites_used, flags) = self.heard(instant, time_s);
            let remarks = Remarks {
                instant,
                time_s,
                sites_used,
                flags: flags | knot_flags[knot],
            };
            points.push(remarks.point(&self.setup.space(), &place));
        });
        Track { points }
    }

    fn for_each_instant(&self, instants: Instants, mut visit: impl FnMut(usize, f64)) {
        let time_s = self.recording.time_s();
        match instants {
            Instants::All => (0..time_s.len()).for_each(|instant| visit(instant, time_s[instant])),
            Instants::Knots => {
                for &(first, end) in &self.knots.instants {
                    let middle = (first + end - 1) / 2;
                    visit(middle, time_s[middle]);
                }
            }
        }
    }

    fn motion_weights(&self) -> Vec<f64> {
        let links = self.knots.len().saturating_sub(1);
        (0..links)
            .map(|link| self.objective.motion_weight(self.states, link))
            .collect()
    }

    /// The part of a knot's covariance that is never averaged away, mm².
    fn lasting_mm2(&self, knot: usize) -> Matrix3<f64> {
        self.objective.lone_covariance_mm2(self.states, knot) * self.options.lasting_share
    }

    fn knot_flags(&self) -> Vec<Flags> {
        let mut step = 0;
        (0..self.knots.len())
            .map(|knot| {
                while step + 1 < self.starts.len() && self.starts[step + 1].time_s <= self.knots.time_s[knot] {
                    step += 1;
                }
                let least_weight = self.objective.least_weight(self.states, knot);
                knot_flags(self.starts[step].ambiguous, least_weight, self.settled)
            })
            .collect()
    }

    fn heard(&self, instant: usize, time_s: f64) -> (u16, Flags) {
        let row = self.recording.row(instant);
        heard(self.setup, row.iter().copied(), |site| {
            is_loose(self.loosenings, site, time_s)
        })
    }
}

/// Time from an instant to the block of the nearest knot, s; `knot` is the last one at or before it, or the first one.
fn away_s(knots_s: &[f64], knot: usize, time_s: f64, knot_s: f64) -> f64 {
    let before_s = (time_s - knots_s[knot]).abs();
    let after_s = knots_s.get(knot + 1).map_or(f64::INFINITY, |next_s| next_s - time_s);
    before_s.min(after_s) - 0.5 * knot_s
}

/// How many sites' readings told of one instant, and what was unusual about them.
fn heard(setup: &Setup, levels: impl Iterator<Item = f32>, left_out: impl Fn(usize) -> bool) -> (u16, Flags) {
    let (mut heard, mut below) = (0_u16, 0_u16);
    let mut flags = Flags::NONE;
    for (site, level) in levels.enumerate() {
        if left_out(site) {
            flags |= Flags::LOOSE_SITE;
            continue;
        }
        match setup.receiver.read(level) {
            Reading::Heard(_) => heard += 1,
            Reading::Saturated(_) => {
                heard += 1;
                flags |= Flags::SATURATED;
            }
            Reading::BelowFloor(_) => below += 1,
            Reading::Missing => {}
        }
    }
    if heard == 0 {
        return (0, flags | Flags::BRIDGED);
    }
    if heard < FEWEST_SITES as u16 {
        flags |= Flags::FEW_SITES;
    }
    (heard + below, flags)
}

/// An instant, and what was unusual about it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Remarks {
    instant: usize,
    time_s: f64,
    sites_used: u16,
    flags: Flags,
}

impl Remarks {
    fn point(&self, space: &Space, place: &PlaceAt) -> TrackPoint {
        let edge = if space.radial(&place.position_mm) > EDGE_FROM {
            Flags::EDGE
        } else {
            Flags::NONE
        };
        TrackPoint {
            instant: self.instant,
            time_s: self.time_s,
            position_mm: space.clamp(&place.position_mm, 1.0),
            covariance_mm2: place.covariance_mm2,
            sites_used: self.sites_used,
            flags: self.flags | edge,
        }
    }
}

/// A place this far out is at the edge.
const EDGE_FROM: f64 = 0.985;
