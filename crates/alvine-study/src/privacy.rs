//! What looks like personal data: names, dates of birth, record numbers.
//!
//! A study has no field for a person, and its identifiers are pseudonyms. People write what they should not all the same, into an
//! id, a note or a column of their own. [`personal_data`] finds what looks like it. It knows patterns, not people: it takes some
//! harmless things for personal (a number of six digits), and a bare surname in a note it cannot tell from any other word.

use std::fmt;

use jiff::ToSpan;

use crate::fault::quoted;
use crate::study::{Started, Study};

/// A field that looks as if it told who the person is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Suspicion {
    /// Which field, such as `[study] id`.
    pub field: String,
    /// What it looks like.
    pub kind: PersonalData,
    /// What stands there, clipped.
    pub found: String,
}

/// What a text can look like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum PersonalData {
    /// A person's name.
    Name,
    /// A date, as of birth.
    Date,
    /// A number by which a person is filed, insured or called.
    Number,
    /// An address of electronic mail.
    Mail,
    /// A word that announces personal data, such as `born`.
    Word,
}

impl fmt::Display for PersonalData {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            PersonalData::Name => "a person's name",
            PersonalData::Date => "a date, as of birth",
            PersonalData::Number => "a record, insurance or telephone number",
            PersonalData::Mail => "an address of electronic mail",
            PersonalData::Word => "the beginning of personal data",
        })
    }
}

impl fmt::Display for Suspicion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} is {}, which looks like {}", self.field, self.found, self.kind)
    }
}

/// The fields of a study that look like personal data: its id, the ids and notes of findings, the names of sites, and names and
/// cells of auxiliary columns (the first of each).
#[must_use]
pub fn personal_data(study: &Study) -> Vec<Suspicion> {
    let mut suspicions = Vec::new();
    let mut look = |field: String, text: &str, kind: Option<PersonalData>| {
        if let Some(kind) = kind {
            suspicions.push(Suspicion {
                field,
                kind,
                found: quoted(text),
            });
        }
    };
    look("[study] id".to_owned(), &study.id, in_pseudonym(&study.id));
    for (index, finding) in study.findings.iter().enumerate() {
        look(
            format!("id of finding {}", index + 1),
            &finding.id,
            in_pseudonym(&finding.id),
        );
        let note = finding.note.as_deref().unwrap_or_default();
        look(format!("note of finding {}", index + 1), note, in_text(note));
    }
    for (index, site) in study.setup.layout.sites().iter().enumerate() {
        look(format!("name of site {}", index + 1), &site.name, in_text(&site.name));
    }
    for column in &study.auxiliary {
        let name = column.name.trim_start_matches("aux_").replace('_', " ");
        look("name of a column".to_owned(), &column.name, in_text(&name));
        let cell = column.cells.iter().find_map(|cell| {
            // A number of its own is a measurement, whatever its length.
            let kind = if cell.trim().parse::<f64>().is_ok() {
                None
            } else {
                in_text(cell)
            };
            kind.map(|kind| (cell, kind))
        });
        if let Some((cell, kind)) = cell {
            look(format!("a cell of {}", column.name), cell, Some(kind));
        }
    }
    suspicions
}

/// What a pseudonym looks like that is none.
#[must_use]
pub fn in_pseudonym(id: &str) -> Option<PersonalData> {
    in_text(id).or_else(|| {
        let words: Vec<&str> = id
            .split(|letter: char| !letter.is_alphabetic())
            .filter(|word| !word.is_empty())
            .collect();
        let capital = |word: &&&str| word.chars().next().is_some_and(char::is_uppercase) && word.chars().count() > 1;
        let is_name = words.iter().filter(capital).count() >= 2;
        (is_name && !id.chars().any(|letter| letter.is_ascii_digit())).then_some(PersonalData::Name)
    })
}

/// What a text looks like that is only a note.
fn in_text(text: &str) -> Option<PersonalData> {
    if has_mail(text) {
        return Some(PersonalData::Mail);
    }
    if has_titled_name(text) {
        return Some(PersonalData::Name);
    }
    if has_telling_word(text) {
        return Some(PersonalData::Word);
    }
    in_numbers(text)
}

fn has_mail(text: &str) -> bool {
    let parts: Vec<&str> = text.split('@').collect();
    parts.windows(2).any(|pair| {
        let before = pair[0].chars().next_back().is_some_and(char::is_alphanumeric);
        let domain: String = pair[1].chars().take_while(|letter| !letter.is_whitespace()).collect();
        before && domain.starts_with(char::is_alphanumeric) && domain.contains('.')
    })
}

/// `Mrs Miller`, `Dr. Miller`.
fn has_titled_name(text: &str) -> bool {
    const TITLES: [&str; 10] = [
        "mr", "mrs", "ms", "miss", "dr", "prof", "herr", "frau", "mme", "patient",
    ];
    let words: Vec<&str> = text.split_whitespace().collect();
    words.windows(2).any(|pair| {
        let title = pair[0]
            .trim_matches(|letter: char| !letter.is_alphabetic())
            .to_lowercase();
        let name = pair[1].trim_matches(|letter: char| !letter.is_alphanumeric());
        let is_name =
            name.chars().next().is_some_and(char::is_uppercase) && name.chars().skip(1).any(char::is_lowercase);
        TITLES.contains(&title.as_str()) && is_name
    })
}

