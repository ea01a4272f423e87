//! How far the report's track is from what the signal could tell at all: its error beside the Cramér–Rao bound and the least error under
//! the phantom's own air.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin field_bound -- [usual|realistic] [STUDIES] [FIRST_SEED]
//! ```
//!
//! Studies are those of `accuracy`. The true path is cut into stations of 25 mm. The bounds are told the spread and length of the field,
//! and how far off gains, sites, level and exponent usually are; the capsule's attitude counts as noise that is forgotten as the
//! phantom's is. Of anatomy they are told either what the report had, by the phases that the report told, or what the phantom has: each
//! station's true part, and where the stations of that part lie in other phantoms, as no one knows a patient's. Left out, so that they
//! are lower than what can be reached: a loose antenna, lost packets, a level common to all sites, heavy tails, layers and pattern being
//! other than a field, and usual places that are off.
//!
//! The Cramér–Rao bound takes levels to bend as little as lines, and they do not: `by the levels` counts what levels tell of places;
//! `with the field` also what the field itself does by being alike where the capsule was before. The *least error* is that of the mean
//! of the posterior, sampled from the true places on, told levels that are drawn from the model, at every site as if there were no floor.
//! No estimator that knows no more than this has less, on places that are spread as is known beforehand. `as a path` is told, too, how much
//! a station lies as the one before it did, in other phantoms.

use std::collections::BTreeMap;

use alvine::bounds::{FieldModel, HeardPlace, SampledPlace, Sampling, cramer_rao_in_field_mm2, posterior_in_field};
use alvine::{Part, Phase, Position, PositionPrior, Torso, Track, Trajectory, TruthPoint};
use alvine_benches::{Asked, Failure, scenario_of};
use alvine_phantom::{Mismatch, RadioProfile, Scenario, Simulated, Tumbling, simulate};
use alvine_transit::{RefineOptions, refine};
use nalgebra::Matrix3;
use rayon::prelude::*;

const SPACING_MM: f64 = 25.0;
/// Studies by which the phantom's anatomy is known; none of them is bounded.
const ANATOMY_SEEDS: std::ops::Range<u64> = 700_000..700_024;
const PHASES: [Phase; 3] = [Phase::Stomach, Phase::SmallBowel, Phase::Colon];

fn main() -> Result<(), Failure> {
    let asked = Asked::from_arguments()?;
    let made = asked.make()?;
    let anatomy = anatomy()?;
    let rows: Vec<Row> = (asked.first_seed..)
        .zip(&made)
        .par_bridge()
        .filter_map(|(seed, made)| match row(seed, asked.radio, made, &anatomy) {
            Ok(row) => Some(row),
            Err(failure) => {
                eprintln!("seed {seed}: {failure}");
                None
            }
        })
        .collect();
    println!(
        "mm, {:<42}     all   stomach     small     colon",
        format!("{} studies", rows.len())
    );
    for (index, name) in ROWS.into_iter().enumerate() {
        print!("{name:<46}");
        for phase in std::iter::once(None).chain(PHASES.map(Some)) {
            print!("{:>8.1}  ", root_mean_square(&rows, phase, index));
        }
        println!();
    }
    Ok(())
}

const ROWS: [&str; 8] = [
    "report",
    "bound by the levels, anatomy as reported",
    "bound with the field, anatomy as reported",
    "bound by the levels, the phantom's anatomy",
    "bound with the field, the phantom's anatomy",
    "least error, the phantom's anatomy",
    "least error, the same as a path",
    "as told by that one's own covariance",
];

/// Draws of a posterior, before any is kept and then.
const FIRST_DRAWS: usize = 60;
const DRAWS: usize = 240;

/// Sums over the seconds of one study, by phase: time, and squares of error and of the bounds, mm² s.
type Row = BTreeMap<Phase, (f64, [f64; ROWS.len()])>;

/// Over studies, each counted alike, as the table of `accuracy` does.
fn root_mean_square(rows: &[Row], phase: Option<Phase>, index: usize) -> f64 {
    let means: Vec<f64> = rows
        .iter()
        .filter_map(|row| {
            let of = row.iter().filter(|(of, _)| phase.is_none_or(|phase| **of == phase));
            let (time_s, square) = of.fold((0.0, 0.0), |(time_s, square), (_, (own_s, squares))| {
                (time_s + own_s, square + squares[index])
            });
            (time_s > 0.0).then(|| square / time_s)
        })
        .collect();
    (means.iter().sum::<f64>() / means.len() as f64).sqrt()
}

