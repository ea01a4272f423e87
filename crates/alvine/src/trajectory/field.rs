//! The track in a field: shadowing as it is, fixed in place, so that a path tells of it and it tells of the path.
//!
//! Along the chain of knots a site's bias can only be forgotten with the distance moved. A body's shadowing is rather a field in
//! space: smooth over some centimetres, the same whenever the capsule comes by again. A Gaussian process says both, at the cost of
//! tying every place to every other. So the track is first cut into *stations* between which the capsule moves a centimetre or
//! two, each with all that was heard there; then all stations' places are sought at once by Fisher scoring, with the field integrated
//! out (*likelihood*), and with the law's level and exponent and each site's gain, which a recording so calibrates by itself.
//! A site that heard nothing at a station counts there by what its *silence* is worth beside all the others.
//! The track is then shifted station by station; how it moves within one stays as it was.
//!
//! The cost grows as the cube of the stations, and a recording with many is done in windows that overlap, so that it is linear in the
//! length of the recording.

mod likelihood;
mod silence;
mod stations;

use std::ops::Range;

use nalgebra::{DMatrix, DVector, Matrix3};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

use super::instants::PlaceAt;
use super::knots::Knots;
use super::objective::spans_about;
use super::options::TrajectoryOptions;
use crate::dense::{self, NotPositive};
use crate::fix::PositionPrior;
use crate::setup::Setup;
use crate::torso::Position;
use likelihood::{Likelihood, Scored, Unknowns, unheard};
use stations::{Cut, Station, stations};

/// How a track is refined in a field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldOptions {
    /// How far the capsule moves from station to station, in units of the size of the space.
    pub spacing_share: f64,
    /// Distance over which the field keeps its value, in units of the size of the space.
    pub length_share: f64,
    /// Spread of the field, in units of the study's own spread of shadowing: part of that one is the capsule's attitude.
    pub spread_share: f64,
    /// Spread of what the capsule's attitude adds to a site's level, dB, and for how long it keeps one, s.
    pub attitude_db: f64,
    /// See [`FieldOptions::attitude_db`].
    pub attitude_memory_s: f64,
    /// What a station's mean errs by however long it is, in units of the study's own spread of shadowing: the capsule moves within
    /// it, and no field is quite smooth.
    pub unmodelled_share: f64,
    /// Spread of each site's gain about the stated one, dB.
    pub gain_spread_db: f64,
    /// Spread of the level about the stated one, dB.
    pub level_spread_db: f64,
    /// Spread of the exponent about the stated one.
    pub exponent_spread: f64,
    /// The share of the way from the track to the field's places that is gone, 0 to 1. Chain and field describe the same shadowing
    /// differently and err apart, so that between them lies better than at either.
    pub taken_share: f64,
    /// The covariance is multiplied by this: the model is smoother than bodies are.
    pub widened: f64,
    /// How often gradient and information are averaged anew over where the places may be. None leaves the single most likely ones.
    pub blurs: usize,
    /// Most rounds of refining.
    pub most_rounds: usize,
}

impl Default for FieldOptions {
    /// Common practice, no source: chosen on simulated studies with 4 and 7.85 dB of shadowing, for error and for the share of
    /// instants whose ellipsoid holds the truth. What is best for one is not for the other: these lie between.
    ///
    /// What was tried on 16 to 24 studies of either radio and left out, as it changed the error by less than half a millimetre or
    /// made it worse: the field's spread and length by their own marginal likelihood (32.8 to 33.0 mm with 4 dB, 39.6 to 40.1 with
    /// 7.85), a level of the capsule's own at each station, places tied to those before them by a random walk (36.2 to 38.3 and more),
    /// and more draws of a blur. Offsets from usual places that like parts share, found with the rest and without a blur, took the
    /// error from 31.7 to 31.2 mm with 4 dB and from 38.8 to 39.8 with 7.85.
    ///
    /// Nor did it help, on 16 studies with 7.85 dB and other usual places of the coils, to take the mean of a posterior that is sampled
    /// by Hamiltonian Monte Carlo instead of the blurs (37.2 for 34.4 mm, all of the way taken), to tie each station's offset from its
    /// usual place to that of the one before (34.3 to 36.2), or to cut more stations: 34.1 for 34.2 at 0.05, 36.3 at 0.035, 34.6 and
    /// 35.0 with one every 10 and every 5 min at least. Begun at the true places and cut where the capsule truly moved, the field ends
    /// at 32.3. Seven tenths of the way instead of three fifths took 56 studies from 35.8 to 35.7.
    fn default() -> Self {
        Self {
            spacing_share: 0.07,
            length_share: 0.22,
            spread_share: 0.75,
            attitude_db: 3.0,
            attitude_memory_s: 90.0,
            unmodelled_share: 0.4,
            gain_spread_db: 2.0,
            level_spread_db: 3.0,
            exponent_spread: 0.3,
            taken_share: 0.6,
            widened: 1.4,
            blurs: 3,
            most_rounds: 40,
        }
    }
}

