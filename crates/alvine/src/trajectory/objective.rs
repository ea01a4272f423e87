//! The objective of a trajectory: the negative log-posterior of the states at all knots.
//!
//! ```text
//! xₖ = (p, v, s, f, b₁ … b_N)   place, velocity, slow and fast level, one bias a site
//! μᵢ = P₀ + gᵢ + s + f + bᵢ − L(|p − aᵢ|)
//! −ln posterior = Σₖᵢ readings of site i at knot k | μᵢ + Σₖ moves xₖ → xₖ₊₁ + priors + wall
//! ```
//!
//! Heard means have variance σ²/n + u² and count by Student's t, censored readings by the probability of being censored; moves
//! count by the motion prior, levels and biases as Ornstein–Uhlenbeck processes. A bias forgets with the distance moved, as
//! shadowing is fixed in place and not in time.

use std::ops::Range;

use nalgebra::{Matrix2, Matrix3, Vector3};

use super::blur::{Blur, Blurred};
use super::knots::{Heard, Knots};
use super::options::{TrajectoryOptions, Wander};
use super::tridiagonal::{Chain, KINEMATIC, Motion, NotPositive};
use crate::bounds::{BoundOptions, fisher_information};
use crate::fix::{Level, PositionPrior, Region, bounded_covariance_mm2, one_sided};
use crate::propagation::{NEAREST_MM, Propagation};
use crate::setup::Setup;
use crate::torso::Position;

/// Where each part of a state begins.
pub(crate) const SLOW: usize = KINEMATIC;
pub(crate) const FAST: usize = KINEMATIC + 1;
pub(crate) const BIAS: usize = KINEMATIC + 2;

/// The states at all knots, knots × size.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct States {
    pub size: usize,
    pub values: Vec<f64>,
}

impl States {
    pub fn row(&self, knot: usize) -> &[f64] {
        &self.values[knot * self.size..(knot + 1) * self.size]
    }

    pub fn place(&self, knot: usize) -> Position {
        Position::from_column_slice(&self.row(knot)[..3])
    }
}

/// What knots that are no longer held told of the first one that is.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Before {
    /// The state that they leave as the most likely.
    pub mean: Vec<f64>,
    /// The inverse of its covariance, size × size.
    pub information: Vec<f64>,
    /// How much of each bias was kept on the way to it, 0 to 1.
    pub keep: f64,
    /// Whether the first knot's own readings and place are part of this already.
    pub with_own: bool,
    /// Time, s, and place of knots before the first, as far back as a path is averaged.
    pub path: Vec<(f64, Position)>,
}

/// One link of the chain: how state k leads to k + 1.
#[derive(Debug, Clone, Copy)]
struct Link {
    transition: Matrix2<f64>,
    /// Inverse of the motion's covariance, one axis.
    information: Matrix2<f64>,
    slow: Step,
    fast: Step,
    bias: Step,
}

/// Dampings to try for a covariance, in turn, as [`Objective::factor`] takes them.
pub(super) const UNDAMPED_OR_NEARLY: [f64; 3] = [0.0, 0.1, 10.0];

/// One step of an Ornstein–Uhlenbeck process: `x' = keep · x + w`, `cov w = 1 / information`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Step {
    pub keep: f64,
    pub information: f64,
}

/// No process forgets less than this much variance in a step, dB²: what is known must stay finite.
pub(crate) const LEAST_VARIANCE: f64 = 1e-6;

impl Step {
    /// Over `lapse` times the memory.
    pub fn new(spread_db: f64, lapse: f64) -> Self {
        let keep = (-lapse).exp();
        let variance = -spread_db * spread_db * (-2.0 * lapse).exp_m1();
        Self {
            keep,
            information: 1.0 / variance.max(LEAST_VARIANCE),
        }
    }
}

