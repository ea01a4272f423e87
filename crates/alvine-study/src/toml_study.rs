//! `study.toml`: reading it with the place of every value, and writing it.

use std::fmt::Write as _;
use std::path::{Component, Path, PathBuf};

use alvine::{Law, Layout, NoiseModel, Setup, Site, nearest};
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};
use toml::value::Datetime;

use crate::description::{Container, List, MOST_MARKS, MOST_SITES, STUDY_FORMAT, keys, position, too_many};
use crate::fault::{Fault, Place, StudyError, quoted};
use crate::study::Study;

/// The name of the description within a study's folder.
pub(crate) const FILE_NAME: &str = "study.toml";
/// The name that a recording gets.
pub(crate) const RECORDING_NAME: &str = "recording.csv";

/// A parsed `study.toml`.
#[derive(Debug)]
pub(crate) struct TomlStudy<'a> {
    file: &'a Path,
    text: &'a str,
    root: DeTable<'a>,
}

impl<'a> TomlStudy<'a> {
    /// Parses the text and checks the format's version and every key's name.
    pub(crate) fn parse(file: &'a Path, text: &'a str) -> Result<Self, StudyError> {
        let root = DeTable::parse(text)
            .map_err(|error| {
                let offset = error.span().map_or(0, |span| span.start);
                let message = error.message().to_owned();
                StudyError::new(
                    Place::in_text(file, text.as_bytes(), offset),
                    Fault::TomlSyntax { message },
                )
            })?
            .into_inner();
        let study = Self { file, text, root };
        study.check_format()?;
        study.check_keys()?;
        Ok(study)
    }

    /// Where the recording lies, as written in the study.
    pub(crate) fn recording(&self) -> Result<PathBuf, StudyError> {
        let found = self.text("study", "recording")?.ok_or_else(|| {
            let fault = Fault::MissingKey {
                table: "[study]".to_owned(),
                key: "recording",
                expected: "the name of the CSV file with the levels",
            };
            StudyError::new(self.place("study", "recording"), fault)
        })?;
        let path = PathBuf::from(&found);
        let inside = path
            .components()
            .all(|part| matches!(part, Component::Normal(_) | Component::CurDir));
        if !inside || path.file_name().is_none() || found.contains(['\\', '\0']) {
            let fault = Fault::PathEscapes { found: quoted(&found) };
            return Err(StudyError::new(self.place("study", "recording"), fault));
        }
        Ok(path)
    }

    /// Whether there is a table, or an array of tables, of this name.
    pub(crate) fn has(&self, table: &str) -> bool {
        self.root.contains_key(table)
    }

    fn at(&self, offset: usize) -> Place {
        Place::in_text(self.file, self.text.as_bytes(), offset)
    }

    fn check_format(&self) -> Result<(), StudyError> {
        let Some(format) = self.root.get("format") else {
            let fault = Fault::MissingKey {
                table: "the study".to_owned(),
                key: "format",
                expected: "format = 1 above the first table",
            };
            return Err(StudyError::new(self.at(0), fault));
        };
        if integer(format.get_ref()) == Some(i64::from(STUDY_FORMAT)) {
            return Ok(());
        }
        let fault = Fault::UnknownFormat {
            found: shown(format.get_ref()),
            expected: STUDY_FORMAT,
        };
        Err(StudyError::new(self.at(format.span().start), fault))
    }

    fn check_keys(&self) -> Result<(), StudyError> {
        const ROOT: &[&str] = &[
            "format",
            "study",
            "transmitter",
            "receiver",
            "propagation",
            "torso",
            "site",
            "landmark",
            "finding",
        ];
        self.check_table_keys(&self.root, "the study", ROOT)?;
        let model = self
            .value("propagation", "model")?
            .and_then(|value| value.get_ref().as_str());
        for (name, known) in [
            ("study", keys::STUDY),
            ("transmitter", keys::TRANSMITTER),
            ("receiver", keys::RECEIVER),
            ("propagation", keys::propagation(model)),
            ("torso", keys::TORSO),
        ] {
            if let Some((table, _)) = self.table(name)? {
                self.check_table_keys(table, &format!("[{name}]"), known)?;
            }
        }
        for (name, known) in [
            ("site", keys::SITE),
            ("landmark", keys::LANDMARK),
            ("finding", keys::FINDING),
        ] {
            for (table, _) in self.list(name)? {
                self.check_table_keys(table, &format!("[[{name}]]"), known)?;
            }
        }
        Ok(())
    }

