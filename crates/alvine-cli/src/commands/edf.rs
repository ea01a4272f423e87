//! A study's recording as EDF+, and a study from a recording in EDF+ and a setup.
//!
//! What a reader marked becomes annotations: `swallow`, `landmark NAME` with its standard deviation where there is one, and
//! `finding ID: NOTE`. The same words are understood on the way back.

use std::fs;
use std::path::{Path, PathBuf};

use alvine::{LandmarkKind, Layout, ReaderFinding, ReaderLandmark, Recording};
use alvine_exchange::edf::{self, Annotation, EdfError, EdfRecording};
use alvine_study::{Started, Study, read_layout};
use jiff::tz::Offset;
use ndarray::Axis;
use thiserror::Error;

use super::write_whole;
use crate::outcome::{Failure, Outcome};
use crate::plain_text::paragraph;

const SWALLOW: &str = "swallow";
const LANDMARK: &str = "landmark ";
const SPREAD: &str = ", standard deviation ";
const FINDING: &str = "finding ";
/// No file is larger than this, bytes.
const LARGEST: u64 = 4 << 30;

/// Why a recording cannot come from EDF+ or go there.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum EdfFailure {
    /// The file is none, or cannot hold the recording.
    #[error("{}: {error}", file.display())]
    Edf {
        /// The file.
        file: PathBuf,
        /// What is wrong with it, and where.
        #[source]
        error: EdfError,
    },
    /// A file too large to be a recording.
    #[error("{}: has {bytes} bytes; expected a recording of 4 GiB at most", file.display())]
    TooLarge {
        /// The file.
        file: PathBuf,
        /// Its size.
        bytes: u64,
    },
    /// A recording without a setup.
    #[error("{}: tells nothing of sites, transmitter and torso; expected --setup", file.display())]
    NoSetup {
        /// The file.
        file: PathBuf,
    },
    /// A setup for a study that has its own.
    #[error("{}: is a study and has its own setup; expected no --setup", file.display())]
    NeedlessSetup {
        /// The file.
        file: PathBuf,
    },
    /// Sites of the recording that differ from those of the setup.
    #[error("{}: has the sites {found}; expected {expected}, as the setup has them", file.display())]
    OtherSites {
        /// The file.
        file: PathBuf,
        /// Its sites.
        found: String,
        /// Those of the setup.
        expected: String,
    },
}

impl EdfFailure {
    /// How the process ends.
    pub fn outcome(&self) -> Outcome {
        match self {
            Self::NoSetup { .. } | Self::NeedlessSetup { .. } => Outcome::Usage,
            _ => Outcome::Faulty,
        }
    }

    /// What to do about it.
    pub fn help(&self) -> Option<&'static str> {
        match self {
            Self::NoSetup { .. } => Some("name a study.toml or a layout file that has the same sites with --setup"),
            Self::OtherSites { .. } => Some("name the sites of the setup as the file does, each once"),
            _ => None,
        }
    }
}

/// Writes a study's recording; says what was left out or rounded.
pub fn export(study: &Study, to: &Path) -> Result<Vec<String>, Failure> {
    let recording = EdfRecording {
        study: study.id.clone(),
        started: study.started.map(|started| started.civil),
        utc_offset_min: study.started.map(|started| started.offset.seconds() / 60),
        sites: study.setup.layout.names(),
        recording: study.recording.clone(),
        annotations: annotations(study),
    };
    let failed = |error| EdfFailure::Edf {
        file: to.to_owned(),
        error,
    };
    let exported = edf::write(&recording).map_err(failed)?;
    write_whole(to, &exported.bytes)?;
    let mut told = vec![paragraph(
        "EDF+ holds the recording and what a reader marked. Sites' places, transmitter, law and torso stay in the study: keep it, \
         for --setup on the way back.",
        0,
    )];
    if exported.rounded > 0 {
        told.push(format!(
            "Levels rounded to 0.01 dB: {}, by {:.4} dB at most\n",
            exported.rounded, exported.greatest_rounding_db
        ));
    }
    if exported.earlier_s != 0.0 {
        told.push(format!(
            "Times begin anew at the first instant: {} s earlier\n",
            exported.earlier_s
        ));
    }
    if !exported.continuous {
        told.push(paragraph(
            "The instants are not evenly spaced: each is a record with its own time (EDF+D), which some readers refuse.",
            0,
        ));
    }
    if !study.auxiliary.is_empty() {
        told.push(format!(
            "Columns left out: {} that begin with aux_\n",
            study.auxiliary.len()
        ));
    }
    Ok(told)
}

