//! Moments in a time zone: what is typed, what the clock skips or shows twice, and how a moment is written.

use std::sync::LazyLock;

use jiff::civil::{Date, DateTime, Time, Weekday};
use jiff::fmt::temporal::Pieces;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone, TimeZoneDatabase};
use jiff::{SignedDuration, ToSpan, ZonedDateTime};
use thiserror::Error;

/// The built-in database, and no other: a plan does not depend on the machine.
static ZONES: LazyLock<TimeZoneDatabase> = LazyLock::new(TimeZoneDatabase::bundled);

/// Why a text names no moment.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum MomentError {
    /// Text that is no date and time.
    #[error("`{found}` is no date and time; expected one such as 2026-03-02T08:15, with `T` between them")]
    NotAMoment {
        /// What was found.
        found: String,
    },
    /// No zone was given.
    #[error("`{found}` has no time zone; expected its name as well, such as Europe/Vienna")]
    NoZone {
        /// The date and time.
        found: String,
    },
    /// Two different zones were given.
    #[error("`{found}` names another time zone than `{zone}`")]
    TwoZones {
        /// The date and time with its zone.
        found: String,
        /// The other zone.
        zone: String,
    },
    /// A zone that the database does not have.
    #[error(
        "`{found}` is no time zone; expected a name of the IANA database, such as Europe/Vienna{}",
        hint(likely)
    )]
    UnknownZone {
        /// What was found.
        found: String,
        /// A zone of that city, where there is one.
        likely: Option<String>,
    },
    /// A time that the clock skips.
    #[error("{civil} does not exist in {zone}: the clocks go forward over it, from {before} to {after}")]
    Skipped {
        /// The date and time.
        civil: DateTime,
        /// The zone.
        zone: String,
        /// Offset from UTC before.
        before: Offset,
        /// Offset from UTC after.
        after: Offset,
    },
    /// A time that the clock shows twice.
    #[error(
        "{civil} comes twice in {zone}, as the clocks go back; expected its offset from UTC as well, {civil}{before} \
         for the first time or {civil}{after} for the second"
    )]
    Twice {
        /// The date and time.
        civil: DateTime,
        /// The zone.
        zone: String,
        /// Offset from UTC at the first time.
        before: Offset,
        /// Offset from UTC at the second time.
        after: Offset,
    },
    /// An offset that the zone does not have then.
    #[error("{civil} in {zone} is not at {found} from UTC; expected {expected}")]
    WrongOffset {
        /// The date and time.
        civil: DateTime,
        /// The zone.
        zone: String,
        /// The offset that was given.
        found: Offset,
        /// The offset that the zone has then.
        expected: Offset,
    },
    /// A year for which no plan is made.
    #[error("the year {year} is none to plan for; expected {FIRST_YEAR} to {LAST_YEAR}")]
    WrongYear {
        /// The year.
        year: i16,
    },
}

fn hint(likely: &Option<String>) -> String {
    likely
        .as_ref()
        .map(|zone| format!("; did you mean {zone}?"))
        .unwrap_or_default()
}

/// The first year that is planned for.
const FIRST_YEAR: i16 = 1970;
/// The last year that is planned for: rules of zones so far ahead are only a guess.
const LAST_YEAR: i16 = 2199;

/// A zone of the built-in database by its name, in capitals or small letters.
///
/// # Errors
///
/// [`MomentError::UnknownZone`].
pub fn zone(name: &str) -> Result<TimeZone, MomentError> {
    // What is no name, such as `+01:00`, the database refuses too.
    ZONES.get(name).map_err(|_| MomentError::UnknownZone {
        found: name.chars().take(60).flat_map(char::escape_debug).collect(),
        likely: likely_zone(name),
    })
}

/// The zone that ends with the same city, or holds all of its letters.
fn likely_zone(name: &str) -> Option<String> {
    let city = name.rsplit('/').next()?.trim().replace(' ', "_").to_lowercase();
    let named = |zone: &str| zone.to_lowercase().rsplit('/').next() == Some(city.as_str());
    ZONES
        .available()
        .map(|zone| zone.as_str().to_owned())
        .find(|zone| named(zone))
}

