//! A prior as a TOML file. Every number has its source beside it; what is written reads back as the same prior.
//!
//! ```toml
//! format = 1
//! name = "fasting"
//! [stage.stomach.duration]      # one table a stage, in the stages' order
//! median_s = 1320.0             # of the log-normal law of how long it lasts
//! spread_ln = 1.16              # standard deviation of the logarithm
//! source = "..."
//! [stage.stomach.chance]
//! stays = 0.01                  # that the capsule never leaves it
//! begins = 0.06                 # that a recording begins in it
//! source = "..."
//! [stage.stomach.place]         # none outside the body
//! mean_mm = [35.0, 80.0, 135.0] # x, y, z on a torso of 330 mm × 230 mm
//! spread_mm = [45.0, 35.0, 45.0]
//! source = "..."
//! [pace.colon]                  # left out where its stages share no pace
//! spread_ln = 0.85              # how paces differ between people, beside the spreads of the stages
//! source = "..."
//! [rhythm.stomach]              # also jejunum (and duodenum), ileum, terminal-ileum
//! per_minute = [2.4, 3.8]       # least and greatest
//! source = "..."
//! [learned.stomach]             # only in a prior that was learned
//! ended = 34                    # studies that showed it to its end
//! not_ended = 3
//! median_s = 1250.0             # these four not where too few ended, and what was expected before is kept
//! median90_s = [900.0, 1700.0]
//! spread_ln = 1.1
//! spread90_ln = [0.9, 1.4]
//! [learned-rhythm.stomach]      # also the other rhythms
//! studies = 30
//! per_minute = 2.95             # these three not where too few studies show it
//! per_minute90 = [2.9, 3.0]
//! between_studies = 0.15
//! ```
//!
//! Everything but a pace and what was learned must be there: what is left out would come from elsewhere, and have no source.

use std::fmt::Write as _;
use std::ops::RangeInclusive;

use alvine::nearest;
use thiserror::Error;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::fit::Fitted;
use super::learn::{Lesson, Whole};
use super::signal::{Learned, RhythmLesson};
use super::{Chance, Expected, Prior, Sourced};
use crate::anatomy_density::UsualPlace;
use crate::duration::LogNormal;
use crate::evidence::rhythm::Band;
use crate::stage::KINDS;

/// The version of the format.
const FORMAT: i64 = 1;
/// Bands by their names, in order.
const BANDS: [&str; 4] = {
    let [a, b, c, d] = Band::ALL;
    [a.name(), b.name(), c.name(), d.name()]
};
/// Outside this a number is a slip.
const SECONDS: RangeInclusive<f64> = 0.1..=1e7;
const SPREADS_LN: RangeInclusive<f64> = 0.01..=5.0;
const PLACES_MM: RangeInclusive<f64> = -1000.0..=1000.0;
const SPREADS_MM: RangeInclusive<f64> = 1.0..=500.0;
const SHARES: RangeInclusive<f64> = 0.0..=0.99;
const PER_MINUTE: RangeInclusive<f64> = 0.5..=30.0;

/// What is wrong with a prior's file, and where; line and column count from 1.
#[derive(Debug, Clone, PartialEq, Error)]
#[error("{line}:{column}: {fault}")]
pub struct PriorError {
    /// The line.
    pub line: usize,
    /// The column, in characters.
    pub column: usize,
    /// What it is.
    pub fault: PriorFault,
}

/// What can be wrong with a prior's file.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum PriorFault {
    /// No TOML.
    #[error("{message}")]
    Syntax {
        /// What the parser said.
        message: String,
    },
    /// A file of another version.
    #[error("format is {found}; expected {FORMAT}")]
    UnknownFormat {
        /// What was found.
        found: String,
    },
    /// A key that a prior does not have.
    #[error("{table} has no key `{found}`{}", nearest.map(|nearest| format!("; did you mean `{nearest}`?")).unwrap_or_default())]
    UnknownKey {
        /// The table.
        table: String,
        /// The key.
        found: String,
        /// The key that it is most like.
        nearest: Option<&'static str>,
    },
    /// A key that must be there.
    #[error("{table} has no `{key}`; expected {expected}")]
    MissingKey {
        /// The table.
        table: String,
        /// The key.
        key: &'static str,
        /// What would do.
        expected: String,
    },
    /// A value that cannot be.
    #[error("{key} of {table} is {found}; expected {expected}")]
    WrongValue {
        /// The table.
        table: String,
        /// The key.
        key: &'static str,
        /// What was found.
        found: String,
        /// What would do.
        expected: String,
    },
}

