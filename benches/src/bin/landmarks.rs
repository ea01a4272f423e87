//! How far the landmarks are off on simulated studies whose truth is known, and how honest their intervals are.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin landmarks -- [usual|matched|realistic] [STUDIES] [FIRST_SEED] [--ablate] [--each]
//!     [--features=DIR] [--scenario=NAME]
//! ```
//!
//! Studies are all of the phantom's named scenarios in turn, or all of the one named, at 2 Hz, told the time of the swallow and whether
//! there was a meal.
//! `50 %` and `90 %` are the shares of studies whose interval holds the truth; `--ablate` leaves out each kind of evidence in
//! turn; `--each` prints every study; `--features=DIR` writes what `benches/landmark_yardsticks.py` reads, so that general libraries
//! can be asked the same. The yardstick takes the last fix in a part's box for its end: position thresholds.

use std::fmt::Write as _;
use std::path::Path;

use alvine::{Instants, LandmarkKind, Quality, Track, Trajectory};
use alvine_benches::{prior_of, refine_told, scenario_of, true_s};
use alvine_phantom::{RadioProfile, Scenario, Simulated, simulate};
use alvine_transit::{Kinds, Passage, RefineOptions, SegmentOptions, usual_gut};
use rayon::prelude::*;

type Failure = Box<dyn std::error::Error>;

/// A study, and its first track, for yardsticks.
struct Study {
    seed: u64,
    scenario: &'static str,
    level: &'static str,
    made: Simulated,
    track: Track,
}

/// One landmark of one study: the truth, and what was said.
#[derive(Clone, Copy)]
struct Told {
    seed: u64,
    scenario: &'static str,
    level: &'static str,
    true_s: Option<f64>,
    probability: f64,
    time_s: f64,
    interval50_s: [f64; 2],
    interval90_s: [f64; 2],
}

const SOUGHT: [LandmarkKind; 3] = [
    LandmarkKind::Cardia,
    LandmarkKind::Pylorus,
    LandmarkKind::IleocaecalValve,
];

fn main() -> Result<(), Failure> {
    let (flags, plain): (Vec<String>, Vec<String>) = std::env::args().skip(1).partition(|text| text.starts_with("--"));
    let profile: RadioProfile = plain.first().map_or("realistic", String::as_str).parse()?;
    let count: u64 = plain.get(1).map_or(Ok(16), |text| text.parse())?;
    let first: u64 = plain.get(2).map_or(Ok(2000), |text| text.parse())?;
    let asked = |flag: &str| flags.iter().any(|other| other == flag);
    let value = |flag: &str| flags.iter().find_map(|other| other.strip_prefix(flag));
    let only = value("--scenario=").map(known_scenario).transpose()?;
    let studies: Vec<Study> = (first..first + count)
        .into_par_iter()
        .map(|seed| {
            study(seed, only.unwrap_or_else(|| scenario_of(seed)), profile).map_err(|failure| failure.to_string())
        })
        .collect::<Result<_, _>>()?;
    let all = told(&studies, Kinds::ALL);
    report("all evidence", &all, asked("--each"));
    by(&Scenario::NAMES, &all, |told| told.scenario);
    by(&LEVELS, &all, |told| told.level);
    report("yardstick: place thresholds", &by_thresholds(&studies), false);
    if let Some(directory) = value("--features=") {
        write_features(Path::new(directory), &studies)?;
    }
    if asked("--ablate") {
        let without = [
            (
                "without hearing",
                Kinds {
                    hearing: false,
                    ..Kinds::ALL
                },
            ),
            (
                "without place",
                Kinds {
                    place: false,
                    ..Kinds::ALL
                },
            ),
            (
                "without rhythm",
                Kinds {
                    rhythm: false,
                    ..Kinds::ALL
                },
            ),
        ];
        for (name, kinds) in without {
            report(name, &told(&studies, kinds), false);
        }
    }
    Ok(())
}

fn known_scenario(name: &str) -> Result<&'static str, Failure> {
    let known = Scenario::NAMES.into_iter().find(|known| *known == name);
    known.ok_or_else(|| format!("no scenario `{name}`; known: {}", Scenario::NAMES.join(", ")).into())
}

