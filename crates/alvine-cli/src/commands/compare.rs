//! `compare`: studies or results side by side, each beside the first, with what their differences are worth.

mod figure;
mod page;

use std::path::{Path, PathBuf};

use alvine::{LandmarkKind, Track};
use alvine_audit::{Difference, Known};
use alvine_study::results::summary::{Summary, TransitTime as SummaryTransit};
use alvine_study::results::{read_summary, read_track_csv};
use serde::Serialize;

use super::read_and_analyse;
use crate::args::{CompareArgs, StudyArgs};
use crate::outcome::Failure;
use crate::plain_text::{Align, Table, paragraph, plain};
use crate::progress::Progress;
use crate::report::clock::{duration, duration_range};
use crate::report::words;
use crate::stdout;

/// Standard deviation of a person's small-bowel transit from one examination to another, s.
///
/// # Source
///
/// Tominaga and others, *Variation in small bowel transit time on capsule endoscopy*, Ann. Transl. Med. 2020: 38 people examined
/// repeatedly, mean standard deviation 97.97 min.
const DAY_TO_DAY_S: f64 = 97.97 * 60.0;
const DAY_TO_DAY_SOURCE: &str = "38 people examined repeatedly, Tominaga et al., Ann Transl Med 2020";
/// What the intervals are worth: `benches/compare_coverage.py` with `--radio usual --pairs 30 --seed 71000` and `--radio realistic
/// --pairs 40 --seed 72000`.
const COVERAGE: &str = "On simulated pairs the intervals held the true difference in 68 of 70 for the stomach and in 56 of 66 for \
     the small bowel; where the radio was as unkind as a body's may be, in 29 of 37 for the small bowel: it is told too surely.";
/// Two-sided 95 % of a normal distribution, in standard deviations.
const Z95: f64 = 1.96;

/// One of those that are compared.
struct One {
    name: String,
    summary: Summary,
    /// The track, where there is one.
    track: Option<Track>,
}

/// Reads or analyses each, and prints.
pub fn run(args: &CompareArgs, quiet: bool) -> Result<(), Failure> {
    let progress = Progress::new(quiet);
    let all: Result<Vec<One>, Failure> = args.what.iter().map(|path| one(path, args, &progress)).collect();
    drop(progress);
    let all = all?;
    let Some((first, others)) = all.split_first() else {
        // The arguments do not parse so.
        return Ok(());
    };
    let pairs: Vec<Pair<'_>> = others.iter().map(|second| Pair::of(first, second)).collect();
    let comparison = ComparisonJson { format: 1, pairs };
    if let Some(out) = &args.out {
        page::write(&comparison, out)?;
    }
    if args.json {
        return stdout::json(&comparison);
    }
    if quiet {
        return Ok(());
    }
    let pairs = &comparison.pairs;
    let texts: Vec<String> = pairs.iter().map(Pair::text).collect();
    let notes: String = notes(pairs).iter().map(|note| paragraph(&plain(note), 0)).collect();
    stdout::text(&format!("{}\n{notes}", texts.join("\n")))
}

fn one(path: &Path, args: &CompareArgs, progress: &Progress) -> Result<One, Failure> {
    let name = path.display().to_string();
    if is_result(path) {
        let folder = if path.is_dir() {
            path
        } else {
            path.parent().unwrap_or(Path::new("."))
        };
        let track: PathBuf = folder.join("track.csv");
        return Ok(One {
            name,
            summary: read_summary(path)?,
            track: if track.is_file() {
                Some(read_track_csv(&track)?)
            } else {
                None
            },
        });
    }
    let of = StudyArgs {
        study: path.to_owned(),
        level_unknown: args.level_unknown,
        no_usual_places: args.no_usual_places,
        prior: args.prior.clone(),
    };
    let (_, analysis) = read_and_analyse(&of, progress)?;
    Ok(One {
        name,
        summary: analysis.summary,
        track: Some(analysis.track),
    })
}

/// Whether a path is that of a report: its `summary.json`, or a folder that holds one and no study.
fn is_result(path: &Path) -> bool {
    if path.is_dir() {
        return path.join("summary.json").is_file() && !path.join("study.toml").is_file();
    }
    super::has_extension(path, &["json"])
}

