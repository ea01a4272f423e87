//! Everything a study says about itself but the recording, built from either container.
//!
//! A container gives numbers and texts by table and key and knows where they stand; this module knows which keys
//! there are, which are needed, and what they mean.

use std::collections::HashSet;

use alvine::recording::Receiver;
use alvine::recording::ReceiverError;
use alvine::setup::TransmitterError;
use alvine::torso::TorsoError;
use alvine::{
    DistanceAndTissue, FreeSpace, LandmarkKind, Law, Layout, LayoutError, LogDistance, NoiseError, NoiseModel,
    Position, PropagationError, ReaderFinding, ReaderLandmark, Recording, Setup, Site, Torso, Transmitter,
};
use toml::value::Datetime;

use crate::fault::{Fault, Place, StudyError, quoted};
use crate::site_sense::{Slip, Suspicion, suspicion};
use crate::study::{AuxiliaryColumn, Started, Study};

/// The version of the study format that this crate reads and writes.
pub const STUDY_FORMAT: u32 = 1;

/// The most sites a study may have.
pub const MOST_SITES: usize = 1024;
/// The most landmarks, and the most findings, a study may have.
pub const MOST_MARKS: usize = 100_000;
/// No text of a study's description is longer, bytes.
pub const LONGEST_TEXT: usize = 64 * 1024;

/// The keys of each table.
pub(crate) mod keys {
    pub const STUDY: &[&str] = &["id", "started", "swallowed_s", "recording"];
    pub const TRANSMITTER: &[&str] = &["frequency_mhz", "power_dbm", "battery_h"];
    pub const RECEIVER: &[&str] = &["floor_dbm", "ceiling_dbm", "step_db"];
    pub const LOG_DISTANCE: &[&str] = &[
        "model",
        "reference_mm",
        "loss_at_reference_db",
        "exponent",
        "shadowing_db",
        "noise_db",
    ];
    pub const FREE_SPACE: &[&str] = &["model", "shadowing_db", "noise_db"];
    pub const DISTANCE_AND_TISSUE: &[&str] = &[
        "model",
        "reference_mm",
        "loss_at_reference_db",
        "exponent",
        "attenuation_db_per_cm",
        "shadowing_db",
        "noise_db",
    ];
    pub const TORSO: &[&str] = &["breadth_mm", "depth_mm"];
    pub const SITE: &[&str] = &["name", "position_mm", "gain_db"];
    pub const LANDMARK: &[&str] = &["kind", "time_s", "spread_s"];
    pub const FINDING: &[&str] = &["id", "time_s", "note"];
    pub const MODELS: &[&str] = &["log-distance", "free-space", "distance-and-tissue"];

    /// The keys of `[propagation]` with a model; of all models where the model is none of the known ones.
    pub fn propagation(model: Option<&str>) -> &'static [&'static str] {
        match model {
            Some("log-distance") => LOG_DISTANCE,
            Some("free-space") => FREE_SPACE,
            _ => DISTANCE_AND_TISSUE,
        }
    }
}

/// What a container can tell.
pub(crate) trait Container {
    /// A number, `None` where the key is absent; an error where it is no number.
    fn number(&self, table: &'static str, key: &'static str) -> Result<Option<f64>, StudyError>;
    /// A text, `None` where the key is absent; an error where it is no text.
    fn text(&self, table: &'static str, key: &'static str) -> Result<Option<String>, StudyError>;
    /// The date and time of `[study] started`.
    fn started(&self) -> Result<Option<Datetime>, StudyError>;
    /// The sites, `None` where the study has no word of them.
    fn sites(&self) -> Result<Option<Vec<Site>>, StudyError>;
    /// The landmarks: kind, time, spread.
    fn landmarks(&self) -> Result<Vec<(String, f64, Option<f64>)>, StudyError>;
    /// The findings: id, time, note.
    fn findings(&self) -> Result<Vec<(String, f64, Option<String>)>, StudyError>;
    /// Where a key stands, or its table where it is absent.
    fn place(&self, table: &'static str, key: &'static str) -> Place;
    /// Where something of the k-th site, landmark or finding stands.
    fn place_in(&self, list: List, index: Option<usize>, key: &'static str) -> Place;
    /// A table's name in messages, such as `[receiver]`.
    fn title(&self, table: &'static str) -> String;
}

/// The lists of a study.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum List {
    Sites,
    Landmarks,
    Findings,
}

/// A study without its recording.
#[derive(Debug)]
pub(crate) struct Description {
    pub id: String,
    pub started: Option<Started>,
    pub swallowed_s: Option<f64>,
    pub setup: Setup,
    pub landmarks: Vec<ReaderLandmark>,
    pub findings: Vec<ReaderFinding>,
}

/// Reads the description from a container.
pub(crate) fn describe(container: &dyn Container) -> Result<Description, StudyError> {
    let from = Builder(container);
    let id = from.needed_text("study", "id", "a pseudonym in quotes")?;
    check_text(&id, &format!("{} id", container.title("study"))).map_err(|fault| from.at("study", "id", fault))?;
    Ok(Description {
        id,
        started: from.started()?,
        swallowed_s: from.finite("study", "swallowed_s")?,
        setup: from.setup()?,
        landmarks: from.landmarks()?,
        findings: from.findings()?,
    })
}

/// Reads the setup alone from a container.
pub(crate) fn describe_setup(container: &dyn Container) -> Result<Setup, StudyError> {
    Builder(container).setup()
}

struct Builder<'a>(&'a dyn Container);

