//! A study as one HDF5 file: `/recording/time_s` (n), `/recording/rssi_dbm` (n × sites), the sites in `/layout`, and the
//! rest as attributes of groups named like the tables of `study.toml`.

use std::path::Path;

use alvine::{Layout, Recording, RecordingError, Site};
use ndarray::Array2;
use toml::value::Datetime;

use super::{MOST_INSTANTS, Sink, Source, at_most, exactly};
use crate::description::{Container, List, MOST_MARKS, MOST_SITES, STUDY_FORMAT, describe, position};
use crate::fault::{Fault, Place, StudyError, quoted};
use crate::recording_csv::MOST_AUXILIARY;
use crate::study::{AuxiliaryColumn, Study, check_auxiliary, check_reporting};
use crate::toml_study::{law_name, law_numbers};

const TEMPLATE: &[u8] = include_bytes!("../../templates/study.h5");

const TIME: &str = "/recording/time_s";
const LEVELS: &str = "/recording/rssi_dbm";
const AUXILIARY_NAME: &str = "/recording/auxiliary_name";
const AUXILIARY: &str = "/recording/auxiliary";
const SITE: &str = "/site";
const SITE_NAME: &str = "/layout/name";
const SITE_POSITION: &str = "/layout/position_mm";
const SITE_GAIN: &str = "/layout/gain_db";
const LANDMARK_KIND: &str = "/landmark/kind";
const LANDMARK_TIME: &str = "/landmark/time_s";
const LANDMARK_SPREAD: &str = "/landmark/spread_s";
const FINDING_ID: &str = "/finding/id";
const FINDING_TIME: &str = "/finding/time_s";
const FINDING_NOTE: &str = "/finding/note";

/// Reads a study.
pub(crate) fn read(file: &Path) -> Result<Study, StudyError> {
    let source = Source::open(file)?;
    check_format(&source)?;
    let description = describe(&source)?;
    let layout = &description.setup.layout;
    let recording = read_recording(&source, layout)?;
    check_reporting(layout, &recording).map_err(|fault| source.at(LEVELS, fault))?;
    let auxiliary = read_auxiliary(&source, recording.len())?;
    Ok(description.into_study(recording, auxiliary))
}

fn check_format(source: &Source<'_>) -> Result<(), StudyError> {
    let fault = match source.number("/", "format")? {
        Some(found) if found == f64::from(STUDY_FORMAT) => return Ok(()),
        Some(found) => Fault::UnknownFormat {
            found: found.to_string(),
            expected: STUDY_FORMAT,
        },
        None => Fault::MissingKey {
            table: "the file".to_owned(),
            key: "format",
            expected: "the version of the study format, 1",
        },
    };
    Err(source.at_attribute("/", "format", fault))
}

fn read_recording(source: &Source<'_>, layout: &Layout) -> Result<Recording, StudyError> {
    let (times_s, [instants]) = source.numbers::<f64, 1>(TIME, "one number an instant, in s", |[instants]| {
        at_most("instants", instants, MOST_INSTANTS)
    })?;
    let (levels_dbm, shape) = source.numbers::<f32, 2>(LEVELS, "instants × sites, in dBm", |[rows, columns]| {
        exactly([rows, columns], [instants, layout.len()])
    })?;
    let levels_dbm = Array2::from_shape_vec(shape, levels_dbm).map_err(|_| source.at(LEVELS, Fault::EmptyRecording))?;
    Recording::new(times_s, levels_dbm).map_err(|error| recording_fault(source, layout, &error))
}

fn recording_fault(source: &Source<'_>, layout: &Layout, error: &RecordingError) -> StudyError {
    match *error {
        RecordingError::TimeNotFinite { row, time_s } => {
            let fault = Fault::WrongValue {
                what: "time_s".to_owned(),
                found: time_s.to_string(),
                expected: "a finite number of seconds".to_owned(),
            };
            source.at_element(TIME, vec![row], fault)
        }
        RecordingError::TimeNotIncreasing {
            row,
            previous_s,
            time_s,
        } => source.at_element(TIME, vec![row], Fault::TimeNotIncreasing { previous_s, time_s }),
        RecordingError::ImpossibleLevel { row, site, rssi_dbm } => {
            let fault = Fault::WrongValue {
                what: layout.sites().get(site).map_or("level", |site| &site.name).to_owned(),
                found: rssi_dbm.to_string(),
                expected: "a level from −200 to 100 dBm, or NaN where no packet came".to_owned(),
            };
            source.at_element(LEVELS, vec![row, site], fault)
        }
        _ => source.at(TIME, Fault::EmptyRecording),
    }
}