/// A number that the recording itself told, with its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Calibrated {
    /// The most likely value.
    pub value: f64,
    /// Its standard deviation.
    pub spread: f64,
}

/// What the recording says of the law and the sites, against what the study states.
#[derive(Debug, Clone, PartialEq)]
pub struct SelfCalibration {
    /// The level, true less stated, dB.
    pub level_db: Calibrated,
    /// The exponent, true less stated.
    pub exponent: Calibrated,
    /// Each site's gain, true less stated, dB.
    pub gains_db: Vec<Calibrated>,
}

/// Stations in one window, and how many of each neighbour's are taken along.
const MOST_IN_WINDOW: usize = 192;
const OVERLAP: usize = 24;

/// By how much a place is shifted, and its covariance there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shift {
    pub by_mm: Position,
    pub covariance_mm2: Matrix3<f64>,
}

impl Shift {
    /// A place, shifted.
    pub fn of(&self, place: &PlaceAt) -> PlaceAt {
        PlaceAt {
            position_mm: place.position_mm + self.by_mm,
            covariance_mm2: self.covariance_mm2,
        }
    }
}

/// A track's places, refined.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Refined {
    /// The shift at each knot; `None` where there was no station. Empty where nothing was refined.
    shifts: Vec<Option<Shift>>,
    /// What was learnt of the law, of the window with the most stations; `None` where nothing was refined.
    pub calibration: Option<SelfCalibration>,
}

impl Refined {
    /// The shift at a time; `knot` is the last knot at or before it, or the first one.
    pub fn at(&self, knots_s: &[f64], knot: usize, time_s: f64) -> Option<Shift> {
        let here = (*self.shifts.get(knot)?)?;
        let Some(next) = self.shifts.get(knot + 1).copied().flatten() else {
            return Some(here);
        };
        let share = ((time_s - knots_s[knot]) / (knots_s[knot + 1] - knots_s[knot])).clamp(0.0, 1.0);
        Some(Shift {
            by_mm: here.by_mm.lerp(&next.by_mm, share),
            covariance_mm2: here.covariance_mm2 * (1.0 - share) + next.covariance_mm2 * share,
        })
    }
}

/// Refines the places of a track at its knots. `priors` are what is known of each knot's place beforehand.
pub(super) fn refine(
    setup: &Setup,
    field: &FieldOptions,
    knots: &Knots,
    options: &TrajectoryOptions,
    places_mm: &[Position],
    priors: &[Option<PositionPrior>],
) -> Refined {
    let size_mm = setup.space().size_mm();
    let sample_db = setup.noise.sample_db(setup.receiver.step_db());
    let cut = Cut {
        spacing_mm: field.spacing_share * size_mm,
        knot_s: options.knot_s,
        longest_s: options.longest_bridge_s,
        within_db: sample_db.hypot(field.attitude_db),
        floor_dbm: setup.receiver.floor_dbm(),
    };
    let all = stations(knots, places_mm, priors, &cut);
    let mut shifts = vec![None; knots.len()];
    let (mut calibration, mut most) = (None, 0);
    for window in windows(all.len()) {
        let mut likelihood = Likelihood {
            setup,
            options: field,
            stations: &all[window.with_overlap.clone()],
            pivot_mm: PIVOT_SHARE * size_mm,
            sample_db,
            spread_db: field.spread_share * setup.noise.shadowing_db(),
            length_mm: field.length_share * size_mm,
            silences: unheard(setup, window.with_overlap.len()),
        };
        // Where nothing can be factored the track stays as it was.
        let Ok(settled) = settle(&mut likelihood) else { continue };
        for index in window.own.clone() {
            let shift = settled.shift(index - window.with_overlap.start, &all[index], field);
            shifts[all[index].knots.clone()].fill(Some(shift));
        }
        if window.own.len() > most {
            most = window.own.len();
            calibration = Some(settled.calibration(setup.layout.len()));
        }
    }
    Refined {
        shifts: averaged(&shifts, &knots.time_s, options.averaged_s),
        calibration,
    }
}