fn study(seed: u64, scenario: &'static str, profile: RadioProfile) -> Result<Study, Failure> {
    let made = simulate(&Scenario::named(scenario, seed)?.with_radio(profile))?;
    let gut = usual_gut(&made.setup.torso);
    let track = Trajectory::default()
        .begin(&made.setup, &made.recording, &[])?
        .track(&|_| gut, Instants::Knots);
    Ok(Study {
        seed,
        scenario,
        level: level(&made),
        made,
        track,
    })
}

/// How well the belt heard: the median number of sites that hear, from the swallow to the last instant with any.
const LEVELS: [&str; 3] = ["all sites hear", "all but one hear", "two or more do not hear"];

fn level(made: &Simulated) -> &'static str {
    let time_s = made.recording.time_s();
    let end_s = time_s.last().copied().unwrap_or(0.0);
    let expelled_s = true_s(made, LandmarkKind::Expulsion).unwrap_or(end_s);
    let quality = Quality::assess(&made.setup, &made.recording, made.swallowed_s, expelled_s.min(end_s));
    let deaf = made.setup.layout.len() as f64 - quality.median_sites_heard;
    LEVELS[(deaf.max(0.0).round() as usize).min(LEVELS.len() - 1)]
}

fn told(studies: &[Study], kinds: Kinds) -> Vec<[Told; 3]> {
    studies
        .par_iter()
        .filter_map(|study| {
            let passage = passage(study, kinds)?;
            Some(SOUGHT.map(|kind| tell(study, &passage, kind)))
        })
        .collect()
}

fn passage(study: &Study, kinds: Kinds) -> Option<Passage> {
    let options = RefineOptions {
        segment: SegmentOptions {
            prior: prior_of(study.scenario),
            kinds,
        },
        // The phases do not depend on it.
        field: None,
        ..RefineOptions::default()
    };
    refine_told(&study.made, &options)
        .map_err(|failure| eprintln!("{}: {failure}", study.seed))
        .ok()
        .map(|refined| refined.passage)
}

/// A file a study: swallow, pylorus and valve as they were, s, and then a minute a row: time, place and liveliness.
fn write_features(directory: &Path, studies: &[Study]) -> Result<(), Failure> {
    std::fs::create_dir_all(directory)?;
    for study in studies {
        let Some(passage) = passage(study, Kinds::ALL) else {
            continue;
        };
        let truth = |kind| true_s(&study.made, kind).map_or(String::new(), |time_s| format!("{time_s:.1}"));
        let mut text = format!(
            "{:.1},{},{}\n",
            study.made.swallowed_s,
            truth(LandmarkKind::Pylorus),
            truth(LandmarkKind::IleocaecalValve)
        );
        let mut next_s = f64::NEG_INFINITY;
        for point in &study.track.points {
            let bin = ((point.time_s - passage.start_s) / passage.bin_s) as usize;
            let Some(Some(liveliness_db)) = passage.liveliness_db.get(bin) else {
                continue;
            };
            if point.time_s >= next_s {
                let [x, y, z] = point.position_mm.into();
                writeln!(text, "{:.1},{x:.1},{y:.1},{z:.1},{liveliness_db:.4}", point.time_s)?;
                next_s = point.time_s + 60.0;
            }
        }
        std::fs::write(directory.join(format!("{}.csv", study.seed)), text)?;
    }
    Ok(())
}

fn tell(study: &Study, passage: &Passage, kind: LandmarkKind) -> Told {
    let posterior = passage.landmark(kind);
    Told {
        seed: study.seed,
        scenario: study.scenario,
        level: study.level,
        true_s: true_s(&study.made, kind),
        probability: posterior.map_or(0.0, |one| one.within),
        time_s: posterior.map_or(f64::NAN, |one| one.time_s),
        interval50_s: posterior.map_or([f64::NAN; 2], |one| one.interval50_s),
        interval90_s: posterior.map_or([f64::NAN; 2], |one| one.interval90_s),
    }
}

