//! A study in memory: one passage of one swallowed capsule.

use std::collections::HashSet;
use std::fmt;

use alvine::layout::FEWEST_SITES;
use alvine::{Layout, ReaderFinding, ReaderLandmark, Recording, Setup};
use jiff::civil::DateTime;
use jiff::tz::Offset;
use toml::value::{Datetime, Offset as TomlOffset};

use crate::delimited::LONGEST_CELL;
use crate::description::{check_note, check_spread, check_text, check_time};
use crate::fault::{Fault, quoted};

/// One study, whichever container it came from.
#[derive(Debug, Clone)]
pub struct Study {
    /// A pseudonym; personal data has no field.
    pub id: String,
    /// When time 0 was, with its offset from UTC.
    pub started: Option<Started>,
    /// When the capsule was swallowed, seconds since the recording began.
    pub swallowed_s: Option<f64>,
    /// Everything about the examination but the recording.
    pub setup: Setup,
    /// What a reader saw in the images.
    pub landmarks: Vec<ReaderLandmark>,
    /// What a reader marked.
    pub findings: Vec<ReaderFinding>,
    /// What each site heard.
    pub recording: Recording,
    /// Columns of the recording that begin with `aux_`: kept and ignored.
    pub auxiliary: Vec<AuxiliaryColumn>,
}

/// A column that alvine keeps and ignores.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AuxiliaryColumn {
    /// Its header, beginning with `aux_`.
    pub name: String,
    /// One cell an instant, as it stood.
    pub cells: Vec<String>,
}

/// A wall-clock time with its offset from UTC, such as `2026-03-02T08:14:00+01:00`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Started {
    /// The date and time on the wall.
    pub civil: DateTime,
    /// The offset of that wall from UTC.
    pub offset: Offset,
}

impl Started {
    /// From a TOML date and time; `None` unless it has date, time and offset, all within the calendar.
    pub(crate) fn from_toml(found: &Datetime) -> Option<Self> {
        let (date, time) = (found.date?, found.time?);
        let seconds_east = match found.offset? {
            TomlOffset::Z => 0,
            TomlOffset::Custom { minutes } => i32::from(minutes) * 60,
        };
        let part = |value: u8| i8::try_from(value).ok();
        let civil = DateTime::new(
            i16::try_from(date.year).ok()?,
            part(date.month)?,
            part(date.day)?,
            part(time.hour)?,
            part(time.minute)?,
            part(time.second.unwrap_or(0))?,
            i32::try_from(time.nanosecond.unwrap_or(0)).ok()?,
        )
        .ok()?;
        let offset = Offset::from_seconds(seconds_east).ok()?;
        Some(Self { civil, offset })
    }

    /// From RFC 3339 text, such as `2026-03-02T08:14:00+01:00`; `None` where it is none.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::from_toml(&text.parse().ok()?)
    }

    /// Whether RFC 3339 can write it: years 0 to 9999, the offset in whole minutes and less than a day.
    pub(crate) fn is_writable(&self) -> bool {
        self.civil.year() >= 0 && self.offset.seconds() % 60 == 0 && self.offset.seconds().abs() < 24 * 3600
    }

    /// The offset as `+01:00`.
    pub(crate) fn offset_text(&self) -> String {
        let minutes = self.offset.seconds() / 60;
        let sign = if minutes < 0 { '-' } else { '+' };
        format!("{sign}{:02}:{:02}", minutes.abs() / 60, minutes.abs() % 60)
    }
}

/// RFC 3339 with as many decimals of a second as are needed, and the offset in hours and minutes.
impl fmt::Display for Started {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}{}", self.civil, self.offset_text())
    }
}

