//! Landmarks, phases and transit times in plain text, for `report` and `phases`.

use alvine_study::Study;
use alvine_study::results::summary::{LandmarkResult, MotilityResult, PhaseResult, Summary, TransitTime};

use crate::analysis::Analysis;
use crate::plain_text::{Align, Table, paragraph, plain};
use crate::report::clock::{Clock, duration, duration_range};
use crate::report::{ReportInput, words};

/// The clock of a study: the time of day where known, and the time since the swallow where known.
pub fn clock_of(study: &Study, analysis: &Analysis) -> Clock {
    Clock::of(&ReportInput {
        study,
        track: &analysis.track,
        summary: &analysis.summary,
        parts: Some(&analysis.parts),
    })
}

/// The study's name, whether the examination is complete, and when each landmark was passed.
pub fn answer(summary: &Summary, clock: &Clock) -> String {
    let completeness = &summary.completeness;
    let status = words::completeness(completeness.status).to_lowercase();
    let mut text = paragraph(&format!("{}: {status}", summary.study.id), 0);
    text.push_str(&paragraph(&plain(&completeness.statement), 0));
    if let Some(began) = clock.began() {
        text.push_str(&paragraph(&format!("The recording began on {began}."), 0));
    }
    text.push('\n');
    text.push_str(&landmarks(&summary.landmarks, clock));
    text
}

fn landmarks(landmarks: &[LandmarkResult], clock: &Clock) -> String {
    let mut columns = vec![("Landmark", Align::Left)];
    if clock.has_wall() {
        columns.push(("Time of day", Align::Right));
    }
    columns.extend([
        ("h:min:s", Align::Right),
        ("90 % interval", Align::Left),
        ("Source", Align::Left),
    ]);
    let mut table = Table::new(&columns);
    for landmark in landmarks {
        let Some(time_s) = landmark.time_s else {
            let reason = landmark.reason.as_deref().unwrap_or("no time, and no reason was given");
            table.sentence(&landmark.kind, reason);
            continue;
        };
        let interval = landmark
            .interval90_s
            .map(|[from_s, to_s]| format!("{} to {}", clock.elapsed(from_s), clock.elapsed(to_s)));
        let mut row = vec![landmark.kind.clone()];
        row.extend(clock.has_wall().then(|| clock.wall(time_s).unwrap_or_default()));
        row.extend([
            clock.elapsed(time_s),
            interval.unwrap_or_else(|| "as given".to_owned()),
            landmark.source.as_str().to_owned(),
        ]);
        table.row(row);
    }
    format!("{}h:min:s is counted {}.\n", table.text(), clock.since())
}

/// How long each phase took.
pub fn phases(phases: &[PhaseResult], clock: &Clock) -> String {
    let mut table = Table::new(&[
        ("Phase", Align::Left),
        ("From", Align::Right),
        ("To", Align::Right),
        ("Duration", Align::Right),
        ("90 % interval", Align::Left),
    ]);
    for phase in phases {
        table.row([
            phase.phase.clone(),
            clock.elapsed(phase.start_s),
            clock.elapsed(phase.end_s),
            at_least(phase.duration_s, phase.censored),
            phase.interval90_s.map(duration_range).unwrap_or_default(),
        ]);
    }
    table.text()
}

/// The transit times beside published ones, which are named below the table.
pub fn transit(summary: &Summary) -> String {
    let mut table = Table::new(&[
        ("Transit", Align::Left),
        ("Duration", Align::Right),
        ("90 % interval", Align::Left),
        ("Published", Align::Left),
    ]);
    let mut sources: Vec<&str> = Vec::new();
    for (name, time) in summary.transit.named() {
        let mark = time.reference_source.as_deref().map(|source| {
            let known = sources.iter().position(|&other| other == source);
            known.unwrap_or_else(|| {
                sources.push(source);
                sources.len() - 1
            }) + 1
        });
        table.row([
            name.to_owned(),
            time.duration_s
                .map_or("not told".to_owned(), |duration_s| at_least(duration_s, time.censored)),
            time.interval90_s.map(duration_range).unwrap_or_default(),
            published(time, mark),
        ]);
    }
    let mut text = table.text();
    for (at, source) in sources.iter().enumerate() {
        text.push_str(&paragraph(&format!("[{}] {}", at + 1, plain(source)), 4));
    }
    text
}

fn published(time: &TransitTime, mark: Option<usize>) -> String {
    let mut text = match (time.reference_median_s, time.reference_range_s) {
        (Some(median_s), Some(range_s)) => format!("{} ({})", duration(median_s), duration_range(range_s)),
        (Some(median_s), None) => duration(median_s),
        (None, Some(range_s)) => duration_range(range_s),
        (None, None) => return String::new(),
    };
    if let Some(mark) = mark {
        text.push_str(&format!(" [{mark}]"));
    }
    text
}

/// Rest and propulsion by phase.
pub fn motion(motility: &MotilityResult) -> String {
    let mut table = Table::new(&[
        ("Motion", Align::Left),
        ("Moving", Align::Right),
        ("Truly", Align::Left),
        ("mm/min while moving", Align::Left),
    ]);
    for phase in &motility.phases {
        match (phase.share_moving, phase.share_moving_interval) {
            (Some(share), Some([from, to])) => table.row([
                phase.phase.clone(),
                words::percent(share),
                format!("{} to {}", words::percent(from), words::percent(to)),
                phase
                    .moving_speed_mm_per_min
                    .map_or("not told".to_owned(), words::speed),
            ]),
            _ => table.sentence(&phase.phase, phase.reason.as_deref().unwrap_or("not told")),
        }
    }
    let mut text = table.text();
    let note = format!("{} Backwards: {}.", words::MOTION, motility.retrograde_reason);
    text.push_str(&paragraph(&note, 0));
    text
}

/// The rhythms hour by hour.
pub fn rhythm(motility: &MotilityResult, clock: &Clock) -> String {
    let mut table = Table::new(&[
        ("Rhythm from", Align::Left),
        ("Stomach", Align::Left),
        ("Small bowel", Align::Left),
    ]);
    for hour in &motility.rhythm_hours {
        table.row([
            clock.elapsed(hour.start_s),
            words::rhythm(hour.gastric.as_ref()),
            words::rhythm(hour.small_bowel.as_ref()),
        ]);
    }
    let mut text = table.text();
    text.push_str(&paragraph(words::RHYTHM, 0));
    text
}

fn at_least(duration_s: f64, censored: bool) -> String {
    if censored {
        format!("at least {}", duration(duration_s))
    } else {
        duration(duration_s)
    }
}
