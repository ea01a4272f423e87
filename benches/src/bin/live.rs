//! How far the live probabilities are to be trusted, and how late the live messages come, on simulated studies whose truth is known.
//!
//! ```text
//! cargo run --release -p alvine-benches --bin live -- [usual|realistic] [STUDIES] [FIRST_SEED] [--each] [--anew]
//! ```
//!
//! Studies are all of the phantom's named scenarios in turn, at 1 Hz, told the time of the swallow and whether there was a meal; rows
//! go through the streaming trajectory into the live filter as `alvine watch` feeds it. Once a minute the probabilities are held
//! against the truth of that minute:
//!
//! ```text
//! expected calibration error = Σ over deciles n / N |mean probability − share in which it was so|
//! ```
//!
//! A message is told when its probability first reaches 0.9. `--each` prints every study; `--anew` adds a yardstick: one row every two
//! seconds, all of those so far segmented anew every five minutes, as a finished recording.
//!
//! The time to the next landmark counts in the minutes in which pylorus or valve was said to be next, was still to come and came. As the
//! minutes of one study share its fate, the share whose 90 % interval held it has a 95 % interval of its own, by drawing whole studies
//! anew.
//!
//! # Source
//!
//! Expected calibration error: M. P. Naeini and others, *Obtaining well calibrated probabilities using Bayesian binning*, AAAI 2015;
//! drawing whole studies anew: A. C. Davison and D. V. Hinkley, *Bootstrap Methods and their Application* (1997), ch. 3; both from
//! memory.

use std::time::{Duration, Instant};

