//! `check --before-swallow`: does each antenna hear, and is each where its label says?

use std::path::Path;

use alvine::antennas::{Answer, AntennaCheck, AntennaFinding, Turn, check_antennas, find_turns};
use alvine_study::{Study, read_study};
use serde::Serialize;

use super::site_of;
use crate::outcome::Failure;
use crate::plain_text::{Align, Table, paragraph};
use crate::stdout;

/// The answer at which no capsule is given.
const STOP: &str = "stop";
/// A column whose name begins so holds the battery's charge in percent.
const BATTERY_PERCENT: &str = "aux_battery_percent";
/// A capsule whose battery holds less than this before the swallow is no good one, percent (common practice, no source).
const LEAST_PERCENT: f64 = 80.0;

/// The answer for programs.
#[derive(Debug, Serialize)]
struct Answered {
    format: u32,
    study: String,
    answer: &'static str,
    findings: Vec<Told>,
    /// The probability that all labels are as told.
    labels_as_told: f64,
    antennas: Vec<AntennaTold>,
    turns: Vec<TurnTold>,
    /// The last charge that was logged, percent.
    battery_percent: Option<f64>,
}

/// One finding in words.
#[derive(Debug, Serialize)]
struct Told {
    kind: &'static str,
    sites: Vec<String>,
    probability: Option<f64>,
    what: String,
    to_do: &'static str,
    #[serde(skip)]
    answer: Answer,
}

#[derive(Debug, Serialize)]
struct AntennaTold {
    site: String,
    heard: f64,
    near_dbm: Option<f64>,
    span_db: f64,
    spread_db: f64,
    gain_db: Option<f64>,
    as_told: f64,
}

#[derive(Debug, Serialize)]
struct TurnTold {
    site: String,
    start_s: f64,
    end_s: f64,
}

/// Checks, and prints the answer.
pub fn run(path: &Path, order: &[String], turns: &[String], json: bool, quiet: bool) -> Result<(), Failure> {
    let study = read_study(path)?;
    let failed = |error| Failure::Antennas {
        study: path.to_owned(),
        error,
    };
    let turns = if turns.is_empty() {
        find_turns(&study.setup, &study.recording, &visited(&study, order)?).map_err(failed)?
    } else {
        turns
            .iter()
            .map(|turn| given_turn(&study, turn))
            .collect::<Result<_, _>>()?
    };
    let check = check_antennas(&study.setup, &study.recording, &turns).map_err(failed)?;
    let answered = answered(&study, &check);
    if json {
        stdout::json(&answered)?;
    } else if !quiet {
        stdout::text(&text(&answered))?;
    }
    if answered.answer == STOP {
        // So that a script that goes on from here does not.
        return Err(Failure::Stop { study: path.to_owned() });
    }
    Ok(())
}

/// The sites in the order in which they were visited.
fn visited(study: &Study, order: &[String]) -> Result<Vec<usize>, Failure> {
    let layout = &study.setup.layout;
    if order.is_empty() {
        return Ok((0..layout.len()).collect());
    }
    order
        .iter()
        .map(|name| site_of(layout, "--order", name.trim()))
        .collect()
}

/// A turn as it is typed, `SITE=FROM..TO`.
fn given_turn(study: &Study, text: &str) -> Result<Turn, Failure> {
    let parts = text.rsplit_once('=').and_then(|(site, span)| {
        let (from, to) = span.split_once("..")?;
        let seconds = |text: &str| text.trim().parse::<f64>().ok().filter(|time_s| time_s.is_finite());
        Some((site, seconds(from)?, seconds(to)?)).filter(|(_, from_s, to_s)| from_s < to_s)
    });
    let (site, start_s, end_s) = parts.ok_or_else(|| Failure::NoTurn { found: text.to_owned() })?;
    Ok(Turn {
        site: site_of(&study.setup.layout, "--turn", site.trim())?,
        start_s,
        end_s,
    })
}

