//! How often the check before the swallow finds two swapped antennas, by the distance between their sites, and what it says of
//! sound belts.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin swap_detection -- [SEEDS] [SHADOWING_DB]
//! ```
//!
//! Each seed is a sound belt, and one belt for each of the 28 pairs of the default eight sites on a torso of 330 mm × 230 mm,
//! held as `alvine_phantom::Held::usual` has it but for the shadowing. *Named* is a swap of just this pair at a probability of
//! 0.9 or more; *told* is any word about labels; *wrong* names other antennas.

use alvine::antennas::{Answer, AntennaCheck, AntennaFinding, SURE, check_antennas, find_turns};
use alvine::{Setup, Torso};
use alvine_benches::Failure;
use alvine_phantom::{Held, HeldFault, hold_near_sites};
use alvine_study::usual_setup;
use rayon::prelude::*;

/// Bounds of the distances, mm.
const APART_MM: [f64; 5] = [0.0, 110.0, 160.0, 210.0, 1000.0];

/// What became of one swap.
#[derive(Clone, Copy, PartialEq)]
enum Outcome {
    Named,
    Told,
    Wrong,
    Missed,
}

fn main() -> Result<(), Failure> {
    let mut arguments = std::env::args().skip(1);
    let seeds: u64 = arguments.next().map_or(Ok(100), |text| text.parse())?;
    let shadowing_db: Option<f64> = arguments.next().map(|text| text.parse()).transpose()?;
    let torso = Torso::new(330.0, 230.0).map_err(|error| error.to_string())?;
    let setup = usual_setup(&torso).map_err(|error| error.to_string())?;
    let n = setup.layout.len();
    let check = |seed: u64, faults: Vec<HeldFault>| {
        let usual = Held::usual(seed);
        let shadowing_db = shadowing_db.unwrap_or(usual.shadowing_db);
        checked(
            &setup,
            &Held {
                shadowing_db,
                faults,
                ..usual
            },
        )
    };
    let pairs: Vec<(usize, usize)> = (0..n)
        .flat_map(|one| (one + 1..n).map(move |other| (one, other)))
        .collect();
    let sound: Vec<AntennaCheck> = (0..seeds)
        .into_par_iter()
        .map(|seed| check(seed, Vec::new()))
        .collect::<Result<_, String>>()?;
    let count = |of: &dyn Fn(&AntennaCheck) -> bool| sound.iter().filter(|&check| of(check)).count();
    println!(
        "{seeds} sound belts: {} go, {} look again (of these {} for their labels), {} stop",
        count(&|check| check.answer == Answer::Go),
        count(&|check| check.answer == Answer::LookAgain),
        count(&|check| check.answer == Answer::LookAgain && check.findings.iter().any(is_of_labels)),
        count(&|check| check.answer == Answer::Stop),
    );
    let jobs: Vec<(u64, (usize, usize))> = (0..seeds)
        .flat_map(|seed| pairs.iter().map(move |&pair| (seed, pair)))
        .collect();
    let outcomes: Vec<(f64, Outcome)> = jobs
        .into_par_iter()
        .map(|(seed, (one, other))| {
            let check = check(seed + seeds, vec![HeldFault::Swapped(one, other)])?;
            Ok((apart_mm(&setup, one, other), outcome(&check, one, other)))
        })
        .collect::<Result<_, String>>()?;
    println!("apart, mm     swaps   named   told   missed   wrong   precision");
    for bounds in APART_MM.windows(2) {
        row(&format!("{:.0} to {:.0}", bounds[0], bounds[1]), &outcomes, |apart| {
            (bounds[0]..bounds[1]).contains(&apart)
        });
    }
    row("all", &outcomes, |_| true);
    Ok(())
}

fn checked(setup: &Setup, held: &Held) -> Result<AntennaCheck, String> {
    let recording = hold_near_sites(setup, held).map_err(|error| error.to_string())?;
    let order: Vec<usize> = (0..setup.layout.len()).collect();
    let turns = find_turns(setup, &recording, &order).map_err(|error| error.to_string())?;
    check_antennas(setup, &recording, &turns).map_err(|error| error.to_string())
}

fn apart_mm(setup: &Setup, one: usize, other: usize) -> f64 {
    let sites = setup.layout.sites();
    (sites[one].position_mm - sites[other].position_mm).norm()
}

fn outcome(check: &AntennaCheck, one: usize, other: usize) -> Outcome {
    let mut outcome = Outcome::Missed;
    for finding in check.findings.iter().filter(|finding| is_of_labels(finding)) {
        outcome = match finding {
            AntennaFinding::Swapped {
                one: a,
                other: b,
                probability,
            } if (*a, *b) == (one, other) => {
                if *probability >= SURE {
                    Outcome::Named
                } else {
                    Outcome::Told
                }
            }
            AntennaFinding::Swapped { probability, .. } | AntennaFinding::Mislabelled { probability, .. }
                if *probability >= SURE =>
            {
                Outcome::Wrong
            }
            _ => Outcome::Told,
        };
    }
    outcome
}

fn is_of_labels(finding: &AntennaFinding) -> bool {
    matches!(
        finding,
        AntennaFinding::Swapped { .. } | AntennaFinding::Mislabelled { .. } | AntennaFinding::Unsure { .. }
    )
}

fn row(name: &str, outcomes: &[(f64, Outcome)], of: impl Fn(f64) -> bool) {
    let within: Vec<Outcome> = outcomes
        .iter()
        .filter(|(apart, _)| of(*apart))
        .map(|(_, outcome)| *outcome)
        .collect();
    let count = |wanted: Outcome| within.iter().filter(|&&outcome| outcome == wanted).count();
    let (named, wrong) = (count(Outcome::Named), count(Outcome::Wrong));
    let share = |count: usize| 100.0 * count as f64 / within.len().max(1) as f64;
    println!(
        "{name:12} {:6} {:6.1}% {:5.1}% {:7.1}% {:6.1}% {:10.1}%",
        within.len(),
        share(named),
        share(count(Outcome::Told)),
        share(count(Outcome::Missed)),
        share(wrong),
        100.0 * named as f64 / (named + wrong).max(1) as f64
    );
}
