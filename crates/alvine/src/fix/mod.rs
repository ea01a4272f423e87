//! The fix: the most likely place of the capsule at one instant, from whatever sites heard it.
//!
//! ```text
//! x̂ = argmin over x in the torso of Σᵢ −ln p(zᵢ | P₀ + ℓ + gᵢ − L(|x − aᵢ|)) − ln prior(x) − ln prior(ℓ)
//! zᵢ reading of site i at aᵢ with gain gᵢ; P₀ transmit power; ℓ level offset (zero unless asked for); L law
//! ```
//!
//! The computation goes in three steps, each a module: *start* scores a coarse grid inside the torso and takes the
//! best place and the best distant one, so that a mirror solution does not trap it; *search* descends from each, though no
//! further than it takes to see that the second leads nowhere new, and the better end wins; *fallback* polishes the few that did not settle, by a general optimiser from `argmin`.
//!
//! Sites below the floor or above the ceiling count by the probability of that. The spread of a reading is shadowing
//! and sample noise together, so that a fix's covariance is honest for a fix on its own; how much of it averaging can
//! lessen is the smoother's business.

mod fallback;
mod likelihood;
mod objective;
mod options;
mod region;
mod search;
mod start;

use nalgebra::Matrix3;
use thiserror::Error;

pub use likelihood::Loss;
pub(crate) use likelihood::one_sided;
pub use options::{FixOptions, Level, PositionPrior};

use crate::recording::Reading;
use crate::setup::Setup;
use crate::space::Space;
use crate::torso::Position;
use crate::track::Flags;
use objective::{Candidate, Objective};
use region::INSIDE_FRACTION;
pub(crate) use region::Region;
use search::{Beside, Scale, Settled, search, search_beside};
pub(crate) use start::{Scores, StartGrid};

/// Why fixes cannot be computed as asked.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum FixError {
    /// An option outside its range, or not a number.
    #[error("fix option {what} is {found}; expected {expected}")]
    ImpossibleOption {
        /// Which option.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
    /// As many readings as sites are needed.
    #[error("{found} readings for a layout of {expected} sites")]
    WrongNumberOfReadings {
        /// How many came.
        found: usize,
        /// How many sites there are.
        expected: usize,
    },
}

/// One instant's position with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fix {
    /// The most likely place, mm.
    pub position_mm: Position,
    /// Offset of the level from the study's transmit power, dB; zero unless it was asked for.
    pub level_db: f64,
    /// Observed Fisher information on the place, 1/mm², the level marginalised where it was unknown. Equal to the
    /// expected one where no site is censored.
    pub information_per_mm2: Matrix3<f64>,
    /// Negative log-likelihood, with priors, at that place.
    pub objective: f64,
    /// Sites heard between floor and ceiling.
    pub heard: u16,
    /// Sites below the floor or above the ceiling.
    pub censored: u16,
    /// What was unusual.
    pub flags: Flags,
}

impl Fix {
    /// The inverse of the information, mm²; `None` where the readings do not determine the place in all directions.
    #[must_use]
    pub fn covariance_mm2(&self) -> Option<Matrix3<f64>> {
        Some(self.information_per_mm2.cholesky()?.inverse())
    }

    /// Covariance that also counts that the capsule is somewhere inside the space; see [`bounded_covariance_mm2`].
    #[must_use]
    pub fn bounded_covariance_mm2(&self, space: &Space) -> Matrix3<f64> {
        bounded_covariance_mm2(&self.information_per_mm2, space)
    }
}

/// The covariance that information F leaves once it is counted that the capsule is somewhere inside the space, mm²:
/// `(F + T⁻¹)⁻¹` with T the covariance of a uniform place in it. It always exists.
#[must_use]
pub fn bounded_covariance_mm2(information_per_mm2: &Matrix3<f64>, space: &Space) -> Matrix3<f64> {
    let uniform = space.uniform_variances_mm2();
    let information = information_per_mm2 + Matrix3::from_diagonal(&uniform.map(|variance| 1.0 / variance));
    information
        .cholesky()
        .map_or_else(|| Matrix3::from_diagonal(&uniform), |factor| factor.inverse())
}