fn answered(study: &Study, check: &AntennaCheck) -> Answered {
    let names: Vec<&str> = study
        .setup
        .layout
        .sites()
        .iter()
        .map(|site| site.name.as_str())
        .collect();
    let mut findings: Vec<Told> = check
        .findings
        .iter()
        .map(|finding| told(finding, check, &names))
        .collect();
    let battery_percent = battery_percent(study);
    findings.extend(
        battery_percent
            .filter(|&percent| percent < LEAST_PERCENT)
            .map(low_battery),
    );
    findings.sort_by_key(|finding| std::cmp::Reverse(finding.answer));
    let antennas = check.antennas.iter().zip(&names).zip(&check.labelling.column_as_told);
    Answered {
        format: 1,
        study: study.id.clone(),
        answer: match findings.first().map_or(Answer::Go, |finding| finding.answer) {
            Answer::Go => "go",
            Answer::LookAgain => "look-again",
            Answer::Stop => STOP,
        },
        labels_as_told: check.labelling.as_told,
        antennas: antennas
            .map(|((antenna, name), &as_told)| AntennaTold {
                site: (*name).to_owned(),
                heard: antenna.heard,
                near_dbm: antenna.near_dbm,
                span_db: antenna.span_db,
                spread_db: antenna.spread_db,
                gain_db: antenna.gain_db,
                as_told,
            })
            .collect(),
        turns: check
            .turns
            .iter()
            .map(|turn| TurnTold {
                site: names[turn.site].to_owned(),
                start_s: turn.start_s,
                end_s: turn.end_s,
            })
            .collect(),
        findings,
        battery_percent,
    }
}

/// The last charge that was logged, percent.
fn battery_percent(study: &Study) -> Option<f64> {
    let column = study.auxiliary.iter().find(|column| column.name == BATTERY_PERCENT)?;
    let numbers = column
        .cells
        .iter()
        .rev()
        .filter_map(|cell| cell.trim().parse::<f64>().ok());
    numbers.into_iter().find(|percent| (0.0..=100.0).contains(percent))
}

fn low_battery(percent: f64) -> Told {
    Told {
        kind: "battery-low",
        sites: Vec::new(),
        probability: None,
        what: format!("The capsule's battery holds {percent:.0} %."),
        to_do: "Take another capsule: this one may not last to the colon.",
        answer: Answer::LookAgain,
    }
}

/// A finding in words, with what to do.
fn told(finding: &AntennaFinding, check: &AntennaCheck, names: &[&str]) -> Told {
    const AT: &str = "Look at its plug and cable, put it on again or replace it, and check again.";
    const LABELS: &str =
        "Trace each cable from the recorder to the skin, put the antennas or the labels right, and check again.";
    let name = |&site: &usize| names[site].to_owned();
    let (kind, sites, probability, what, to_do) = match finding {
        AntennaFinding::Dead { site } => (
            "dead",
            vec![*site],
            None,
            format!("{} hears nothing.", names[*site]),
            AT,
        ),
        AntennaFinding::Lossy { site, heard } => {
            let what = format!(
                "{} hears only {:.0} % of the packets of a capsule held near it.",
                names[*site],
                100.0 * heard
            );
            ("lossy", vec![*site], None, what, AT)
        }
        AntennaFinding::Weak { site, below_db } => {
            let what = format!(
                "{} hears {below_db:.0} dB less than the others would in its place.",
                names[*site]
            );
            ("weak", vec![*site], None, what, AT)
        }
        AntennaFinding::Flat {
            site,
            span_db,
            level_dbm,
        } => {
            let what = format!(
                "{} hears about {level_dbm:.0} dBm wherever the capsule is (it changes by {span_db:.0} dB): a high floor, interference, or a cable of another antenna.",
                names[*site]
            );
            let to_do = "Switch the capsule off and look whether the level stays. If it does, find what sends, or replace the antenna.";
            ("flat", vec![*site], None, what, to_do)
        }
        AntennaFinding::Unsteady { site, spread_db } => {
            let what = format!(
                "{} is restless by {spread_db:.0} dB while the capsule is held still: a loose contact, or interference.",
                names[*site]
            );
            ("unsteady", vec![*site], None, what, AT)
        }
        AntennaFinding::Swapped {
            one,
            other,
            probability,
        } => {
            let what = format!("{} and {} seem to have each other's place.", names[*one], names[*other]);
            ("swapped", vec![*one, *other], Some(*probability), what, LABELS)
        }
        AntennaFinding::Mislabelled {
            sites,
            seem_at,
            probability,
        } => {
            let moved = sites
                .iter()
                .zip(seem_at)
                .map(|(told, at)| format!("{} at {}", names[*told], names[*at]));
            let what = format!("Labels seem to be wrong: {}.", moved.collect::<Vec<_>>().join(", "));
            ("mislabelled", sites.clone(), Some(*probability), what, LABELS)
        }
        AntennaFinding::Unsure { site, as_told } => {
            let what = format!("It is not sure that {} is where its label says.", names[*site]);
            let to_do =
                "Check again, with the capsule held still about 5 cm in front of each antenna, ten seconds each.";
            ("unsure", vec![*site], Some(*as_told), what, to_do)
        }
        AntennaFinding::TurnsAlike { turn } => {
            let pair = [check.turns[*turn].site, check.turns[turn + 1].site];
            let what = format!(
                "The turns at {} and {} look alike: was a site left out, or the order another?",
                names[pair[0]], names[pair[1]]
            );
            let to_do = "Check again in the order of the sites, or give the order by --order, or the times by --turn.";
            ("turns-alike", pair.to_vec(), None, what, to_do)
        }
        AntennaFinding::NotHeld { loudest, turns } => {
            let what = format!(
                "This does not look like a capsule held near the sites in this order: the nearest antenna was the loudest in only {loudest} of {turns} turns. Nothing else said here can be relied on."
            );
            let to_do = "Check again with the capsule about 5 cm in front of each antenna, in the order of the sites, or give the order by --order or the times by --turn.";
            ("not-held", Vec::new(), None, what, to_do)
        }
        AntennaFinding::NoMirror { site, off_mm } => {
            let what = format!(
                "{} has no mirror image across the midline: the nearest site is {off_mm:.0} mm from there.",
                names[*site]
            );
            let to_do = "Look whether it sits where it should, or whether its place in the layout is mistyped.";
            ("no-mirror", vec![*site], None, what, to_do)
        }
        _ => ("other", Vec::new(), None, format!("{finding:?}"), AT),
    };
    Told {
        kind,
        sites: sites.iter().map(name).collect(),
        probability,
        what,
        to_do,
        answer: finding.answer(),
    }
}