fn row(seed: u64, radio: RadioProfile, made: &Simulated, anatomy: &Anatomy) -> Result<Row, Failure> {
    let scenario = Scenario::named(scenario_of(seed), seed)?.with_radio(radio);
    let (trajectory, options) = (Trajectory::default(), RefineOptions::default());
    let refined = refine(&trajectory, &made.setup, &made.recording, &[], &options, &|_| ())?;
    let air = air(&scenario, made);
    let stations = stations(made, anatomy);
    let reported = |station: &Station| refined.passage.usual_place(&made.setup.torso, station.middle_s);
    let stations: Vec<(&Station, PositionPrior)> = stations
        .iter()
        .filter_map(|station| Some((station, reported(station)?)))
        .collect();
    let told = |heard: &dyn Fn(&Station) -> Vec<Option<f64>>, own: bool, as_a_path: bool| -> Vec<HeardPlace> {
        let place = |(station, reported): &(&Station, PositionPrior)| HeardPlace {
            place_mm: station.place_mm,
            prior: if own { station.prior } else { *reported },
            follows: if as_a_path { station.follows } else { 0.0 },
            noise_db2: heard(station),
        };
        stations.iter().map(place).collect()
    };
    let above_floor = |station: &Station| noise_db2(made, &air, &station.instants);
    let everywhere = |station: &Station| {
        let noise_db2 = noise_of_mean_db2(made, &air, station.instants.len(), station.instants.len());
        vec![Some(noise_db2); made.setup.layout.len()]
    };
    let mut squares = Vec::new();
    for own in [false, true] {
        let places = told(&above_floor, own, false);
        for field_tells in [false, true] {
            let model = FieldModel {
                field_tells,
                ..air.model
            };
            let bounds = cramer_rao_in_field_mm2(&made.setup, &model, &places).ok_or("no bound")?;
            squares.push(bounds.iter().map(|bound| bound.trace()).collect::<Vec<f64>>());
        }
    }
    for as_a_path in [false, true] {
        let places = told(&everywhere, true, as_a_path);
        let sampling = Sampling {
            first_draws: FIRST_DRAWS,
            draws: DRAWS,
            seed,
        };
        let found = posterior_in_field(&made.setup, &air.model, &places, &sampling).ok_or("no posterior")?;
        let error_mm2 = |(place, found): (&HeardPlace, &SampledPlace)| (found.mean_mm - place.place_mm).norm_squared();
        squares.push(places.iter().zip(&found).map(error_mm2).collect());
        if as_a_path {
            squares.push(found.iter().map(|found| found.covariance_mm2.trace()).collect());
        }
    }
    let mut sums = Row::new();
    for (index, (station, _)) in stations.iter().enumerate() {
        let (time_s, sum) = sums.entry(station.phase).or_default();
        let seconds = station.instants.len() as f64;
        *time_s += seconds;
        sum[0] += squared_error(&refined.track, made, &station.instants);
        for (sum, squares) in sum[1..].iter_mut().zip(&squares) {
            *sum += seconds * squares[index];
        }
    }
    Ok(sums)
}

/// How the phantom's air is.
struct Air {
    model: FieldModel,
    /// Spread of what the capsule's attitude adds to a level, dB, and for how long it keeps one, s.
    attitude_db: f64,
    memory_s: f64,
}

fn air(scenario: &Scenario, made: &Simulated) -> Air {
    let attitude_db = dipole_db(scenario);
    let known = |spread: f64| spread.max(1e-6);
    let mismatch = scenario.effects.mismatch;
    Air {
        model: FieldModel {
            spread_db: (scenario.noise.shadowing_db().powi(2) - attitude_db.powi(2)).sqrt(),
            length_mm: made.radio.shadowing_correlation_mm,
            gain_spread_db: known(scenario.gain_spread_db),
            mounting_spread_mm: known(scenario.placement_spread_mm),
            level_spread_db: known(mismatch.level_spread_db),
            exponent_spread: known(mismatch.exponent_spread),
            pivot_mm: Mismatch::PIVOT_MM,
            field_tells: false,
        },
        attitude_db,
        memory_s: scenario.effects.tumbling.map_or(1.0, |tumbling| tumbling.memory_s),
    }
}