/// Passed the pylorus when last above and left of it for good, the valve when first in the right lower quarter for half an hour:
/// fixed boxes on the track.
fn by_thresholds(studies: &[Study]) -> Vec<[Told; 3]> {
    const STOMACH_ABOVE_MM: f64 = 95.0;
    const CAECUM_RIGHT_MM: f64 = -65.0;
    const STAYS_S: f64 = 1800.0;
    let found = |study: &Study, kind: LandmarkKind| {
        let points = &study.track.points;
        match kind {
            LandmarkKind::Pylorus => points
                .iter()
                .rfind(|point| point.position_mm.z > STOMACH_ABOVE_MM)
                .map(|point| point.time_s),
            LandmarkKind::IleocaecalValve => {
                let mut since: Option<f64> = None;
                points.iter().find_map(|point| {
                    let inside = point.position_mm.x < CAECUM_RIGHT_MM;
                    since = if inside { since.or(Some(point.time_s)) } else { None };
                    since.filter(|from_s| point.time_s - from_s >= STAYS_S)
                })
            }
            _ => points.first().map(|point| point.time_s),
        }
    };
    studies
        .iter()
        .map(|study| {
            SOUGHT.map(|kind| {
                let time_s = found(study, kind);
                Told {
                    seed: study.seed,
                    scenario: study.scenario,
                    level: study.level,
                    true_s: true_s(&study.made, kind),
                    probability: f64::from(u8::from(time_s.is_some())),
                    time_s: time_s.unwrap_or(f64::NAN),
                    interval50_s: [f64::NAN; 2],
                    interval90_s: [f64::NAN; 2],
                }
            })
        })
        .collect()
}

fn by(names: &[&str], all: &[[Told; 3]], of: impl Fn(&Told) -> &'static str) {
    for name in names {
        let some: Vec<[Told; 3]> = all.iter().copied().filter(|told| of(&told[0]) == *name).collect();
        if !some.is_empty() {
            report(name, &some, false);
        }
    }
}

fn report(name: &str, all: &[[Told; 3]], each: bool) {
    println!("{name}, {} studies", all.len());
    for (index, kind) in SOUGHT.into_iter().enumerate() {
        let told: Vec<Told> = all.iter().map(|told| told[index]).collect();
        if each {
            told.iter().for_each(print_one);
        }
        line(kind, &told);
    }
}

fn print_one(told: &Told) {
    let minutes = |time_s: f64| time_s / 60.0;
    println!(
        "    {} {:<28} true {:7.1}  told {:7.1}  p {:.3}  90 % {:7.1} to {:7.1} min",
        told.seed,
        told.scenario,
        minutes(told.true_s.unwrap_or(f64::NAN)),
        minutes(told.time_s),
        told.probability,
        minutes(told.interval90_s[0]),
        minutes(told.interval90_s[1]),
    );
}

/// One landmark's line. Reached and told, reached and not told, not reached and not told, not reached and told.
fn line(kind: LandmarkKind, told: &[Told]) {
    let count = |reached: bool, said: bool| {
        let alike = told
            .iter()
            .filter(|one| one.true_s.is_some() == reached && (one.probability >= 0.5) == said);
        alike.count()
    };
    let both: Vec<(&Told, f64)> = told
        .iter()
        .filter(|one| one.probability >= 0.5)
        .filter_map(|one| Some((one, one.true_s?)))
        .collect();
    let mut errors_min: Vec<f64> = both
        .iter()
        .map(|(one, true_s)| (one.time_s - true_s).abs() / 60.0)
        .collect();
    errors_min.sort_unstable_by(f64::total_cmp);
    let at = |share: f64| {
        let last = errors_min.len().checked_sub(1)?;
        errors_min.get((share * last as f64).round() as usize)
    };
    let holds = |of: &dyn Fn(&Told) -> [f64; 2]| {
        let inside = both
            .iter()
            .filter(|(one, true_s)| (of(one)[0]..=of(one)[1]).contains(true_s));
        inside.count() as f64 / both.len().max(1) as f64
    };
    println!(
        "  {:<18} reached {:>3} told, {:>2} not; not reached {:>3} right, {:>2} told   |error| median {:>6.2} 90 % {:>7.1} min   in 50 % {:.2} in 90 % {:.2}",
        kind.as_str(),
        count(true, true),
        count(true, false),
        count(false, false),
        count(false, true),
        at(0.5).copied().unwrap_or(f64::NAN),
        at(0.9).copied().unwrap_or(f64::NAN),
        holds(&|one| one.interval50_s),
        holds(&|one| one.interval90_s),
    );
}