/// Working space of a [`FixSolver`], one a thread, so that a fix allocates nothing.
#[derive(Debug, Clone)]
pub struct FixWorkspace {
    readings: Vec<Reading>,
    scores: Scores,
}

/// What an instant's readings are.
#[derive(Debug, Clone, Copy)]
struct Tally {
    heard: u16,
    censored: u16,
    flags: Flags,
}

/// Computes fixes under one setup.
///
/// # Examples
///
/// ```
/// use alvine::{FixOptions, FixSolver, NoiseModel, Position, Receiver, Setup, Torso};
///
/// let torso = Torso::new(330.0, 230.0)?;
/// let setup = Setup::default_eight(torso, NoiseModel::new(4.0, 2.0)?, Receiver::new(-110.0, None, None)?);
/// let place = Position::new(-30.0, 90.0, 100.0);
/// let levels: Vec<f32> = (0..8).map(|site| setup.median_dbm(&place, site) as f32).collect();
///
/// let solver = FixSolver::new(&setup, FixOptions::default())?;
/// let fix = solver.fix(&levels)?.ok_or("no site heard it")?;
/// assert!((fix.position_mm - place).norm() < 0.1);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone)]
pub struct FixSolver<'a> {
    setup: &'a Setup,
    options: FixOptions,
    spread_db: f64,
    half_step_db: f64,
    region: Region,
    scale: Scale,
    grid: StartGrid,
}

/// A distant start is tried when its score is within this of the best, in units of log-likelihood.
const WORTH_TRYING: f64 = 5.0;
/// A distant end within this of the best makes the fix ambiguous: a likelihood ratio of e² ≈ 7.
const AMBIGUOUS_WITHIN: f64 = 2.0;

/// The finest and the coarsest grid of starts, in units of the space's size: finer ones take minutes, coarser ones miss it.
const FINEST_START: f64 = 1.0 / 30.0;
const COARSEST_START: f64 = 1.0 / 3.0;

impl<'a> FixSolver<'a> {
    /// Prepares fixes under a setup.
    ///
    /// # Errors
    ///
    /// [`FixError::ImpossibleOption`] for a tolerance, spacing or prior spread that is not a positive number.
    pub fn new(setup: &'a Setup, options: FixOptions) -> Result<Self, FixError> {
        check(&options, &setup.space())?;
        let step_db = setup.receiver.step_db();
        Ok(Self {
            setup,
            options,
            spread_db: setup.noise.total_db(step_db),
            half_step_db: 0.5 * step_db.unwrap_or(0.0),
            region: Region::new(&setup.space()),
            scale: Scale::of(&setup.space()),
            grid: StartGrid::new(setup, &options),
        })
    }