/// The spread of a short dipole over all attitudes, dB: see [`Tumbling`].
fn dipole_db(scenario: &Scenario) -> f64 {
    const STEPS: usize = 10_000;
    let Some(Tumbling { null_share, .. }) = scenario.effects.tumbling else {
        return 0.0;
    };
    let gain_db = |cosine: f64| 10.0 * (null_share + (1.0 - null_share) * 1.5 * (1.0 - cosine * cosine)).log10();
    let gains: Vec<f64> = (0..STEPS)
        .map(|step| gain_db((step as f64 + 0.5) / STEPS as f64))
        .collect();
    let mean_db = gains.iter().sum::<f64>() / STEPS as f64;
    (gains.iter().map(|gain| (gain - mean_db).powi(2)).sum::<f64>() / STEPS as f64).sqrt()
}

fn squared_error(track: &Track, made: &Simulated, instants: &std::ops::Range<usize>) -> f64 {
    let first = track.points.partition_point(|point| point.instant < instants.start);
    let points = track.points[first..]
        .iter()
        .take_while(|point| point.instant < instants.end);
    let squares: Vec<f64> = points
        .filter_map(|point| Some((point.position_mm - made.truth.points[point.instant].position_mm?).norm_squared()))
        .collect();
    let mean = squares.iter().sum::<f64>() / squares.len().max(1) as f64;
    mean * instants.len() as f64
}

/// A phase and the part in it.
type Kind = (Phase, Option<Part>);

/// Some seconds in which the capsule truly hardly moved.
struct Station {
    phase: Phase,
    instants: std::ops::Range<usize>,
    middle_s: f64,
    place_mm: Position,
    /// What the phantom's anatomy says of the place.
    prior: PositionPrior,
    /// How much the place lies in it as the one before does.
    follows: f64,
}

fn stations(made: &Simulated, anatomy: &Anatomy) -> Vec<Station> {
    let torso = &made.setup.torso;
    let mut before: Option<(Kind, usize)> = None;
    let mut stations = Vec::new();
    for cut in cuts(&made.truth.points) {
        let Some(known) = anatomy.kinds.get(&cut.kind) else {
            continue;
        };
        let goes_on = before == Some((cut.kind, cut.instants.start));
        before = Some((cut.kind, cut.instants.end));
        let Some(prior) = known.prior(torso) else { continue };
        stations.push(Station {
            phase: cut.kind.0,
            middle_s: made.truth.points[cut.instants.start + cut.instants.len() / 2].time_s,
            instants: cut.instants,
            place_mm: cut.place_mm,
            prior,
            follows: if goes_on { known.follows } else { 0.0 },
        });
    }
    stations
}

/// A stretch of the truth in which the capsule stays within 25 mm of where it begins, in one part of a phase that counts.
struct Stretch {
    kind: Kind,
    instants: std::ops::Range<usize>,
    place_mm: Position,
}

fn cuts(points: &[TruthPoint]) -> Vec<Stretch> {
    let mut stretches = Vec::new();
    let mut first = 0;
    while first < points.len() {
        let start = points[first];
        let near = points[first..].iter().take_while(|point| is_near(&start, point));
        let instants = first..first + near.count().max(1);
        first = instants.end;
        if start.position_mm.is_none() || !PHASES.contains(&start.phase) {
            continue;
        }
        let places = points[instants.clone()].iter().filter_map(|point| point.position_mm);
        stretches.push(Stretch {
            kind: (start.phase, start.part),
            place_mm: places.sum::<Position>() / instants.len() as f64,
            instants,
        });
    }
    stretches
}

/// Whether a station that begins at one point of the truth still goes on at the other.
fn is_near(start: &TruthPoint, other: &TruthPoint) -> bool {
    match (start.position_mm, other.position_mm) {
        (Some(here), Some(there)) => {
            (here - there).norm() <= SPACING_MM && (start.phase, start.part) == (other.phase, other.part)
        }
        (None, None) => true,
        _ => false,
    }
}