fn has_telling_word(text: &str) -> bool {
    const WORDS: [&str; 15] = [
        "dob",
        "born",
        "birth",
        "birthday",
        "birthdate",
        "mrn",
        "ssn",
        "nhs",
        "insurance",
        "passport",
        "surname",
        "forename",
        "firstname",
        "lastname",
        "initials",
    ];
    let lower = text.to_lowercase();
    let mut words = lower.split(|letter: char| !letter.is_alphanumeric());
    words.any(|word| WORDS.contains(&word)) || lower.contains("name:") || lower.contains("patient name")
}

/// A run of digits and what stands before it.
struct Digits<'t> {
    text: &'t str,
    /// The separator from the run before, where it is a single one.
    joined: bool,
}

fn in_numbers(text: &str) -> Option<PersonalData> {
    let runs = digit_runs(text);
    if runs
        .windows(3)
        .any(|three| three[1].joined && three[2].joined && is_date(three[0].text, three[1].text, three[2].text))
    {
        return Some(PersonalData::Date);
    }
    for run in &runs {
        let part = |range: std::ops::Range<usize>| run.text.get(range).unwrap_or_default();
        let packed = is_date(part(0..4), part(4..6), part(6..8)) || is_date(part(0..2), part(2..4), part(4..8));
        if run.text.len() == 8 && packed {
            return Some(PersonalData::Date);
        }
    }
    /// No shorter run of digits files a person.
    const SHORTEST: usize = 6;
    /// No shorter row of joined runs does, such as a telephone number.
    const SHORTEST_JOINED: usize = 9;
    let mut joined = 0;
    for run in &runs {
        joined = if run.joined {
            joined + run.text.len()
        } else {
            run.text.len()
        };
        if run.text.len() >= SHORTEST || joined >= SHORTEST_JOINED {
            return Some(PersonalData::Number);
        }
    }
    None
}

fn digit_runs(text: &str) -> Vec<Digits<'_>> {
    let bytes = text.as_bytes();
    let mut runs: Vec<Digits<'_>> = Vec::new();
    let mut last_end = None;
    let mut at = 0;
    while at < bytes.len() {
        if !bytes[at].is_ascii_digit() {
            at += 1;
            continue;
        }
        let end = bytes[at..]
            .iter()
            .position(|byte| !byte.is_ascii_digit())
            .map_or(bytes.len(), |length| at + length);
        let joined = last_end.is_some_and(|last| at == last + 1 && matches!(bytes[last], b'-' | b'.' | b'/' | b' '));
        runs.push(Digits {
            text: &text[at..end],
            joined,
        });
        last_end = Some(end);
        at = end;
    }
    runs
}

/// Whether three numbers are a day, in the order of any country.
fn is_date(first: &str, second: &str, third: &str) -> bool {
    let number = |text: &str| text.parse::<u32>().unwrap_or(u32::MAX);
    let year = |text: &str| text.len() == 4 && (1900..=2100).contains(&number(text));
    let within = |text: &str, most: u32| (1..=2).contains(&text.len()) && (1..=most).contains(&number(text));
    let day_and_month =
        |one: &str, other: &str| (within(one, 31) && within(other, 12)) || (within(one, 12) && within(other, 31));
    (year(first) && day_and_month(third, second)) || (day_and_month(first, second) && year(third))
}

/// Moves the date on which a study began, and with it every date that is computed from it; the time of day stays.
///
/// `None` where the study would leave the calendar. Times within the study are seconds since it began, and do not move.
#[must_use]
pub fn shift_days(study: &Study, days: i32) -> Option<Study> {
    let started = match study.started {
        None => None,
        Some(started) => {
            let civil = started.civil.checked_add(i64::from(days).days()).ok()?;
            Some(Some(Started { civil, ..started }).filter(Started::is_writable)?)
        }
    };
    Some(Study {
        started,
        ..study.clone()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pseudonyms_pass_and_names_dates_and_numbers_do_not() {
        for id in [
            "demo-01",
            "phantom-default-3",
            "p-117",
            "small-01 é",
            "Site2-Case4",
            "A",
            "belt",
            "UnitB 12",
        ] {
            assert_eq!(in_pseudonym(id), None, "{id}");
        }
        for (id, kind) in [
            ("Anna Muster", PersonalData::Name),
            ("Muster_Anna", PersonalData::Name),
            ("Dr. Muster", PersonalData::Name),
            ("am-1962-07-04", PersonalData::Date),
            ("am 4.7.1962", PersonalData::Date),
            ("07/04/1962", PersonalData::Date),
            ("am19620704", PersonalData::Date),
            ("case 0048213", PersonalData::Number),
            ("485-777-3456", PersonalData::Number),
            ("a.muster@example.org", PersonalData::Mail),
        ] {
            assert_eq!(in_pseudonym(id), Some(kind), "{id}");
        }
    }

    #[test]
    fn notes_may_speak_of_disease_and_not_of_people() {
        for note in [
            "angioectasia",
            "Erosions as in Crohn disease, 12-15 mm",
            "seen at 9480.25 s, again at 9502.5 s",
            "2 of 3 frames at 02:14:15",
            "Peutz-Jeghers polyp",
        ] {
            assert_eq!(in_text(note), None, "{note}");
        }
        for (note, kind) in [
            ("as in Mrs Muster last year", PersonalData::Name),
            ("patient Muster", PersonalData::Name),
            ("born in spring", PersonalData::Word),
            ("MRN 4711", PersonalData::Word),
            ("name: M.", PersonalData::Word),
            ("call 0650 123 4567", PersonalData::Number),
            ("was here on 3 March, and on 2026-03-02", PersonalData::Date),
        ] {
            assert_eq!(in_text(note), Some(kind), "{note}");
        }
    }
}