impl Builder<'_> {
    fn at(&self, table: &'static str, key: &'static str, fault: impl Into<Fault>) -> StudyError {
        StudyError::new(self.0.place(table, key), fault)
    }

    fn missing(&self, table: &'static str, key: &'static str, expected: &'static str) -> StudyError {
        let fault = Fault::MissingKey {
            table: self.0.title(table),
            key,
            expected,
        };
        self.at(table, key, fault)
    }

    fn needed(&self, table: &'static str, key: &'static str) -> Result<f64, StudyError> {
        self.0
            .number(table, key)?
            .ok_or_else(|| self.missing(table, key, "a number"))
    }

    fn needed_text(
        &self,
        table: &'static str,
        key: &'static str,
        expected: &'static str,
    ) -> Result<String, StudyError> {
        self.0
            .text(table, key)?
            .ok_or_else(|| self.missing(table, key, expected))
    }

    fn finite(&self, table: &'static str, key: &'static str) -> Result<Option<f64>, StudyError> {
        match self.0.number(table, key)? {
            Some(found) if !found.is_finite() => {
                let what = format!("{} {key}", self.0.title(table));
                Err(self.at(table, key, not_finite(what, found)))
            }
            found => Ok(found),
        }
    }

    fn started(&self) -> Result<Option<Started>, StudyError> {
        self.0
            .started()?
            .map(|found| {
                Started::from_toml(&found).ok_or_else(|| {
                    let fault = Fault::WrongValue {
                        what: format!("{} started", self.0.title("study")),
                        found: found.to_string(),
                        expected: "a date and time with its offset, such as 2026-03-02T08:14:00+01:00".to_owned(),
                    };
                    self.at("study", "started", fault)
                })
            })
            .transpose()
    }

    fn setup(&self) -> Result<Setup, StudyError> {
        let transmitter = self.transmitter()?;
        let receiver = self.receiver()?;
        let law = self.law(&transmitter)?;
        let noise = self.noise()?;
        let torso = self.torso()?;
        Ok(Setup {
            torso,
            room: None,
            layout: self.layout(&torso)?,
            law,
            noise,
            transmitter,
            receiver,
        })
    }

    fn transmitter(&self) -> Result<Transmitter, StudyError> {
        const TABLE: &str = "transmitter";
        let frequency_mhz = self.needed(TABLE, "frequency_mhz")?;
        let power_dbm = self.needed(TABLE, "power_dbm")?;
        Transmitter::new(frequency_mhz, power_dbm, self.0.number(TABLE, "battery_h")?).map_err(|error| {
            let key = match &error {
                TransmitterError::ImpossibleValue { what, .. } => *what,
                _ => "",
            };
            self.at(TABLE, key, error)
        })
    }

    fn receiver(&self) -> Result<Receiver, StudyError> {
        const TABLE: &str = "receiver";
        let floor_dbm = self.needed(TABLE, "floor_dbm")?;
        let ceiling_dbm = self.0.number(TABLE, "ceiling_dbm")?;
        Receiver::new(floor_dbm, ceiling_dbm, self.0.number(TABLE, "step_db")?).map_err(|error| {
            let key = match &error {
                ReceiverError::ImpossibleValue { what, .. } => *what,
                _ => "",
            };
            self.at(TABLE, key, error)
        })
    }

    fn law(&self, transmitter: &Transmitter) -> Result<Law, StudyError> {
        const TABLE: &str = "propagation";
        let model = self.needed_text(TABLE, "model", "the name of a law of propagation")?;
        let number = |key| self.needed(TABLE, key);
        let law = match model.as_str() {
            "log-distance" => LogDistance::new(
                number("reference_mm")?,
                number("loss_at_reference_db")?,
                number("exponent")?,
            )
            .map(Law::LogDistance),
            "free-space" => FreeSpace::new(transmitter.frequency_mhz()).map(Law::FreeSpace),
            "distance-and-tissue" => DistanceAndTissue::new(
                number("reference_mm")?,
                number("loss_at_reference_db")?,
                number("exponent")?,
                number("attenuation_db_per_cm")?,
            )
            .map(Law::DistanceAndTissue),
            _ => {
                let fault = Fault::WrongValue {
                    what: format!("{} model", self.0.title(TABLE)),
                    found: quoted(&model),
                    expected: format!("one of {}", keys::MODELS.join(", ")),
                };
                return Err(self.at(TABLE, "model", fault));
            }
        };
        law.map_err(|error| {
            let key = match &error {
                PropagationError::ImpossibleValue { what, .. } => *what,
                _ => "",
            };
            self.at(TABLE, key, error)
        })
    }

    fn noise(&self) -> Result<NoiseModel, StudyError> {
        const TABLE: &str = "propagation";
        NoiseModel::new(self.needed(TABLE, "shadowing_db")?, self.needed(TABLE, "noise_db")?).map_err(|error| {
            let key = match &error {
                NoiseError::ImpossibleValue { what, .. } => *what,
                _ => "",
            };
            self.at(TABLE, key, Fault::Noise(error))
        })
    }

    fn torso(&self) -> Result<Torso, StudyError> {
        const TABLE: &str = "torso";
        Torso::new(self.needed(TABLE, "breadth_mm")?, self.needed(TABLE, "depth_mm")?).map_err(|error| {
            let key = match &error {
                TorsoError::ImpossibleSize { what: "depth", .. } => "depth_mm",
                _ => "breadth_mm",
            };
            self.at(TABLE, key, error)
        })
    }

    fn layout(&self, torso: &Torso) -> Result<Layout, StudyError> {
        let Some(sites) = self.0.sites()? else {
            return Ok(Layout::default_eight(torso));
        };
        if sites.len() > MOST_SITES {
            let fault = too_many("sites", sites.len(), MOST_SITES);
            return Err(StudyError::new(self.0.place_in(List::Sites, None, ""), fault));
        }
        // Two sites at one very place are a slip of their own, which the layout tells.
        let twins = sites
            .iter()
            .enumerate()
            .any(|(index, site)| sites[..index].iter().any(|other| other.position_mm == site.position_mm));
        if let Some((index, suspicion)) = suspicion(&sites, torso).filter(|_| !twins) {
            let place = self.0.place_in(List::Sites, Some(index), "position_mm");
            return Err(StudyError::new(place, senseless(&sites[index], &suspicion)));
        }
        let names: Vec<String> = sites.iter().map(|site| site.name.clone()).collect();
        let index_of = |name: &String| names.iter().position(|other| other == name);
        Layout::new(sites).map_err(|error| {
            let (index, key) = match &error {
                LayoutError::DuplicateName { second, .. } => (Some(*second), "name"),
                LayoutError::BadName { index, .. } => (Some(*index), "name"),
                LayoutError::Coincident { second, .. } => (index_of(second), "position_mm"),
                LayoutError::ImpossibleValue {
                    name, what: "gain_db", ..
                } => (index_of(name), "gain_db"),
                LayoutError::ImpossibleValue { name, .. } => (index_of(name), "position_mm"),
                LayoutError::Coplanar { .. } => (None, "position_mm"),
                _ => (None, ""),
            };
            StudyError::new(self.0.place_in(List::Sites, index, key), Fault::Layout { error })
        })
    }

    fn landmarks(&self) -> Result<Vec<ReaderLandmark>, StudyError> {
        let found = self.0.landmarks()?;
        let mut landmarks = Vec::with_capacity(found.len());
        let mut seen = HashSet::new();
        for (index, (kind, time_s, spread_s)) in found.into_iter().enumerate() {
            let at = |key, fault| StudyError::new(self.0.place_in(List::Landmarks, Some(index), key), fault);
            let kind: LandmarkKind = kind.parse().map_err(|name| {
                let what = "landmark kind".to_owned();
                at("kind", Fault::UnknownName { what, name })
            })?;
            if !seen.insert(kind) {
                let name = kind.to_string();
                return Err(at("kind", Fault::Repeated { what: "landmark", name }));
            }
            check_time("landmark time_s", time_s).map_err(|fault| at("time_s", fault))?;
            check_spread(spread_s).map_err(|fault| at("spread_s", fault))?;
            landmarks.push(ReaderLandmark { kind, time_s, spread_s });
        }
        Ok(landmarks)
    }

    fn findings(&self) -> Result<Vec<ReaderFinding>, StudyError> {
        let found = self.0.findings()?;
        let mut findings = Vec::with_capacity(found.len());
        let mut seen = HashSet::new();
        for (index, (id, time_s, note)) in found.into_iter().enumerate() {
            let at = |key, fault| StudyError::new(self.0.place_in(List::Findings, Some(index), key), fault);
            check_text(&id, "finding id").map_err(|fault| at("id", fault))?;
            if !seen.insert(id.clone()) {
                let fault = Fault::Repeated {
                    what: "finding",
                    name: id,
                };
                return Err(at("id", fault));
            }
            check_time("finding time_s", time_s).map_err(|fault| at("time_s", fault))?;
            // An empty note is no note, so that both containers hold the same.
            let note = note.filter(|note| !note.is_empty());
            if let Some(note) = &note {
                check_note(note).map_err(|fault| at("note", fault))?;
            }
            findings.push(ReaderFinding { id, time_s, note });
        }
        Ok(findings)
    }
}

