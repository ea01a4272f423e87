//! How well rest and motion are told, and how often a rhythm is seen where there is one and where there is none.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin motility -- [usual|matched|realistic] [STUDIES] [FIRST_SEED] [RATE_HZ]
//! ```
//!
//! Studies are all of the phantom's named scenarios in turn, at 2 Hz unless told otherwise, told the swallow and whether there was a
//! meal. A minute moves in truth where the mean place lies more than 10 mm from that of the minute before, and rests below 5 mm.

use alvine::{Phase, Position, Truth};
use alvine_benches::{Failure, prior_of, refine_told, scenario_of};
use alvine_phantom::{RadioProfile, Scenario, simulate};
use alvine_transit::motility::{MinuteStep, minute_steps, share_moving, speed};
use alvine_transit::{Passage, RefineOptions, RhythmStrength, SegmentOptions};
use rayon::prelude::*;

const PHASES: [Phase; 3] = [Phase::Stomach, Phase::SmallBowel, Phase::Colon];
const MOVES_MM: f64 = 10.0;
const RESTS_MM: f64 = 5.0;

/// Counts of minutes, and what each study came to, of one phase.
#[derive(Default, Clone)]
struct Tally {
    moving: usize,
    moving_told: usize,
    resting: usize,
    resting_told: usize,
    /// Share told, share in truth, and whether the interval holds it.
    shares: Vec<(f64, f64, bool)>,
    /// Median speed while moving, told over true.
    ratios: Vec<f64>,
    /// Hours wholly in it: all, with the stomach's rhythm seen, with the small bowel's.
    hours: [usize; 3],
}

/// The true motion from one minute to the next.
struct TrueStep {
    time_s: f64,
    phase: Phase,
    step_mm: f64,
}

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let radio: RadioProfile = arguments.first().map_or("realistic", String::as_str).parse()?;
    let count: u64 = arguments.get(1).map_or(Ok(13), |text| text.parse())?;
    let first: u64 = arguments.get(2).map_or(Ok(3000), |text| text.parse())?;
    let rate_hz: f64 = arguments.get(3).map_or(Ok(2.0), |text| text.parse())?;
    let each: Vec<[Tally; 3]> = (first..first + count)
        .into_par_iter()
        .map(|seed| study(seed, radio, rate_hz).map_err(|failure| failure.to_string()))
        .collect::<Result<_, _>>()?;
    for (index, phase) in PHASES.into_iter().enumerate() {
        let tallies: Vec<&Tally> = each.iter().map(|tallies| &tallies[index]).collect();
        print(phase, &tallies);
    }
    Ok(())
}

fn study(seed: u64, radio: RadioProfile, rate_hz: f64) -> Result<[Tally; 3], Failure> {
    let name = scenario_of(seed);
    let made = simulate(&Scenario {
        rate_hz,
        ..Scenario::named(name, seed)?.with_radio(radio)
    })?;
    let options = RefineOptions {
        segment: SegmentOptions {
            prior: prior_of(name),
            ..SegmentOptions::default()
        },
        ..RefineOptions::default()
    };
    let refined = refine_told(&made, &options)?;
    let steps = minute_steps(&refined.track);
    let truth = true_steps(
        &made.truth,
        refined.track.points.first().map_or(0.0, |point| point.time_s),
    );
    Ok(PHASES.map(|phase| tally(phase, &steps, &truth, &refined.passage, &made.truth)))
}

/// The truth's steps over the same minutes as the track's.
fn true_steps(truth: &Truth, from_s: f64) -> Vec<TrueStep> {
    let minute = |time_s: f64| ((time_s - from_s) / 60.0).floor();
    let inside = truth.points.iter().filter(|point| point.time_s >= from_s);
    let inside: Vec<_> = inside.filter_map(|point| Some((point, point.position_mm?))).collect();
    let means: Vec<(f64, Phase, Position)> = inside
        .chunk_by(|one, other| minute(one.0.time_s) == minute(other.0.time_s))
        .map(|points| {
            let sum = points.iter().fold(Position::zeros(), |sum, (_, place)| sum + place);
            (minute(points[0].0.time_s), points[0].0.phase, sum / points.len() as f64)
        })
        .collect();
    let pairs = means
        .windows(2)
        .filter(|pair| pair[1].0 == pair[0].0 + 1.0 && pair[0].1 == pair[1].1);
    let step = |pair: &[(f64, Phase, Position)]| TrueStep {
        time_s: from_s + 60.0 * pair[1].0,
        phase: pair[0].1,
        step_mm: (pair[1].2 - pair[0].2).norm(),
    };
    pairs.map(step).collect()
}