/// Shifts averaged over so long either side, so that the track does not leap from station to station.
fn averaged(shifts: &[Option<Shift>], knots_s: &[f64], averaged_s: f64) -> Vec<Option<Shift>> {
    spans_about(knots_s, knots_s, averaged_s)
        .zip(shifts)
        .map(|(span, here)| {
            let here = (*here)?;
            let near = shifts[span].iter().flatten();
            let (count, sum) = near.fold((0.0, Position::zeros()), |(count, sum), shift| {
                (count + 1.0, sum + shift.by_mm)
            });
            Some(Shift {
                by_mm: sum / count,
                ..here
            })
        })
        .collect()
}

/// A wrong exponent makes no difference at this distance, in units of the size of the space: that of most readings.
const PIVOT_SHARE: f64 = 0.3;

/// Some stations, and with them those of their neighbours that are taken along.
struct Window {
    own: Range<usize>,
    with_overlap: Range<usize>,
}

/// Windows of alike size over so many stations.
fn windows(stations: usize) -> impl Iterator<Item = Window> {
    let count = if stations <= MOST_IN_WINDOW {
        1
    } else {
        stations.div_ceil(MOST_IN_WINDOW - 2 * OVERLAP)
    };
    (0..count).map(move |window| {
        let own = window * stations / count..(window + 1) * stations / count;
        let with_overlap = own.start.saturating_sub(OVERLAP)..(own.end + OVERLAP).min(stations);
        Window { own, with_overlap }
    })
}

/// Where the scoring settled.
struct Settled {
    unknowns: Unknowns,
    covariance: DMatrix<f64>,
}

impl Settled {
    fn shift(&self, index: usize, station: &Station, options: &FieldOptions) -> Shift {
        let entry = |axis: usize| self.unknowns.entry(axis, index);
        Shift {
            by_mm: options.taken_share * (self.unknowns.place(index) - station.place_mm),
            covariance_mm2: Matrix3::from_fn(|row, column| {
                options.widened * self.covariance[(entry(row), entry(column))]
            }),
        }
    }

    fn calibration(&self, sites: usize) -> SelfCalibration {
        let calibrated = |unknown: usize| Calibrated {
            value: self.unknowns.values[unknown],
            spread: self.covariance[(unknown, unknown)].max(0.0).sqrt(),
        };
        SelfCalibration {
            level_db: calibrated(self.unknowns.level()),
            exponent: calibrated(self.unknowns.exponent()),
            gains_db: (0..sites).map(|site| calibrated(self.unknowns.gain(site))).collect(),
        }
    }
}

/// Scoring ends when a round gains no more than this.
const LEAST_GAIN: f64 = 2.0;
/// Damping at first, and by how much it rises and falls, as a share of the information of each unknown.
const DAMPING: f64 = 1e-2;
const DAMPING_RISES: f64 = 4.0;
const DAMPING_FALLS: f64 = 3.0;
const LEAST_DAMPING: f64 = 1e-6;
/// A round that finds no better place in so many tries is the last.
const MOST_TRIES: usize = 8;
/// How often silences are told anew before the first step; then once a round.
const FIRST_SWEEPS: usize = 4;
/// Draws of a blur, each to both sides, and the seed of their chance.
const BLUR_PAIRS: usize = 2;
const BLUR_SEED: u64 = 1;
/// The share of a step that is made after a blur: with the whole of it places go to and fro.
const BLUR_STEP: f64 = 0.5;