/// A name: not empty, without control characters, of sensible length.
pub(crate) fn check_text(text: &str, what: &str) -> Result<(), Fault> {
    const LONGEST_NAME: usize = 256;
    let wrong = |expected: &str| Fault::WrongValue {
        what: what.to_owned(),
        found: quoted(text),
        expected: expected.to_owned(),
    };
    if text.is_empty() {
        Err(wrong("a name that is not empty"))
    } else if text.len() > LONGEST_NAME {
        Err(too_many("bytes in a name", text.len(), LONGEST_NAME))
    } else if text.chars().any(char::is_control) {
        Err(wrong("a name without control characters"))
    } else {
        Ok(())
    }
}

/// A free text: no NUL, which HDF5 cannot hold, and of sensible length.
pub(crate) fn check_note(note: &str) -> Result<(), Fault> {
    if note.len() > LONGEST_TEXT {
        return Err(too_many("bytes in a note", note.len(), LONGEST_TEXT));
    }
    if note.contains('\0') {
        return Err(Fault::WrongValue {
            what: "finding note".to_owned(),
            found: quoted(note),
            expected: "text without NUL characters".to_owned(),
        });
    }
    Ok(())
}

pub(crate) fn check_time(what: &str, time_s: f64) -> Result<(), Fault> {
    if time_s.is_finite() {
        Ok(())
    } else {
        Err(not_finite(what.to_owned(), time_s))
    }
}