fn tally(phase: Phase, steps: &[MinuteStep], truth: &[TrueStep], passage: &Passage, whole: &Truth) -> Tally {
    let mut tally = Tally::default();
    let (mut all, mut moving) = (0.0, Vec::new());
    let mut told = steps.iter().peekable();
    for true_step in truth.iter().filter(|step| step.phase == phase) {
        while told.next_if(|step| step.time_s < true_step.time_s - 1.0).is_some() {}
        let Some(step) = told.peek().filter(|step| (step.time_s - true_step.time_s).abs() < 1.0) else {
            continue;
        };
        all += 1.0;
        if true_step.step_mm > MOVES_MM {
            tally.moving += 1;
            tally.moving_told += usize::from(step.is_moving());
            moving.push(true_step.step_mm);
        } else if true_step.step_mm < RESTS_MM {
            tally.resting += 1;
            tally.resting_told += usize::from(!step.is_moving());
        }
    }
    if let Some(share) = share_moving(steps, passage, phase).filter(|_| all >= 30.0) {
        let true_share = moving.len() as f64 / all;
        let [low, high] = share.interval;
        tally
            .shares
            .push((share.told, true_share, (low..=high).contains(&true_share)));
    }
    let median = alvine::median(&mut moving);
    if let Some(([_, told, _], median)) = speed(steps, passage, phase).and_then(|speed| speed.moving).zip(median) {
        tally.ratios.push(told / median);
    }
    for hour in &passage.rhythm_hours {
        let inside = |time_s: f64| {
            let at = whole.points.partition_point(|point| point.time_s < time_s);
            whole.points.get(at).is_some_and(|point| point.phase == phase)
        };
        if inside(hour.start_s) && inside(hour.end_s - 1.0) && hour.end_s - hour.start_s > 3599.0 {
            let seen =
                |strength: Option<RhythmStrength>| usize::from(strength.is_some_and(|strength| strength.is_seen));
            tally.hours[0] += 1;
            tally.hours[1] += seen(hour.gastric);
            tally.hours[2] += seen(hour.small_bowel);
        }
    }
    tally
}

fn print(phase: Phase, tallies: &[&Tally]) {
    let sum = |of: &dyn Fn(&Tally) -> usize| tallies.iter().map(|tally| of(tally)).sum::<usize>();
    let (moving, resting) = (sum(&|tally| tally.moving), sum(&|tally| tally.resting));
    println!("{phase}");
    println!(
        "  minutes moving {moving}, told {:.2}; resting {resting}, told {:.2}",
        sum(&|tally| tally.moving_told) as f64 / moving as f64,
        sum(&|tally| tally.resting_told) as f64 / resting as f64
    );
    let shares: Vec<(f64, f64, bool)> = tallies.iter().flat_map(|tally| tally.shares.clone()).collect();
    let n = shares.len() as f64;
    println!(
        "  share moving, {n} studies: told {:.3}, true {:.3}, interval holds it in {:.2}",
        shares.iter().map(|share| share.0).sum::<f64>() / n,
        shares.iter().map(|share| share.1).sum::<f64>() / n,
        shares.iter().filter(|share| share.2).count() as f64 / n
    );
    let mut ratios: Vec<f64> = tallies.iter().flat_map(|tally| tally.ratios.clone()).collect();
    ratios.sort_by(f64::total_cmp);
    let at = |share: f64| {
        ratios
            .get((share * ratios.len() as f64) as usize)
            .copied()
            .unwrap_or(f64::NAN)
    };
    println!(
        "  median speed while moving, told over true: {:.2} ({:.2} to {:.2} in 80 %)",
        at(0.5),
        at(0.1),
        at(0.9)
    );
    println!(
        "  hours {}: stomach's rhythm seen in {}, small bowel's in {}",
        sum(&|tally| tally.hours[0]),
        sum(&|tally| tally.hours[1]),
        sum(&|tally| tally.hours[2])
    );
}