/// A moment from text such as `2026-03-02T08:15`, with its zone beside it or in brackets behind it, and an offset from UTC
/// where the clock shows that time twice: `2026-10-25T02:30+01:00[Europe/Vienna]`.
///
/// # Errors
///
/// [`MomentError`]: no date and time, no zone or an unknown one, or a time that the clock skips or shows twice.
pub fn moment(text: &str, zone_name: Option<&str>) -> Result<ZonedDateTime, MomentError> {
    let found: String = text.chars().take(60).flat_map(char::escape_debug).collect();
    let not_a_moment = || MomentError::NotAMoment { found: found.clone() };
    let pieces = Pieces::parse(text.trim()).map_err(|_| not_a_moment())?;
    let civil = pieces.date().to_datetime(pieces.time().ok_or_else(not_a_moment)?);
    let bracketed = pieces
        .time_zone_annotation()
        .and_then(|annotation| match annotation.kind() {
            jiff::fmt::temporal::TimeZoneAnnotationKind::Named(name) => Some(name.as_str()),
            _ => None,
        });
    let name = match (bracketed, zone_name) {
        (Some(one), Some(other)) if !one.eq_ignore_ascii_case(other) => {
            let zone = other.to_owned();
            return Err(MomentError::TwoZones { found, zone });
        }
        (Some(name), _) | (None, Some(name)) => name,
        (None, None) => return Err(MomentError::NoZone { found }),
    };
    let year = civil.year();
    if !(FIRST_YEAR..=LAST_YEAR).contains(&year) {
        return Err(MomentError::WrongYear { year });
    }
    let zone = zone(name)?;
    match pieces.to_numeric_offset() {
        Some(offset) => at_offset(civil, &zone, offset),
        None => without_offset(civil, &zone),
    }
}

fn without_offset(civil: DateTime, zone: &TimeZone) -> Result<ZonedDateTime, MomentError> {
    let ambiguous = zone.to_ambiguous_zoned_datetime(civil);
    let name = zone_name(zone);
    match ambiguous.offset() {
        AmbiguousOffset::Gap { before, after } => Err(MomentError::Skipped {
            civil,
            zone: name,
            before,
            after,
        }),
        AmbiguousOffset::Fold { before, after } => Err(MomentError::Twice {
            civil,
            zone: name,
            before,
            after,
        }),
        AmbiguousOffset::Unambiguous { .. } => out_of_calendar(ambiguous.compatible(), civil),
    }
}

fn at_offset(civil: DateTime, zone: &TimeZone, found: Offset) -> Result<ZonedDateTime, MomentError> {
    let moment = out_of_calendar(found.to_timestamp(civil), civil)?.to_zoned_datetime(zone.clone());
    if moment.datetime() == civil {
        return Ok(moment);
    }
    // Not at this offset: a time that is skipped is told as such.
    let usual = without_offset(civil, zone)?;
    Err(MomentError::WrongOffset {
        civil,
        zone: zone_name(zone),
        found,
        expected: usual.offset(),
    })
}

fn out_of_calendar<T>(moment: Result<T, jiff::Error>, civil: DateTime) -> Result<T, MomentError> {
    moment.map_err(|_| MomentError::WrongYear { year: civil.year() })
}

/// The name of a zone.
pub(crate) fn zone_name(zone: &TimeZone) -> String {
    zone.iana_name().unwrap_or("UTC").to_owned()
}

/// How a wall-clock rule is read where the clock skips its time or shows it twice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Reading {
    /// Something stops then: the earlier of the two.
    Stop,
    /// Something begins then: the later of the two.
    Begin,
}

/// When the clock of a zone shows a time of day, so many days before a date; `None` beyond the calendar.
pub(crate) fn wall_clock(
    day: Date,
    days_before: u8,
    at: Time,
    zone: &TimeZone,
    reading: Reading,
) -> Option<ZonedDateTime> {
    let civil = day.checked_sub(i64::from(days_before).days()).ok()?.to_datetime(at);
    let ambiguous = zone.to_ambiguous_zoned_datetime(civil);
    match reading {
        Reading::Stop => ambiguous.earlier().ok(),
        Reading::Begin => ambiguous.later().ok(),
    }
}

/// So long after a moment, by time that passes; `None` beyond the calendar.
pub(crate) fn elapsed(moment: &ZonedDateTime, duration: SignedDuration) -> Option<ZonedDateTime> {
    moment.checked_add(duration).ok()
}

/// `08:15`; with the seconds where there are any, and with a word where the clock shows that time twice.
pub(crate) fn time_of_day(moment: &ZonedDateTime) -> String {
    let time = moment.time();
    let mut text = format!("{:02}:{:02}", time.hour(), time.minute());
    if time.second() != 0 {
        text.push_str(&format!(":{:02}", time.second()));
    }
    let zone = moment.time_zone();
    if let AmbiguousOffset::Fold { before, .. } = zone.to_ambiguous_zoned_datetime(moment.datetime()).offset() {
        text.push_str(if moment.offset() == before {
            " (the first time)"
        } else {
            " (the second time)"
        });
    }
    text
}

/// `Monday 2 March 2026`.
pub(crate) fn day(date: Date) -> String {
    format!(
        "{} {} {} {}",
        weekday(date.weekday()),
        date.day(),
        month(date),
        date.year()
    )
}