/// The objective of one recording.
pub(super) struct Objective<'a> {
    setup: &'a Setup,
    options: &'a TrajectoryOptions,
    knots: &'a Knots,
    region: Region,
    /// The size of the space that is searched, mm.
    pub size_mm: f64,
    /// What is known of each site's bias beforehand, dB.
    bias_mean_db: Vec<f64>,
    /// What is known of the place at each knot beforehand, beyond that it is inside the torso.
    places: Vec<Option<PositionPrior>>,
    links: Vec<Link>,
    sample_variance: f64,
    unmodelled_variance: f64,
    bias_spread_db: f64,
    limits: Limits,
    before: Option<&'a Before>,
    blur: Option<Blur>,
}

/// Where readings are censored, half a step of quantisation inside the receiver's limits.
#[derive(Debug, Clone, Copy)]
struct Limits {
    floor_dbm: f64,
    ceiling_dbm: f64,
}

impl<'a> Objective<'a> {
    pub fn new(
        setup: &'a Setup,
        options: &'a TrajectoryOptions,
        knots: &'a Knots,
        places: Vec<Option<PositionPrior>>,
    ) -> Self {
        let step_db = setup.receiver.step_db();
        let half_step_db = 0.5 * step_db.unwrap_or(0.0);
        let mut objective = Self {
            setup,
            options,
            knots,
            region: Region::new(&setup.space()),
            size_mm: setup.space().size_mm(),
            bias_mean_db: vec![0.0; knots.sites],
            places,
            links: Vec::new(),
            sample_variance: setup.noise.sample_db(step_db).powi(2),
            unmodelled_variance: (options.unmodelled_share * setup.noise.shadowing_db()).powi(2),
            bias_spread_db: setup.noise.shadowing_db().hypot(options.mounting_db),
            limits: Limits {
                floor_dbm: setup.receiver.floor_dbm() + half_step_db,
                ceiling_dbm: setup.receiver.ceiling_dbm().unwrap_or(f64::INFINITY) - half_step_db,
            },
            before: None,
            blur: None,
        };
        objective.links = (1..knots.len())
            .map(|knot| objective.link(knots.time_s[knot] - knots.time_s[knot - 1], 0.0))
            .collect();
        objective
    }

    /// What is known of the place at each knot beforehand.
    pub fn places(&self) -> &[Option<PositionPrior>] {
        &self.places
    }

    /// Averages over a blur from now on.
    pub fn blur(&mut self, blur: Blur) {
        self.blur = Some(blur);
    }

    /// With what earlier knots told in place of what is known of a state beforehand.
    pub fn after(mut self, before: Option<&'a Before>) -> Self {
        self.before = before;
        self
    }

    /// Whether a descent should end only by a step that is hardly damped.
    pub fn settles_undamped(&self) -> bool {
        self.options.settle_undamped
    }

    /// Numbers in a state.
    pub fn size(&self) -> usize {
        BIAS + self.knots.sites
    }

    fn link(&self, step_s: f64, moved_mm: f64) -> Link {
        let level = |wander: &Wander| Step::new(wander.spread_db, step_s / wander.memory);
        let noise = self.options.motion.noise(step_s);
        Link {
            transition: self.options.motion.transition(step_s),
            information: noise.try_inverse().unwrap_or_else(Matrix2::zeros),
            slow: level(&self.options.slow_level),
            fast: level(&self.options.fast_level),
            bias: Step::new(self.bias_spread_db, lapse(self.options, moved_mm)),
        }
    }

    /// Lets each bias forget by how far the capsule moves from knot to knot in these states.
    ///
    /// What counts is the path averaged over a minute or two: shadowing is a field in space, so that a capsule which goes to
    /// and fro about one place hears the same of it again and again.
    pub fn forget_by_distance(&mut self, states: &States) {
        let path = self.before.map_or(&[][..], |before| &before.path);
        let moved_mm = moved_mm(path, &self.knots.time_s, self.options.averaged_s, |knot| {
            states.place(knot)
        });
        for (link, moved_mm) in self.links.iter_mut().zip(moved_mm) {
            link.bias = Step::new(self.bias_spread_db, lapse(self.options, moved_mm));
        }
    }