use alvine::{LandmarkKind, Recording, StreamingOptions, StreamingTrajectory, Track, TrackPoint};
use alvine_benches::{Failure, prior_of, scenario_of, swallow, true_s};
use alvine_phantom::{RadioProfile, Scenario, Simulated, simulate};
use alvine_transit::{LivePhases, LiveRow, LiveSegmenter, SegmentOptions, segment_with, usual_gut};
use ndarray::Axis;
use rand::{Rng, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;
use rayon::prelude::*;

/// The probabilities that are told, and the landmark that makes each true.
const TOLD: [(&str, LandmarkKind); 2] = [
    ("left the stomach", LandmarkKind::Pylorus),
    ("reached the colon", LandmarkKind::IleocaecalValve),
];
/// From one look to the next, s.
const LOOK_EVERY_S: f64 = 60.0;
/// A probability that is told as a message.
const LIKELY: f64 = 0.9;

/// One study: what was true, and what was said.
struct Study {
    seed: u64,
    scenario: &'static str,
    true_s: [Option<f64>; 2],
    /// Time, and the two probabilities.
    looks: Vec<(f64, [f64; 2])>,
    /// When each probability first reached the threshold, s.
    told_s: [Option<f64>; 2],
    /// The same of the yardstick.
    anew_s: [Option<f64>; 2],
    /// Where the next landmark's time was said and came true: which of [`TOLD`], and the position of the truth among the bounds 5, 25,
    /// 75 and 95 %.
    arrivals: Vec<(usize, usize)>,
    /// Time that the filter took in the first and the last quarter of the rows.
    took: [Duration; 2],
}

fn main() -> Result<(), Failure> {
    let (flags, plain): (Vec<String>, Vec<String>) = std::env::args().skip(1).partition(|text| text.starts_with("--"));
    let profile: RadioProfile = plain.first().map_or("realistic", String::as_str).parse()?;
    let count: u64 = plain.get(1).map_or(Ok(16), |text| text.parse())?;
    let first: u64 = plain.get(2).map_or(Ok(5000), |text| text.parse())?;
    let asked = |flag: &str| flags.iter().any(|other| other == flag);
    let studies: Vec<Study> = (first..first + count)
        .into_par_iter()
        .map(|seed| study(seed, profile, asked("--anew")).map_err(|failure| failure.to_string()))
        .collect::<Result<_, _>>()?;
    println!("{} studies from seed {first}", studies.len());
    for (told, (name, _)) in TOLD.iter().enumerate() {
        println!("{name}");
        reliability(&studies, told);
        delays("live", &studies, told, |study| study.told_s);
        if asked("--anew") {
            delays("anew every 5 min", &studies, told, |study| study.anew_s);
        }
    }
    arrivals(&studies);
    costs(&studies);
    if asked("--each") {
        studies.iter().for_each(print_one);
    }
    Ok(())
}

fn study(seed: u64, profile: RadioProfile, anew: bool) -> Result<Study, Failure> {
    let scenario = scenario_of(seed);
    let asked = Scenario {
        rate_hz: 1.0,
        ..Scenario::named(scenario, seed)?.with_radio(profile)
    };
    let made = simulate(&asked)?;
    let options = SegmentOptions {
        prior: prior_of(scenario),
        ..SegmentOptions::default()
    };
    let mut study = Study {
        seed,
        scenario,
        true_s: TOLD.map(|(_, kind)| true_s(&made, kind)),
        looks: Vec::new(),
        told_s: [None; 2],
        anew_s: [None; 2],
        arrivals: Vec::new(),
        took: [Duration::ZERO; 2],
    };
    let lagged = follow(&mut study, &made, options.clone())?;
    if anew {
        study.anew_s = look_anew(&made, &lagged, &options)?;
    }
    Ok(study)
}

/// Feeds all rows, looks once a minute, and returns the track with when each point came.
fn follow(study: &mut Study, made: &Simulated, options: SegmentOptions) -> Result<Vec<(f64, TrackPoint)>, Failure> {
    let mut stream = StreamingTrajectory::new(made.setup.clone(), StreamingOptions::default())?;
    stream.set_place(usual_gut(&made.setup.torso));
    let mut live = LiveSegmenter::new(&made.setup, &[swallow(made)], options)?;
    let mut all = Vec::new();
    let mut next_look_s = f64::NEG_INFINITY;
    for (row, &time_s) in made.recording.time_s().iter().enumerate() {
        let levels_dbm = made.recording.row(row).to_vec();
        let place = stream.take(time_s, &levels_dbm)?;
        let begun = Instant::now();
        live.take(&LiveRow {
            time_s,
            levels_dbm: &levels_dbm,
            now: place.now.as_ref(),
            lagged: &place.lagged,
        })?;
        match 4 * row / made.recording.len() {
            0 => study.took[0] += begun.elapsed(),
            3 => study.took[1] += begun.elapsed(),
            _ => {}
        }
        all.extend(place.lagged.into_iter().map(|point| (time_s, point)));
        if time_s >= next_look_s {
            next_look_s = time_s + LOOK_EVERY_S;
            if let Some(phases) = live.phases() {
                look(study, time_s, &phases);
            }
        }
    }
    Ok(all)
}

fn look(study: &mut Study, time_s: f64, phases: &LivePhases) {
    let probability = TOLD.map(|(_, kind)| phases.has_passed(kind));
    for (told_s, probability) in study.told_s.iter_mut().zip(probability) {
        if probability >= LIKELY && told_s.is_none() {
            *told_s = Some(time_s);
        }
    }
    study.looks.push((time_s, probability));
    let Some(next) = phases.next else { return };
    let Some(told) = TOLD.iter().position(|(_, kind)| *kind == next.kind) else {
        return;
    };
    if let Some(true_s) = study.true_s[told].filter(|&true_s| true_s > time_s) {
        let ([low, high], [lower, upper]) = (next.interval50_s, next.interval90_s);
        let bounds = [lower, low, high, upper];
        let before = bounds.iter().filter(|&&bound| true_s - phases.time_s > bound).count();
        study.arrivals.push((told, before));
    }
}

/// The yardstick: every five minutes the rows so far as a finished recording.
fn look_anew(
    made: &Simulated,
    lagged: &[(f64, TrackPoint)],
    options: &SegmentOptions,
) -> Result<[Option<f64>; 2], Failure> {
    const EVERY_S: f64 = 300.0;
    let mut told_s = [None; 2];
    let time_s = made.recording.time_s();
    let mut now_s = time_s[0] + EVERY_S;
    while now_s <= time_s[time_s.len() - 1] && told_s.contains(&None) {
        let recording = until(&made.recording, now_s)?;
        let known = lagged.partition_point(|(came_s, _)| *came_s <= now_s);
        let track = Track {
            points: lagged[..known].iter().map(|(_, point)| *point).collect(),
        };
        let given: Vec<_> = [swallow(made)].into_iter().filter(|one| one.time_s <= now_s).collect();
        let passage = segment_with(&made.setup, &recording, &track, &given, options)?;
        for (told_s, (_, kind)) in told_s.iter_mut().zip(TOLD) {
            let passed = passage
                .landmark(kind)
                .map_or(0.0, |landmark| landmark.within + landmark.before);
            if passed >= LIKELY && told_s.is_none() {
                *told_s = Some(now_s);
            }
        }
        now_s += EVERY_S;
    }
    Ok(told_s)
}

/// Every second row until then.
fn until(recording: &Recording, now_s: f64) -> Result<Recording, Failure> {
    let rows: Vec<usize> = (0..recording.len())
        .step_by(2)
        .take_while(|&row| recording.time_s()[row] <= now_s)
        .collect();
    let time_s = rows.iter().map(|&row| recording.time_s()[row]).collect();
    Ok(Recording::new(time_s, recording.rssi_dbm().select(Axis(0), &rows))?)
}

fn is_so(study: &Study, told: usize, time_s: f64) -> bool {
    study.true_s[told].is_some_and(|true_s| true_s <= time_s)
}

/// The reliability table of one probability.
fn reliability(studies: &[Study], told: usize) {
    let decile = |probability: f64| ((10.0 * probability) as usize).min(9);
    let (mut error, mut all) = (0.0, 0.0);
    println!("  probability    minutes  studies  mean said  was so");
    for wanted in 0..10 {
        let (mut count, mut said, mut so, mut from) = (0.0, 0.0, 0.0, 0);
        for study in studies {
            let within = study.looks.iter().filter(|(_, of)| decile(of[told]) == wanted);
            let before = count;
            for (time_s, of) in within {
                count += 1.0;
                said += of[told];
                so += f64::from(u8::from(is_so(study, told, *time_s)));
            }
            from += usize::from(count > before);
        }
        all += count;
        error += (said - so).abs();
        if count > 0.0 {
            let from_to = format!("{:.1} to {:.1}", wanted as f64 / 10.0, (wanted + 1) as f64 / 10.0);
            println!(
                "  {from_to:<12} {count:>9} {from:>8} {:>10.3} {:>7.3}",
                said / count,
                so / count
            );
        }
    }
    println!("  expected calibration error {:.4}", error / all);
}

/// How late the message came, and how often it was false.
fn delays(name: &str, studies: &[Study], told: usize, told_s: impl Fn(&Study) -> [Option<f64>; 2]) {
    /// A message that comes no earlier than this before the passage is not false, s: a landmark is no sharper.
    const EARLY_S: f64 = 60.0;
    let of = |study: &Study| (study.true_s[told], told_s(study)[told]);
    let mut late_min: Vec<f64> = studies
        .iter()
        .filter_map(|study| match of(study) {
            (Some(true_s), Some(told_s)) if told_s >= true_s - EARLY_S => Some((told_s - true_s) / 60.0),
            _ => None,
        })
        .collect();
    late_min.sort_unstable_by(f64::total_cmp);
    let passed = studies.iter().filter(|study| study.true_s[told].is_some()).count();
    let messages = studies.iter().filter(|study| of(study).1.is_some()).count();
    let at = |share: f64| {
        let last = late_min.len().saturating_sub(1) as f64;
        late_min
            .get((share * last).round() as usize)
            .copied()
            .unwrap_or(f64::NAN)
    };
    println!(
        "  {name}: {passed} passed, {messages} messages, {} of them false; delay median {:.1}, 90 % {:.1}, greatest {:.1} min",
        messages - late_min.len(),
        at(0.5),
        at(0.9),
        at(1.0),
    );
}

/// The time to the next landmark: whatever it is, by landmark and by scenario.
fn arrivals(studies: &[Study]) {
    println!("time to the next landmark, where it was passed");
    arrivals_of("pylorus or valve", studies, |_, _| true);
    for (told, (_, kind)) in TOLD.iter().enumerate() {
        arrivals_of(kind.as_str(), studies, |_, of| of == told);
        for scenario in Scenario::NAMES {
            arrivals_of(scenario, studies, |study, of| of == told && study.scenario == scenario);
        }
    }
}

/// Where the truth lay in the minutes that are wanted, study by study.
fn arrivals_of(name: &str, studies: &[Study], wanted: impl Fn(&Study, usize) -> bool) {
    let each: Vec<[f64; 5]> = studies
        .iter()
        .filter_map(|study| {
            let mut counts = [0.0; 5];
            let of_study = study.arrivals.iter().filter(|(told, _)| wanted(study, *told));
            of_study.for_each(|(_, position)| counts[*position] += 1.0);
            (counts.iter().sum::<f64>() > 0.0).then_some(counts)
        })
        .collect();
    if each.is_empty() {
        return;
    }
    let minutes = |of: &[[f64; 5]]| of.iter().flatten().sum::<f64>();
    let share = |of: &[[f64; 5]], from: usize, to: usize| {
        of.iter().flat_map(|counts| &counts[from..to]).sum::<f64>() / minutes(of)
    };
    let by_study: f64 = each.iter().map(|counts| share(&[*counts], 1, 4)).sum();
    let [low, high] = by_whole_studies(&each, |drawn| share(drawn, 1, 4));
    println!(
        "  {name:<28} {:>6} minutes of {:>3} studies; sooner than 90 % {:.2}, later {:.2}; in 50 % {:.2}, in 90 % {:.2} ({low:.2} to {high:.2}), \
         each study counted alike {:.2}",
        minutes(&each),
        each.len(),
        share(&each, 0, 1),
        share(&each, 4, 5),
        share(&each, 2, 3),
        share(&each, 1, 4),
        by_study / each.len() as f64,
    );
}

/// The 95 % interval of a share by drawing whole studies anew.
fn by_whole_studies(each: &[[f64; 5]], share: impl Fn(&[[f64; 5]]) -> f64) -> [f64; 2] {
    const DRAWS: usize = 2000;
    let mut chance = Xoshiro256PlusPlus::seed_from_u64(1);
    let mut shares: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let drawn: Vec<[f64; 5]> = each.iter().map(|_| each[chance.random_range(0..each.len())]).collect();
            share(&drawn)
        })
        .collect();
    shares.sort_unstable_by(f64::total_cmp);
    [0.025, 0.975].map(|at| shares[(at * (DRAWS - 1) as f64).round() as usize])
}

/// What a row costs, early and late: the filter's own work, without the stream's.
fn costs(studies: &[Study]) {
    let took_s = |quarter: usize| {
        studies
            .iter()
            .map(|study| study.took[quarter].as_secs_f64())
            .sum::<f64>()
    };
    println!(
        "a row late in a recording takes {:.2} times what one takes early",
        took_s(1) / took_s(0)
    );
}

fn print_one(study: &Study) {
    let minutes = |time_s: Option<f64>| time_s.map_or(f64::NAN, |time_s| time_s / 60.0);
    for (told, (name, _)) in TOLD.iter().enumerate() {
        println!(
            "  {} {:<28} {name:<18} true {:7.1}  told {:7.1}  anew {:7.1} min",
            study.seed,
            study.scenario,
            minutes(study.true_s[told]),
            minutes(study.told_s[told]),
            minutes(study.anew_s[told]),
        );
    }
}