#[derive(Serialize)]
struct ComparisonJson<'a> {
    format: u32,
    pairs: Vec<Pair<'a>>,
}

/// One beside the first.
#[derive(Serialize)]
struct Pair<'a> {
    first: &'a str,
    second: &'a str,
    /// Whether both are of one recording.
    one_recording: bool,
    completeness: [&'static str; 2],
    probability_complete: [f64; 2],
    durations: Vec<Row>,
    median_sites_heard: [f64; 2],
    median_radius90_mm: [Option<f64>; 2],
    distance: Option<Distance>,
}

/// One duration in both.
#[derive(Serialize)]
struct Row {
    name: &'static str,
    first: Option<Known>,
    second: Option<Known>,
    difference: Difference,
    /// Differences up to this are as between two examinations of one person, s (95 %).
    day_to_day_s: Option<f64>,
}

/// How far the two tracks lie apart at the instants they share.
#[derive(Serialize)]
struct Distance {
    instants: usize,
    median_mm: f64,
    percentile95_mm: f64,
}

impl<'a> Pair<'a> {
    fn of(first: &'a One, second: &'a One) -> Self {
        let both = [&first.summary, &second.summary];
        let one_recording = both[0].study == both[1].study;
        Self {
            first: &first.name,
            second: &second.name,
            one_recording,
            completeness: both.map(|summary| words::completeness(summary.completeness.status)),
            probability_complete: both.map(|summary| summary.completeness.probability_complete),
            durations: durations(both, one_recording),
            median_sites_heard: both.map(|summary| summary.quality.median_sites_heard),
            median_radius90_mm: both.map(|summary| summary.method.median_radius90_mm),
            distance: first
                .track
                .as_ref()
                .zip(second.track.as_ref())
                .filter(|_| one_recording)
                .and_then(distance),
        }
    }

    fn text(&self) -> String {
        let mut text = paragraph(&format!("{} beside {}", self.second, self.first), 0);
        let mut table = Table::new(&[
            ("", Align::Left),
            ("First", Align::Right),
            ("Second", Align::Right),
            ("Difference", Align::Right),
            ("90 % interval", Align::Left),
        ]);
        let [first, second] = self.completeness;
        table.row(["small bowel", first, second, "", ""].map(str::to_owned));
        for row in &self.durations {
            table.row(row.cells());
        }
        for row in self.quality() {
            table.row(row);
        }
        text.push_str(&table.text());
        if let Some(apart) = self.apart() {
            text.push_str(&paragraph(&apart, 0));
        }
        text
    }

    /// What both are, where that is no matter of course.
    fn what_is_compared(&self) -> Option<&'static str> {
        self.one_recording.then_some(
            "Both are of one recording: its noise is in both, and their differences are better known than told here.",
        )
    }

    /// How well each was heard and located.
    fn quality(&self) -> [[String; 3]; 2] {
        let sites = self.median_sites_heard;
        let radius = |radius: Option<f64>| radius.map_or("not told".to_owned(), |mm| format!("{mm:.0} mm"));
        let radii = self.median_radius90_mm;
        [
            [
                "sites heard (median)".to_owned(),
                sites[0].to_string(),
                sites[1].to_string(),
            ],
            ["place known to (median)".to_owned(), radius(radii[0]), radius(radii[1])],
        ]
    }

    /// How far the paths lie apart, in words.
    fn apart(&self) -> Option<String> {
        self.distance.as_ref().map(|distance| {
            format!(
                "The paths lie {:.1} mm apart (median; 95 % below {:.1} mm) at {} instants.",
                distance.median_mm, distance.percentile95_mm, distance.instants
            )
        })
    }
}

fn durations(both: [&Summary; 2], one_recording: bool) -> Vec<Row> {
    let transit = both.map(|summary| &summary.transit);
    let mut rows: Vec<Row> = [
        (
            "oesophageal transit",
            transit.map(|transit| known(&transit.oesophageal)),
        ),
        ("gastric transit", transit.map(|transit| known(&transit.gastric))),
        (
            "small-bowel transit",
            transit.map(|transit| known(&transit.small_bowel)),
        ),
        ("colonic transit", transit.map(|transit| known(&transit.colonic))),
        ("whole-gut transit", transit.map(|transit| known(&transit.whole_gut))),
        (
            "swallow to pylorus",
            both.map(|summary| since_swallow(summary, LandmarkKind::Pylorus)),
        ),
        (
            "swallow to valve",
            both.map(|summary| since_swallow(summary, LandmarkKind::IleocaecalValve)),
        ),
    ]
    .into_iter()
    .map(|(name, [first, second])| Row {
        name,
        first,
        second,
        difference: Difference::between(first, second),
        day_to_day_s: None,
    })
    .collect();
    if !one_recording {
        rows[2].day_to_day_s = Some(Z95 * std::f64::consts::SQRT_2 * DAY_TO_DAY_S);
    }
    rows
}

