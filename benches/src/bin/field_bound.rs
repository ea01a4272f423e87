//! How far the report's track is from what the signal could tell at all: its error beside the Cramér–Rao bound under the phantom's
//! own air.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin field_bound -- [usual|realistic] [STUDIES] [FIRST_SEED]
//! ```
//!
//! Studies are those of `accuracy`. The true path is cut into stations of 25 mm. The bound is told the spread and length of the field,
//! and how far off gains, sites, level and exponent usually are; the capsule's attitude counts as noise that is forgotten as the
//! phantom's is. Of anatomy it is told either what the report had, by the phases that the report told, or what the phantom has: each
//! station's true part, and how places of that part are spread in other phantoms, as no one knows a patient's. Left out, so that it is
//! lower than what can be reached: a loose antenna, lost packets, a level common to all sites, heavy tails, layers and pattern being
//! other than a field, and usual places that are off. Left out, though it would lower it: that the path goes on from station to station,
//! and what a silent site tells. `by the levels` counts what levels tell of places; `with the field` also what the field itself does
//! by being alike where the capsule was before.

use std::collections::BTreeMap;

use alvine::bounds::{FieldModel, HeardPlace, cramer_rao_in_field_mm2};
use alvine::{Part, Phase, Position, Torso, Track, Trajectory, TruthPoint};
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

const ROWS: [&str; 5] = [
    "report",
    "bound by the levels, anatomy as reported",
    "bound with the field, anatomy as reported",
    "bound by the levels, the phantom's anatomy",
    "bound with the field, the phantom's anatomy",
];

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
    let reported = |time_s: f64| {
        Some(
            refined
                .passage
                .usual_place(&made.setup.torso, time_s)?
                .information_per_mm2,
        )
    };
    let attitude_db = dipole_db(&scenario);
    let memory_s = scenario.effects.tumbling.map_or(1.0, |tumbling| tumbling.memory_s);
    let attitude_db2 = |dwell_s: f64| attitude_db * attitude_db / (dwell_s / (2.0 * memory_s)).max(1.0);
    let stations = stations(made, &attitude_db2, anatomy, &reported);
    let known = |spread: f64| spread.max(1e-6);
    let mismatch = scenario.effects.mismatch;
    let model = FieldModel {
        spread_db: (scenario.noise.shadowing_db().powi(2) - attitude_db.powi(2)).sqrt(),
        length_mm: made.radio.shadowing_correlation_mm,
        gain_spread_db: known(scenario.gain_spread_db),
        mounting_spread_mm: known(scenario.placement_spread_mm),
        level_spread_db: known(mismatch.level_spread_db),
        exponent_spread: known(mismatch.exponent_spread),
        pivot_mm: Mismatch::PIVOT_MM,
        field_tells: false,
    };
    let mut bounds = Vec::new();
    for knowing in 0..2 {
        let places: Vec<HeardPlace> = stations.iter().map(|station| station.heard[knowing].clone()).collect();
        for field_tells in [false, true] {
            let model = FieldModel { field_tells, ..model };
            bounds.push(cramer_rao_in_field_mm2(&made.setup, &model, &places).ok_or("no bound")?);
        }
    }
    let mut sums = Row::new();
    for (index, station) in stations.iter().enumerate() {
        let (time_s, squares) = sums.entry(station.phase).or_default();
        let seconds = station.instants.len() as f64;
        *time_s += seconds;
        squares[0] += squared_error(&refined.track, made, &station.instants);
        for (square, bound) in squares[1..].iter_mut().zip(&bounds) {
            *square += seconds * bound[index].trace();
        }
    }
    Ok(sums)
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

/// Some seconds in which the capsule truly hardly moved.
struct Station {
    phase: Phase,
    instants: std::ops::Range<usize>,
    /// With what is known beforehand as the report has it, and as the phantom does.
    heard: [HeardPlace; 2],
}

fn stations(
    made: &Simulated,
    attitude_db2: &dyn Fn(f64) -> f64,
    anatomy: &Anatomy,
    reported: &dyn Fn(f64) -> Option<Matrix3<f64>>,
) -> Vec<Station> {
    let points = &made.truth.points;
    let mut stations = Vec::new();
    let mut first = 0;
    while first < points.len() {
        let start = points[first];
        let length = points[first..]
            .iter()
            .take_while(|point| is_near(&start, point))
            .count()
            .max(1);
        let instants = first..first + length;
        first += length;
        let places = points[instants.clone()].iter().filter_map(|point| point.position_mm);
        let own = anatomy.information_per_mm2((start.phase, start.part), &made.setup.torso);
        let reported = reported(points[instants.start + length / 2].time_s);
        let (true, Some(own), Some(reported)) = (PHASES.contains(&start.phase), own, reported) else {
            continue;
        };
        let place_mm = places.sum::<Position>() / length as f64;
        let noise_db2 = noise_db2(made, attitude_db2(length as f64), &instants);
        stations.push(Station {
            phase: start.phase,
            instants,
            heard: [reported, own].map(|information_per_mm2| HeardPlace {
                place_mm,
                information_per_mm2,
                noise_db2: noise_db2.clone(),
            }),
        });
    }
    stations
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
fn noise_db2(made: &Simulated, attitude_db2: f64, instants: &std::ops::Range<usize>) -> Vec<Option<f64>> {
    let floor_dbm = made.setup.receiver.floor_dbm() as f32;
    (0..made.setup.layout.len())
        .map(|site| {
            let levels = instants.clone().map(|instant| made.recording.row(instant)[site]);
            let heard = levels.filter(|&level| level > floor_dbm).count();
            let noise_db2 = made.setup.noise.noise_db().powi(2) / heard as f64 + attitude_db2;
            (2 * heard > instants.len()).then_some(noise_db2)
        })
        .collect()
}

/// How the places of each part are spread over phantoms, on a torso of a metre by a metre.
struct Anatomy {
    covariance_mm2: BTreeMap<(Phase, Option<Part>), Matrix3<f64>>,
}

impl Anatomy {
    fn information_per_mm2(&self, kind: (Phase, Option<Part>), torso: &Torso) -> Option<Matrix3<f64>> {
        let scale = scale(torso);
        (scale * self.covariance_mm2.get(&kind)? * scale).try_inverse()
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
    let mut places: BTreeMap<(Phase, Option<Part>), Vec<Position>> = BTreeMap::new();
    for seed in ANATOMY_SEEDS {
        let scenario = Scenario {
            rate_hz: 0.05,
            ..Scenario::named(scenario_of(seed), seed)?.with_radio(RadioProfile::Matched)
        };
        let made = simulate(&scenario)?;
        let back = scale(&made.setup.torso).try_inverse().ok_or("a torso without size")?;
        for point in &made.truth.points {
            if let Some(place_mm) = point.position_mm {
                places
                    .entry((point.phase, point.part))
                    .or_default()
                    .push(back * place_mm);
            }
        }
    }
    let covariance = |places: &Vec<Position>| {
        let mean_mm = places.iter().sum::<Position>() / places.len() as f64;
        let squares = places
            .iter()
            .map(|place| (place - mean_mm) * (place - mean_mm).transpose());
        squares.sum::<Matrix3<f64>>() / places.len() as f64
    };
    Ok(Anatomy {
        covariance_mm2: places
            .iter()
            .map(|(kind, places)| (*kind, covariance(places)))
            .collect(),
    })
}
