//! The plan as a calendar with reminders: iCalendar, RFC 5545.
//!
//! Moments are written in UTC (form 2 of section 3.3.5), so that no calendar program has to know the zone's rules: what is
//! elapsed stays elapsed, and what was a time on the wall has been worked out already. The look at the recorder is one event
//! whose reminder repeats (`REPEAT` and `DURATION` of section 3.8.6), not fifty events; a program that does not repeat
//! reminders rings once. Identifiers are the plan's and the step's, and `SEQUENCE` grows with the time of asking, so that a
//! plan moved to another day replaces the earlier one where both have the same identifier.

use jiff::{SignedDuration, Timestamp, ZonedDateTime};

use crate::local_time::{day, time_of_day};
use crate::plan::DayPlan;
use crate::step::{Audience, Step};
use crate::text::lasting;
use crate::words::{CALL, CLINICIAN_DECIDES};

/// Lines are folded so that none is longer, bytes (section 3.1).
const LONGEST_LINE: usize = 75;

/// The steps of a patient or of the unit as an iCalendar file.
///
/// `id` names the plan, so that the plans of several people in one calendar stay apart: a pseudonym. `asked` is when the plan
/// was made.
#[must_use]
pub fn calendar(plan: &DayPlan, audience: Audience, id: &str, asked: Timestamp) -> String {
    let mut lines = Lines::default();
    lines.push("BEGIN:VCALENDAR");
    lines.push("VERSION:2.0");
    lines.push("PRODID:-//alvine//dayplan//EN");
    lines.push("CALSCALE:GREGORIAN");
    lines.push("METHOD:PUBLISH");
    for step in plan.steps.iter().filter(|step| step.audience == audience) {
        event(&mut lines, plan, step, id, asked);
    }
    lines.push("END:VCALENDAR");
    lines.0
}

fn event(lines: &mut Lines, plan: &DayPlan, step: &Step, id: &str, asked: Timestamp) {
    lines.push("BEGIN:VEVENT");
    lines.push(&format!(
        "UID:{}",
        escaped(&format!("{id}-{}@dayplan.alvine.invalid", step.id))
    ));
    lines.push(&format!("DTSTAMP:{}", utc(asked)));
    // Minutes: a number of 31 bits for the next thousands of years.
    lines.push(&format!("SEQUENCE:{}", asked.as_second().max(0) / 60));
    lines.push(&format!("DTSTART:{}", utc(step.start.timestamp())));
    if let Some(end) = step.end.as_ref().filter(|&end| *end > step.start) {
        lines.push(&format!("DTEND:{}", utc(end.timestamp())));
    }
    lines.push(&format!(
        "SUMMARY:{}",
        escaped(&format!("{}{}", step.title, every(step)))
    ));
    lines.push(&format!("DESCRIPTION:{}", escaped(&description(plan, step))));
    lines.push("TRANSP:TRANSPARENT");
    if let Some(remind) = step.remind {
        alarm(lines, step, -remind, None);
    }
    if let (Some(repeat), Some(end)) = (step.repeat, &step.end) {
        alarm(lines, step, repeat, again(&step.start, end, repeat));
    }
    lines.push("END:VEVENT");
}

fn every(step: &Step) -> String {
    let alone = Step {
        end: None,
        ..step.clone()
    };
    lasting(&alone)
}

/// How many times more, and how far apart; `None` where once is all.
fn again(start: &ZonedDateTime, end: &ZonedDateTime, repeat: SignedDuration) -> Option<(i64, SignedDuration)> {
    // The first is one interval after the start; none at the end, which has a reminder of its own.
    let lasts_s = start.duration_until(end).as_secs();
    let more = (lasts_s - 1) / repeat.as_secs().max(1) - 1;
    (more > 0).then_some((more, repeat))
}

fn alarm(lines: &mut Lines, step: &Step, after_start: SignedDuration, again: Option<(i64, SignedDuration)>) {
    lines.push("BEGIN:VALARM");
    lines.push("ACTION:DISPLAY");
    lines.push(&format!("DESCRIPTION:{}", escaped(&step.title)));
    lines.push(&format!("TRIGGER:{}", duration(after_start)));
    if let Some((times, apart)) = again {
        lines.push(&format!("REPEAT:{times}"));
        lines.push(&format!("DURATION:{}", duration(apart)));
    }
    lines.push("END:VALARM");
}

fn description(plan: &DayPlan, step: &Step) -> String {
    let mut text = format!(
        "{} on {}{}: {}",
        time_of_day(&step.start),
        day(step.start.date()),
        lasting(step),
        step.words
    );
    if step.id == "swallow" {
        text.push_str("\nUntil the end:");
        for rule in &plan.conduct {
            text.push_str(&format!("\n- {rule}"));
        }
        text.push_str(&format!("\n{CALL}"));
    }
    if step.id == "last-solids" {
        text.push_str(&format!("\n{CLINICIAN_DECIDES}"));
    }
    if let Some(contact) = &plan.contact {
        text.push_str(&format!("\nThe unit: {contact}"));
    }
    text
}

/// `20260302T071500Z` (section 3.3.5).
fn utc(moment: Timestamp) -> String {
    let civil = jiff::tz::Offset::UTC.to_datetime(moment);
    let (date, time) = (civil.date(), civil.time());
    format!(
        "{:04}{:02}{:02}T{:02}{:02}{:02}Z",
        date.year(),
        date.month(),
        date.day(),
        time.hour(),
        time.minute(),
        time.second()
    )
}

/// `-PT30M` (section 3.3.6).
fn duration(duration: SignedDuration) -> String {
    let seconds = duration.as_secs();
    let sign = if seconds < 0 { "-" } else { "" };
    let seconds = seconds.abs();
    if seconds % 60 == 0 {
        format!("{sign}PT{}M", seconds / 60)
    } else {
        format!("{sign}PT{seconds}S")
    }
}

/// Text as section 3.3.11 has it.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\\' | ';' | ',' => {
                safe.push('\\');
                safe.push(letter);
            }
            '\n' => safe.push_str("\\n"),
            letter if letter.is_control() => safe.push(' '),
            letter => safe.push(letter),
        }
    }
    safe
}

/// Content lines, folded and ended as section 3.1 has it.
#[derive(Default)]
struct Lines(String);

impl Lines {
    fn push(&mut self, line: &str) {
        let mut bytes = 0;
        for letter in line.chars() {
            if bytes + letter.len_utf8() > LONGEST_LINE {
                self.0.push_str("\r\n ");
                bytes = 1;
            }
            self.0.push(letter);
            bytes += letter.len_utf8();
        }
        self.0.push_str("\r\n");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_lines_are_folded_between_letters_and_unfold_to_what_they_were() {
        let line = format!("DESCRIPTION:{}", "ä1€".repeat(80));
        let mut lines = Lines::default();
        lines.push(&line);
        assert!(lines.0.split("\r\n").all(|line| line.len() <= LONGEST_LINE));
        assert_eq!(lines.0.replace("\r\n ", ""), format!("{line}\r\n"));
    }

    #[test]
    fn text_cannot_end_its_line_or_begin_another_property() {
        assert_eq!(escaped("a,b;c\\d\ne\rBEGIN:X"), "a\\,b\\;c\\\\d\\ne BEGIN:X");
    }

    #[test]
    fn durations_are_as_the_standard_writes_them() {
        assert_eq!(duration(SignedDuration::from_mins(-90)), "-PT90M");
        assert_eq!(duration(SignedDuration::from_secs(45)), "PT45S");
        assert_eq!(duration(SignedDuration::ZERO), "PT0M");
    }
}