/// Fisher scoring, damped after Levenberg and Marquardt.
fn settle(likelihood: &mut Likelihood<'_>) -> Result<Settled, NotPositive> {
    let mut at = Unknowns::new(likelihood.stations, likelihood.setup.layout.len());
    likelihood.hear_silences(&at, FIRST_SWEEPS)?;
    let mut scored = likelihood.score(&at)?;
    let mut damping = DAMPING;
    for _ in 0..likelihood.options.most_rounds {
        let Some((moved, value)) = better(likelihood, &at, &scored, &mut damping) else {
            break;
        };
        let gain = scored.value - value;
        at = moved;
        likelihood.hear_silences(&at, 1)?;
        scored = likelihood.score(&at)?;
        damping = (damping / DAMPING_FALLS).max(LEAST_DAMPING);
        if gain < LEAST_GAIN {
            break;
        }
    }
    let mut factor = dense::factor(scored.information)?;
    for _ in 0..likelihood.options.blurs {
        let mean = blurred(likelihood, &at, &factor)?;
        factor = dense::factor(mean.information)?;
        at = at.moved(&(BLUR_STEP * step_down(&mean.gradient, &factor)?));
    }
    let covariance = likelihood.covariance_by_means(&at)?;
    Ok(Settled {
        unknowns: at,
        covariance,
    })
}

/// Gradient and information on average over a blur.
struct Blurred {
    gradient: DVector<f64>,
    information: DMatrix<f64>,
}

/// Gradient and information on average over where the unknowns may be: the single most likely places lie nearer to the sites than the
/// truth, and nearer to each other. Draws come in pairs to either side, so that all that is linear in them cancels.
/// `factor` is that of the information by which they are spread.
fn blurred(likelihood: &Likelihood<'_>, at: &Unknowns, factor: &DMatrix<f64>) -> Result<Blurred, NotPositive> {
    let lower_inverse = dense::inverse_of_lower(factor);
    let mut rng = Xoshiro256PlusPlus::seed_from_u64(BLUR_SEED);
    let size = at.values.len();
    let mut mean = Blurred {
        gradient: DVector::zeros(size),
        information: DMatrix::zeros(size, size),
    };
    for _ in 0..BLUR_PAIRS {
        let white = DVector::from_fn(size, |_, _| StandardNormal.sample(&mut rng));
        let off: DVector<f64> = lower_inverse.tr_mul(&white);
        for side in [&at.moved(&off), &at.moved(&-off)] {
            let one = likelihood.score(side)?;
            let share = 0.5 / BLUR_PAIRS as f64;
            mean.gradient.axpy(share, &one.gradient, 1.0);
            mean.information
                .zip_apply(&one.information, |sum, one| *sum += share * one);
        }
    }
    Ok(mean)
}

/// The step down a gradient, by the factor of an information matrix.
fn step_down(gradient: &DVector<f64>, factor: &DMatrix<f64>) -> Result<DVector<f64>, NotPositive> {
    let half = factor.solve_lower_triangular(&-gradient).ok_or(NotPositive)?;
    factor.tr_solve_lower_triangular(&half).ok_or(NotPositive)
}

/// The first better place along ever more damped steps.
fn better(likelihood: &Likelihood<'_>, at: &Unknowns, scored: &Scored, damping: &mut f64) -> Option<(Unknowns, f64)> {
    for _ in 0..MOST_TRIES {
        if let Some(found) = damped(likelihood, at, scored, *damping) {
            return Some(found);
        }
        *damping *= DAMPING_RISES;
    }
    None
}

fn damped(likelihood: &Likelihood<'_>, at: &Unknowns, scored: &Scored, damping: f64) -> Option<(Unknowns, f64)> {
    let mut information = scored.information.clone();
    for unknown in 0..information.nrows() {
        information[(unknown, unknown)] *= 1.0 + damping;
    }
    let factor = dense::factor(information).ok()?;
    let moved = at.moved(&step_down(&scored.gradient, &factor).ok()?);
    let value = likelihood.value(&moved).ok()?;
    (value < scored.value).then_some((moved, value))
}

#[cfg(test)]
mod tests;
