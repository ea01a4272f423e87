//! `phases` and `check`, and the short answer of `report`: text for people on standard output.

use std::io::{self, Write};
use std::path::Path;

use alvine_study::Study;
use alvine_study::results::summary::{LandmarkResult, Summary, TransitTime};

use super::read_and_analyse;
use crate::analysis::AnalysisOptions;
use crate::outcome::Failure;

/// Prints landmarks, phases and transit times.
pub fn phases(path: &Path, json: bool, quiet: bool) -> Result<(), Failure> {
    let (study, analysis) = read_and_analyse(path, &AnalysisOptions::default(), quiet)?;
    let summary = &analysis.summary;
    let mut stdout = io::stdout().lock();
    if json {
        let part = serde_json::json!({
            "completeness": summary.completeness, "landmarks": summary.landmarks,
            "phases": summary.phases, "transit": summary.transit,
        });
        serde_json::to_writer_pretty(&mut stdout, &part)?;
        return Ok(writeln!(stdout)?);
    }
    Ok(write_answer(&mut stdout, &study, summary)?)
}

/// Prints how well a study was recorded.
pub fn check(path: &Path, json: bool, quiet: bool) -> Result<(), Failure> {
    let (_, analysis) = read_and_analyse(path, &AnalysisOptions::default(), quiet)?;
    let quality = &analysis.summary.quality;
    let mut out = io::stdout().lock();
    if json {
        serde_json::to_writer_pretty(&mut out, quality)?;
        return Ok(writeln!(out)?);
    }
    if quiet {
        return Ok(());
    }
    writeln!(
        out,
        "{:<24}{:>8}{:>10}{:>9}{:>11}{:>12}",
        "site", "heard", "censored", "missing", "saturated", "median dBm"
    )?;
    for site in &quality.sites {
        let percent = |share: f64| format!("{:.1} %", 100.0 * share);
        let median = site.median_dbm.map_or("-".to_owned(), |dbm| format!("{dbm:.0}"));
        writeln!(
            out,
            "{:<24}{:>8}{:>10}{:>9}{:>11}{median:>12}",
            site.name,
            percent(site.heard),
            percent(site.censored),
            percent(site.missing),
            percent(site.saturated),
        )?;
    }
    writeln!(
        out,
        "\nsites heard at half of the instants: {:.0}; sites that carry the result: {}",
        quality.median_sites_heard, quality.sites_carrying
    )?;
    for span in &quality.loosenings {
        writeln!(
            out,
            "{} may have worked loose from {} to {} ({:.0} dB weaker)",
            span.site,
            length(span.start_s),
            length(span.end_s),
            span.loss_db
        )?;
    }
    writeln!(
        out,
        "silences of all sites: {}; leaps of the clock: {}",
        quality.dropouts.len(),
        quality.clock_jumps.len()
    )?;
    Ok(())
}

/// The answer first, then landmarks and transit times.
pub fn write_answer(out: &mut dyn Write, study: &Study, summary: &Summary) -> io::Result<()> {
    writeln!(out, "{}", study.id)?;
    writeln!(out, "{}\n", summary.completeness.statement)?;
    writeln!(
        out,
        "{:<26}{:>14}   {:<32}from",
        "landmark", "after start", "90 % interval"
    )?;
    for landmark in &summary.landmarks {
        write_landmark(out, landmark)?;
    }
    writeln!(out, "\n{:<26}{:>14}   published", "transit", "duration")?;
    let transit = &summary.transit;
    for (name, time) in [
        ("oesophagus", &transit.oesophageal),
        ("stomach", &transit.gastric),
        ("small bowel", &transit.small_bowel),
        ("colon", &transit.colonic),
        ("whole gut", &transit.whole_gut),
    ] {
        write_transit(out, name, time)?;
    }
    Ok(())
}

fn write_landmark(out: &mut dyn Write, landmark: &LandmarkResult) -> io::Result<()> {
    let Some(time_s) = landmark.time_s else {
        let reason = landmark.reason.as_deref().unwrap_or("not told");
        return writeln!(out, "{:<26}{:>14}   {reason}", landmark.kind, "-");
    };
    let interval = landmark
        .interval90_s
        .map_or_else(String::new, |[from, to]| format!("{} to {}", length(from), length(to)));
    let source = serde_json::to_value(landmark.source).ok();
    let source = source.as_ref().and_then(|value| value.as_str()).unwrap_or_default();
    writeln!(
        out,
        "{:<26}{:>14}   {interval:<32}{source}",
        landmark.kind,
        length(time_s)
    )
}

fn write_transit(out: &mut dyn Write, name: &str, time: &TransitTime) -> io::Result<()> {
    let duration = match time.duration_s {
        None => "-".to_owned(),
        Some(duration_s) if time.censored => format!(">= {}", length(duration_s)),
        Some(duration_s) => length(duration_s),
    };
    let published = match (time.reference_median_s, time.reference_range_s, &time.reference_kind) {
        (Some(median), Some([from, to]), Some(kind)) => {
            format!("{} ({} to {}, {kind})", length(median), length(from), length(to))
        }
        _ => String::new(),
    };
    writeln!(out, "{name:<26}{duration:>14}   {published}")
}

/// A length of time as people say it.
pub fn length(seconds: f64) -> String {
    let sign = if seconds < 0.0 { "-" } else { "" };
    let whole = seconds.abs().round() as u64;
    let (hours, minutes, rest) = (whole / 3600, whole / 60 % 60, whole % 60);
    if hours > 0 {
        format!("{sign}{hours} h {minutes:02} min")
    } else if minutes > 0 {
        format!("{sign}{minutes} min {rest:02} s")
    } else {
        format!("{sign}{rest} s")
    }
}

#[cfg(test)]
mod tests {
    use super::length;

    #[test]
    fn lengths_read_as_people_say_them() {
        assert_eq!(length(8.0), "8 s");
        assert_eq!(length(412.0), "6 min 52 s");
        assert_eq!(length(13_400.0), "3 h 43 min");
        assert_eq!(length(-90.0), "-1 min 30 s");
    }
}
