//! Where a trajectory starts: a filter over coarse cells inside the torso, forward and backward.
//!
//! The objective of a trajectory has many minima: sites lie nearly in one sheet, so that a place has a mirror image, and
//! far sites below the floor leave flat valleys. Over cells all of them are weighed at once: with the probability that the
//! capsule moves from cell to cell, forward and backward sums give the probability of each cell at each step from all
//! readings before and after. Neighbouring steps share their shadowing, so that their likelihoods are flattened.

use super::knots::{Heard, Knots};
use super::options::TrajectoryOptions;
use crate::fix::{FixOptions, Level, Scores, StartGrid};
use crate::recording::Reading;
use crate::setup::Setup;
use crate::space::Space;
use crate::torso::Position;

/// Distance between cells, in units of the space's size: some 700 cells.
const SPACING: f64 = 0.115;
/// From one step to the next the capsule wanders by this much along each axis, in units of the distance between cells.
const WANDER: f64 = 0.7;
/// No step holds more knots.
const MOST_KNOTS: f64 = 16.0;
/// Share of the probability that leaps anywhere in a step.
const LEAP: f32 = 1e-4;
/// Variance of a reading is multiplied by this, as neighbouring steps share their shadowing.
const FLATTENED: f64 = 6.0;
/// Cells within this of the likeliest belong to the same hypothesis, in units of the distance between cells.
const TOGETHER: f64 = 2.35;
/// A place is ambiguous when this much of the probability lies further away.
const AMBIGUOUS: f64 = 0.35;

/// A starting place at a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Start {
    pub time_s: f64,
    pub place_mm: Position,
    /// Whether a distant place is nearly as likely.
    pub ambiguous: bool,
}

/// How likely each cell is at each step, from the signal alone.
#[derive(Debug, Clone)]
pub(super) struct Weighed {
    /// The starting places, one a step, in order of time.
    pub starts: Vec<Start>,
    /// The cells' places, mm.
    pub places_mm: Vec<Position>,
    /// Places within this of each other belong to the same hypothesis, mm.
    pub together_mm: f64,
    /// Time between steps, s.
    pub step_s: f64,
    /// Steps × cells.
    probabilities: Vec<f32>,
}

impl Weighed {
    /// The cells' probabilities at a step.
    pub fn probabilities(&self, step: usize) -> &[f32] {
        let cells = self.places_mm.len();
        &self.probabilities[step * cells..(step + 1) * cells]
    }
}

/// Weighs the cells over a whole recording.
pub(super) fn weigh(setup: &Setup, knots: &Knots, options: &TrajectoryOptions) -> Weighed {
    let weighing = Weighing::new(setup, options);
    let measures = weighing.measures;
    let cells = Cells::new(weighing.grid.places_mm(), measures);
    let steps = steps(knots, measures.step_s);
    let mut likelihoods = Vec::with_capacity(steps.len() * cells.len());
    let mut scores = weighing.grid.scores();
    let mut weights = vec![0.0; cells.len()];
    for step in &steps {
        weighing.weigh(&readings(setup, knots, step), &mut scores, &mut weights);
        likelihoods.extend_from_slice(&weights);
    }
    let probabilities = cells.forward_backward(&likelihoods, &steps);
    let starts = steps
        .iter()
        .zip(probabilities.chunks_exact(cells.len().max(1)))
        .map(|(step, probability)| start(step.time_s, probability, weighing.grid.places_mm(), measures))
        .collect();
    Weighed {
        starts,
        places_mm: weighing.grid.places_mm().to_vec(),
        together_mm: measures.together_mm(),
        step_s: measures.step_s,
        probabilities,
    }
}

/// How wide cells are and how long a step lasts: as long as it takes to wander from cell to cell.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Measures {
    spacing_mm: f64,
    wander_mm: f64,
    step_s: f64,
}

impl Measures {
    fn new(space: &Space, options: &TrajectoryOptions) -> Self {
        let spacing_mm = SPACING * space.size_mm();
        let wanted_mm = WANDER * spacing_mm;
        let (mut shortest_s, mut longest_s) = (options.knot_s, MOST_KNOTS * options.knot_s);
        if options.motion.wander_mm(longest_s) > wanted_mm {
            // Wandering grows with time, so that halving finds it; to a part in a thousand is plenty.
            for _ in 0..14 {
                let middle_s = 0.5 * (shortest_s + longest_s);
                if options.motion.wander_mm(middle_s) > wanted_mm {
                    longest_s = middle_s;
                } else {
                    shortest_s = middle_s;
                }
            }
        }
        Self {
            spacing_mm,
            wander_mm: wanted_mm.max(options.motion.wander_mm(longest_s)).min(spacing_mm),
            step_s: longest_s,
        }
    }

    fn together_mm(&self) -> f64 {
        TOGETHER * self.spacing_mm
    }
}

/// Tells how likely readings are from each cell.
#[derive(Debug, Clone)]
struct Weighing {
    measures: Measures,
    grid: StartGrid,
    spread_db: f64,
    level: Level,
}