    fn check_table_keys(&self, table: &DeTable<'_>, title: &str, known: &[&'static str]) -> Result<(), StudyError> {
        let unknown = table
            .keys()
            .filter(|key| !known.contains(&key.get_ref().as_ref()))
            .min_by_key(|key| key.span().start);
        let Some(key) = unknown else { return Ok(()) };
        let found = key.get_ref().as_ref();
        let fault = Fault::UnknownKey {
            table: title.to_owned(),
            key: found.chars().take(60).flat_map(char::escape_debug).collect(),
            nearest: nearest(found, known.iter().copied()),
            known: known.to_vec(),
        };
        Err(StudyError::new(self.at(key.span().start), fault))
    }

    /// A table of the root and where it begins.
    fn table(&self, name: &str) -> Result<Option<(&DeTable<'a>, usize)>, StudyError> {
        let Some(value) = self.root.get(name) else {
            return Ok(None);
        };
        match value.get_ref() {
            DeValue::Table(table) => Ok(Some((table, self.start_of(name, value)))),
            other => Err(self.wrong(value.span().start, name, other, &format!("a table [{name}]"))),
        }
    }

    /// Where a table begins: at its header, or at its first key where it has none.
    fn start_of(&self, name: &str, value: &Spanned<DeValue<'a>>) -> usize {
        let key = self.root.get_key_value(name).map(|(key, _)| key.span().start);
        key.filter(|&start| start < value.span().start || value.span().is_empty())
            .unwrap_or(value.span().start)
    }

    /// The tables of an array of tables of the root and where each begins.
    fn list(&self, name: &str) -> Result<Vec<(&DeTable<'a>, usize)>, StudyError> {
        let Some(value) = self.root.get(name) else {
            return Ok(Vec::new());
        };
        let expected = format!("tables [[{name}]]");
        let Some(array) = value.get_ref().as_array() else {
            return Err(self.wrong(value.span().start, name, value.get_ref(), &expected));
        };
        let mut tables = Vec::with_capacity(array.len());
        for item in array.iter() {
            match item.get_ref() {
                DeValue::Table(table) => tables.push((table, item.span().start)),
                other => return Err(self.wrong(item.span().start, name, other, &expected)),
            }
        }
        let most = if name == "site" { MOST_SITES } else { MOST_MARKS };
        if tables.len() > most {
            let fault = too_many("tables of one name", tables.len(), most);
            return Err(StudyError::new(self.at(value.span().start), fault));
        }
        Ok(tables)
    }

    fn value(&self, table: &str, key: &str) -> Result<Option<&Spanned<DeValue<'a>>>, StudyError> {
        Ok(self.table(table)?.and_then(|(table, _)| table.get(key)))
    }

    fn wrong(&self, offset: usize, what: &str, found: &DeValue<'_>, expected: &str) -> StudyError {
        let fault = Fault::WrongValue {
            what: what.to_owned(),
            found: shown(found),
            expected: expected.to_owned(),
        };
        StudyError::new(self.at(offset), fault)
    }

    fn number_of(&self, value: &Spanned<DeValue<'_>>, what: &str) -> Result<f64, StudyError> {
        number(value.get_ref()).ok_or_else(|| self.wrong(value.span().start, what, value.get_ref(), "a number"))
    }

    fn text_of(&self, value: &Spanned<DeValue<'_>>, what: &str) -> Result<String, StudyError> {
        let text = value.get_ref().as_str().map(str::to_owned);
        text.ok_or_else(|| self.wrong(value.span().start, what, value.get_ref(), "text in quotes"))
    }

    fn needed<'t>(
        &self,
        (table, start): (&'t DeTable<'a>, usize),
        title: &str,
        key: &'static str,
        expected: &'static str,
    ) -> Result<&'t Spanned<DeValue<'a>>, StudyError> {
        table.get(key).ok_or_else(|| {
            let fault = Fault::MissingKey {
                table: title.to_owned(),
                key,
                expected,
            };
            StudyError::new(self.at(start), fault)
        })
    }

    fn site(&self, table: (&DeTable<'a>, usize)) -> Result<Site, StudyError> {
        const TITLE: &str = "[[site]]";
        let name = self.needed(table, TITLE, "name", "the site's name in quotes")?;
        let place = self.needed(
            table,
            TITLE,
            "position_mm",
            "three coordinates, such as [0.0, 4.0, 115.0]",
        )?;
        let gain = table.0.get("gain_db");
        Ok(Site {
            name: self.text_of(name, "[[site]] name")?,
            position_mm: position(self.coordinates(place)?),
            gain_db: gain.map_or(Ok(0.0), |gain| self.number_of(gain, "[[site]] gain_db"))?,
        })
    }

    fn coordinates(&self, value: &Spanned<DeValue<'_>>) -> Result<[f64; 3], StudyError> {
        const WHAT: &str = "[[site]] position_mm";
        let wrong = || self.wrong(value.span().start, WHAT, value.get_ref(), "three coordinates in mm");
        let items = value.get_ref().as_array().ok_or_else(wrong)?;
        let [x, y, z] = three(items).ok_or_else(wrong)?;
        Ok([
            self.number_of(x, WHAT)?,
            self.number_of(y, WHAT)?,
            self.number_of(z, WHAT)?,
        ])
    }
}

