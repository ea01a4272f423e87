//! The page of an audit: the answer first, then what it rests on; one file that asks nothing of the network.

use std::fs;
use std::path::Path;

use alvine_audit::antennas::SiteAudit;
use alvine_audit::{Audit, COMPLETE, Measures, Proportion, Quantile, Verdict};
use alvine_study::Staging;
use serde::Serialize;

use super::gather::Gathered;
use super::{completion_words, figures, verdict_words};
use crate::outcome::Failure;
use crate::report::Figure;
use crate::report::clock::duration;
use crate::report::page::html::{Cell, Html};
use crate::report::page::plain;

/// The page's file.
pub const PAGE_NAME: &str = "audit.html";
const JSON_NAME: &str = "audit.json";
/// Studies that are listed one by one on the page; the numbers list all.
const MOST_LISTED: usize = 200;

/// What whoever reads a completion rate must know.
pub const HONESTY: &str = "Completion is told from the signal unless a reader marked the valve. On simulated studies whose air is \
     as unkind as a body's may be, one passage of the valve in 31 went unseen (4 of 126; the table of landmarks in alvine's \
     README); no recording from a person was available to try it on: do not conclude from this rate alone that examinations were \
     incomplete.";

/// `audit.json`.
#[derive(Serialize)]
pub struct AuditJson<'a> {
    format: u32,
    versions: &'a [String],
    priors: &'a [String],
    parts_missing: &'a [u32],
    completion_share: Option<f64>,
    completion_interval95: [f64; 2],
    completion_interval_kind: &'static str,
    verdicts: Option<Verdicts<'a>>,
    audit: &'a Audit,
}

#[derive(Serialize)]
struct Verdicts<'a> {
    measure: &'a alvine_audit::Measure,
    minimum: Verdict,
    target: Verdict,
}

/// The numbers of an audit.
pub fn json<'a>(gathered: &'a Gathered, measures: &'a Measures) -> AuditJson<'a> {
    let complete = &gathered.audit.completion.complete;
    AuditJson {
        format: 1,
        versions: &gathered.versions,
        priors: &gathered.priors,
        parts_missing: gathered.missing(),
        completion_share: complete.share(),
        completion_interval95: complete.interval95(),
        completion_interval_kind: "Wilson score",
        verdicts: measures.get(COMPLETE).map(|measure| Verdicts {
            measure,
            minimum: gathered.audit.completion.verdict(measure.minimum),
            target: gathered.audit.completion.verdict(measure.target),
        }),
        audit: &gathered.audit,
    }
}

/// Writes page and numbers, each whole or not at all.
pub fn write(gathered: &Gathered, measures: &Measures, out: &Path) -> Result<(), Failure> {
    let drawn = figures::all(&gathered.audit, measures)?;
    let page = page(gathered, measures, &drawn);
    let failed = |name: &str, source| Failure::Write {
        file: out.join(name),
        source,
    };
    let mut json = serde_json::to_string_pretty(&self::json(gathered, measures))
        .map_err(|error| failed(JSON_NAME, error.into()))?;
    json.push('\n');
    let mut staging = Staging::new(out)?;
    fs::write(staging.path(JSON_NAME), json).map_err(|source| failed(JSON_NAME, source))?;
    fs::write(staging.path(PAGE_NAME), page).map_err(|source| failed(PAGE_NAME, source))?;
    Ok(staging.commit()?)
}

fn page(gathered: &Gathered, measures: &Measures, drawn: &[Figure]) -> String {
    let audit = &gathered.audit;
    let mut html = plain::open(&format!("Audit of {} capsule examinations", audit.studies));
    for notice in [gathered.missing_words(), gathered.priors_words()]
        .into_iter()
        .flatten()
    {
        html.element("p class=\"notice\"", &notice);
    }
    html.raw(
        "<p class=\"notice\" role=\"note\"><strong>Information, not a judgement of people. Not a medical device.</strong> \
         Everything here is computed from signal strength, unless it says that a reader saw it in the images.</p>\n",
    );
    plain::open_main(&mut html);
    completion(&mut html, gathered, measures, drawn);
    transits(&mut html, audit, drawn);
    antennas(&mut html, audit, drawn);
    hearing(&mut html, audit, drawn);
    second_look(&mut html, audit);
    sources(&mut html, measures, &gathered.priors);
    let footer = format!(
        "Rows made by alvine {}. Everything on this page is computed from the Parquet tables beside it: alvine audit --from \
         makes it again.",
        gathered.versions.join(", ")
    );
    plain::close(html, &footer)
}

