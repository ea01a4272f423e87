//! `audit`: every study of a folder, and what they show together.
//!
//! Studies become rows of two Parquet tables; the page is made from the tables alone, so that whoever has them can make it
//! again, or ask them something else.

mod error;
mod figures;
mod gather;
mod page;
mod row;
mod work;

use std::fs;
use std::path::Path;

use alvine_audit::{COMPLETE, DEFAULT_MEASURES, Measures, Verdict};

pub use error::AuditError;
use gather::Gathered;

use crate::args::AuditArgs;
use crate::outcome::Failure;
use crate::plain_text::paragraph;
use crate::stdout;

/// Faulty studies that are named one by one on standard output.
const MOST_NAMED: usize = 10;

/// Audits, or makes the page of an audit anew.
pub fn run(args: &AuditArgs, quiet: bool) -> Result<(), Failure> {
    if args.print_measures {
        return stdout::text(DEFAULT_MEASURES);
    }
    let measures = measures(args.measures.as_deref())?;
    let out = match (&args.from, &args.studies, &args.out) {
        (Some(from), ..) => from,
        (None, Some(studies), Some(out)) => {
            let done = work::run(args, studies, out, quiet)?;
            if let Some(shard) = args.shard {
                return part_done(args, &done.words(studies, shard), done.faulty, quiet);
            }
            if !quiet && !args.json {
                stdout::text(&done.words(studies, alvine_audit::Shard::WHOLE))?;
            }
            out
        }
        // The arguments do not parse so.
        _ => return Ok(()),
    };
    let gathered = Gathered::read(out)?;
    page::write(&gathered, &measures, out)?;
    if args.json {
        stdout::json(&page::json(&gathered, &measures))?;
    } else if !quiet {
        stdout::text(&answer(&gathered, &measures, out))?;
    }
    fail_if_strict(args, gathered.audit.faults.len())
}

fn part_done(args: &AuditArgs, words: &str, faulty: usize, quiet: bool) -> Result<(), Failure> {
    if !quiet {
        stdout::text(words)?;
        let next = "When all parts are done, `alvine audit --from` with the same folder makes the page.";
        stdout::text(&paragraph(next, 0))?;
    }
    fail_if_strict(args, faulty)
}

fn fail_if_strict(args: &AuditArgs, faulty: usize) -> Result<(), Failure> {
    if args.strict && faulty > 0 {
        return Err(AuditError::Faulty { count: faulty }.into());
    }
    Ok(())
}

fn measures(file: Option<&Path>) -> Result<Measures, Failure> {
    let Some(file) = file else {
        // Held by a test of the crate that carries it.
        return Measures::parse(DEFAULT_MEASURES).map_err(|error| {
            let file = "performance-measures.toml".into();
            AuditError::Measures { file, error }.into()
        });
    };
    let text = fs::read_to_string(file).map_err(|source| Failure::Read {
        file: file.to_owned(),
        source,
    })?;
    Measures::parse(&text).map_err(|error| {
        let file = file.to_owned();
        AuditError::Measures { file, error }.into()
    })
}

/// The short answer.
fn answer(gathered: &Gathered, measures: &Measures, out: &Path) -> String {
    let audit = &gathered.audit;
    let mut text = format!("\n{}\n", completion_words(gathered));
    if let Some(measure) = measures.get(COMPLETE) {
        for (what, threshold) in [("minimum", measure.minimum), ("target", measure.target)] {
            let verdict = verdict_words(audit.completion.verdict(threshold));
            let percent = 100.0 * threshold;
            text.push_str(&format!(
                "  {what} {percent:.0} % ({}, {}): {verdict}\n",
                measure.year, measure.status
            ));
        }
    }
    text.push_str(&paragraph(page::HONESTY, 0));
    text.push('\n');
    for faulty in audit.faults.iter().take(MOST_NAMED) {
        text.push_str(&paragraph(&format!("- {}: {}", faulty.study, faulty.fault), 2));
    }
    if audit.faults.len() > MOST_NAMED {
        let more = audit.faults.len() - MOST_NAMED;
        text.push_str(&format!("- and {more} more, which the page lists\n"));
    }
    for notice in [gathered.missing_words(), gathered.priors_words()]
        .into_iter()
        .flatten()
    {
        text.push_str(&paragraph(&notice, 0));
    }
    text.push_str(&format!(
        "Studies that need a second look: {}\n",
        audit.second_look.len()
    ));
    text.push_str(&format!("Page: {}\n", out.join(page::PAGE_NAME).display()));
    text.push_str(&format!(
        "Tables: {} and {}\n",
        out.join("studies").display(),
        out.join("sites").display()
    ));
    text
}

/// How many were complete, with interval.
fn completion_words(gathered: &Gathered) -> String {
    let complete = &gathered.audit.completion.complete;
    let Some(share) = complete.share() else {
        return "No study could be analysed, so that nothing can be said of completion.".to_owned();
    };
    let [from, to] = complete.interval95();
    let unclear = match gathered.audit.completion.unclear {
        0 => String::new(),
        unclear => format!("; unclear: {unclear}"),
    };
    format!(
        "Reached the colon: {:.1} % ({} of {}; 95 % interval {:.1} to {:.1} %){unclear}",
        100.0 * share,
        complete.count,
        complete.of,
        100.0 * from,
        100.0 * to
    )
}

/// A verdict in a word or two.
fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Met => "met",
        Verdict::Missed => "missed",
        Verdict::Open => "cannot be told, with so few studies or so many unclear",
    }
}