impl Container for TomlStudy<'_> {
    fn number(&self, table: &'static str, key: &'static str) -> Result<Option<f64>, StudyError> {
        self.value(table, key)?
            .map(|value| self.number_of(value, &format!("[{table}] {key}")))
            .transpose()
    }

    fn text(&self, table: &'static str, key: &'static str) -> Result<Option<String>, StudyError> {
        self.value(table, key)?
            .map(|value| self.text_of(value, &format!("[{table}] {key}")))
            .transpose()
    }

    fn started(&self) -> Result<Option<Datetime>, StudyError> {
        let Some(value) = self.value("study", "started")? else {
            return Ok(None);
        };
        value.get_ref().as_datetime().copied().map(Some).ok_or_else(|| {
            let expected = "a date and time with its offset, not in quotes, such as 2026-03-02T08:14:00+01:00";
            self.wrong(value.span().start, "[study] started", value.get_ref(), expected)
        })
    }

    fn sites(&self) -> Result<Option<Vec<Site>>, StudyError> {
        if !self.root.contains_key("site") {
            return Ok(None);
        }
        let sites: Result<_, _> = self.list("site")?.into_iter().map(|table| self.site(table)).collect();
        sites.map(Some)
    }

    fn landmarks(&self) -> Result<Vec<(String, f64, Option<f64>)>, StudyError> {
        const TITLE: &str = "[[landmark]]";
        self.list("landmark")?
            .into_iter()
            .map(|table| {
                let kind = self.needed(table, TITLE, "kind", "which landmark it is, in quotes")?;
                let time = self.needed(table, TITLE, "time_s", "seconds since the recording began")?;
                let spread = table.0.get("spread_s");
                Ok((
                    self.text_of(kind, "[[landmark]] kind")?,
                    self.number_of(time, "[[landmark]] time_s")?,
                    spread
                        .map(|spread| self.number_of(spread, "[[landmark]] spread_s"))
                        .transpose()?,
                ))
            })
            .collect()
    }

    fn findings(&self) -> Result<Vec<(String, f64, Option<String>)>, StudyError> {
        const TITLE: &str = "[[finding]]";
        self.list("finding")?
            .into_iter()
            .map(|table| {
                let id = self.needed(table, TITLE, "id", "the finding's name in quotes")?;
                let time = self.needed(table, TITLE, "time_s", "seconds since the recording began")?;
                let note = table.0.get("note");
                Ok((
                    self.text_of(id, "[[finding]] id")?,
                    self.number_of(time, "[[finding]] time_s")?,
                    note.map(|note| self.text_of(note, "[[finding]] note")).transpose()?,
                ))
            })
            .collect()
    }

    fn place(&self, table: &'static str, key: &'static str) -> Place {
        let offset = match self.value(table, key) {
            Ok(Some(value)) => value.span().start,
            // A key that is absent is missed at its table, and a table that is absent at the end of the file.
            _ => self
                .table(table)
                .ok()
                .flatten()
                .map_or(self.text.trim_end().len(), |(_, start)| start),
        };
        self.at(offset)
    }

    fn place_in(&self, list: List, index: Option<usize>, key: &'static str) -> Place {
        let name = match list {
            List::Sites => "site",
            List::Landmarks => "landmark",
            List::Findings => "finding",
        };
        let tables = self.list(name).unwrap_or_default();
        let offset = tables
            .get(index.unwrap_or(0))
            .map(|(table, start)| table.get(key).map_or(*start, |value| value.span().start));
        self.at(offset.unwrap_or(0))
    }

    fn title(&self, table: &'static str) -> String {
        format!("[{table}]")
    }
}

fn three<'t, 'a>(items: &'t DeArray<'a>) -> Option<[&'t Spanned<DeValue<'a>>; 3]> {
    match (items.len(), items.first(), items.get(1), items.get(2)) {
        (3, Some(x), Some(y), Some(z)) => Some([x, y, z]),
        _ => None,
    }
}

fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        DeValue::Integer(_) => integer(value).map(|integer| integer as f64),
        _ => None,
    }
}

/// A value as shown in a message.
fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => quoted(text),
        DeValue::Integer(integer) => integer.to_string(),
        DeValue::Float(float) => float.to_string(),
        DeValue::Boolean(truth) => truth.to_string(),
        DeValue::Datetime(datetime) => datetime.to_string(),
        DeValue::Array(items) => format!("a list of {}", items.len()),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// The text of `study.toml` for a study.