    /// The objective.
    pub fn value(&self, states: &States) -> f64 {
        let mut sum = self.first_value(states.row(0));
        for knot in 0..self.knots.len() {
            let row = states.row(knot);
            if self.has_own(knot) {
                self.for_each_reading(knot, row, |_, reading| sum += reading.term.value);
                sum += self.place_value(knot, &states.place(knot));
            }
            if knot > 0 {
                sum += self.move_value(&self.links[knot - 1], states.row(knot - 1), row);
            }
        }
        sum
    }

    /// Factors the damped Gauss–Newton system at these states; its solution is the step. Damping is in units of the inverse square
    /// of the space's size.
    ///
    /// # Errors
    ///
    /// [`NotPositive`] where it is not positive definite.
    pub fn factor(&self, states: &States, damping: f64, chain: &mut Chain) -> Result<(), NotPositive> {
        self.factor_with(BlurCurvature::Counted, states, damping, chain)
    }

    fn factor_with(
        &self,
        curvature: BlurCurvature,
        states: &States,
        damping: f64,
        chain: &mut Chain,
    ) -> Result<(), NotPositive> {
        let size = self.size();
        chain.clear();
        let (mut block, mut right) = (vec![0.0; size * size], vec![0.0; size]);
        let (mut next_block, mut next_right) = (vec![0.0; size * size], vec![0.0; size]);
        let mut coupling: Option<(Motion, Vec<f64>)> = None;
        self.add_first(states.row(0), &mut block, &mut right);
        for knot in 0..self.knots.len() {
            let row = states.row(knot);
            self.add_own(curvature, knot, states, &mut block, &mut right);
            next_block.fill(0.0);
            next_right.fill(0.0);
            let mut onward = None;
            if knot + 1 < self.knots.len() {
                let mut ends = Ends {
                    size,
                    earlier: (&mut block, &mut right),
                    later: (&mut next_block, &mut next_right),
                };
                onward = Some(self.add_move(&self.links[knot], row, states.row(knot + 1), &mut ends));
            }
            self.damp(damping, &mut block);
            let link = coupling.as_ref().map(|(motion, others)| (*motion, others.as_slice()));
            chain.push(link, &mut block, &mut right)?;
            coupling = onward;
            std::mem::swap(&mut block, &mut next_block);
            std::mem::swap(&mut right, &mut next_right);
        }
        Ok(())
    }

    fn damp(&self, damping: f64, block: &mut [f64]) {
        let per_mm2 = damping / (self.size_mm * self.size_mm);
        for axis in 0..3 {
            block[axis * self.size() + axis] += per_mm2;
        }
    }

    /// Factors the system undamped where rounding allows, as for a covariance, or else as little damped as does.
    ///
    /// # Errors
    ///
    /// [`NotPositive`] where it is not positive definite even so.
    pub fn factor_nearly_undamped(
        &self,
        curvature: BlurCurvature,
        states: &States,
        chain: &mut Chain,
    ) -> Result<(), NotPositive> {
        let mut dampings = UNDAMPED_OR_NEARLY.into_iter();
        let factored = dampings.any(|damping| self.factor_with(curvature, states, damping, chain).is_ok());
        factored.then_some(()).ok_or(NotPositive)
    }

    /// What the first knot, and all before it, tell of the second: the first is marginalised, linearised at these states.
    ///
    /// # Errors
    ///
    /// [`NotPositive`] where they leave it open.
    pub fn past_first(&self, states: &States, damping: f64, chain: &mut Chain) -> Result<Before, NotPositive> {
        let size = self.size();
        chain.clear();
        let (mut block, mut right) = (vec![0.0; size * size], vec![0.0; size]);
        let (mut next_block, mut next_right) = (vec![0.0; size * size], vec![0.0; size]);
        self.add_first(states.row(0), &mut block, &mut right);
        self.add_own(BlurCurvature::Counted, 0, states, &mut block, &mut right);
        let mut ends = Ends {
            size,
            earlier: (&mut block, &mut right),
            later: (&mut next_block, &mut next_right),
        };
        let (motion, others) = self.add_move(&self.links[0], states.row(0), states.row(1), &mut ends);
        self.damp(damping, &mut block);
        chain.push(None, &mut block, &mut right)?;
        chain.push(Some((motion, &others)), &mut next_block, &mut next_right)?;
        let (mean, information) = chain.last(states.row(1))?;
        Ok(Before {
            mean,
            information,
            keep: self.links[0].bias.keep,
            with_own: false,
            path: self.path_before(1, states),
        })
    }