pub(crate) fn check_spread(spread_s: Option<f64>) -> Result<(), Fault> {
    match spread_s {
        Some(found) if !(found.is_finite() && found >= 0.0) => Err(Fault::WrongValue {
            what: "landmark spread_s".to_owned(),
            found: found.to_string(),
            expected: "a finite number of seconds, 0 or more".to_owned(),
        }),
        _ => Ok(()),
    }
}

fn senseless(site: &Site, suspicion: &Suspicion) -> Fault {
    Fault::SenselessSite {
        site: site.name.clone(),
        found_mm: site.position_mm.into(),
        seems: match suspicion.slip {
            Slip::Unit(unit) => format!("it seems to be in {unit}"),
            Slip::Sign(side) => format!("a sign seems to be wrong, as the coordinate grows towards the {side}"),
        },
        likely_mm: suspicion.likely_mm.into(),
    }
}

pub(crate) fn too_many(what: &'static str, found: usize, most: usize) -> Fault {
    Fault::TooLarge {
        what,
        found: found as u64,
        most: most as u64,
    }
}

fn not_finite(what: String, found: f64) -> Fault {
    Fault::WrongValue {
        what,
        found: found.to_string(),
        expected: "a finite number".to_owned(),
    }
}

/// A place in the frame, from three coordinates in mm.
pub(crate) fn position(coordinates_mm: [f64; 3]) -> Position {
    let [x_mm, y_mm, z_mm] = coordinates_mm;
    Position::new(x_mm, y_mm, z_mm)
}

impl Description {
    /// Joins the recording to its description.
    pub(crate) fn into_study(self, recording: Recording, auxiliary: Vec<AuxiliaryColumn>) -> Study {
        Study {
            id: self.id,
            started: self.started,
            swallowed_s: self.swallowed_s,
            setup: self.setup,
            landmarks: self.landmarks,
            findings: self.findings,
            recording,
            auxiliary,
        }
    }
}