    /// The setup of these fixes.
    #[must_use]
    pub const fn setup(&self) -> &'a Setup {
        self.setup
    }

    /// Working space for [`FixSolver::fix_with`].
    #[must_use]
    pub fn workspace(&self) -> FixWorkspace {
        FixWorkspace {
            readings: vec![Reading::Missing; self.setup.layout.len()],
            scores: self.grid.scores(),
        }
    }

    /// The fix of one instant from one level a site, dBm, NaN where no packet came; `None` when no site heard the
    /// capsule, as nothing can then be said.
    ///
    /// # Errors
    ///
    /// [`FixError::WrongNumberOfReadings`] unless there is one level a site.
    pub fn fix(&self, levels_dbm: &[f32]) -> Result<Option<Fix>, FixError> {
        if levels_dbm.len() != self.setup.layout.len() {
            return Err(FixError::WrongNumberOfReadings {
                found: levels_dbm.len(),
                expected: self.setup.layout.len(),
            });
        }
        Ok(self.fix_with(levels_dbm.iter().copied(), &mut self.workspace()))
    }

    /// As [`FixSolver::fix`], without allocating; levels beyond the layout's sites are ignored, and those that lack
    /// count as missing.
    pub fn fix_with(&self, levels_dbm: impl Iterator<Item = f32>, work: &mut FixWorkspace) -> Option<Fix> {
        let mut tally = self.take(levels_dbm, work)?;
        let (best, ambiguous) = self.minimise(work);
        if ambiguous {
            tally.flags |= Flags::AMBIGUOUS;
        }
        let information_per_mm2 = self.objective(&work.readings).information(&best.candidate);
        Some(self.describe(&best, information_per_mm2, tally))
    }

    /// Reads the levels into the working space and counts them; `None` when no site heard the capsule.
    fn take(&self, levels_dbm: impl Iterator<Item = f32>, work: &mut FixWorkspace) -> Option<Tally> {
        work.readings.fill(Reading::Missing);
        for (reading, level_dbm) in work.readings.iter_mut().zip(levels_dbm) {
            *reading = self.reading(level_dbm);
        }
        let (mut heard, mut saturated, mut below) = (0, 0, 0);
        for reading in &work.readings {
            match reading {
                Reading::Heard(_) => heard += 1,
                Reading::Saturated(_) => saturated += 1,
                Reading::BelowFloor(_) => below += 1,
                Reading::Missing => {}
            }
        }
        if heard + saturated == 0 {
            return None;
        }
        let mut flags = Flags::NONE;
        if heard + saturated < crate::layout::FEWEST_SITES as u16 {
            flags |= Flags::FEW_SITES;
        }
        if saturated > 0 {
            flags |= Flags::SATURATED;
        }
        Some(Tally {
            heard,
            censored: below + saturated,
            flags,
        })
    }

    /// As [`FixSolver::fix_with`], with a descent from every place of the grid in place of one or two: hundreds of times
    /// slower, and the yardstick of what the few starts miss. It does not tell whether the fix is ambiguous.
    pub fn fix_from_everywhere(&self, levels_dbm: impl Iterator<Item = f32>, work: &mut FixWorkspace) -> Option<Fix> {
        let tally = self.take(levels_dbm, work)?;
        let objective = self.objective(&work.readings);
        let places = self.grid.places_mm().iter();
        let best = places
            .map(|&position_mm| self.settle(&objective, position_mm))
            .min_by(|a, b| a.evaluation.value.total_cmp(&b.evaluation.value))?;
        Some(self.describe(&best, objective.information(&best.candidate), tally))
    }

    /// A reading whose censoring limit lies half a quantisation step inside the receiver's, as rounding to the limit
    /// takes in that much.
    fn reading(&self, level_dbm: f32) -> Reading {
        match self.setup.receiver.read(level_dbm) {
            Reading::BelowFloor(dbm) => Reading::BelowFloor(dbm + self.half_step_db),
            Reading::Saturated(dbm) => Reading::Saturated(dbm - self.half_step_db),
            other => other,
        }
    }

    fn objective<'b>(&'b self, readings: &'b [Reading]) -> Objective<'b> {
        Objective {
            setup: self.setup,
            options: &self.options,
            region: &self.region,
            scale: &self.scale,
            spread_db: self.spread_db,
            readings,
        }
    }

    /// The best end of a few searches, and whether a distant one is nearly as good.
    ///
    /// After the first, each search starts at the best place of the grid that is distant from every end and start before.
    fn minimise(&self, work: &mut FixWorkspace) -> (Settled, bool) {
        let FixWorkspace { readings, scores } = work;
        let objective = self.objective(readings);
        self.grid.score(readings, self.spread_db, self.options.level, scores);
        let start = self.grid.best(scores);
        let mut best = self.settle(&objective, start.position_mm);
        let mut seen_mm = [best.candidate.position_mm; FixOptions::MOST_STARTS];
        let mut ambiguous = false;
        // Sites below the floor leave valleys with several minima.
        let censored = readings
            .iter()
            .any(|reading| matches!(reading, Reading::BelowFloor(_) | Reading::Saturated(_)));
        let starts = self.options.starts + usize::from(censored);
        for others in 1..starts.min(FixOptions::MOST_STARTS) {
            let below = start.score.min(best.evaluation.value) + WORTH_TRYING;
            let distant = self
                .grid
                .best_beyond(scores, below, &seen_mm[..others], self.scale.distant_mm);
            let Some(distant) = distant else {
                break;
            };
            seen_mm[others] = distant.position_mm;
            let from = start_at(distant.position_mm);
            let other = match search_beside(&objective, from, &best, AMBIGUOUS_WITHIN) {
                Beside::Same => continue,
                Beside::Hopeless => break,
                Beside::Elsewhere(end) => polished(&objective, end),
            };
            let apart_mm = (best.candidate.position_mm - other.candidate.position_mm).norm();
            let gap = (best.evaluation.value - other.evaluation.value).abs();
            ambiguous |= apart_mm > 0.5 * self.scale.distant_mm && gap < AMBIGUOUS_WITHIN;
            if other.evaluation.value < best.evaluation.value {
                best = other;
            }
        }
        (best, ambiguous)
    }

    /// Descends from a place.
    fn settle(&self, objective: &Objective<'_>, position_mm: Position) -> Settled {
        polished(objective, search(objective, start_at(position_mm)))
    }

    fn describe(&self, end: &Settled, information_per_mm2: Matrix3<f64>, tally: Tally) -> Fix {
        let Tally {
            heard,
            censored,
            mut flags,
        } = tally;
        let place = end.candidate.position_mm;
        let edge = self.region.wall(&place).is_some();
        let position_mm = self.setup.space().clamp(&place, INSIDE_FRACTION);
        if edge {
            flags |= Flags::EDGE;
        }
        if !end.settled {
            flags |= Flags::UNSETTLED;
        }
        Fix {
            position_mm,
            level_db: end.candidate.level_db,
            information_per_mm2,
            objective: end.evaluation.value,
            heard,
            censored,
            flags,
        }
    }
}