    /// What all knots together tell of the last one, once the system is factored at these states.
    ///
    /// # Errors
    ///
    /// [`NotPositive`] where they leave it open.
    pub fn up_to_last(&self, states: &States, chain: &Chain) -> Result<Before, NotPositive> {
        let last = self.knots.len() - 1;
        let (mean, information) = chain.last(states.row(last))?;
        Ok(Before {
            mean,
            information,
            keep: 1.0,
            with_own: true,
            path: self.path_before(last, states),
        })
    }

    /// The times and places before a knot that its averaged path still needs.
    fn path_before(&self, knot: usize, states: &States) -> Vec<(f64, Position)> {
        let first_s = self.knots.time_s[knot] - self.options.averaged_s;
        let told = self.before.map_or(&[][..], |before| &before.path).iter().copied();
        told.chain((0..knot).map(|earlier| (self.knots.time_s[earlier], states.place(earlier))))
            .filter(|&(time_s, _)| time_s >= first_s)
            .collect()
    }

    /// What one lone block at a knot would leave unknown of the place, mm²: all of the bias's spread counted anew.
    pub fn lone_covariance_mm2(&self, states: &States, knot: usize) -> Matrix3<f64> {
        let place_mm = self.setup.space().clamp(&states.place(knot), 1.0);
        let slow_db = self.options.slow_level.spread_db;
        let options = BoundOptions {
            spread_db: self.bias_spread_db.hypot(self.unmodelled_variance.sqrt()),
            level: Level::Unknown {
                prior_db: (slow_db > 0.0).then_some(slow_db),
            },
            floor: true,
        };
        let mut information = fisher_information(self.setup, &place_mm, &options);
        if let Some(prior) = self.places[knot] {
            information += prior.information_per_mm2;
        }
        bounded_covariance_mm2(&information, &self.setup.space())
    }

    /// The least weight that Student's t leaves to a reading of a knot, 0 to 1.
    pub fn least_weight(&self, states: &States, knot: usize) -> f64 {
        let Some(freedom) = self.options.reading_freedom else {
            return 1.0;
        };
        let mut least: f64 = 1.0;
        self.for_each_misfit(knot, states.row(knot), |squared| {
            least = least.min(freedom / (freedom + squared));
        });
        least
    }

    fn for_each_misfit(&self, knot: usize, row: &[f64], mut visit: impl FnMut(f64)) {
        let readings = self.knots.row(knot);
        for (site, heard) in readings.iter().enumerate().filter(|(_, heard)| heard.heard > 0) {
            let predicted = self.predict(knot, site, row);
            let residual = heard.mean_dbm - predicted.dbm;
            visit((residual * residual + predicted.variance_db2()) / self.mean_variance(heard));
        }
    }

    /// How much a link's motion was loosened, 0 to 1: the factor on its information.
    pub fn motion_weight(&self, states: &States, link: usize) -> f64 {
        let squared = motion_misfit(&self.links[link], states.row(link), states.row(link + 1)).squared;
        tail_weight(self.options.motion_freedom, KINEMATIC as f64, squared)
    }

    fn mean_variance(&self, heard: &Heard) -> f64 {
        self.sample_variance / f64::from(heard.heard) + self.unmodelled_variance
    }

    /// The predicted level of a site.
    #[inline]
    fn predict(&self, knot: usize, site: usize, row: &[f64]) -> Predicted {
        let at = &self.setup.layout.sites()[site];
        let offset = Vector3::new(row[0], row[1], row[2]) - at.position_mm;
        let distance_mm = offset.norm().max(NEAREST_MM);
        let loss = self.setup.law.at_distance(distance_mm);
        let level_db = row[SLOW] + row[FAST] + row[BIAS + site];
        let dbm = self.setup.transmitter.power_dbm() + at.gain_db + level_db - loss.loss_db;
        match &self.blur {
            None => Predicted {
                dbm,
                loss_gradient: offset * (loss.slope_db_per_mm / distance_mm),
                blurred: None,
            },
            Some(blur) => {
                let blurred = blur.of_loss(knot, site, &loss, &(offset / distance_mm), distance_mm);
                Predicted {
                    dbm: dbm - blurred.excess_db,
                    loss_gradient: blurred.gradient,
                    blurred: Some(blurred),
                }
            }
        }
    }