impl Prior {
    /// Reads a prior's file.
    ///
    /// # Errors
    ///
    /// [`PriorError`] with the place of the first fault met.
    pub fn from_toml(text: &str) -> Result<Self, PriorError> {
        read(text).map_err(|(offset, fault)| {
            let before = text.get(..offset.min(text.len())).unwrap_or_default();
            let line_start = before.rfind('\n').map_or(0, |at| at + 1);
            PriorError {
                line: before.matches('\n').count() + 1,
                column: before[line_start..].chars().count() + 1,
                fault,
            }
        })
    }

    /// Writes a prior's file.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let mut text = format!(
            "# What is expected of a passage before anything is heard: medians and spreads of log-normal durations, s; usual places on a\n\
             # torso of 330 mm × 230 mm, mm; contractions a minute. Each number has its source.\nformat = {FORMAT}\nname = {}\n",
            quoted(&self.name)
        );
        for (kind, expected) in KINDS.iter().zip(&self.stages) {
            write_stage(&mut text, kind.name, expected);
        }
        if self.colon_pace_ln.value > 0.0 {
            let spread_ln = self.colon_pace_ln.value;
            add(&mut text, format_args!("\n[pace.colon]\nspread_ln = {spread_ln:?}\n"));
            source(&mut text, &self.colon_pace_ln);
        }
        for (name, rhythm) in BANDS.iter().zip(&self.rhythms) {
            add(
                &mut text,
                format_args!("\n[rhythm.{name}]\nper_minute = {:?}\n", rhythm.value),
            );
            source(&mut text, rhythm);
        }
        for lesson in &self.lessons {
            write_lesson(&mut text, lesson);
        }
        for lesson in &self.rhythm_lessons {
            write_rhythm_lesson(&mut text, lesson);
        }
        text
    }
}

/// Writing into a text cannot fail.
fn add(text: &mut String, what: std::fmt::Arguments<'_>) {
    let _ = text.write_fmt(what);
}

