//! Whether a prior that was learned from readers' landmarks holds what it says, and does no harm to fresh studies.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin learned_priors -- [usual|matched|realistic] [GROUPS] [FIRST_SEED] [FRESH]
//! ```
//!
//! Each group is 40 studies of all of the phantom's scenarios in turn, at 1 Hz, with all landmarks told. In truth the stomach has 3.0
//! cycles a minute, and the small bowel 12.5 falling to 8.6. Fresh studies are asked with the default prior and with that of the first
//! group.

use alvine::LandmarkKind;
use alvine_benches::{Failure, Outcome, prior_of, scenario_of, true_s};
use alvine_phantom::{RadioProfile, Scenario, Simulated, simulate};
use alvine_transit::prior::{ReadPassage, ReadSignal};
use alvine_transit::{Prior, RefineOptions, SegmentOptions};
use rayon::prelude::*;

const EACH: u64 = 40;
const RATE_HZ: f64 = 1.0;
fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let radio: RadioProfile = arguments.first().map_or("realistic", String::as_str).parse()?;
    let groups: u64 = arguments.get(1).map_or(Ok(3), |text| text.parse())?;
    let first: u64 = arguments.get(2).map_or(Ok(40_000), |text| text.parse())?;
    let fresh: u64 = arguments.get(3).map_or(Ok(26), |text| text.parse())?;
    let mut learned = Vec::new();
    for group in 0..groups {
        let seeds: Vec<u64> = (first + EACH * group..first + EACH * (group + 1)).collect();
        let prior = learn(&seeds, radio)?;
        print_group(group, &prior);
        learned.push(prior);
    }
    let seeds: Vec<u64> = (first + EACH * groups..first + EACH * groups + fresh).collect();
    println!("fresh studies              {}", Outcome::HEADING);
    print_fresh("prior as built in", &seeds, radio, None)?;
    print_fresh("rhythms learned", &seeds, radio, learned.first())
}

fn made(seed: u64, radio: RadioProfile, rate_hz: f64) -> Result<Simulated, Failure> {
    Ok(simulate(&Scenario {
        rate_hz,
        ..Scenario::named(scenario_of(seed), seed)?.with_radio(radio)
    })?)
}

fn learn(seeds: &[u64], radio: RadioProfile) -> Result<Prior, Failure> {
    let base = Prior::fasting();
    let signals: Result<Vec<ReadSignal>, String> = seeds
        .par_iter()
        .map(|&seed| {
            let made = made(seed, radio, RATE_HZ).map_err(|failure| failure.to_string())?;
            let read = read(&made);
            Ok(ReadSignal::new(&made.setup, &made.recording, &read, &base))
        })
        .collect();
    Ok(base.learn("learned", &[]).learn_signals(&signals?))
}

/// A study as a reader sees it who is never wrong.
fn read(made: &Simulated) -> ReadPassage {
    let time_s = made.recording.time_s();
    let seen = LandmarkKind::ALL.into_iter().filter_map(|kind| {
        Some(alvine::ReaderLandmark {
            kind,
            time_s: true_s(made, kind)?,
            spread_s: None,
        })
    });
    ReadPassage {
        start_s: time_s[0],
        end_s: time_s[time_s.len() - 1],
        swallowed_s: Some(made.swallowed_s),
        landmarks: seen.collect(),
    }
}

fn print_group(group: u64, prior: &Prior) {
    println!("group {group}");
    for lesson in prior.rhythm_lessons() {
        if let Some(learned) = &lesson.per_minute {
            let [low, high] = learned.interval90;
            println!(
                "  {:<16}{:>3} studies {:>6.2} ({low:.2} to {high:.2}) a minute, spread {:.2}",
                lesson.band, lesson.studies, learned.value, learned.spread
            );
        }
    }
}

fn print_fresh(name: &str, seeds: &[u64], radio: RadioProfile, learned: Option<&Prior>) -> Result<(), Failure> {
    let each: Vec<Outcome> = seeds
        .par_iter()
        .map(|&seed| fresh(seed, radio, learned).map_err(|failure| failure.to_string()))
        .collect::<Result<_, _>>()?;
    println!("{name:<27}{}", Outcome::row(&each.iter().collect::<Vec<_>>()));
    Ok(())
}

fn fresh(seed: u64, radio: RadioProfile, learned: Option<&Prior>) -> Result<Outcome, Failure> {
    let made = made(seed, radio, RATE_HZ)?;
    let options = RefineOptions {
        segment: SegmentOptions {
            // A meal is told either way.
            prior: match learned {
                Some(learned) if scenario_of(seed) != "fed" => learned.clone(),
                _ => prior_of(scenario_of(seed)),
            },
            ..SegmentOptions::default()
        },
        ..RefineOptions::default()
    };
    Ok(Outcome::of(&made, &options)?.0)
}