    /// Calls `visit` with each site that reported and what its readings add.
    #[inline]
    fn for_each_reading(&self, knot: usize, row: &[f64], mut visit: impl FnMut(usize, Contribution)) {
        for (site, heard) in self.knots.row(knot).iter().enumerate() {
            if !heard.is_present() {
                continue;
            }
            let predicted = self.predict(knot, site, row);
            let term = self.term(heard, &predicted);
            visit(site, Contribution { term, predicted });
        }
    }

    /// What one site's readings of one knot add, as a function of the predicted level.
    fn term(&self, heard: &Heard, predicted: &Predicted) -> Term {
        let mut term = Term::default();
        let (predicted_dbm, blur_db2) = (predicted.dbm, predicted.variance_db2());
        if heard.heard > 0 {
            let variance = self.mean_variance(heard);
            let residual = heard.mean_dbm - predicted_dbm;
            let squared = (residual * residual + blur_db2) / variance;
            let weight = tail_weight(self.options.reading_freedom, 1.0, squared);
            term.value += tail_value(self.options.reading_freedom, 1.0, squared);
            term.slope -= weight * residual / variance;
            term.curvature += weight / variance;
        }
        // Readings of one block err together by what is unmodelled: n of them count as this many.
        let share = |count: u32| {
            let count = f64::from(count);
            count / (1.0 + count * self.unmodelled_variance / self.sample_variance)
        };
        let per_spread = 1.0 / (self.sample_variance + self.unmodelled_variance).sqrt();
        if heard.below > 0 {
            let below = one_sided((self.limits.floor_dbm - predicted_dbm) * per_spread, per_spread);
            let value = below.value + 0.5 * below.curvature * blur_db2;
            term.add(share(heard.below), value, below.gradient, below.curvature);
        }
        if heard.saturated > 0 {
            let above = one_sided((predicted_dbm - self.limits.ceiling_dbm) * per_spread, per_spread);
            let value = above.value + 0.5 * above.curvature * blur_db2;
            term.add(share(heard.saturated), value, -above.gradient, above.curvature);
        }
        term
    }

    /// Whether a knot's readings and place count here, and not as part of what earlier knots told.
    fn has_own(&self, knot: usize) -> bool {
        knot > 0 || !self.before.is_some_and(|before| before.with_own)
    }

    fn add_own(&self, curvature: BlurCurvature, knot: usize, states: &States, block: &mut [f64], right: &mut [f64]) {
        if self.has_own(knot) {
            self.add_readings(curvature, knot, states.row(knot), block, right);
            self.add_place(knot, &states.place(knot), block, right);
        }
    }

    fn add_readings(&self, curvature: BlurCurvature, knot: usize, row: &[f64], block: &mut [f64], right: &mut [f64]) {
        let counted = if curvature == BlurCurvature::Counted { 1.0 } else { 0.0 };
        let size = self.size();
        self.for_each_reading(knot, row, |site, Contribution { term, predicted }| {
            let entries = level_slopes(site, &predicted.loss_gradient);
            for (i, di) in entries {
                right[i] -= term.slope * di;
                let scaled = term.curvature * di;
                for (j, dj) in entries {
                    block[i * size + j] += scaled * dj;
                }
            }
            if let Some(blurred) = predicted.blurred {
                for i in 0..3 {
                    right[i] -= term.curvature * blurred.half_variance_gradient[i];
                    for j in 0..3 {
                        block[i * size + j] += counted * term.curvature * blurred.hessian_blurred[(i, j)];
                    }
                }
            }
        });
    }

