//! Whether telling track and phases from each other more than once pays: errors of place and landmarks by the most rounds.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin rounds -- [usual|matched|realistic] [STUDIES] [FIRST_SEED]
//! ```
//!
//! Studies are those of `accuracy`, told the swallow and whether there was a meal.

use std::time::Instant;

use alvine_benches::{Asked, Failure, Outcome, prior_of, scenario_of};
use alvine_phantom::Simulated;
use alvine_transit::{RefineOptions, SegmentOptions};
use rayon::prelude::*;

/// What one study came to, and what it took.
struct Run {
    outcome: Outcome,
    rounds: usize,
    is_settled: bool,
    seconds: f64,
}

fn main() -> Result<(), Failure> {
    let asked = Asked::from_arguments()?;
    let made = asked.make()?;
    println!("rounds{}   settled  mean rounds   s a study", Outcome::HEADING);
    for most_rounds in [1, 2, 3, 5, 8] {
        let all: Vec<Run> = (asked.first_seed..)
            .zip(&made)
            .collect::<Vec<_>>()
            .into_par_iter()
            .map(|(seed, made)| run(seed, made, most_rounds).map_err(|failure| failure.to_string()))
            .collect::<Result<_, _>>()?;
        print_row(most_rounds, &all);
    }
    Ok(())
}

fn run(seed: u64, made: &Simulated, most_rounds: usize) -> Result<Run, Failure> {
    let options = RefineOptions {
        segment: SegmentOptions {
            prior: prior_of(scenario_of(seed)),
            ..SegmentOptions::default()
        },
        most_rounds,
        ..RefineOptions::default()
    };
    let start = Instant::now();
    let (outcome, refined) = Outcome::of(made, &options)?;
    Ok(Run {
        outcome,
        rounds: refined.rounds,
        is_settled: refined.is_settled,
        seconds: start.elapsed().as_secs_f64(),
    })
}

fn print_row(most_rounds: usize, all: &[Run]) {
    let mean = |of: &dyn Fn(&Run) -> f64| all.iter().map(of).sum::<f64>() / all.len() as f64;
    let outcomes: Vec<&Outcome> = all.iter().map(|run| &run.outcome).collect();
    println!(
        "{most_rounds:>6}{}{:>10.2}{:>13.1}{:>12.3}",
        Outcome::row(&outcomes),
        mean(&|run| f64::from(u8::from(run.is_settled))),
        mean(&|run| run.rounds as f64),
        mean(&|run| run.seconds),
    );
}