fn source<T>(text: &mut String, of: &Sourced<T>) {
    add(text, format_args!("source = {}\n", quoted(&of.source)));
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn write_stage(text: &mut String, name: &str, expected: &Expected) {
    let law = expected.duration.value;
    add(
        text,
        format_args!(
            "\n[stage.{name}.duration]\nmedian_s = {:?}\nspread_ln = {:?}\n",
            law.median_s(),
            law.spread_ln()
        ),
    );
    source(text, &expected.duration);
    let Chance { stays, begins } = expected.chance.value;
    add(
        text,
        format_args!("[stage.{name}.chance]\nstays = {stays:?}\nbegins = {begins:?}\n"),
    );
    source(text, &expected.chance);
    if let Some(place) = &expected.place {
        let UsualPlace { mean_mm, spread_mm } = place.value;
        add(
            text,
            format_args!("[stage.{name}.place]\nmean_mm = {mean_mm:?}\nspread_mm = {spread_mm:?}\n"),
        );
        source(text, place);
    }
}

fn write_lesson(text: &mut String, lesson: &Lesson) {
    add(
        text,
        format_args!(
            "\n[learned.{}]\nended = {}\nnot_ended = {}\n",
            lesson.part.as_str(),
            lesson.ended,
            lesson.not_ended
        ),
    );
    match &lesson.fitted {
        Some(fitted) => add(
            text,
            format_args!(
                "median_s = {:?}\nmedian90_s = {:?}\nspread_ln = {:?}\nspread90_ln = {:?}\n",
                fitted.law.median_s(),
                fitted.median90_s,
                fitted.law.spread_ln(),
                fitted.spread90_ln
            ),
        ),
        None => text.push_str("# Too few ended: what was expected before is kept.\n"),
    }
}

const TOO_FEW: &str = "# Too few: what was expected before is kept.\n";

fn write_rhythm_lesson(text: &mut String, lesson: &RhythmLesson) {
    add(
        text,
        format_args!("\n[learned-rhythm.{}]\nstudies = {}\n", lesson.band, lesson.studies),
    );
    match &lesson.per_minute {
        Some(learned) => add(
            text,
            format_args!(
                "per_minute = {:?}\nper_minute90 = {:?}\nbetween_studies = {:?}\n",
                learned.value, learned.interval90, learned.spread
            ),
        ),
        None => text.push_str(TOO_FEW),
    }
}

/// A fault and where its text begins.
type Located = (usize, PriorFault);

fn read(text: &str) -> Result<Prior, Located> {
    let root = DeTable::parse(text).map_err(|error| {
        let message = error.message().trim().replace('\n', " ");
        (
            error.span().map_or(0, |span| span.start),
            PriorFault::Syntax { message },
        )
    })?;
    let root = Table {
        name: "the prior".to_owned(),
        offset: 0,
        values: root.into_inner(),
    };
    root.check(&["format", "name", "stage", "pace", "rhythm", "learned", "learned-rhythm"])?;
    let format = root.value("format", "format = 1")?;
    if integer(format.get_ref()) != Some(FORMAT) {
        let found = shown(format.get_ref());
        return Err((format.span().start, PriorFault::UnknownFormat { found }));
    }
    let stage_names: Vec<&'static str> = KINDS.iter().map(|kind| kind.name).collect();
    let of_stages = root.table("stage")?;
    of_stages.check(&stage_names)?;
    let stages: Vec<Expected> = KINDS
        .iter()
        .map(|kind| expected(&of_stages.table(kind.name)?, kind.name != KINDS[0].name))
        .collect::<Result<_, _>>()?;
    if stages.iter().all(|stage| stage.chance.value.begins == 0.0) {
        let expected = "above zero in one stage at least".to_owned();
        return Err(of_stages.wrong(of_stages.offset, "begins", "0 in every stage".to_owned(), expected));
    }
    let of_rhythms = root.table("rhythm")?;
    of_rhythms.check(&BANDS)?;
    let [a, b, c, d] = BANDS.map(|band| rhythm(&of_rhythms.table(band)?));
    let prior = Prior {
        name: root.text("name")?,
        stages,
        colon_pace_ln: colon_pace_ln(&root)?,
        rhythms: [a?, b?, c?, d?],
        lessons: if root.values.contains_key("learned") {
            lessons(&root.table("learned")?)?
        } else {
            Vec::new()
        },
        rhythm_lessons: of_each(&root, "learned-rhythm", &BANDS, rhythm_lesson)?,
    };
    // Results carry the name alone.
    if Prior::named(&prior.name).is_some_and(|built_in| built_in != prior) {
        let (found, at) = (
            format!("\"{}\"", prior.name),
            root.value("name", "a name")?.span().start,
        );
        let expected = "another name for other numbers than those built in".to_owned();
        return Err(root.wrong(at, "name", found, expected));
    }
    Ok(prior)
}

fn expected(stage: &Table<'_>, is_placed: bool) -> Result<Expected, Located> {
    let known: &[&'static str] = if is_placed {
        &["duration", "chance", "place"]
    } else {
        &["duration", "chance"]
    };
    stage.check(known)?;
    let duration = stage.table("duration")?;
    duration.check(&["median_s", "spread_ln", "source"])?;
    let law = LogNormal::new(
        duration.number("median_s", SECONDS)?,
        duration.number("spread_ln", SPREADS_LN)?,
    );
    let chance = stage.table("chance")?;
    chance.check(&["stays", "begins", "source"])?;
    let (stays, begins) = (chance.number("stays", SHARES)?, chance.number("begins", 0.0..=1.0)?);
    let place = if is_placed {
        let place = stage.table("place")?;
        place.check(&["mean_mm", "spread_mm", "source"])?;
        let usual = UsualPlace {
            mean_mm: place.numbers("mean_mm", PLACES_MM)?,
            spread_mm: place.numbers("spread_mm", SPREADS_MM)?,
        };
        Some(place.sourced(usual)?)
    } else {
        None
    };
    Ok(Expected {
        duration: duration.sourced(law)?,
        chance: chance.sourced(Chance { stays, begins })?,
        place,
    })
}

/// None, and no source, where it is left out.
fn colon_pace_ln(root: &Table<'_>) -> Result<Sourced<f64>, Located> {
    if !root.values.contains_key("pace") {
        return Ok(super::sourced(0.0, ""));
    }
    let paces = root.table("pace")?;
    paces.check(&["colon"])?;
    let colon = paces.table("colon")?;
    colon.check(&["spread_ln", "source"])?;
    colon.sourced(colon.number("spread_ln", SPREADS_LN)?)
}

fn rhythm(of: &Table<'_>) -> Result<Sourced<[f64; 2]>, Located> {
    of.check(&["per_minute", "source"])?;
    of.sourced(of.rising("per_minute", PER_MINUTE)?)
}

fn lessons(of: &Table<'_>) -> Result<Vec<Lesson>, Located> {
    of.check(&Whole::ALL.map(Whole::as_str))?;
    Whole::ALL
        .into_iter()
        .filter(|part| of.values.contains_key(part.as_str()))
        .map(|part| lesson(part, &of.table(part.as_str())?))
        .collect()
}

fn lesson(part: Whole, of: &Table<'_>) -> Result<Lesson, Located> {
    of.check(&[
        "ended",
        "not_ended",
        "median_s",
        "median90_s",
        "spread_ln",
        "spread90_ln",
    ])?;
    let is_fitted = of.values.contains_key("median_s");
    let fitted = || -> Result<Fitted, Located> {
        Ok(Fitted {
            law: LogNormal::new(of.number("median_s", SECONDS)?, of.number("spread_ln", SPREADS_LN)?),
            median90_s: of.rising("median90_s", 0.0..=f64::MAX)?,
            spread90_ln: of.rising("spread90_ln", SPREADS_LN)?,
        })
    };
    Ok(Lesson {
        part,
        ended: of.count("ended")?,
        not_ended: of.count("not_ended")?,
        fitted: is_fitted.then(fitted).transpose()?,
    })
}

/// The tables of a table that need not be there, those of the known names, in their order.
fn of_each<T>(
    root: &Table<'_>,
    key: &'static str,
    names: &[&'static str],
    read: impl Fn(&'static str, &Table<'_>) -> Result<T, Located>,
) -> Result<Vec<T>, Located> {
    if !root.values.contains_key(key) {
        return Ok(Vec::new());
    }
    let outer = root.table(key)?;
    outer.check(names)?;
    let there = names.iter().filter(|name| outer.values.contains_key(**name));
    there.map(|&name| read(name, &outer.table(name)?)).collect()
}

fn rhythm_lesson(band: &'static str, of: &Table<'_>) -> Result<RhythmLesson, Located> {
    of.check(&["studies", "per_minute", "per_minute90", "between_studies"])?;
    let is_learned = of.values.contains_key("per_minute");
    let learned = || -> Result<Learned, Located> {
        Ok(Learned {
            value: of.number("per_minute", PER_MINUTE)?,
            interval90: of.rising("per_minute90", 0.0..=*PER_MINUTE.end())?,
            spread: of.number("between_studies", 0.0..=*PER_MINUTE.end())?,
        })
    };
    Ok(RhythmLesson {
        band,
        studies: of.count("studies")?,
        per_minute: is_learned.then(learned).transpose()?,
    })
}

/// A table with its name in messages.
struct Table<'a> {
    name: String,
    offset: usize,
    values: DeTable<'a>,
}

impl Table<'_> {
    /// Refuses keys that there are not.
    fn check(&self, known: &[&'static str]) -> Result<(), Located> {
        let unknown = self
            .values
            .keys()
            .filter(|key| !known.contains(&key.get_ref().as_ref()));
        let Some(key) = unknown.min_by_key(|key| key.span().start) else {
            return Ok(());
        };
        let found: String = key.get_ref().chars().take(60).collect();
        let like = nearest(&found, known.iter().copied());
        let fault = PriorFault::UnknownKey {
            table: self.name.clone(),
            nearest: like.and_then(|like| known.iter().copied().find(|&name| name == like)),
            found,
        };
        Err((key.span().start, fault))
    }

    fn value(&self, key: &'static str, expected: &str) -> Result<&Spanned<DeValue<'_>>, Located> {
        self.values.get(key).ok_or_else(|| {
            let fault = PriorFault::MissingKey {
                table: self.name.clone(),
                key,
                expected: expected.to_owned(),
            };
            (self.offset, fault)
        })
    }

    fn wrong(&self, offset: usize, key: &'static str, found: String, expected: String) -> Located {
        let table = self.name.clone();
        let fault = PriorFault::WrongValue {
            table,
            key,
            found,
            expected,
        };
        (offset, fault)
    }

    fn table(&self, key: &'static str) -> Result<Table<'_>, Located> {
        let value = self.value(key, "a table")?;
        let name = match self.name.strip_suffix(']') {
            Some(outer) => format!("{outer}.{key}]"),
            None => format!("[{key}]"),
        };
        match value.get_ref() {
            DeValue::Table(table) => Ok(Table {
                name,
                offset: value.span().start,
                values: table.clone(),
            }),
            other => Err(self.wrong(value.span().start, key, shown(other), "a table".to_owned())),
        }
    }

    fn text(&self, key: &'static str) -> Result<String, Located> {
        const LONGEST: usize = 2000;
        let expected = format!("a text of at most {LONGEST} letters");
        let value = self.value(key, &expected)?;
        match value.get_ref() {
            DeValue::String(text) if !text.is_empty() && text.len() <= LONGEST => Ok(text.to_string()),
            other => Err(self.wrong(value.span().start, key, shown(other), expected)),
        }
    }

    fn sourced<T>(&self, value: T) -> Result<Sourced<T>, Located> {
        let source = self.text("source")?;
        Ok(Sourced { value, source })
    }

    fn number(&self, key: &'static str, range: RangeInclusive<f64>) -> Result<f64, Located> {
        let expected = format!("a number from {} to {}", range.start(), range.end());
        let value = self.value(key, &expected)?;
        number(value.get_ref())
            .filter(|found| range.contains(found))
            .ok_or_else(|| self.wrong(value.span().start, key, shown(value.get_ref()), expected))
    }

    fn count(&self, key: &'static str) -> Result<usize, Located> {
        let expected = "a whole number".to_owned();
        let value = self.value(key, &expected)?;
        integer(value.get_ref())
            .and_then(|found| usize::try_from(found).ok())
            .ok_or_else(|| self.wrong(value.span().start, key, shown(value.get_ref()), expected))
    }

    fn numbers<const N: usize>(&self, key: &'static str, range: RangeInclusive<f64>) -> Result<[f64; N], Located> {
        let expected = format!("{N} numbers from {} to {}", range.start(), range.end());
        let value = self.value(key, &expected)?;
        let found: Option<Vec<f64>> = value
            .get_ref()
            .as_array()
            .and_then(|array| array.iter().map(|one| number(one.get_ref())).collect());
        found
            .filter(|found| found.iter().all(|one| range.contains(one)))
            .and_then(|found| found.try_into().ok())
            .ok_or_else(|| self.wrong(value.span().start, key, shown(value.get_ref()), expected))
    }

    fn rising(&self, key: &'static str, range: RangeInclusive<f64>) -> Result<[f64; 2], Located> {
        let [low, high] = self.numbers(key, range)?;
        if low <= high {
            return Ok([low, high]);
        }
        let expected = "the smaller number first".to_owned();
        Err(self.wrong(self.offset, key, format!("[{low}, {high}]"), expected))
    }
}

fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    let float = value.as_float().and_then(|float| float.as_str().parse().ok());
    float.or_else(|| integer(value).map(|whole| whole as f64))
}

fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("\"{}\"", text.chars().take(60).collect::<String>()),
        DeValue::Integer(integer) => integer.as_str().to_owned(),
        DeValue::Float(float) => float.as_str().to_owned(),
        DeValue::Boolean(boolean) => boolean.to_string(),
        DeValue::Datetime(moment) => moment.to_string(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use alvine::{LandmarkKind, ReaderLandmark};

    use super::super::ReadPassage;
    use super::super::signal::tests::signals;
    use super::*;

    #[test]
    fn the_built_in_priors_and_a_learned_one_come_back_from_their_files() {
        let studies: Vec<ReadPassage> = (1..=9)
            .map(|index| ReadPassage {
                start_s: 0.0,
                end_s: 30_000.0,
                swallowed_s: Some(100.0 * f64::from(index)),
                landmarks: vec![ReaderLandmark {
                    kind: LandmarkKind::Pylorus,
                    time_s: 1234.5 * f64::from(index),
                    spread_s: None,
                }],
            })
            .collect();
        for prior in [
            Prior::fasting(),
            Prior::fed(),
            Prior::fasting().learn("ours: \"2027\"\\ \u{7f}", &studies),
            Prior::fasting().learn("few", &studies).learn_signals(&[]),
            Prior::fasting().learn("many", &studies).learn_signals(&signals(9, 3.0)),
        ] {
            assert_eq!(Prior::from_toml(&prior.to_toml()).unwrap(), prior);
        }
    }

    #[test]
    fn a_file_without_a_pace_has_none() {
        let text = Prior::fasting().to_toml();
        let (before, after) = text.split_once("\n[pace.colon]").unwrap();
        let (_, after) = after.split_once("\n[").unwrap();
        let text = format!("{before}\n[{after}").replacen("\"fasting\"", "\"ours\"", 1);
        let prior = Prior::from_toml(&text).unwrap();
        assert_eq!(prior.colon_pace_ln.value, 0.0);
        assert_eq!(Prior::from_toml(&prior.to_toml()).unwrap(), prior);
    }

    /// The fault of the fasting prior with one text in place of another.
    fn fault(from: &str, to: &str) -> String {
        let text = Prior::fasting().to_toml();
        assert!(text.contains(from), "{from}");
        Prior::from_toml(&text.replacen(from, to, 1)).unwrap_err().to_string()
    }

    #[test]
    fn each_fault_is_told_with_its_place_and_what_would_do() {
        assert_eq!(fault("format = 1", "format = 2"), "3:10: format is 2; expected 1");
        assert_eq!(
            fault("median_s = 600.0", "medain_s = 600.0"),
            "7:1: [stage.outside.duration] has no key `medain_s`; did you mean `median_s`?"
        );
        assert_eq!(
            fault("[stage.stomach.duration]", "[stage.stomache.duration]"),
            "28:8: [stage] has no key `stomache`; did you mean `stomach`?"
        );
        assert_eq!(
            fault("median_s = 600.0", "median_s = -3"),
            "7:12: median_s of [stage.outside.duration] is -3; expected a number from 0.1 to 10000000"
        );
        assert_eq!(
            fault("median_s = 600.0", "median_s = nan"),
            "7:12: median_s of [stage.outside.duration] is nan; expected a number from 0.1 to 10000000"
        );
        assert!(
            fault("median_s = 600.0", "median_s = 601.0")
                .contains("name of the prior is \"fasting\"; expected another")
        );
        assert!(fault("per_minute = [2.4, 3.8]", "per_minute = [3.8, 2.4]").contains("the smaller number first"));
        assert!(fault("spread_ln = 0.85", "spread_ln = -1").contains("spread_ln of [pace.colon] is -1; expected"));
        assert!(fault("[pace.colon]", "[pace.stomach]").contains("[pace] has no key `stomach`"));
        assert!(fault("mean_mm = [35.0, 80.0, 135.0]", "mean_mm = [35.0, 80.0]").contains("expected 3 numbers from"));
        assert!(fault("source = \"from memory\"", "").contains("[stage.oesophagus.duration] has no `source`"));
        assert!(fault("begins = 0.88", "begins = \"often\"").contains("is \"often\"; expected a number from 0 to 1"));
        assert!(fault("name = \"fasting\"", "name = 3").contains("name of the prior is 3; expected a text"));
        assert!(
            Prior::from_toml("")
                .unwrap_err()
                .to_string()
                .starts_with("1:1: the prior has no `format`")
        );
        assert!(
            Prior::from_toml("format = 1\nstage = 7")
                .unwrap_err()
                .to_string()
                .contains("stage of the prior is 7")
        );
    }
}