fn completion(html: &mut Html, gathered: &Gathered, measures: &Measures, drawn: &[Figure]) {
    let audit = &gathered.audit;
    let completion = &audit.completion;
    html.open_section("completion", "audit", "Were the examinations complete?");
    html.element("p class=\"answer\"", &completion_words(gathered));
    if let Some(measure) = measures.get(COMPLETE) {
        let verdict = |threshold| verdict_words(completion.verdict(threshold));
        html.paragraph(&format!(
            "{}: minimum {:.0} %, {}; target {:.0} %, {}. A threshold is called met only where the whole interval \
             lies above it, and missed only where it would lie below even if every unclear study were complete. Numbers of the edition of {} ({}): {}.",
            measure.name,
            100.0 * measure.minimum,
            verdict(measure.minimum),
            100.0 * measure.target,
            verdict(measure.target),
            measure.year,
            measure.status,
            measure.source
        ));
    }
    html.figure(
        drawn,
        "completion",
        "wide",
        "The share with its 95 % interval; in pale, those of which the signal does not tell; and the thresholds.",
    );
    html.element("p class=\"notice\"", HONESTY);
    html.paragraph(&format!(
        "Of {} studies that were found {} could be analysed; shares are of those. In {} the signal does not tell: if all of them \
         were complete, the share would be {}. Of the complete, a reader saw the valve in {}. By the probabilities, {:.0} \
         complete ones are expected.",
        audit.studies,
        audit.analysed,
        completion.unclear,
        percent_of(&completion.at_most),
        completion.seen_by_reader,
        completion.expected
    ));
    if audit.months.months.len() > 1 {
        let caption = "Share of complete examinations by month, unclear ones not counted as such, between the limits that so many examinations allow by chance \
                       (three standard deviations of a share). A ring marks a month outside them.";
        html.figure(drawn, "months", "wide", caption);
    } else {
        html.paragraph("All dated studies began in one month, so that no course over months can be shown.");
    }
    if audit.months.undated > 0 {
        let undated = audit.months.undated;
        html.paragraph(&format!(
            "{undated} studies do not say when they began, and are in no month."
        ));
    }
    html.close_section();
}

fn transits(html: &mut Html, audit: &Audit, drawn: &[Figure]) {
    html.open_section("transit", "audit", "How long did each part take?");
    html.paragraph(
        "A capsule that was still on its way when the recording ended is counted as watched until then (Kaplan and Meier's \
         estimate). That is right only where the end of a recording has nothing to do with how soon the capsule would have \
         passed.",
    );
    let rows = audit.transits.iter().map(|transit| {
        let [quarter, half, three] = &transit.quartiles;
        vec![
            Cell::Head(transit.name.to_owned()),
            Cell::Value(transit.curve.observations.to_string()),
            Cell::Value(transit.curve.passed.to_string()),
            quantile(quarter),
            quantile(half),
            quantile(three),
        ]
    });
    let headings = [
        "Transit",
        "Studies",
        "Seen to pass",
        "A quarter passed by",
        "Half (95 % interval)",
        "Three quarters",
    ];
    html.table("Transit times over all studies", &headings, rows);
    let caption = "Share of the capsules that had not yet passed, with its 95 % interval.";
    html.figure(drawn, "transits", "wide", caption);
    html.close_section();
}

fn quantile(quantile: &Quantile) -> Cell {
    let text = quantile.time_s.map(|time_s| {
        let limit = |limit: Option<f64>| limit.map_or("?".to_owned(), duration);
        let [from, to] = quantile.interval95_s;
        format!("{} ({} to {})", duration(time_s), limit(from), limit(to))
    });
    Cell::value_or(text, "too few passed")
}

fn antennas(html: &mut Html, audit: &Audit, drawn: &[Figure]) {
    html.open_section("antennas", "audit", "Which antennas failed?");
    html.paragraph(
        "An antenna was off in a study where no packet came from it at half of the instants or more, and deaf where it heard the \
         capsule at less than one in a hundred (common practice, no source). Spans in which an antenna seems to have \
         worked loose are counted apart: on simulated studies 29 of 31 such spans were right, and 28 of 64 loosenings were found.",
    );
    let rows = audit.sites.iter().map(|site: &SiteAudit| {
        vec![
            Cell::Head(site.site.clone()),
            Cell::Value(site.failed.of.to_string()),
            Cell::Value(site.off.count.to_string()),
            Cell::Value(site.deaf.count.to_string()),
            Cell::Value(percent_of(&site.failed)),
            Cell::Value(site.loose.count.to_string()),
            Cell::value_or(
                site.mean_heard.map(|share| format!("{:.0} %", 100.0 * share)),
                "not known",
            ),
        ]
    });
    let headings = [
        "Site",
        "Studies",
        "Off",
        "Deaf",
        "Failed (95 % interval)",
        "Loose spans",
        "Heard, mean",
    ];
    html.table("Failures by site", &headings, rows);
    html.figure(
        drawn,
        "antennas",
        "wide",
        "Share of the studies in which each antenna failed, with its 95 % interval.",
    );
    html.close_section();
}

