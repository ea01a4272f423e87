//! `check`: is a study sound, and how well was it recorded?

use alvine_study::results::summary::{IntervalResult, QualityResult, SiteQualityResult, StudyHead, Summary};
use serde::Serialize;

use super::{read_and_analyse, refuse_personal_data, times};
use crate::args::StudyArgs;
use crate::outcome::Failure;
use crate::plain_text::{Align, Table, paragraph, plain};
use crate::progress::Progress;
use crate::report::clock::{Clock, duration};
use crate::stdout;

/// The most spans that are listed one by one.
const MOST_SPANS: usize = 10;

/// Members of `summary.json`, with its names.
#[derive(Debug, Serialize)]
struct Check<'a> {
    format: u32,
    study: &'a StudyHead,
    quality: &'a QualityResult,
}

/// Prints the quality.
pub fn run(of: &StudyArgs, json: bool, quiet: bool) -> Result<(), Failure> {
    let progress = Progress::new(quiet);
    let (study, analysis) = read_and_analyse(of, &progress)?;
    drop(progress);
    let summary = &analysis.summary;
    if json {
        stdout::json(&Check {
            format: summary.format,
            study: &summary.study,
            quality: &summary.quality,
        })?;
    } else if !quiet {
        let clock = times::clock_of(&study, &analysis);
        stdout::text(&described(summary, &clock))?;
    }
    refuse_personal_data(&of.study, &study)
}

fn described(summary: &Summary, clock: &Clock) -> String {
    let quality = &summary.quality;
    let mut text = head(summary, clock);
    text.push_str("\nShare of the instants inside the body at which each site\n");
    text.push_str(&sites(&quality.sites));
    text.push('\n');
    text.push_str(&format!(
        "Sites that heard the capsule at once: {} (median); sites that carry the result: {} of {}\n",
        quality.median_sites_heard,
        quality.sites_carrying,
        quality.sites.len()
    ));
    text.push_str(&paragraph(&located(summary), 2));
    let loose = quality.loosenings.iter().map(|loosening| {
        let span = span(loosening.start_s, loosening.end_s, clock);
        format!(
            "{}: {span}, {:.0} dB weaker, probability {:.2}",
            loosening.site, loosening.loss_db, loosening.probability
        )
    });
    text.push_str(&spans("Antennas that seem to have worked loose", loose.collect()));
    let rivals = quality.rivals.iter().map(|rival| {
        let [left_mm, back_mm, up_mm] = rival.position_mm;
        let span = span(rival.start_s, rival.end_s, clock);
        format!(
            "{span}: {left_mm:.0} mm left, {back_mm:.0} mm back, {up_mm:.0} mm up, probability {:.2}",
            rival.probability
        )
    });
    text.push_str(&spans(
        "Spans in which a distant place fits nearly as well",
        rivals.collect(),
    ));
    text.push_str(&spans(
        "Spans in which no site heard anything",
        intervals(&quality.dropouts, clock),
    ));
    text.push_str(&spans("Leaps of the clock", intervals(&quality.clock_jumps, clock)));
    text
}

fn head(summary: &Summary, clock: &Clock) -> String {
    let study = &summary.study;
    let step = summary.quality.median_step_s;
    let step = step.map_or(String::new(), |step_s| format!(", {step_s:.3} s apart (median)"));
    let began = clock.began().map_or(String::new(), |began| format!(", begun {began}"));
    let text = format!(
        "{}: the study is sound. {} instants{step} over {} at {} sites{began}.",
        study.id,
        study.instants,
        plain(&duration(study.duration_s)),
        study.sites.len(),
    );
    paragraph(&text, 0)
}

fn sites(sites: &[SiteQualityResult]) -> String {
    let mut table = Table::new(&[
        ("Site", Align::Left),
        ("heard", Align::Right),
        ("below floor", Align::Right),
        ("no packet", Align::Right),
        ("saturated", Align::Right),
        ("median level", Align::Right),
    ]);
    for site in sites {
        let median = site
            .median_dbm
            .map(|level_dbm| format!("{level_dbm:.1} dBm").replace('-', "−"));
        table.row([
            site.name.clone(),
            percent(site.heard),
            percent(site.censored),
            percent(site.missing),
            percent(site.saturated),
            median.unwrap_or_else(|| "never heard".to_owned()),
        ]);
    }
    table.text()
}

/// A share with one decimal; nothing that is there is rounded away.
fn percent(share: f64) -> String {
    if share > 0.0 && share < 0.0005 {
        "< 0.1 %".to_owned()
    } else {
        format!("{:.1} %", 100.0 * share)
    }
}

fn located(summary: &Summary) -> String {
    let quality = &summary.quality;
    let flags: Vec<String> = quality
        .flags
        .iter()
        .filter(|(_, count)| **count > 0)
        .map(|(flag, count)| format!("{flag} {count}"))
        .collect();
    let flags = if flags.is_empty() {
        "none flagged".to_owned()
    } else {
        format!("flagged: {}", flags.join(", "))
    };
    format!(
        "Instants with a place: {} of {}; {flags}",
        quality.instants_located, summary.study.instants
    )
}

fn intervals(intervals: &[IntervalResult], clock: &Clock) -> Vec<String> {
    let spans = intervals.iter();
    spans
        .map(|interval| span(interval.start_s, interval.end_s, clock))
        .collect()
}

/// A span of time, on the clock and in length.
fn span(start_s: f64, end_s: f64, clock: &Clock) -> String {
    let wall = clock.wall(start_s).map_or(String::new(), |wall| format!(" ({wall})"));
    format!(
        "{} to {} {}{wall}, {}",
        clock.elapsed(start_s),
        clock.elapsed(end_s),
        clock.since(),
        plain(&duration(end_s - start_s))
    )
}

fn spans(what: &str, spans: Vec<String>) -> String {
    if spans.is_empty() {
        return format!("{what}: none\n");
    }
    let mut text = format!("{what}: {}\n", spans.len());
    for span in spans.iter().take(MOST_SPANS) {
        text.push_str(&paragraph(&format!("- {span}"), 2));
    }
    if spans.len() > MOST_SPANS {
        text.push_str(&format!(
            "- and {} more, which --json lists\n",
            spans.len() - MOST_SPANS
        ));
    }
    text
}