fn read_auxiliary(source: &Source<'_>, instants: usize) -> Result<Vec<AuxiliaryColumn>, StudyError> {
    if !source.has(AUXILIARY_NAME)? {
        return Ok(Vec::new());
    }
    let (names, [columns]) = source.texts::<1>(AUXILIARY_NAME, "one heading a column", |[columns]| {
        at_most("auxiliary columns", columns, MOST_AUXILIARY)
    })?;
    if columns == 0 {
        return Ok(Vec::new());
    }
    let (cells, _) = source.texts::<2>(AUXILIARY, "instants × auxiliary columns", |shape| {
        exactly(shape, [instants, columns])
    })?;
    let mut auxiliary: Vec<AuxiliaryColumn> = names
        .into_iter()
        .map(|name| AuxiliaryColumn {
            name,
            cells: Vec::with_capacity(instants),
        })
        .collect();
    for (k, cell) in cells.into_iter().enumerate() {
        auxiliary[k % columns].cells.push(cell);
    }
    check_auxiliary(&auxiliary, instants).map_err(|fault| source.at(AUXILIARY, fault))?;
    Ok(auxiliary)
}

impl Source<'_> {
    /// The texts of a list, no longer than any study's.
    fn list_texts(&self, path: &str, expected: &'static str, most: usize) -> Result<(Vec<String>, usize), StudyError> {
        let (texts, [length]) = self.texts::<1>(path, expected, |[length]| at_most("entries", length, most))?;
        Ok((texts, length))
    }

    /// The numbers of a list of known length.
    fn list_numbers(&self, path: &str, expected: &'static str, length: usize) -> Result<Vec<f64>, StudyError> {
        let (numbers, _) = self.numbers::<f64, 1>(path, expected, |found| exactly(found, [length]))?;
        Ok(numbers)
    }
}

impl Container for Source<'_> {
    fn number(&self, table: &'static str, key: &'static str) -> Result<Option<f64>, StudyError> {
        Source::number(self, &self.title(table), key)
    }

    fn text(&self, table: &'static str, key: &'static str) -> Result<Option<String>, StudyError> {
        Source::text(self, &self.title(table), key)
    }

    fn started(&self) -> Result<Option<Datetime>, StudyError> {
        let Some(text) = Source::text(self, "/study", "started")? else {
            return Ok(None);
        };
        text.parse().map(Some).map_err(|_| {
            let fault = Fault::WrongValue {
                what: "/study started".to_owned(),
                found: quoted(&text),
                expected: "a date and time with its offset, such as 2026-03-02T08:14:00+01:00".to_owned(),
            };
            self.at_attribute("/study", "started", fault)
        })
    }

    fn sites(&self) -> Result<Option<Vec<Site>>, StudyError> {
        if !self.has("/layout")? {
            return Ok(None);
        }
        let (names, sites) = self.list_texts(SITE_NAME, "one name a site", MOST_SITES)?;
        let (coordinates, _) =
            self.numbers::<f64, 2>(SITE_POSITION, "sites × 3, in mm", |found| exactly(found, [sites, 3]))?;
        let gains = if self.has(SITE_GAIN)? {
            self.list_numbers(SITE_GAIN, "one gain a site, in dB", sites)?
        } else {
            vec![0.0; sites]
        };
        let (places, _) = coordinates.as_chunks::<3>();
        let sites = names
            .into_iter()
            .zip(places)
            .zip(gains)
            .map(|((name, &place), gain_db)| Site {
                name,
                position_mm: position(place),
                gain_db,
            });
        Ok(Some(sites.collect()))
    }

    fn landmarks(&self) -> Result<Vec<(String, f64, Option<f64>)>, StudyError> {
        if !self.has("/landmark")? {
            return Ok(Vec::new());
        }
        let (kinds, length) = self.list_texts(LANDMARK_KIND, "one kind a landmark", MOST_MARKS)?;
        let times_s = self.list_numbers(LANDMARK_TIME, "one time a landmark, in s", length)?;
        let spreads_s = if self.has(LANDMARK_SPREAD)? {
            self.list_numbers(LANDMARK_SPREAD, "one spread a landmark, in s", length)?
        } else {
            vec![f64::NAN; length]
        };
        let landmarks = kinds.into_iter().zip(times_s).zip(spreads_s);
        Ok(landmarks
            .map(|((kind, time_s), spread_s)| (kind, time_s, Some(spread_s).filter(|spread_s| !spread_s.is_nan())))
            .collect())
    }

    fn findings(&self) -> Result<Vec<(String, f64, Option<String>)>, StudyError> {
        if !self.has("/finding")? {
            return Ok(Vec::new());
        }
        let (ids, length) = self.list_texts(FINDING_ID, "one name a finding", MOST_MARKS)?;
        let times_s = self.list_numbers(FINDING_TIME, "one time a finding, in s", length)?;
        let notes = if self.has(FINDING_NOTE)? {
            let (notes, _) = self.texts::<1>(FINDING_NOTE, "one note a finding", |found| exactly(found, [length]))?;
            notes
        } else {
            vec![String::new(); length]
        };
        let findings = ids.into_iter().zip(times_s).zip(notes);
        Ok(findings.map(|((id, time_s), note)| (id, time_s, Some(note))).collect())
    }

    fn place(&self, table: &'static str, key: &'static str) -> Place {
        self.attribute_place(&self.title(table), key)
    }

    fn place_in(&self, list: List, index: Option<usize>, key: &'static str) -> Place {
        let group = match list {
            List::Sites => "/layout",
            List::Landmarks => "/landmark",
            List::Findings => "/finding",
        };
        let object = if key.is_empty() {
            group.to_owned()
        } else {
            format!("{group}/{key}")
        };
        match index {
            Some(index) => self.element_place(&object, vec![index]),
            None => Place::Object {
                file: self.file.to_owned(),
                object,
            },
        }
    }

    fn title(&self, table: &'static str) -> String {
        format!("/{table}")
    }
}