    /// What is known beforehand of the place counts once, and then as often as biases are forgotten: at every knot it would
    /// count hundreds of times for a capsule at rest, and the readings, whose biases last, once.
    fn place_weight(&self, knot: usize) -> f64 {
        let keep = match knot.checked_sub(1) {
            Some(link) => self.links[link].bias.keep,
            None => self.before.map_or(0.0, |before| before.keep),
        };
        (1.0 - keep) / (1.0 + keep)
    }

    fn place_value(&self, knot: usize, place_mm: &Position) -> f64 {
        let prior = self.places[knot].map_or(0.0, |prior| {
            let offset = place_mm - prior.mean_mm;
            0.5 * self.place_weight(knot) * offset.dot(&(prior.information_per_mm2 * offset))
        });
        prior + self.region.wall(place_mm).map_or(0.0, |wall| wall.value)
    }

    fn add_place(&self, knot: usize, place_mm: &Position, block: &mut [f64], right: &mut [f64]) {
        let size = self.size();
        let mut add = |gradient: &Vector3<f64>, curvature: &Matrix3<f64>| {
            for i in 0..3 {
                right[i] -= gradient[i];
                for j in 0..3 {
                    block[i * size + j] += curvature[(i, j)];
                }
            }
        };
        if let Some(prior) = self.places[knot] {
            let information = prior.information_per_mm2 * self.place_weight(knot);
            add(&(information * (place_mm - prior.mean_mm)), &information);
        }
        if let Some(wall) = self.region.wall(place_mm) {
            add(&wall.gradient, &wall.curvature);
        }
    }

    /// Information on the first state, one a number of it after the place.
    fn first_information(&self) -> [f64; 4] {
        let of = |spread_db: f64| 1.0 / (spread_db * spread_db).max(LEAST_VARIANCE);
        [
            1.0 / self.options.motion.velocity_variance(),
            of(self.options.slow_level.spread_db),
            of(self.options.fast_level.spread_db),
            of(self.bias_spread_db),
        ]
    }

    /// Each number of a state after the place, what it should be at first, and how well that is known.
    fn for_each_first(&self, mut visit: impl FnMut(usize, f64, f64)) {
        let [velocity, slow, fast, bias] = self.first_information();
        for axis in 3..KINEMATIC {
            visit(axis, 0.0, velocity);
        }
        visit(SLOW, 0.0, slow);
        visit(FAST, 0.0, fast);
        for (site, &mean_db) in self.bias_mean_db.iter().enumerate() {
            visit(BIAS + site, mean_db, bias);
        }
    }

    fn first_value(&self, row: &[f64]) -> f64 {
        let mut sum = 0.0;
        if let Some(before) = self.before {
            before.for_each_pull(row, |index, pull, _| {
                sum += 0.5 * pull * (row[index] - before.mean[index])
            });
            return sum;
        }
        self.for_each_first(|index, mean, information| sum += 0.5 * information * (row[index] - mean).powi(2));
        sum
    }

    fn add_first(&self, row: &[f64], block: &mut [f64], right: &mut [f64]) {
        let size = self.size();
        if let Some(before) = self.before {
            before.for_each_pull(row, |index, pull, information| {
                right[index] -= pull;
                for (entry, information) in block[index * size..(index + 1) * size].iter_mut().zip(information) {
                    *entry += information;
                }
            });
            return;
        }
        self.for_each_first(|index, mean, information| {
            block[index * size + index] += information;
            right[index] -= information * (row[index] - mean);
        });
    }

    /// Calls `visit` with each scalar process of a link: where it is, its step, its mean, and its tail.
    fn for_each_scalar(&self, link: &Link, mut visit: impl FnMut(usize, Step, f64, Option<f64>)) {
        visit(SLOW, link.slow, 0.0, None);
        visit(FAST, link.fast, 0.0, None);
        for (site, &mean_db) in self.bias_mean_db.iter().enumerate() {
            visit(BIAS + site, link.bias, mean_db, self.options.bias_freedom);
        }
    }