/// The English name of a day of the week.
pub(crate) const fn weekday(day: Weekday) -> &'static str {
    match day {
        Weekday::Monday => "Monday",
        Weekday::Tuesday => "Tuesday",
        Weekday::Wednesday => "Wednesday",
        Weekday::Thursday => "Thursday",
        Weekday::Friday => "Friday",
        Weekday::Saturday => "Saturday",
        Weekday::Sunday => "Sunday",
    }
}

fn month(date: Date) -> &'static str {
    const MONTHS: [&str; 12] = [
        "January",
        "February",
        "March",
        "April",
        "May",
        "June",
        "July",
        "August",
        "September",
        "October",
        "November",
        "December",
    ];
    usize::try_from(date.month() - 1)
        .ok()
        .and_then(|at| MONTHS.get(at))
        .copied()
        .unwrap_or("")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(text: &str, zone: Option<&str>) -> String {
        match moment(text, zone) {
            Ok(moment) => moment.to_string(),
            Err(error) => error.to_string(),
        }
    }

    #[test]
    fn a_moment_needs_a_date_a_time_and_one_zone() {
        assert_eq!(
            told("2026-03-02T08:15", Some("Europe/Vienna")),
            "2026-03-02T08:15:00+01:00[Europe/Vienna]"
        );
        assert_eq!(
            told("2026-03-02 08:15[europe/vienna]", None),
            "2026-03-02T08:15:00+01:00[Europe/Vienna]"
        );
        assert!(told("2026-03-02T08:15", None).contains("has no time zone"));
        assert!(told("2026-03-02T08:15+01:00", None).contains("has no time zone"));
        assert!(told("2026-03-02", Some("Europe/Vienna")).contains("no date and time"));
        assert!(told("next Monday", Some("Europe/Vienna")).contains("no date and time"));
        assert!(told("2026-03-02T08:15[Europe/Vienna]", Some("Asia/Tokyo")).contains("another time zone"));
        assert!(told("2026-03-02T08:15", Some("Wien")).contains("no time zone"));
        assert!(told("2026-03-02T08:15", Some("vienna")).ends_with("did you mean Europe/Vienna?"));
        assert!(told("1850-03-02T08:15", Some("Europe/Vienna")).contains("year 1850"));
    }

    #[test]
    fn a_time_that_is_skipped_or_comes_twice_is_told_with_what_to_do() {
        let skipped = told("2026-03-29T02:30", Some("Europe/Vienna"));
        assert_eq!(
            skipped,
            "2026-03-29T02:30:00 does not exist in Europe/Vienna: the clocks go forward over it, from +01 to +02"
        );
        let twice = told("2026-10-25T02:30", Some("Europe/Vienna"));
        assert!(twice.contains("2026-10-25T02:30:00+02 for the first time"), "{twice}");
        assert_eq!(
            told("2026-10-25T02:30+01:00", Some("Europe/Vienna")),
            "2026-10-25T02:30:00+01:00[Europe/Vienna]"
        );
        assert!(told("2026-03-02T08:15+05:00", Some("Europe/Vienna")).contains("expected +01"));
        assert!(told("2026-03-29T02:30+01:00", Some("Europe/Vienna")).contains("does not exist"));
    }

    #[test]
    fn to_stop_takes_the_earlier_reading_and_to_begin_the_later() {
        let zone = zone("Europe/Vienna").unwrap();
        let shown = |month, day, reading| {
            let date = jiff::civil::date(2026, month, day);
            wall_clock(date, 0, jiff::civil::time(2, 30, 0, 0), &zone, reading)
                .unwrap()
                .to_string()
        };
        assert!(shown(3, 29, Reading::Stop).starts_with("2026-03-29T01:30:00+01:00"));
        assert!(shown(3, 29, Reading::Begin).starts_with("2026-03-29T03:30:00+02:00"));
        assert!(shown(10, 25, Reading::Stop).starts_with("2026-10-25T02:30:00+02:00"));
        assert!(shown(10, 25, Reading::Begin).starts_with("2026-10-25T02:30:00+01:00"));
    }

    #[test]
    fn a_time_that_is_shown_twice_says_which_time_it_is() {
        let first = moment("2026-10-25T02:30+02:00[Europe/Vienna]", None).unwrap();
        assert_eq!(time_of_day(&first), "02:30 (the first time)");
        assert_eq!(
            time_of_day(&elapsed(&first, SignedDuration::from_hours(1)).unwrap()),
            "02:30 (the second time)"
        );
        assert_eq!(
            time_of_day(&elapsed(&first, SignedDuration::from_hours(2)).unwrap()),
            "03:30"
        );
        assert_eq!(day(first.date()), "Sunday 25 October 2026");
    }
}