/// Variance of each site's mean level; `None` for one that was below the floor for half of the time or more.
fn noise_db2(made: &Simulated, air: &Air, instants: &std::ops::Range<usize>) -> Vec<Option<f64>> {
    let floor_dbm = made.setup.receiver.floor_dbm() as f32;
    (0..made.setup.layout.len())
        .map(|site| {
            let levels = instants.clone().map(|instant| made.recording.row(instant)[site]);
            let heard = levels.filter(|&level| level > floor_dbm).count();
            (2 * heard > instants.len()).then(|| noise_of_mean_db2(made, air, instants.len(), heard))
        })
        .collect()
}

/// Variance of a mean level over so many seconds, of which so many were heard.
fn noise_of_mean_db2(made: &Simulated, air: &Air, dwell_s: usize, heard: usize) -> f64 {
    let attitudes = (dwell_s as f64 / (2.0 * air.memory_s)).max(1.0);
    made.setup.noise.noise_db().powi(2) / heard as f64 + air.attitude_db.powi(2) / attitudes
}

/// Where the stations of each part lie in phantoms.
struct Anatomy {
    kinds: BTreeMap<Kind, Known>,
}

/// Where the stations of one part lie, on a torso of a metre by a metre.
struct Known {
    mean_mm: Position,
    covariance_mm2: Matrix3<f64>,
    /// Correlation of one station's offset with that of the next.
    follows: f64,
}

impl Known {
    /// Of the stations of each study, in their order. `None` where they are too few.
    fn of(studies: &[Vec<Position>]) -> Option<Self> {
        let count = studies.iter().flatten().count() as f64;
        let mean_mm = studies.iter().flatten().sum::<Position>() / count;
        let outer = |place: &Position| (place - mean_mm) * (place - mean_mm).transpose();
        let covariance_mm2 = studies.iter().flatten().map(outer).sum::<Matrix3<f64>>() / count;
        let whiten = covariance_mm2.try_inverse()?.cholesky()?.l().transpose();
        let (mut alike, mut pairs) = (0.0, 0.0);
        for pair in studies.iter().flat_map(|places| places.windows(2)) {
            alike += (whiten * (pair[0] - mean_mm)).dot(&(whiten * (pair[1] - mean_mm))) / 3.0;
            pairs += 1.0;
        }
        Some(Self {
            mean_mm,
            covariance_mm2,
            follows: (alike / f64::max(pairs, 1.0)).clamp(0.0, 0.98),
        })
    }

    fn prior(&self, torso: &Torso) -> Option<PositionPrior> {
        let scale = scale(torso);
        Some(PositionPrior {
            mean_mm: scale * self.mean_mm,
            information_per_mm2: (scale * self.covariance_mm2 * scale).try_inverse()?,
        })
    }
}

fn scale(torso: &Torso) -> Matrix3<f64> {
    Matrix3::from_diagonal(&Position::new(
        torso.breadth_mm() / 1000.0,
        torso.depth_mm() / 1000.0,
        1.0,
    ))
}

fn anatomy() -> Result<Anatomy, Failure> {
    let mut places: BTreeMap<Kind, Vec<Vec<Position>>> = BTreeMap::new();
    for seed in ANATOMY_SEEDS {
        let scenario = Scenario {
            rate_hz: 0.2,
            ..Scenario::named(scenario_of(seed), seed)?.with_radio(RadioProfile::Matched)
        };
        let made = simulate(&scenario)?;
        let back = scale(&made.setup.torso).try_inverse().ok_or("a torso without size")?;
        let mut own: BTreeMap<Kind, Vec<Position>> = BTreeMap::new();
        for stretch in cuts(&made.truth.points) {
            own.entry(stretch.kind).or_default().push(back * stretch.place_mm);
        }
        for (kind, own) in own {
            places.entry(kind).or_default().push(own);
        }
    }
    let known = places
        .iter()
        .filter_map(|(kind, studies)| Some((*kind, Known::of(studies)?)));
    Ok(Anatomy { kinds: known.collect() })
}