fn hearing(html: &mut Html, audit: &Audit, drawn: &[Figure]) {
    html.open_section("quality", "audit", "Has the quality of recordings changed?");
    match &audit.hearing.chart {
        None => html.paragraph("Too few studies for a control chart: it needs twelve."),
        Some(chart) => {
            html.paragraph(&format!(
                "One point a study, in the order in which they began: the share of the instants at which a site heard the capsule, \
                 mean over the sites. {} of {} lie outside the limits, and {} end a run of eight or more on one side. By \
                 chance alone about one in 370 lies outside.",
                chart.outside(),
                chart.points.len(),
                chart.runs()
            ));
            if audit
                .hearing
                .started_us
                .iter()
                .all(|started| *started == audit.hearing.started_us[0])
            {
                html.element(
                    "p class=\"notice\"",
                    "All studies began at the same moment, or none says when: the order is that of their names, and tells nothing \
                     of time.",
                );
            }
            let caption =
                "Centre and limits (mean ± 3 σ, σ from the differences of neighbours). A ring marks a point outside.";
            html.figure(drawn, "hearing", "wide", caption);
        }
    }
    html.close_section();
}

fn second_look(html: &mut Html, audit: &Audit) {
    html.open_section("second-look", "audit", "Which studies need a second look?");
    if audit.second_look.is_empty() {
        html.paragraph("None by these rules.");
    } else {
        let rows = audit.second_look.iter().take(MOST_LISTED).map(|look| {
            vec![
                Cell::Head(look.study.clone()),
                Cell::Value(look.id.clone().unwrap_or_default()),
                Cell::Value(look.reasons.join("; ")),
            ]
        });
        html.table(
            "Studies with the most reasons first",
            &["Study", "Pseudonym", "Why"],
            rows,
        );
        let more = audit.second_look.len().saturating_sub(MOST_LISTED);
        if more > 0 {
            html.paragraph(&format!("And {more} more, which audit.json lists."));
        }
    }
    html.close_section();
}

fn sources(html: &mut Html, measures: &Measures, priors: &[String]) {
    html.open_section("sources", "audit", "What this rests on");
    if !priors.is_empty() {
        html.paragraph(&format!(
            "Expected beforehand of how long each part takes (prior): {}.",
            priors.join(", ")
        ));
    }
    html.paragraph(
        "Intervals of shares: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209–212. Transit: E. L. Kaplan and P. Meier, J. Am. \
         Stat. Assoc. 53 (1958) 457–481, limits by log(−log). Control charts: W. A. Shewhart, Economic Control of Quality of \
         Manufactured Product (1931); spread from moving ranges, L. S. Nelson, J. Qual. Technol. 14 (1982) 172–173; eight in a row \
         on one side as a sign, from memory.",
    );
    let rows = measures.measures.iter().map(|measure| {
        let judged = if measure.id == COMPLETE {
            "above"
        } else {
            "no recording tells"
        };
        vec![
            Cell::Head(measure.name.clone()),
            Cell::Value(measure.counts.clone()),
            Cell::Value(format!("{:.0} %", 100.0 * measure.minimum)),
            Cell::Value(format!("{:.0} %", 100.0 * measure.target)),
            Cell::Value(format!("{}, {}", measure.year, measure.status)),
            Cell::Value(measure.source.clone()),
            Cell::Value(judged.to_owned()),
        ]
    });
    let headings = [
        "Measure",
        "What is counted",
        "Minimum",
        "Target",
        "Edition, status",
        "Source",
        "Judged",
    ];
    html.table("Performance measures", &headings, rows);
    html.close_section();
}

fn percent_of(proportion: &Proportion) -> String {
    let [from, to] = proportion.interval95();
    match proportion.share() {
        None => "none".to_owned(),
        Some(share) => format!("{:.1} % ({:.1} to {:.1} %)", 100.0 * share, 100.0 * from, 100.0 * to),
    }
}