    fn move_value(&self, link: &Link, earlier: &[f64], later: &[f64]) -> f64 {
        let motion = motion_misfit(link, earlier, later);
        let mut sum = tail_value(self.options.motion_freedom, KINEMATIC as f64, motion.squared);
        self.for_each_scalar(link, |index, step, mean, freedom| {
            let misfit = (later[index] - mean) - step.keep * (earlier[index] - mean);
            sum += tail_value(freedom, 1.0, step.information * misfit * misfit);
        });
        sum
    }

    /// Adds a link to the blocks at its ends; what is left is the block between them.
    fn add_move(&self, link: &Link, earlier: &[f64], later: &[f64], ends: &mut Ends<'_>) -> (Motion, Vec<f64>) {
        let motion = motion_misfit(link, earlier, later);
        let weight = tail_weight(self.options.motion_freedom, KINEMATIC as f64, motion.squared);
        let information = link.information * weight;
        let back = link.transition.transpose() * information;
        let around = back * link.transition;
        for axis in 0..3 {
            let misfit = motion.misfit[axis];
            let (to_later, to_earlier) = (information * misfit, back * misfit);
            for i in 0..2 {
                let row = axis + 3 * i;
                ends.later.1[row] -= to_later[i];
                ends.earlier.1[row] += to_earlier[i];
                for j in 0..2 {
                    let entry = row * ends.size + axis + 3 * j;
                    ends.later.0[entry] += information[(i, j)];
                    ends.earlier.0[entry] += around[(i, j)];
                }
            }
        }
        let mut others = vec![0.0; ends.size - KINEMATIC];
        self.for_each_scalar(link, |index, step, mean, freedom| {
            let misfit = (later[index] - mean) - step.keep * (earlier[index] - mean);
            let weight = tail_weight(freedom, 1.0, step.information * misfit * misfit);
            let information = weight * step.information;
            let entry = index * ends.size + index;
            ends.later.0[entry] += information;
            ends.later.1[index] -= information * misfit;
            ends.earlier.0[entry] += step.keep * step.keep * information;
            ends.earlier.1[index] += step.keep * information * misfit;
            others[index - KINEMATIC] = -step.keep * information;
        });
        let between = -(information * link.transition);
        let block = [[between[(0, 0)], between[(0, 1)]], [between[(1, 0)], between[(1, 1)]]];
        (Motion { block }, others)
    }
}

/// Whether what a blur adds to the curvature counts: for a step, and for the next blur. Not for the covariance that is told: the
/// bends of a path that may or may not be there would pass for readings from several sides, and make lasting biases known that
/// are not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum BlurCurvature {
    Counted,
    LeftOut,
}

/// The level that a site should hear, on average over the blur where there is one.
#[derive(Debug, Clone, Copy)]
struct Predicted {
    dbm: f64,
    /// The gradient of the loss, dB/mm.
    loss_gradient: Vector3<f64>,
    blurred: Option<Blurred>,
}

impl Predicted {
    fn variance_db2(&self) -> f64 {
        self.blurred.map_or(0.0, |blurred| blurred.variance_db2)
    }
}

/// What one site's readings of one knot add to the objective.
struct Contribution {
    term: Term,
    predicted: Predicted,
}

/// How the level that a site should hear changes with each number of a state that it depends on: −∇L for the place, 1 for both
/// levels and for the site's own bias.
pub(crate) fn level_slopes(site: usize, loss_gradient: &Vector3<f64>) -> [(usize, f64); 6] {
    [
        (0, -loss_gradient.x),
        (1, -loss_gradient.y),
        (2, -loss_gradient.z),
        (SLOW, 1.0),
        (FAST, 1.0),
        (BIAS + site, 1.0),
    ]
}

impl Before {
    /// Calls `visit` with each number of a state, the gradient of its misfit, and its row of the information.
    fn for_each_pull(&self, row: &[f64], mut visit: impl FnMut(usize, f64, &[f64])) {
        let size = row.len();
        for (index, information) in self.information.chunks_exact(size).enumerate() {
            let offsets = row.iter().zip(&self.mean).map(|(here, mean)| here - mean);
            let pull = information.iter().zip(offsets).map(|(i, offset)| i * offset).sum();
            visit(index, pull, information);
        }
    }
}