fn known(time: &SummaryTransit) -> Option<Known> {
    Some(Known {
        value_s: time.duration_s?,
        interval90_s: time.interval90_s.filter(|_| !time.censored),
        at_least: time.censored,
    })
}

/// From the swallow to a landmark, where both have a time.
fn since_swallow(summary: &Summary, kind: LandmarkKind) -> Option<Known> {
    let find = |kind: LandmarkKind| {
        let landmark = summary
            .landmarks
            .iter()
            .find(|landmark| landmark.kind == kind.as_str())?;
        Some(Known {
            value_s: landmark.time_s?,
            interval90_s: landmark.interval90_s,
            at_least: false,
        })
    };
    match Difference::between(find(LandmarkKind::Swallow), find(kind)) {
        Difference::Known { value_s, interval90_s } => Some(Known {
            value_s,
            interval90_s: Some(interval90_s),
            at_least: false,
        }),
        _ => None,
    }
}

/// Distances at instants of the same time; `None` where there is none.
fn distance((first, second): (&Track, &Track)) -> Option<Distance> {
    let mut places = second.points.iter().peekable();
    let mut distances_mm: Vec<f64> = Vec::new();
    for point in &first.points {
        while places.next_if(|other| other.time_s < point.time_s).is_some() {}
        if let Some(other) = places.peek().filter(|other| other.time_s == point.time_s) {
            distances_mm.push((point.position_mm - other.position_mm).norm());
        }
    }
    distances_mm.sort_by(f64::total_cmp);
    let last = distances_mm.len().checked_sub(1)?;
    Some(Distance {
        instants: distances_mm.len(),
        median_mm: distances_mm[last / 2],
        percentile95_mm: distances_mm[last * 95 / 100],
    })
}

impl Row {
    fn cells(&self) -> [String; 5] {
        let value = |known: Option<Known>| match known {
            None => "not told".to_owned(),
            Some(Known {
                value_s,
                at_least: true,
                ..
            }) => format!("at least {}", duration(value_s)),
            Some(Known { value_s, .. }) => duration(value_s),
        };
        let (difference, interval) = match self.difference {
            Difference::Known { value_s, interval90_s } => (signed(value_s), duration_range(interval90_s)),
            Difference::AtLeast { value_s } => (format!("{} or more", signed(value_s)), String::new()),
            Difference::AtMost { value_s } => (format!("{} or less", signed(value_s)), String::new()),
            Difference::NotTold => ("not told".to_owned(), String::new()),
        };
        [
            self.name.to_owned(),
            value(self.first),
            value(self.second),
            difference,
            interval,
        ]
    }
}

fn signed(length_s: f64) -> String {
    let text = duration(length_s);
    if length_s > 0.0 { format!("+{text}") } else { text }
}

/// What to know of the differences.
fn notes(pairs: &[Pair<'_>]) -> Vec<String> {
    let mut notes = vec![
        "Differences are the second minus the first. Their intervals come from the 90 % interval of each, squared and added, side \
         by side (Zou and Donner 2008), which takes the errors as independent. Two analyses of one recording share its noise, and \
         their difference is better known than that."
            .to_owned(),
        COVERAGE.to_owned(),
    ];
    if let Some(most_s) = pairs
        .iter()
        .flat_map(|pair| &pair.durations)
        .find_map(|row| row.day_to_day_s)
    {
        notes.push(format!(
            "Between two examinations of one person the small-bowel transit differs by up to {} in 19 of 20, without any \
             treatment ({DAY_TO_DAY_SOURCE}; the rest is arithmetic). A smaller difference shows no effect.",
            duration(most_s)
        ));
    }
    notes.push("Information, not a diagnosis.".to_owned());
    notes
}