impl Weighing {
    fn new(setup: &Setup, options: &TrajectoryOptions) -> Self {
        let measures = Measures::new(&setup.space(), options);
        let grid = FixOptions {
            start_spacing_mm: measures.spacing_mm,
            ..FixOptions::default()
        };
        let flattened_db = FLATTENED.sqrt() * setup.noise.total_db(setup.receiver.step_db());
        Self {
            measures,
            grid: StartGrid::new(setup, &grid),
            spread_db: flattened_db.hypot(options.mounting_db),
            level: Level::Unknown {
                prior_db: Some(options.slow_level.spread_db.hypot(options.fast_level.spread_db)),
            },
        }
    }

    /// The likelihood of each cell, in units of the likeliest one's, into `weights`; `scores` is working space.
    fn weigh(&self, readings: &[Reading], scores: &mut Scores, weights: &mut [f32]) {
        self.grid.score(readings, self.spread_db, self.level, scores);
        let scores = scores.as_slice();
        let least = scores.iter().copied().fold(f32::INFINITY, f32::min);
        for (weight, score) in weights.iter_mut().zip(scores) {
            *weight = (least - score).exp();
        }
    }
}

/// The same filter run forward only, a step at a time, for a recording that is still being made.
#[derive(Debug, Clone)]
pub(super) struct Forward {
    weighing: Weighing,
    cells: Cells,
    scores: Scores,
    weights: Vec<f32>,
    spare: Vec<f32>,
}

impl Forward {
    pub fn new(setup: &Setup, options: &TrajectoryOptions) -> Self {
        let weighing = Weighing::new(setup, options);
        let cells = Cells::new(weighing.grid.places_mm(), weighing.measures);
        let (weights, spare) = (vec![0.0; cells.len()], vec![0.0; cells.len()]);
        Self {
            scores: weighing.grid.scores(),
            weighing,
            cells,
            weights,
            spare,
        }
    }

    /// Number of cells.
    pub fn len(&self) -> usize {
        self.cells.len()
    }

    /// Distance between them, mm.
    pub fn spacing_mm(&self) -> f64 {
        self.weighing.measures.spacing_mm
    }

    /// Time between steps, s.
    pub fn step_s(&self) -> f64 {
        self.weighing.measures.step_s
    }

    /// Whether the cells are sure of a place, and it is not this one.
    pub fn disagrees(&self, start: &Start, place_mm: &Position) -> bool {
        !start.ambiguous && (start.place_mm - place_mm).norm() > self.weighing.measures.together_mm()
    }

    /// Passes each cell's `probability` on over `passed_s` (none before the first step) and weighs the readings of the knots
    /// from `first` on as one step.
    pub fn take(
        &mut self,
        setup: &Setup,
        knots: &Knots,
        first: usize,
        passed_s: Option<f64>,
        probability: &mut Vec<f32>,
    ) -> Start {
        if let Some(passed_s) = passed_s {
            self.cells.pass_over(passed_s, probability, &mut self.spare);
        }
        let step = Step {
            time_s: knots.time_s[knots.len() - 1],
            knots: first..knots.len(),
        };
        self.weighing
            .weigh(&readings(setup, knots, &step), &mut self.scores, &mut self.weights);
        probability
            .iter_mut()
            .zip(&self.weights)
            .for_each(|(here, l)| *here *= l);
        normalise(probability);
        start(
            step.time_s,
            probability,
            self.weighing.grid.places_mm(),
            self.weighing.measures,
        )
    }
}

/// Some knots in a row, seen as one.
struct Step {
    time_s: f64,
    knots: std::ops::Range<usize>,
}

fn steps(knots: &Knots, step_s: f64) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut first = 0;
    while first < knots.len() {
        let end = knots
            .time_s
            .partition_point(|&time_s| time_s < knots.time_s[first] + step_s);
        let time_s = knots.time_s[first..end].iter().sum::<f64>() / (end - first) as f64;
        steps.push(Step {
            time_s,
            knots: first..end,
        });
        first = end;
    }
    steps
}

/// One reading a site for a whole step: what most of its readings were.
fn readings(setup: &Setup, knots: &Knots, step: &Step) -> Vec<Reading> {
    (0..knots.sites)
        .map(|site| {
            let Heard {
                heard,
                mean_dbm,
                below,
                saturated,
            } = knots.together(step.knots.clone(), site);
            if heard > 0 && heard >= below.max(saturated) {
                Reading::Heard(mean_dbm)
            } else if saturated > below {
                Reading::Saturated(setup.receiver.ceiling_dbm().unwrap_or(f64::INFINITY))
            } else if below > 0 {
                Reading::BelowFloor(setup.receiver.floor_dbm())
            } else {
                Reading::Missing
            }
        })
        .collect()
}