/// How far the capsule moves from each knot to the next, mm: along the path averaged over `averaged_s` either side, on which
/// knots before the first count too.
pub(crate) fn moved_mm(
    before: &[(f64, Position)],
    knots_s: &[f64],
    averaged_s: f64,
    place: impl Fn(usize) -> Position,
) -> impl Iterator<Item = f64> {
    let smooth_mm = averaged_path(before, knots_s, averaged_s, place);
    (1..knots_s.len()).map(move |knot| (smooth_mm[knot] - smooth_mm[knot - 1]).norm())
}

/// What a bias forgets over so far a move, in units of its memory.
pub(crate) fn lapse(options: &TrajectoryOptions, moved_mm: f64) -> f64 {
    moved_mm.hypot(options.stir_mm) / options.shadowing_memory_mm
}

fn averaged_path(
    before: &[(f64, Position)],
    knots_s: &[f64],
    averaged_s: f64,
    place: impl Fn(usize) -> Position,
) -> Vec<Position> {
    let time_s: Vec<f64> = before
        .iter()
        .map(|&(time_s, _)| time_s)
        .chain(knots_s.iter().copied())
        .collect();
    let places = before
        .iter()
        .map(|&(_, place)| place)
        .chain((0..knots_s.len()).map(place));
    let mut sums = vec![Position::zeros()];
    let mut sum = Position::zeros();
    for place in places {
        sum += place;
        sums.push(sum);
    }
    spans_about(&time_s, knots_s, averaged_s)
        .map(|span| (sums[span.end] - sums[span.start]) / span.len() as f64)
        .collect()
}

/// The times within `reach_s` of each of some of them, as ranges of indices; both in order.
pub(super) fn spans_about(time_s: &[f64], about_s: &[f64], reach_s: f64) -> impl Iterator<Item = Range<usize>> {
    let (mut first, mut end) = (0, 0);
    about_s.iter().map(move |&now_s| {
        while time_s[first] < now_s - reach_s {
            first += 1;
        }
        while end < time_s.len() && time_s[end] <= now_s + reach_s {
            end += 1;
        }
        first..end
    })
}

/// The blocks and right-hand sides at the ends of a link.
struct Ends<'b> {
    size: usize,
    earlier: (&'b mut [f64], &'b mut [f64]),
    later: (&'b mut [f64], &'b mut [f64]),
}

/// What one site's readings add to the objective, by the predicted level.
#[derive(Debug, Clone, Copy, Default)]
struct Term {
    value: f64,
    slope: f64,
    curvature: f64,
}

impl Term {
    fn add(&mut self, count: f64, value: f64, slope: f64, curvature: f64) {
        self.value += count * value;
        self.slope += count * slope;
        self.curvature += count * curvature;
    }
}

/// By how much a move misses the motion prior: (position, velocity) along each axis, and its square in units of the prior's.
struct Misfit {
    misfit: [nalgebra::Vector2<f64>; 3],
    squared: f64,
}

fn motion_misfit(link: &Link, earlier: &[f64], later: &[f64]) -> Misfit {
    let misfit = [0, 1, 2].map(|axis| {
        let from = nalgebra::Vector2::new(earlier[axis], earlier[axis + 3]);
        nalgebra::Vector2::new(later[axis], later[axis + 3]) - link.transition * from
    });
    let squared = misfit
        .iter()
        .map(|misfit| misfit.dot(&(link.information * misfit)))
        .sum();
    Misfit { misfit, squared }
}

/// `−ln p` of a misfit of a squared size in `dimension` numbers: Student's t with unit scale, or the Gaussian.
fn tail_value(freedom: Option<f64>, dimension: f64, squared: f64) -> f64 {
    match freedom {
        Some(freedom) => 0.5 * (freedom + dimension) * (squared / freedom).ln_1p(),
        None => 0.5 * squared,
    }
}

/// The weight by which such a misfit counts in a least-squares step: `(ν + d) / (ν + r²)`, or 1.
fn tail_weight(freedom: Option<f64>, dimension: f64, squared: f64) -> f64 {
    freedom.map_or(1.0, |freedom| (freedom + dimension) / (freedom + squared))
}