pub(crate) fn text_of(study: &Study) -> String {
    let mut out = format!("format = {STUDY_FORMAT}\n\n[study]\n");
    push_text(&mut out, "id", &study.id);
    if let Some(started) = &study.started {
        push_line(&mut out, "started", started);
    }
    push_optional(&mut out, "swallowed_s", study.swallowed_s);
    push_text(&mut out, "recording", RECORDING_NAME);

    push_setup(&mut out, &study.setup);
    push_lists(&mut out, study);
    out
}

/// The tables of a setup: transmitter, receiver, propagation, torso and sites.
pub(crate) fn push_setup(out: &mut String, setup: &Setup) {
    let transmitter = &setup.transmitter;
    out.push_str("\n[transmitter]\n");
    push_number(out, "frequency_mhz", transmitter.frequency_mhz());
    push_number(out, "power_dbm", transmitter.power_dbm());
    push_optional(out, "battery_h", transmitter.battery_h());

    let receiver = &setup.receiver;
    out.push_str("\n[receiver]\n");
    push_number(out, "floor_dbm", receiver.floor_dbm());
    push_optional(out, "ceiling_dbm", receiver.ceiling_dbm());
    push_optional(out, "step_db", receiver.step_db());

    push_propagation(out, &setup.law, &setup.noise);

    out.push_str("\n[torso]\n");
    push_number(out, "breadth_mm", setup.torso.breadth_mm());
    push_number(out, "depth_mm", setup.torso.depth_mm());
    push_sites(out, &setup.layout);
}

/// The table of a law and its spreads.
pub(crate) fn push_propagation(out: &mut String, law: &Law, noise: &NoiseModel) {
    out.push_str("\n[propagation]\n");
    push_text(out, "model", law_name(law));
    for (key, value) in law_numbers(law) {
        push_number(out, key, value);
    }
    push_number(out, "shadowing_db", noise.shadowing_db());
    push_number(out, "noise_db", noise.noise_db());
}

/// The tables of the sites.
pub(crate) fn push_sites(out: &mut String, layout: &Layout) {
    for site in layout.sites() {
        out.push_str("\n[[site]]\n");
        push_text(out, "name", &site.name);
        let [x_mm, y_mm, z_mm] = [site.position_mm.x, site.position_mm.y, site.position_mm.z];
        push_line(out, "position_mm", format_args!("[{x_mm:?}, {y_mm:?}, {z_mm:?}]"));
        push_number(out, "gain_db", site.gain_db);
    }
}

fn push_lists(out: &mut String, study: &Study) {
    for landmark in &study.landmarks {
        out.push_str("\n[[landmark]]\n");
        push_text(out, "kind", landmark.kind.as_str());
        push_number(out, "time_s", landmark.time_s);
        push_optional(out, "spread_s", landmark.spread_s);
    }
    for finding in &study.findings {
        out.push_str("\n[[finding]]\n");
        push_text(out, "id", &finding.id);
        push_number(out, "time_s", finding.time_s);
        if let Some(note) = finding.note.as_deref().filter(|note| !note.is_empty()) {
            push_text(out, "note", note);
        }
    }
}

/// The name of a law in `[propagation] model`.
pub(crate) fn law_name(law: &Law) -> &'static str {
    match law {
        Law::LogDistance(_) => "log-distance",
        Law::FreeSpace(_) => "free-space",
        Law::DistanceAndTissue(_) => "distance-and-tissue",
    }
}

/// The parameters of a law by their keys.
pub(crate) fn law_numbers(law: &Law) -> Vec<(&'static str, f64)> {
    match law {
        Law::LogDistance(law) => vec![
            ("reference_mm", law.reference_mm()),
            ("loss_at_reference_db", law.loss_at_reference_db()),
            ("exponent", law.exponent()),
        ],
        Law::FreeSpace(_) => Vec::new(),
        Law::DistanceAndTissue(law) => vec![
            ("reference_mm", law.reference_mm()),
            ("loss_at_reference_db", law.loss_at_reference_db()),
            ("exponent", law.exponent()),
            ("attenuation_db_per_cm", law.attenuation_db_per_cm()),
        ],
    }
}

fn push_line(out: &mut String, key: &str, value: impl std::fmt::Display) {
    let _ = writeln!(out, "{key} = {value}");
}

fn push_text(out: &mut String, key: &str, text: &str) {
    push_line(out, key, toml::Value::String(text.to_owned()));
}

/// The shortest decimals that read back as the same number; always with a point or an exponent.
fn push_number(out: &mut String, key: &str, value: f64) {
    push_line(out, key, format_args!("{value:?}"));
}

fn push_optional(out: &mut String, key: &str, value: Option<f64>) {
    if let Some(value) = value {
        push_number(out, key, value);
    }
}
