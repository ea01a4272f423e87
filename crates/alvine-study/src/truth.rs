//! The truth of a recording on disk: `truth.json` with landmarks and faults, `truth.csv` with the path.

use std::fs;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use alvine::{LandmarkKind, Part, Phase, Site, TrueLandmark, TrueLoosening, Truth, TruthPoint};
use serde::{Deserialize, Serialize};

use crate::delimited::{Cell, Located, Rows};
use crate::description::position;
use crate::fault::{Fault, Place, StudyError, quoted};
use crate::recording_csv::read_text;
use crate::results::summary::json_error;
use crate::staging::Staging;

/// The version of the truth files.
const TRUTH_FORMAT: u32 = 1;
const JSON_NAME: &str = "truth.json";
const CSV_NAME: &str = "truth.csv";
const COLUMNS: [&str; 7] = ["time_s", "x_mm", "y_mm", "z_mm", "phase", "part", "arc_mm"];
/// No truth file is larger than this, bytes.
const LARGEST_FILE: u64 = 4 << 30;

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TruthHead {
    format: u32,
    landmarks: Vec<LandmarkEntry>,
    loosenings: Vec<LooseningEntry>,
    /// Truths of bench tests have none, and those that were written before there was one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    radio: Option<RadioEntry>,
}

/// How the air between capsule and belt really was, where a study is told otherwise.
#[derive(Debug, Clone, PartialEq)]
pub struct RadioTruth {
    /// The sites as they really sat, with their true gains.
    pub sites: Vec<Site>,
    /// True exponent of the law less the told one; the two laws meet at 50 mm.
    pub exponent_excess: f64,
    /// True level less the told one, dB, at all sites alike.
    pub level_excess_db: f64,
    /// Standard deviation of the shadowing, dB.
    pub shadowing_db: f64,
    /// Distance over which it keeps its value, mm.
    pub shadowing_correlation_mm: f64,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct RadioEntry {
    sites: Vec<SiteEntry>,
    exponent_excess: f64,
    level_excess_db: f64,
    shadowing_db: f64,
    shadowing_correlation_mm: f64,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SiteEntry {
    name: String,
    position_mm: [f64; 3],
    gain_db: f64,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LandmarkEntry {
    kind: String,
    time_s: Option<f64>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct LooseningEntry {
    site: String,
    start_s: f64,
    end_s: f64,
    loss_db: f64,
}

/// Reads the truth: `path` is `truth.json`, with `truth.csv` beside it, or the folder that holds both.
///
/// # Errors
///
/// A [`StudyError`] with the place of the first fault.
pub fn read_truth(path: &Path) -> Result<Truth, StudyError> {
    let json = json_of(path);
    let (landmarks, loosenings) = marks(&json, read_head(&json)?)?;
    let csv = json.with_file_name(CSV_NAME);
    let text = read_text(&csv, "the path of the capsule, beside truth.json", LARGEST_FILE)?;
    let points = parse_points(&text)
        .map_err(|(offset, fault)| StudyError::new(Place::in_text(&csv, text.as_bytes(), offset), fault))?;
    Ok(Truth {
        points,
        landmarks,
        loosenings,
    })
}

/// Reads how the air really was; `None` where the truth does not say.
///
/// # Errors
///
/// As [`read_truth`].
pub fn read_radio_truth(path: &Path) -> Result<Option<RadioTruth>, StudyError> {
    let radio = read_head(&json_of(path))?.radio;
    Ok(radio.map(|radio| RadioTruth {
        sites: radio
            .sites
            .into_iter()
            .map(|site| Site {
                name: site.name,
                position_mm: position(site.position_mm),
                gain_db: site.gain_db,
            })
            .collect(),
        exponent_excess: radio.exponent_excess,
        level_excess_db: radio.level_excess_db,
        shadowing_db: radio.shadowing_db,
        shadowing_correlation_mm: radio.shadowing_correlation_mm,
    }))
}

/// Writes `truth.json` and `truth.csv` into a folder, each whole or not at all.
///
/// # Errors
///
/// When a file cannot be written.
pub fn write_truth(truth: &Truth, radio: Option<&RadioTruth>, dir: &Path) -> Result<(), StudyError> {
    let mut staging = Staging::new(dir)?;
    write_points(&truth.points, &staging.path(CSV_NAME))?;
    write_head(truth, radio, &staging.path(JSON_NAME))?;
    staging.commit()
}

fn json_of(path: &Path) -> PathBuf {
    if path.is_dir() {
        path.join(JSON_NAME)
    } else {
        path.to_owned()
    }
}

fn read_head(json: &Path) -> Result<TruthHead, StudyError> {
    let text = read_text(json, "truth.json", LARGEST_FILE)?;
    let head: TruthHead = serde_json::from_str(&text).map_err(|error| json_error(json, &error))?;
    if head.format != TRUTH_FORMAT {
        let fault = Fault::UnknownFormat {
            found: head.format.to_string(),
            expected: TRUTH_FORMAT,
        };
        return Err(StudyError::new(Place::file(json), fault));
    }
    Ok(head)
}

fn marks(json: &Path, head: TruthHead) -> Result<(Vec<TrueLandmark>, Vec<TrueLoosening>), StudyError> {
    let mut landmarks = Vec::with_capacity(head.landmarks.len());
    for entry in head.landmarks {
        let kind: LandmarkKind = entry.kind.parse().map_err(|name| {
            let what = "landmarks, kind".to_owned();
            StudyError::new(Place::file(json), Fault::UnknownName { what, name })
        })?;
        landmarks.push(TrueLandmark {
            kind,
            time_s: entry.time_s,
        });
    }
    let loosenings = head.loosenings.into_iter().map(|entry| TrueLoosening {
        site: entry.site,
        start_s: entry.start_s,
        end_s: entry.end_s,
        loss_db: entry.loss_db,
    });
    Ok((landmarks, loosenings.collect()))
}

fn parse_points(text: &str) -> Result<Vec<TruthPoint>, Located> {
    let mut rows = open_table(text, &COLUMNS)?;
    let mut row = Vec::new();
    let mut points: Vec<TruthPoint> = Vec::new();
    while rows.next_into(&mut row)? {
        let [time, x, y, z, phase, part, arc] = cells(&row)?;
        let time_s = needed(time, "time_s")?;
        if let Some(previous_s) = points.last().map(|point| point.time_s)
            && time_s <= previous_s
        {
            return Err((time.offset, Fault::TimeNotIncreasing { previous_s, time_s }));
        }
        let coordinates = (number(x, "x_mm")?, number(y, "y_mm")?, number(z, "z_mm")?);
        points.push(TruthPoint {
            time_s,
            position_mm: match coordinates {
                (Some(x_mm), Some(y_mm), Some(z_mm)) => Some(position([x_mm, y_mm, z_mm])),
                _ => None,
            },
            phase: phase
                .text
                .parse::<Phase>()
                .map_err(|name| unknown(phase, "phase", name))?,
            part: match part.text.as_ref() {
                "" => None,
                name => Some(name.parse::<Part>().map_err(|name| unknown(part, "part", name))?),
            },
            arc_mm: number(arc, "arc_mm")?,
        });
    }
    Ok(points)
}

/// The rows of a table below its header, which must be the one expected.
pub(crate) fn open_table<'a>(text: &'a str, columns: &[&str]) -> Result<Rows<'a>, Located> {
    let mut rows = Rows::new(text);
    let mut header = Vec::new();
    if !rows.next_into(&mut header)? {
        let expected = columns.join(",");
        return Err((0, Fault::NoHeader { expected }));
    }
    check_columns(&header, columns)?;
    Ok(rows)
}

/// Checks that a header has exactly these columns.
fn check_columns(row: &[Cell<'_>], columns: &[&str]) -> Result<(), Located> {
    for (cell, expected) in row.iter().zip(columns) {
        if cell.text != *expected {
            let fault = Fault::ColumnOrder {
                found: cell.text.to_string(),
                expected: (*expected).to_owned(),
            };
            return Err((cell.offset, fault));
        }
    }
    if row.len() == columns.len() {
        return Ok(());
    }
    let fault = Fault::RowLength {
        found: row.len(),
        expected: columns.len(),
    };
    Err((
        row.get(columns.len()).or(row.last()).map_or(0, |cell| cell.offset),
        fault,
    ))
}

/// The cells of a row as an array of the expected length.
pub(crate) fn cells<'r, 't, const N: usize>(row: &'r [Cell<'t>]) -> Result<&'r [Cell<'t>; N], Located> {
    row.try_into().map_err(|_| {
        let fault = Fault::RowLength {
            found: row.len(),
            expected: N,
        };
        (row.get(N).or(row.last()).map_or(0, |cell| cell.offset), fault)
    })
}

/// A finite number; `None` for an empty cell.
pub(crate) fn number(cell: &Cell<'_>, what: &str) -> Result<Option<f64>, Located> {
    let text = cell.text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    match text.parse() {
        Ok(value) if f64::is_finite(value) => Ok(Some(value)),
        _ => Err((cell.offset, not_a_number(what, &cell.text))),
    }
}

/// A finite number.
pub(crate) fn needed(cell: &Cell<'_>, what: &str) -> Result<f64, Located> {
    number(cell, what)?.ok_or_else(|| (cell.offset, not_a_number(what, &cell.text)))
}

fn not_a_number(what: &str, found: &str) -> Fault {
    Fault::WrongValue {
        what: what.to_owned(),
        found: quoted(found),
        expected: "a finite number".to_owned(),
    }
}

fn unknown(cell: &Cell<'_>, what: &str, name: alvine::anatomy::UnknownName) -> Located {
    let what = what.to_owned();
    (cell.offset, Fault::UnknownName { what, name })
}

fn write_points(points: &[TruthPoint], to: &Path) -> Result<(), StudyError> {
    use std::fmt::Write as _;
    let failed = |error| StudyError::io(to, "written", error);
    let mut out = BufWriter::with_capacity(1 << 16, fs::File::create(to).map_err(failed)?);
    let mut line = COLUMNS.join(",");
    for point in points {
        line.push('\n');
        out.write_all(line.as_bytes()).map_err(failed)?;
        line.clear();
        let _ = write!(line, "{}", point.time_s);
        let coordinates = point.position_mm.map(|place| [place.x, place.y, place.z]);
        for axis in 0..3 {
            push_number(&mut line, coordinates.map(|coordinates| coordinates[axis]));
        }
        line.push(',');
        line.push_str(point.phase.as_str());
        line.push(',');
        line.push_str(point.part.map_or("", Part::as_str));
        push_number(&mut line, point.arc_mm);
    }
    line.push('\n');
    out.write_all(line.as_bytes()).map_err(failed)?;
    out.flush().map_err(failed)
}

fn push_number(line: &mut String, value: Option<f64>) {
    use std::fmt::Write as _;
    line.push(',');
    if let Some(value) = value {
        let _ = write!(line, "{value}");
    }
}

fn write_head(truth: &Truth, radio: Option<&RadioTruth>, to: &Path) -> Result<(), StudyError> {
    let head = TruthHead {
        format: TRUTH_FORMAT,
        landmarks: truth
            .landmarks
            .iter()
            .map(|landmark| LandmarkEntry {
                kind: landmark.kind.to_string(),
                time_s: landmark.time_s,
            })
            .collect(),
        loosenings: truth
            .loosenings
            .iter()
            .map(|loosening| LooseningEntry {
                site: loosening.site.clone(),
                start_s: loosening.start_s,
                end_s: loosening.end_s,
                loss_db: loosening.loss_db,
            })
            .collect(),
        radio: radio.map(radio_entry),
    };
    let failed = |error| StudyError::io(to, "written", error);
    let mut text = serde_json::to_string_pretty(&head).map_err(|error| failed(error.into()))?;
    text.push('\n');
    fs::write(to, text).map_err(failed)
}

fn radio_entry(radio: &RadioTruth) -> RadioEntry {
    RadioEntry {
        sites: radio
            .sites
            .iter()
            .map(|site| SiteEntry {
                name: site.name.clone(),
                position_mm: site.position_mm.into(),
                gain_db: site.gain_db,
            })
            .collect(),
        exponent_excess: radio.exponent_excess,
        level_excess_db: radio.level_excess_db,
        shadowing_db: radio.shadowing_db,
        shadowing_correlation_mm: radio.shadowing_correlation_mm,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::Position;

    fn sample() -> Truth {
        Truth {
            points: vec![
                TruthPoint {
                    time_s: 0.0,
                    position_mm: None,
                    phase: Phase::Outside,
                    part: None,
                    arc_mm: None,
                },
                TruthPoint {
                    time_s: 1.0 / 6.0,
                    position_mm: Some(Position::new(0.1 + 0.2, -1.0e-7, 90.0)),
                    phase: Phase::SmallBowel,
                    part: Some(Part::Ileum),
                    arc_mm: Some(5123.456),
                },
            ],
            landmarks: vec![
                TrueLandmark {
                    kind: LandmarkKind::Pylorus,
                    time_s: Some(0.1),
                },
                TrueLandmark {
                    kind: LandmarkKind::Expulsion,
                    time_s: None,
                },
            ],
            loosenings: vec![TrueLoosening {
                site: "left-iliac".into(),
                start_s: 10.0,
                end_s: 20.5,
                loss_db: 12.0,
            }],
        }
    }

    #[test]
    fn truth_reads_back_as_written_from_folder_and_file() {
        let dir = tempfile::tempdir().unwrap();
        write_truth(&sample(), None, dir.path()).unwrap();
        assert_eq!(read_truth(dir.path()).unwrap(), sample());
        assert_eq!(read_truth(&dir.path().join("truth.json")).unwrap(), sample());
    }

    #[test]
    fn how_the_air_was_reads_back_and_may_be_left_out() {
        let dir = tempfile::tempdir().unwrap();
        write_truth(&sample(), None, dir.path()).unwrap();
        assert_eq!(read_radio_truth(dir.path()).unwrap(), None);
        let radio = RadioTruth {
            sites: vec![Site {
                name: "left-iliac".into(),
                position_mm: Position::new(91.5, 18.25, -88.0),
                gain_db: -1.25,
            }],
            exponent_excess: 0.3,
            level_excess_db: -2.5,
            shadowing_db: 6.5,
            shadowing_correlation_mm: 61.0,
        };
        write_truth(&sample(), Some(&radio), dir.path()).unwrap();
        assert_eq!(read_radio_truth(dir.path()).unwrap(), Some(radio));
        assert_eq!(read_truth(dir.path()).unwrap(), sample());
    }

    #[test]
    fn a_phase_that_is_none_is_refused_with_its_place() {
        let dir = tempfile::tempdir().unwrap();
        write_truth(&sample(), None, dir.path()).unwrap();
        let csv = dir.path().join("truth.csv");
        let text = fs::read_to_string(&csv).unwrap().replace("small-bowel", "smal-bowel");
        fs::write(&csv, text).unwrap();
        let message = read_truth(dir.path()).unwrap_err().to_string();
        assert!(
            message.contains("truth.csv:3:") && message.contains("\"smal-bowel\""),
            "{message}"
        );
    }
}