impl Study {
    /// Checks what the types do not: that a file can hold the study, and that it means something.
    pub(crate) fn check(&self) -> Result<(), Fault> {
        check_text(&self.id, "[study] id")?;
        if let Some(started) = &self.started
            && !started.is_writable()
        {
            return Err(unwritable(
                "[study] started",
                started,
                "a year from 0 to 9999 and an offset in minutes",
            ));
        }
        if let Some(swallowed_s) = self.swallowed_s {
            check_time("[study] swallowed_s", swallowed_s)?;
        }
        for landmark in &self.landmarks {
            check_time("landmark time_s", landmark.time_s)?;
            check_spread(landmark.spread_s)?;
        }
        for finding in &self.findings {
            check_text(&finding.id, "finding id")?;
            check_time("finding time_s", finding.time_s)?;
            check_note(finding.note.as_deref().unwrap_or_default())?;
        }
        self.check_repeats()?;
        let (sites, columns) = (self.setup.layout.len(), self.recording.sites());
        if sites != columns {
            return Err(unwritable(
                "columns of the recording",
                columns,
                &format!("{sites}, one a site"),
            ));
        }
        check_auxiliary(&self.auxiliary, self.recording.len())?;
        check_reporting(&self.setup.layout, &self.recording)
    }

    fn check_repeats(&self) -> Result<(), Fault> {
        let mut kinds = HashSet::new();
        if let Some(twice) = self.landmarks.iter().find(|landmark| !kinds.insert(landmark.kind)) {
            let name = twice.kind.to_string();
            return Err(Fault::Repeated { what: "landmark", name });
        }
        let mut ids = HashSet::new();
        if let Some(twice) = self.findings.iter().find(|finding| !ids.insert(finding.id.as_str())) {
            let name = twice.id.clone();
            return Err(Fault::Repeated { what: "finding", name });
        }
        Ok(())
    }
}

/// Checks that at least four sites report a level at some instant.
pub(crate) fn check_reporting(layout: &Layout, recording: &Recording) -> Result<(), Fault> {
    let levels = recording.rssi_dbm();
    let silent: Vec<String> = layout
        .sites()
        .iter()
        .zip(levels.columns())
        .filter(|(_, column)| column.iter().all(|level| level.is_nan()))
        .map(|(site, _)| site.name.clone())
        .collect();
    let reporting = layout.len() - silent.len();
    if reporting < FEWEST_SITES {
        return Err(Fault::TooFewReporting { reporting, silent });
    }
    Ok(())
}

/// Checks names and lengths of auxiliary columns, and that HDF5 can hold their text.
pub(crate) fn check_auxiliary(columns: &[AuxiliaryColumn], instants: usize) -> Result<(), Fault> {
    let mut names = HashSet::new();
    for column in columns {
        if !column.name.starts_with("aux_") || column.name.contains('\0') || column.name.len() > LONGEST_CELL {
            let expected = "a name that begins with aux_, without NUL characters";
            return Err(unwritable("auxiliary column", quoted(&column.name), expected));
        }
        if !names.insert(column.name.as_str()) {
            let name = column.name.clone();
            return Err(Fault::Repeated { what: "column", name });
        }
        if column.cells.len() != instants {
            let expected = format!("{instants}, one an instant");
            return Err(unwritable(
                &format!("cells of {}", quoted(&column.name)),
                column.cells.len(),
                &expected,
            ));
        }
        if let Some(cell) = column
            .cells
            .iter()
            .find(|cell| cell.contains('\0') || cell.len() > LONGEST_CELL)
        {
            let what = format!("a cell of {}", quoted(&column.name));
            return Err(unwritable(
                &what,
                quoted(cell),
                "at most 64 KiB of text without NUL characters",
            ));
        }
    }
    Ok(())
}

fn unwritable(what: &str, found: impl fmt::Display, expected: &str) -> Fault {
    Fault::Unwritable {
        what: what.to_owned(),
        found: found.to_string(),
        expected: expected.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_start_prints_as_it_was_read() {
        for text in [
            "2026-03-02T08:14:00+01:00",
            "2026-03-02T08:14:00.123456789-09:30",
            "0001-01-01T00:00:00+00:00",
        ] {
            assert_eq!(Started::parse(text).unwrap().to_string(), text);
        }
        assert_eq!(
            Started::parse("2026-03-02T08:14:00Z").unwrap().to_string(),
            "2026-03-02T08:14:00+00:00"
        );
    }

    #[test]
    fn a_start_without_offset_or_outside_the_calendar_is_none() {
        for text in [
            "2026-03-02T08:14:00",
            "2026-03-02",
            "08:14:00",
            "2026-02-30T08:14:00Z",
            "soon",
            "",
        ] {
            assert_eq!(Started::parse(text), None, "{text}");
        }
    }
}
