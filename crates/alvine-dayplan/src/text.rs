//! The plan as plain text, no wider than a hundred columns.

use crate::local_time::{day, time_of_day, zone_name};
use crate::plan::DayPlan;
use crate::step::{Audience, Step};
use crate::words::{CALL, CLINICIAN_DECIDES};

const WIDTH: usize = 100;
/// Columns of the time, and of who does it.
const TIME: usize = 16;

/// The plan as text, for patient and unit.
#[must_use]
pub fn text(plan: &DayPlan) -> String {
    let mut text = paragraph(
        &format!(
            "Plan for a capsule examination: swallow on {} at {} ({}).",
            day(plan.swallow.date()),
            time_of_day(&plan.swallow),
            zone_name(plan.swallow.time_zone())
        ),
        0,
    );
    text.push_str(&paragraph(
        &format!("Protocol: {} ({}).", plan.protocol, plan.origin),
        0,
    ));
    text.push_str(&paragraph(CLINICIAN_DECIDES, 0));
    for remark in &plan.remarks {
        text.push_str(&paragraph(&format!("Note: {remark}"), 6));
    }
    let mut date = None;
    for step in &plan.steps {
        if date != Some(step.start.date()) {
            text.push_str(&format!("\n{}\n", day(step.start.date())));
            date = Some(step.start.date());
        }
        text.push_str(&line(step));
    }
    text.push_str("\nFrom the swallow to the end\n");
    for rule in &plan.conduct {
        text.push_str(&paragraph(&format!("  - {rule}"), 4));
    }
    text.push('\n');
    text.push_str(&paragraph(CALL, 0));
    if let Some(contact) = &plan.contact {
        text.push_str(&paragraph(&format!("The unit: {contact}."), 0));
    }
    text
}

fn line(step: &Step) -> String {
    let who = match step.audience {
        Audience::Patient => "",
        Audience::Unit => "(unit) ",
    };
    let head = format!("  {:<width$}", time_of_day(&step.start), width = TIME - 2);
    let body = format!("{who}{}{}. {}", step.title, lasting(step), step.words);
    // The head may be wider than its column where the clock shows a time twice.
    let first = paragraph(&format!("{}{body}", "·".repeat(TIME)), TIME);
    if head.chars().count() > TIME {
        return format!(
            "{}\n{}{}",
            head.trim_end(),
            " ".repeat(TIME),
            &first['·'.len_utf8() * TIME..]
        );
    }
    format!("{head}{}", &first['·'.len_utf8() * TIME..])
}

/// Until when, and how often, as it follows a title.
pub(crate) fn lasting(step: &Step) -> String {
    let mut text = String::new();
    if let Some(repeat) = step.repeat {
        text.push_str(&format!(" every {}", minutes(repeat.as_secs())));
    }
    if let Some(end) = &step.end {
        text.push_str(&format!(", until {}", time_of_day(end)));
        if end.date() != step.start.date() {
            text.push_str(&format!(" on {}", day(end.date())));
        }
    }
    text
}

fn minutes(seconds: i64) -> String {
    if seconds == 60 {
        "minute".to_owned()
    } else if seconds % 60 == 0 {
        format!("{} minutes", seconds / 60)
    } else {
        format!("{seconds} seconds")
    }
}

/// Breaks a text into lines between words; every line after the first begins with `indent` spaces.
fn paragraph(text: &str, indent: usize) -> String {
    let leading = text.chars().take_while(|&letter| letter == ' ').count();
    let mut lines = " ".repeat(leading);
    let mut column = leading;
    let mut begins = true;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if !begins && column + 1 + length > WIDTH {
            lines.push('\n');
            lines.push_str(&" ".repeat(indent));
            column = indent;
        } else if !begins {
            lines.push(' ');
            column += 1;
        }
        lines.push_str(word);
        column += length;
        begins = false;
    }
    lines.push('\n');
    lines
}