fn text(answered: &Answered) -> String {
    let head = match answered.answer {
        "go" => "GO. Every antenna hears, and the labels are as told.",
        "look-again" => "LOOK AGAIN before the capsule is swallowed.",
        _ => "STOP. Do not give the capsule before this is put right.",
    };
    let mut text = paragraph(&format!("{}: {head}", answered.study), 0);
    for finding in &answered.findings {
        let sure = finding
            .probability
            .map(|share| format!(" (Probability {}.)", percent(share)))
            .unwrap_or_default();
        text.push_str(&paragraph(&format!("- {}{sure} {}", finding.what, finding.to_do), 2));
    }
    text.push('\n');
    text.push_str(&table(&answered.antennas));
    text.push_str(&format!("All labels as told: {}\n", percent(answered.labels_as_told)));
    if let Some(battery) = answered.battery_percent {
        text.push_str(&format!("Battery: {battery:.0} %\n"));
    }
    text.push_str(&paragraph(
        "A probability is that of a model of the air around the body. Not a medical device; local protocol decides.",
        0,
    ));
    text
}

fn table(antennas: &[AntennaTold]) -> String {
    let mut table = Table::new(&[
        ("Antenna", Align::Left),
        ("heard", Align::Right),
        ("held near", Align::Right),
        ("against others", Align::Right),
        ("changes by", Align::Right),
        ("restless by", Align::Right),
        ("label right", Align::Right),
    ]);
    for antenna in antennas {
        let level = antenna.near_dbm.map(|level_dbm| format!("{level_dbm:.0} dBm"));
        let gain = antenna.gain_db.map(|gain_db| format!("{gain_db:+.0} dB"));
        table.row([
            antenna.site.clone(),
            percent(antenna.heard),
            level.unwrap_or_else(|| "-".to_owned()).replace('-', "−"),
            gain.unwrap_or_else(|| "-".to_owned()).replace('-', "−"),
            format!("{:.0} dB", antenna.span_db),
            format!("{:.1} dB", antenna.spread_db),
            percent(antenna.as_told),
        ]);
    }
    table.text()
}

/// A share in percent; what is not certain is not rounded to certainty.
fn percent(share: f64) -> String {
    if share > 0.995 && share < 1.0 {
        "> 99 %".to_owned()
    } else if share > 0.0 && share < 0.005 {
        "< 1 %".to_owned()
    } else {
        format!("{:.0} %", 100.0 * share)
    }
}