fn annotations(study: &Study) -> Vec<Annotation> {
    let swallow = study.swallowed_s.map(|time_s| (time_s, SWALLOW.to_owned()));
    let landmarks = study.landmarks.iter().map(|landmark| {
        let spread = landmark
            .spread_s
            .map_or(String::new(), |spread_s| format!("{SPREAD}{spread_s} s"));
        (landmark.time_s, format!("{LANDMARK}{}{spread}", landmark.kind))
    });
    let findings = study.findings.iter().map(|finding| {
        let note = finding.note.as_ref().map_or(String::new(), |note| format!(": {note}"));
        (finding.time_s, format!("{FINDING}{}{note}", finding.id))
    });
    swallow
        .into_iter()
        .chain(landmarks)
        .chain(findings)
        .map(|(time_s, text)| Annotation { time_s, text })
        .collect()
}

/// A study from a recording and a setup; says what was left out.
pub fn import(from: &Path, setup: &Path) -> Result<(Study, Vec<String>), Failure> {
    let read = |source| Failure::Read {
        file: from.to_owned(),
        source,
    };
    let bytes = fs::metadata(from).map_err(read)?.len();
    if bytes > LARGEST {
        let file = from.to_owned();
        return Err(EdfFailure::TooLarge { file, bytes }.into());
    }
    let imported = edf::read(&fs::read(from).map_err(read)?).map_err(|error| EdfFailure::Edf {
        file: from.to_owned(),
        error,
    })?;
    let setup = read_layout(setup)?;
    let recording = in_order(&imported.edf, &setup.layout, from)?;
    let mut told = Vec::new();
    if !imported.left_out.is_empty() {
        told.push(paragraph(
            &format!(
                "Signals left out, as they are not in dBm: {}",
                imported.left_out.join(", ")
            ),
            0,
        ));
    }
    let mut study = Study {
        id: imported.edf.study.clone(),
        started: started(&imported.edf, &mut told),
        swallowed_s: None,
        setup,
        landmarks: Vec::new(),
        findings: Vec::new(),
        recording,
        auxiliary: Vec::new(),
    };
    let known = imported
        .edf
        .annotations
        .iter()
        .filter(|mark| understand(mark, &mut study));
    let known = known.count();
    let unknown = imported.edf.annotations.len() - known;
    if unknown > 0 {
        told.push(format!(
            "Annotations left out, as alvine has no place for them: {unknown}\n"
        ));
    }
    Ok((study, told))
}

/// The beginning, which a study has with its offset from UTC only.
fn started(edf: &EdfRecording, told: &mut Vec<String>) -> Option<Started> {
    let civil = edf.started?;
    let offset = edf
        .utc_offset_min
        .and_then(|minutes| Offset::from_seconds(60 * minutes).ok());
    if offset.is_none() {
        told.push(format!(
            "The beginning, {civil}, is left out: the file does not tell its offset from UTC\n"
        ));
    }
    Some(Started { civil, offset: offset? })
}

/// Puts an annotation where it belongs; whether there is such a place.
fn understand(mark: &Annotation, study: &mut Study) -> bool {
    if mark.text == SWALLOW {
        study.swallowed_s = Some(mark.time_s);
    } else if let Some(landmark) = mark.text.strip_prefix(LANDMARK) {
        let (kind, spread) = landmark
            .split_once(SPREAD)
            .map_or((landmark, None), |(kind, rest)| (kind, Some(rest)));
        let spread_s = spread.map(|spread| spread.strip_suffix(" s").and_then(|spread| spread.parse::<f64>().ok()));
        let (Ok(kind), None | Some(Some(_))) = (kind.parse::<LandmarkKind>(), spread_s) else {
            return false;
        };
        study.landmarks.push(ReaderLandmark {
            kind,
            time_s: mark.time_s,
            spread_s: spread_s.flatten(),
        });
    } else if let Some(finding) = mark.text.strip_prefix(FINDING) {
        let (id, note) = finding
            .split_once(": ")
            .map_or((finding, None), |(id, note)| (id, Some(note)));
        study.findings.push(ReaderFinding {
            id: id.to_owned(),
            time_s: mark.time_s,
            note: note.map(str::to_owned),
        });
    } else {
        return false;
    }
    true
}

/// The recording with its columns in the order of the setup's sites.
fn in_order(edf: &EdfRecording, layout: &Layout, file: &Path) -> Result<Recording, Failure> {
    let columns: Option<Vec<usize>> = layout
        .sites()
        .iter()
        .map(|site| edf.sites.iter().position(|name| *name == site.name))
        .collect();
    let Some(columns) = columns.filter(|columns| columns.len() == edf.sites.len()) else {
        let expected: Vec<&str> = layout.sites().iter().map(|site| site.name.as_str()).collect();
        return Err(EdfFailure::OtherSites {
            file: file.to_owned(),
            found: edf.sites.join(", "),
            expected: expected.join(", "),
        }
        .into());
    };
    let levels = edf.recording.rssi_dbm().select(Axis(1), &columns);
    let recording = Recording::new(edf.recording.time_s().to_vec(), levels);
    Ok(recording.map_err(|error| EdfFailure::Edf {
        file: file.to_owned(),
        error: error.into(),
    })?)
}