/// Writes a study that was checked.
pub(crate) fn write(study: &Study, file: &Path) -> Result<(), StudyError> {
    let sink = Sink::create(file, TEMPLATE)?;
    write_tables(&sink, study)?;
    write_sites(&sink, &study.setup.layout)?;
    write_marks(&sink, study)?;
    write_recording(&sink, study)?;
    sink.finish()
}

fn write_tables(sink: &Sink<'_>, study: &Study) -> Result<(), StudyError> {
    sink.text("/study", "id", &study.id)?;
    if let Some(started) = &study.started {
        sink.text("/study", "started", &started.to_string())?;
    }
    let setup = &study.setup;
    let (transmitter, receiver) = (&setup.transmitter, &setup.receiver);
    for (group, key, value) in [
        ("/study", "swallowed_s", study.swallowed_s),
        ("/transmitter", "frequency_mhz", Some(transmitter.frequency_mhz())),
        ("/transmitter", "power_dbm", Some(transmitter.power_dbm())),
        ("/transmitter", "battery_h", transmitter.battery_h()),
        ("/receiver", "floor_dbm", Some(receiver.floor_dbm())),
        ("/receiver", "ceiling_dbm", receiver.ceiling_dbm()),
        ("/receiver", "step_db", receiver.step_db()),
        ("/propagation", "shadowing_db", Some(setup.noise.shadowing_db())),
        ("/propagation", "noise_db", Some(setup.noise.noise_db())),
        ("/torso", "breadth_mm", Some(setup.torso.breadth_mm())),
        ("/torso", "depth_mm", Some(setup.torso.depth_mm())),
    ] {
        if let Some(value) = value {
            sink.number(group, key, value)?;
        }
    }
    sink.text("/propagation", "model", law_name(&setup.law))?;
    law_numbers(&setup.law)
        .into_iter()
        .try_for_each(|(key, value)| sink.number("/propagation", key, value))
}

fn write_sites(sink: &Sink<'_>, layout: &Layout) -> Result<(), StudyError> {
    let sites = layout.sites();
    let numbers: Vec<i32> = (1..).take(sites.len()).collect();
    let coordinates_mm: Vec<f64> = sites.iter().flat_map(|site| site.position_mm.iter().copied()).collect();
    let gains_db: Vec<f64> = sites.iter().map(|site| site.gain_db).collect();
    sink.fill(SITE, &numbers)?;
    sink.fill_texts(SITE_NAME, sites.iter().map(|site| site.name.as_str()))?;
    sink.fill_table(SITE_POSITION, sites.len(), 3, &coordinates_mm)?;
    sink.fill(SITE_GAIN, &gains_db)
}

fn write_marks(sink: &Sink<'_>, study: &Study) -> Result<(), StudyError> {
    let (landmarks, findings) = (&study.landmarks, &study.findings);
    let times_s: Vec<f64> = landmarks.iter().map(|landmark| landmark.time_s).collect();
    let spreads_s: Vec<f64> = landmarks
        .iter()
        .map(|landmark| landmark.spread_s.unwrap_or(f64::NAN))
        .collect();
    sink.fill_texts(LANDMARK_KIND, landmarks.iter().map(|landmark| landmark.kind.as_str()))?;
    sink.fill(LANDMARK_TIME, &times_s)?;
    sink.fill(LANDMARK_SPREAD, &spreads_s)?;
    let times_s: Vec<f64> = findings.iter().map(|finding| finding.time_s).collect();
    sink.fill_texts(FINDING_ID, findings.iter().map(|finding| finding.id.as_str()))?;
    sink.fill(FINDING_TIME, &times_s)?;
    sink.fill_texts(
        FINDING_NOTE,
        findings
            .iter()
            .map(|finding| finding.note.as_deref().unwrap_or_default()),
    )
}

fn write_recording(sink: &Sink<'_>, study: &Study) -> Result<(), StudyError> {
    let (recording, auxiliary) = (&study.recording, &study.auxiliary);
    let levels_dbm = recording.rssi_dbm();
    let levels_dbm = levels_dbm.as_standard_layout();
    sink.time_units(TIME, study.started.as_ref())?;
    sink.fill(TIME, recording.time_s())?;
    let levels_dbm = levels_dbm.as_slice().unwrap_or_default();
    sink.fill_table(LEVELS, recording.len(), recording.sites(), levels_dbm)?;
    sink.fill_texts(AUXILIARY_NAME, auxiliary.iter().map(|column| column.name.as_str()))?;
    let rows = 0..recording.len();
    let cells = rows.flat_map(|row| auxiliary.iter().map(move |column| column.cells[row].as_str()));
    let cells = sink.owned(AUXILIARY, cells)?;
    sink.fill_table(AUXILIARY, recording.len(), auxiliary.len(), &cells)
}