fn start_at(position_mm: Position) -> Candidate {
    Candidate {
        position_mm,
        level_db: 0.0,
    }
}

/// The end of a search, polished by a general optimiser where it did not settle.
fn polished(objective: &Objective<'_>, end: Settled) -> Settled {
    if end.settled {
        return end;
    }
    match fallback::polish(objective, &end.candidate) {
        Some(candidate) => search(objective, candidate),
        None => end,
    }
}

fn check(options: &FixOptions, space: &Space) -> Result<(), FixError> {
    let positive = |what, found: f64| {
        if found > 0.0 && found.is_finite() {
            Ok(())
        } else {
            Err(FixError::ImpossibleOption {
                what,
                found,
                expected: "a number above 0",
            })
        }
    };
    positive("tolerance_mm", options.tolerance_mm)?;
    let of_size = options.start_spacing_mm / space.size_mm();
    if !(FINEST_START..=COARSEST_START).contains(&of_size) {
        return Err(FixError::ImpossibleOption {
            what: "start_spacing_mm",
            found: options.start_spacing_mm,
            expected: "a thirtieth to a third of the side of a cube as large as the space that is searched",
        });
    }
    if !(1..=FixOptions::MOST_STARTS).contains(&options.starts) {
        return Err(FixError::ImpossibleOption {
            what: "starts",
            found: options.starts as f64,
            expected: "1 to 8",
        });
    }
    match options.loss {
        Loss::Squares => {}
        Loss::Huber { k } => positive("loss scale k", k)?,
        Loss::Cauchy { c } => positive("loss scale c", c)?,
    }
    if let Level::Unknown {
        prior_db: Some(prior_db),
    } = options.level
    {
        positive("level prior_db", prior_db)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;