/// The mean about the likeliest cell.
fn start(time_s: f64, probability: &[f32], places_mm: &[Position], measures: Measures) -> Start {
    let likeliest = probability
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))
        .map_or_else(Position::zeros, |(cell, _)| places_mm[cell]);
    let together_mm = measures.together_mm();
    let (mut near, mut far, mut sum) = (0.0, 0.0, Position::zeros());
    for (&share, place_mm) in probability.iter().zip(places_mm) {
        let share = f64::from(share);
        if (place_mm - likeliest).norm_squared() < together_mm * together_mm {
            near += share;
            sum += place_mm * share;
        } else {
            far += share;
        }
    }
    Start {
        time_s,
        place_mm: if near > 0.0 { sum / near } else { likeliest },
        ambiguous: far > AMBIGUOUS * (near + far),
    }
}

/// The cells and how probability passes between them.
#[derive(Debug, Clone)]
struct Cells {
    step_s: f64,
    /// Each cell's neighbours with the share that passes to each.
    neighbours: Vec<Vec<(u32, f32)>>,
    /// The share that stays.
    stays: Vec<f32>,
}

impl Cells {
    fn new(places_mm: &[Position], measures: Measures) -> Self {
        let reach_mm = 1.5 * measures.spacing_mm;
        let weight = |squared: f64| (-0.5 * squared / (measures.wander_mm * measures.wander_mm)).exp();
        // What all neighbours of an inner cell get; near the wall less leaves, and more stays.
        let mut neighbours: Vec<Vec<(u32, f32)>> = Vec::with_capacity(places_mm.len());
        for (cell, place_mm) in places_mm.iter().enumerate() {
            neighbours.push(
                places_mm
                    .iter()
                    .enumerate()
                    .filter(|&(other, _)| other != cell)
                    .map(|(other, other_mm)| (other as u32, (other_mm - place_mm).norm_squared()))
                    .filter(|&(_, squared)| squared < reach_mm * reach_mm)
                    .map(|(other, squared)| (other, weight(squared) as f32))
                    .collect(),
            );
        }
        let sums: Vec<f32> = neighbours
            .iter()
            .map(|of| 1.0 + of.iter().map(|(_, weight)| weight).sum::<f32>())
            .collect();
        let most = sums.iter().copied().fold(1.0, f32::max);
        for of in &mut neighbours {
            for (_, weight) in of {
                *weight /= most;
            }
        }
        let stays = sums.iter().map(|sum| 1.0 - (sum - 1.0) / most).collect();
        Self {
            step_s: measures.step_s,
            neighbours,
            stays,
        }
    }

    fn len(&self) -> usize {
        self.neighbours.len()
    }

    /// One step's passing from `from` into `to`; the passing is symmetric, so that it serves both ways.
    fn pass(&self, from: &[f32], to: &mut [f32]) {
        let leap = LEAP * from.iter().sum::<f32>() / from.len() as f32;
        for ((to, (neighbours, stays)), here) in to.iter_mut().zip(self.neighbours.iter().zip(&self.stays)).zip(from) {
            let arriving: f32 = neighbours
                .iter()
                .map(|&(other, weight)| weight * from[other as usize])
                .sum();
            *to = leap + (1.0 - LEAP) * (stays * here + arriving);
        }
    }

    /// Passes as often as the time between two steps asks for.
    fn pass_over(&self, between_s: f64, from: &mut Vec<f32>, to: &mut Vec<f32>) {
        /// After this many the probability is spread far enough.
        const MOST: f64 = 40.0;
        let times = (between_s / self.step_s).round().clamp(1.0, MOST) as usize;
        for _ in 0..times {
            self.pass(from, to);
            std::mem::swap(from, to);
        }
    }

    /// The probability of each cell at each step, steps × cells.
    fn forward_backward(&self, likelihoods: &[f32], steps: &[Step]) -> Vec<f32> {
        let cells = self.len();
        if cells == 0 || steps.is_empty() {
            return Vec::new();
        }
        let mut probabilities = Vec::with_capacity(likelihoods.len());
        let (mut here, mut spare) = (vec![1.0 / cells as f32; cells], vec![0.0; cells]);
        for (index, likelihood) in likelihoods.chunks_exact(cells).enumerate() {
            if index > 0 {
                self.pass_over(steps[index].time_s - steps[index - 1].time_s, &mut here, &mut spare);
            }
            here.iter_mut().zip(likelihood).for_each(|(here, l)| *here *= l);
            normalise(&mut here);
            probabilities.extend_from_slice(&here);
        }
        here.fill(1.0);
        for index in (0..steps.len()).rev() {
            let rows = index * cells..(index + 1) * cells;
            for (probability, later) in probabilities[rows.clone()].iter_mut().zip(&here) {
                *probability *= later;
            }
            normalise(&mut probabilities[rows.clone()]);
            if index > 0 {
                here.iter_mut().zip(&likelihoods[rows]).for_each(|(here, l)| *here *= l);
                normalise(&mut here);
                self.pass_over(steps[index].time_s - steps[index - 1].time_s, &mut here, &mut spare);
            }
        }
        probabilities
    }
}

/// Scales to a sum of one; to equal shares where nothing is left.
fn normalise(shares: &mut [f32]) {
    let sum: f32 = shares.iter().sum();
    if sum > 0.0 && sum.is_finite() {
        shares.iter_mut().for_each(|share| *share /= sum);
    } else {
        let equal = 1.0 / shares.len() as f32;
        shares.fill(equal);
    }
}
