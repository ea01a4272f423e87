//! Reading a protocol from TOML, with the place of what is wrong. What a file leaves out is as in the usual day.

use std::ops::{Range, RangeInclusive};

use jiff::SignedDuration;
use jiff::civil::{Time, Weekday};
use serde::Deserialize;
use thiserror::Error;
use toml::Spanned;

use crate::local_time::weekday;
use crate::protocol::{DayTime, Equipment, Food, LocalStep, OpeningHours, Protocol, Recorder, Sites, When};
use crate::step::Audience;

/// The text of the usual day's protocol: every key, documented.
pub const USUAL_PROTOCOL: &str = include_str!("usual.toml");

/// The version of the format.
const FORMAT: i64 = 1;
/// No protocol is longer, bytes.
const LARGEST: usize = 1 << 20;
/// No text in it is longer, bytes.
const LONGEST_TEXT: usize = 2000;
/// No protocol has more steps of its own.
const MOST_STEPS: usize = 100;

/// What is wrong with a protocol, and where; line and column count from 1.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{line}:{column}: {fault}")]
pub struct ProtocolError {
    /// The line.
    pub line: usize,
    /// The column, in characters.
    pub column: usize,
    /// What it is.
    pub fault: ProtocolFault,
}

/// What can be wrong with a protocol.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum ProtocolFault {
    /// No TOML, an unknown key, a value of another type.
    #[error("{message}")]
    Syntax {
        /// What the parser said.
        message: String,
    },
    /// A protocol of another time.
    #[error("format is {found}; expected {FORMAT}")]
    UnknownFormat {
        /// The version found.
        found: i64,
    },
    /// A value that cannot be.
    #[error("{what} is {found}; expected {expected}")]
    WrongValue {
        /// Its key.
        what: &'static str,
        /// What was found.
        found: String,
        /// What would do.
        expected: String,
    },
    /// More of something than any protocol has.
    #[error("{found} {what}; expected at most {most}")]
    TooMany {
        /// What there is too much of.
        what: &'static str,
        /// How much there is.
        found: usize,
        /// How much is taken.
        most: usize,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawProtocol {
    format: Spanned<i64>,
    name: Option<Spanned<String>>,
    origin: Option<Spanned<String>>,
    #[serde(default)]
    food: RawFood,
    #[serde(default)]
    recorder: RawRecorder,
    #[serde(default)]
    equipment: RawEquipment,
    unit: Option<RawUnit>,
    #[serde(default)]
    step: Vec<Spanned<RawStep>>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawFood {
    last_solids_at: Option<Spanned<String>>,
    last_solids_days_before: Option<Spanned<f64>>,
    fast_h: Option<Spanned<f64>>,
    last_medicines_h: Option<Spanned<f64>>,
    clear_liquids_after_h: Option<Spanned<f64>>,
    snack_after_h: Option<Spanned<f64>>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawRecorder {
    fit_before_min: Option<Spanned<f64>>,
    capsule_on_before_min: Option<Spanned<f64>>,
    battery_h: Option<Spanned<f64>>,
    look_every_min: Option<Spanned<f64>>,
    not_after: Option<Spanned<String>>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
struct RawEquipment {
    cleaning_min: Option<Spanned<f64>>,
    drying_min: Option<Spanned<f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawUnit {
    open_from: Spanned<String>,
    open_until: Spanned<String>,
    open_on: Spanned<Vec<String>>,
    contact: Option<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawStep {
    title: Spanned<String>,
    words: Spanned<String>,
    at: Option<Spanned<String>>,
    days_before: Option<Spanned<f64>>,
    hours_before: Option<Spanned<f64>>,
    hours_after: Option<Spanned<f64>>,
    remind_min: Option<Spanned<f64>>,
    sites: Option<Spanned<String>>,
    who: Option<Spanned<String>>,
}

/// A fault and the bytes that it is about.
type Located = (Range<usize>, ProtocolFault);

/// Reads a protocol.
pub(crate) fn parse(text: &str) -> Result<Protocol, ProtocolError> {
    read(text).map_err(|(span, fault)| {
        let before = text.get(..span.start.min(text.len())).unwrap_or_default();
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        ProtocolError {
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            fault,
        }
    })
}

fn read(text: &str) -> Result<Protocol, Located> {
    if text.len() > LARGEST {
        let fault = ProtocolFault::TooMany {
            what: "bytes",
            found: text.len(),
            most: LARGEST,
        };
        return Err((0..0, fault));
    }
    let raw: RawProtocol = toml::from_str(text).map_err(|error| {
        let message = error.message().trim().replace('\n', " ");
        (error.span().unwrap_or(0..0), ProtocolFault::Syntax { message })
    })?;
    let found = *raw.format.get_ref();
    if found != FORMAT {
        return Err((raw.format.span(), ProtocolFault::UnknownFormat { found }));
    }
    let contact = raw.unit.as_ref().and_then(|unit| unit.contact.as_ref());
    Ok(Protocol {
        name: raw
            .name
            .as_ref()
            .map_or(Ok("local day".to_owned()), |name| words("name", name))?,
        origin: match &raw.origin {
            Some(origin) => words("origin", origin)?,
            None => "local protocol".to_owned(),
        },
        food: food(&raw.food)?,
        recorder: recorder(&raw.recorder)?,
        equipment: equipment(&raw.equipment)?,
        contact: contact.map(|contact| words("[unit] contact", contact)).transpose()?,
        hours: raw.unit.as_ref().map(hours).transpose()?,
        steps: steps(&raw.step)?,
    })
}

fn food(raw: &RawFood) -> Result<Food, Located> {
    let noon = Time::midnight().saturating_add(SignedDuration::from_hours(12));
    let last_solids = DayTime {
        days_before: match &raw.last_solids_days_before {
            Some(days) => days_before("[food] last_solids_days_before", days)?,
            None => 1,
        },
        at: match &raw.last_solids_at {
            Some(at) => time_of_day("[food] last_solids_at", at)?,
            None => noon,
        },
    };
    Ok(Food {
        last_solids,
        fast: hours_of("[food] fast_h", raw.fast_h.as_ref(), 10.0, 0.0..=48.0)?,
        last_medicines: hours_of(
            "[food] last_medicines_h",
            raw.last_medicines_h.as_ref(),
            2.0,
            0.0..=48.0,
        )?,
        clear_liquids_after: hours_of(
            "[food] clear_liquids_after_h",
            raw.clear_liquids_after_h.as_ref(),
            2.0,
            0.0..=24.0,
        )?,
        snack_after: hours_of("[food] snack_after_h", raw.snack_after_h.as_ref(), 4.0, 0.0..=24.0)?,
    })
}

fn recorder(raw: &RawRecorder) -> Result<Recorder, Located> {
    Ok(Recorder {
        fit_before: minutes_of(
            "[recorder] fit_before_min",
            raw.fit_before_min.as_ref(),
            45.0,
            0.0..=720.0,
        )?,
        capsule_on_before: minutes_of(
            "[recorder] capsule_on_before_min",
            raw.capsule_on_before_min.as_ref(),
            15.0,
            0.0..=240.0,
        )?,
        battery: hours_of("[recorder] battery_h", raw.battery_h.as_ref(), 12.0, 0.5..=240.0)?,
        look_every: minutes_of(
            "[recorder] look_every_min",
            raw.look_every_min.as_ref(),
            15.0,
            1.0..=240.0,
        )?,
        not_after: raw
            .not_after
            .as_ref()
            .map(|at| time_of_day("[recorder] not_after", at))
            .transpose()?,
    })
}

fn equipment(raw: &RawEquipment) -> Result<Equipment, Located> {
    Ok(Equipment {
        cleaning: minutes_of(
            "[equipment] cleaning_min",
            raw.cleaning_min.as_ref(),
            15.0,
            0.0..=1440.0,
        )?,
        drying: minutes_of("[equipment] drying_min", raw.drying_min.as_ref(), 30.0, 0.0..=1440.0)?,
    })
}

fn hours(raw: &RawUnit) -> Result<OpeningHours, Located> {
    let from = time_of_day("[unit] open_from", &raw.open_from)?;
    let until = time_of_day("[unit] open_until", &raw.open_until)?;
    if until <= from {
        let expected = "a time of day after open_from";
        return Err(wrong(
            "[unit] open_until",
            raw.open_until.span(),
            quoted(raw.open_until.get_ref()),
            expected,
        ));
    }
    let mut days = Vec::new();
    for name in raw.open_on.get_ref() {
        let all = Weekday::Sunday.cycle_forward().take(7);
        let day = all.into_iter().find(|&day| weekday(day).eq_ignore_ascii_case(name));
        let expected = "names of days of the week, such as \"monday\"";
        days.push(day.ok_or_else(|| wrong("[unit] open_on", raw.open_on.span(), quoted(name), expected))?);
    }
    if days.is_empty() {
        return Err(wrong(
            "[unit] open_on",
            raw.open_on.span(),
            "empty",
            "at least one day of the week",
        ));
    }
    Ok(OpeningHours { from, until, days })
}

fn steps(raw: &[Spanned<RawStep>]) -> Result<Vec<LocalStep>, Located> {
    if let Some(first) = raw.first()
        && raw.len() > MOST_STEPS
    {
        let fault = ProtocolFault::TooMany {
            what: "[[step]] tables",
            found: raw.len(),
            most: MOST_STEPS,
        };
        return Err((first.span(), fault));
    }
    raw.iter().map(step).collect()
}

fn step(raw: &Spanned<RawStep>) -> Result<LocalStep, Located> {
    let step = raw.get_ref();
    let remind = step.remind_min.as_ref();
    Ok(LocalStep {
        title: words("[[step]] title", &step.title)?,
        words: words("[[step]] words", &step.words)?,
        when: when(step, raw.span())?,
        remind: remind
            .map(|remind| minutes_of("[[step]] remind_min", Some(remind), 0.0, 0.0..=10_080.0))
            .transpose()?,
        sites: step.sites.as_ref().map(sites).transpose()?,
        audience: step.who.as_ref().map_or(Ok(Audience::Patient), audience)?,
    })
}

fn when(step: &RawStep, span: Range<usize>) -> Result<When, Located> {
    const HOURS: RangeInclusive<f64> = 0.0..=336.0;
    match (&step.at, &step.hours_before, &step.hours_after) {
        (Some(at), None, None) => Ok(When::WallClock(DayTime {
            days_before: match &step.days_before {
                Some(days) => days_before("[[step]] days_before", days)?,
                None => 0,
            },
            at: time_of_day("[[step]] at", at)?,
        })),
        (None, Some(_), None) if step.days_before.is_none() => {
            let before = hours_of("[[step]] hours_before", step.hours_before.as_ref(), 0.0, HOURS)?;
            Ok(When::Elapsed(-before))
        }
        (None, None, Some(_)) if step.days_before.is_none() => {
            hours_of("[[step]] hours_after", step.hours_after.as_ref(), 0.0, HOURS).map(When::Elapsed)
        }
        _ => Err(wrong(
            "[[step]]",
            span,
            "due at none or several times",
            "one of at (with days_before), hours_before, hours_after",
        )),
    }
}

fn sites(value: &Spanned<String>) -> Result<Sites, Located> {
    match value.get_ref().as_str() {
        "adhesive" => Ok(Sites::Adhesive),
        "belt" => Ok(Sites::Belt),
        other => Err(wrong(
            "[[step]] sites",
            value.span(),
            quoted(other),
            "\"adhesive\" or \"belt\"",
        )),
    }
}

fn audience(value: &Spanned<String>) -> Result<Audience, Located> {
    match value.get_ref().as_str() {
        "patient" => Ok(Audience::Patient),
        "unit" => Ok(Audience::Unit),
        other => Err(wrong(
            "[[step]] who",
            value.span(),
            quoted(other),
            "\"patient\" or \"unit\"",
        )),
    }
}

fn days_before(what: &'static str, value: &Spanned<f64>) -> Result<u8, Located> {
    const MOST: u8 = 30;
    let days = *value.get_ref();
    let whole = (0..=MOST).find(|&whole| f64::from(whole) == days);
    whole.ok_or_else(|| wrong(what, value.span(), days.to_string(), "a whole number of days, 0 to 30"))
}

fn time_of_day(what: &'static str, value: &Spanned<String>) -> Result<Time, Located> {
    let text = value.get_ref().as_str();
    let digits = |part: &str| {
        let all_digits = part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
        all_digits.then(|| part.parse::<i8>().ok()).flatten()
    };
    let parts = text
        .split_once(':')
        .and_then(|(hour, minute)| Some((digits(hour)?, digits(minute)?)));
    let time = parts.and_then(|(hour, minute)| Time::new(hour, minute, 0, 0).ok());
    time.ok_or_else(|| {
        wrong(
            what,
            value.span(),
            quoted(text),
            "a time of day in quotes, \"00:00\" to \"23:59\"",
        )
    })
}

fn hours_of(
    what: &'static str,
    value: Option<&Spanned<f64>>,
    usual: f64,
    range: RangeInclusive<f64>,
) -> Result<SignedDuration, Located> {
    duration(what, value, usual, range, 3600.0, "h")
}

fn minutes_of(
    what: &'static str,
    value: Option<&Spanned<f64>>,
    usual: f64,
    range: RangeInclusive<f64>,
) -> Result<SignedDuration, Located> {
    duration(what, value, usual, range, 60.0, "min")
}

/// A length of time within its range, to the second.
fn duration(
    what: &'static str,
    value: Option<&Spanned<f64>>,
    usual: f64,
    range: RangeInclusive<f64>,
    unit_s: f64,
    unit: &str,
) -> Result<SignedDuration, Located> {
    let found = value.map_or(usual, |value| *value.get_ref());
    let span = value.map_or(0..0, Spanned::span);
    let impossible = || {
        let expected = format!("{} to {} {unit}", range.start(), range.end());
        wrong(what, span.clone(), found.to_string(), expected)
    };
    if !range.contains(&found) {
        return Err(impossible());
    }
    SignedDuration::try_from_secs_f64((found * unit_s).round()).map_err(|_| impossible())
}

fn words(what: &'static str, value: &Spanned<String>) -> Result<String, Located> {
    let text = value.get_ref().trim();
    let printable = !text.is_empty() && text.len() <= LONGEST_TEXT && !text.chars().any(char::is_control);
    if printable {
        Ok(text.to_owned())
    } else {
        let expected = format!("1 to {LONGEST_TEXT} bytes of text in one line, without control characters");
        Err(wrong(what, value.span(), quoted(text), expected))
    }
}

fn quoted(text: &str) -> String {
    let clipped: String = text.chars().take(60).flat_map(char::escape_debug).collect();
    format!("`{clipped}`")
}

fn wrong(what: &'static str, span: Range<usize>, found: impl Into<String>, expected: impl Into<String>) -> Located {
    let fault = ProtocolFault::WrongValue {
        what,
        found: found.into(),
        expected: expected.into(),
    };
    (span, fault)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fault(text: &str) -> String {
        parse(text).unwrap_err().to_string()
    }

    #[test]
    fn the_usual_day_holds_what_its_file_says_and_is_what_an_empty_protocol_means() {
        let usual = parse(USUAL_PROTOCOL).unwrap();
        let empty = parse("format = 1\n").unwrap();
        assert_eq!(
            (usual.food, usual.recorder, usual.equipment),
            (empty.food, empty.recorder, empty.equipment)
        );
        assert_eq!(usual.food.fast, SignedDuration::from_hours(10));
        assert_eq!(usual.equipment.drying, SignedDuration::from_mins(30));
        assert_eq!(usual.origin, "common practice, check your local protocol");
        assert!(usual.hours.is_none() && usual.steps.is_empty());
    }

    #[test]
    fn what_the_usual_file_shows_in_comments_can_be_put_to_use() {
        let mut text = String::new();
        for line in USUAL_PROTOCOL.lines() {
            let commented = line.strip_prefix("# ").filter(|rest| {
                let key = rest.split(['=', ']']).next().unwrap_or_default().trim();
                rest.starts_with('[') || (rest.contains(" = ") && !key.contains(' '))
            });
            text.push_str(commented.unwrap_or(line));
            text.push('\n');
        }
        let protocol = parse(&text).unwrap();
        let hours = protocol.hours.unwrap();
        assert_eq!(hours.days.len(), 5);
        assert_eq!(protocol.recorder.not_after, Some(jiff::civil::time(23, 30, 0, 0)));
        assert_eq!(
            protocol.contact.as_deref(),
            Some("the endoscopy unit, telephone 000 000")
        );
        assert_eq!(protocol.steps.len(), 1);
        assert_eq!(protocol.steps[0].sites, Some(Sites::Adhesive));
        assert!(matches!(
            protocol.steps[0].when,
            When::WallClock(DayTime { days_before: 1, .. })
        ));
    }

    #[test]
    fn each_fault_has_its_line_and_column() {
        assert_eq!(fault("format = 2\n"), "1:10: format is 2; expected 1");
        assert_eq!(
            fault("format = 1\n[food]\nfast_h = -3\n"),
            "3:10: [food] fast_h is -3; expected 0 to 48 h"
        );
        assert!(fault("format = 1\n[food]\nfast = 3\n").starts_with("3:1: unknown field `fast`, expected one of"));
        assert!(fault("format = 1\n[food]\nfast_h = \"ten\"\n").starts_with("3:10: invalid type: string"));
        assert!(fault("format = 1\n[food]\nfast_h = nan\n").contains("fast_h is NaN"));
        assert!(
            fault("format = 1\n[food]\nlast_solids_at = \"24:00\"\n")
                .starts_with("3:18: [food] last_solids_at is `24:00`")
        );
        assert!(fault("format = 1\n[food]\nlast_solids_days_before = 1.5\n").contains("a whole number of days"));
        assert!(fault("").contains("missing field `format`"));
        let unit = "format = 1\n[unit]\nopen_from = \"08:00\"\nopen_until = \"07:00\"\nopen_on = [\"monday\"]\n";
        assert!(fault(unit).starts_with("4:14: [unit] open_until is `07:00`"));
        assert!(fault(&unit.replace("07:00", "17:00").replace("monday", "mon")).contains("open_on is `mon`"));
        let step = "format = 1\n[[step]]\ntitle = \"a\"\nwords = \"b\"\nat = \"09:00\"\nhours_after = 2\n";
        assert!(
            fault(step).starts_with("2:1: [[step]] is due at none or several times"),
            "{}",
            fault(step)
        );
    }
}
