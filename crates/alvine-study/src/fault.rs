//! What is wrong with a file, and where: every fault names its place, what was found, and what was expected.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use alvine::anatomy::UnknownName;
use alvine::layout::FEWEST_SITES;
use alvine::recording::ReceiverError;
use alvine::setup::TransmitterError;
use alvine::torso::TorsoError;
use alvine::{LayoutError, NoiseError, PropagationError};
use thiserror::Error;

use alvine::nearest;

/// Where a fault lies.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Place {
    /// A file or folder as a whole.
    File {
        /// The file.
        file: PathBuf,
    },
    /// A character of a text file; line and column count from 1, the column in characters.
    Text {
        /// The file.
        file: PathBuf,
        /// The line.
        line: usize,
        /// The column.
        column: usize,
    },
    /// A group or dataset of an HDF5 file.
    Object {
        /// The file.
        file: PathBuf,
        /// Its path inside the file, such as `/recording/time_s`.
        object: String,
    },
    /// An attribute of a group or dataset of an HDF5 file.
    Attribute {
        /// The file.
        file: PathBuf,
        /// The path of what carries it, such as `/receiver`.
        object: String,
        /// Its name.
        attribute: String,
    },
    /// An element of a dataset of an HDF5 file.
    Element {
        /// The file.
        file: PathBuf,
        /// The dataset's path inside the file.
        object: String,
        /// The element's index, from 0, one number a dimension.
        index: Vec<usize>,
    },
}

impl Place {
    /// A file as a whole.
    pub(crate) fn file(file: &Path) -> Self {
        Place::File { file: file.to_owned() }
    }

    /// The character at a byte offset of a text.
    pub(crate) fn in_text(file: &Path, text: &[u8], offset: usize) -> Self {
        let before = &text[..offset.min(text.len())];
        let line_start = before.iter().rposition(|&byte| byte == b'\n').map_or(0, |at| at + 1);
        Place::Text {
            file: file.to_owned(),
            line: before.iter().filter(|&&byte| byte == b'\n').count() + 1,
            column: String::from_utf8_lossy(&before[line_start..]).chars().count() + 1,
        }
    }

    /// The file in which the fault lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        match self {
            Place::File { file }
            | Place::Text { file, .. }
            | Place::Object { file, .. }
            | Place::Attribute { file, .. }
            | Place::Element { file, .. } => file,
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.path().display())?;
        match self {
            Place::File { .. } => Ok(()),
            Place::Text { line, column, .. } => write!(f, ":{line}:{column}"),
            Place::Object { object, .. } => write!(f, ":{object}"),
            Place::Attribute { object, attribute, .. } => write!(f, ":{object}, attribute {attribute}"),
            Place::Element { object, index, .. } => write!(f, ":{object}{index:?}"),
        }
    }
}

/// A fault at its place.
#[derive(Debug, Error)]
#[error("{place}: {fault}")]
pub struct StudyError {
    place: Place,
    #[source]
    fault: Box<Fault>,
}

impl StudyError {
    /// A fault at a place.
    pub(crate) fn new(place: Place, fault: impl Into<Fault>) -> Self {
        Self {
            place,
            fault: Box::new(fault.into()),
        }
    }

    /// A failure of the operating system.
    pub(crate) fn io(file: &Path, doing: &'static str, source: io::Error) -> Self {
        Self::new(Place::file(file), Fault::Io { doing, source })
    }

    /// Where it lies.
    #[must_use]
    pub fn place(&self) -> &Place {
        &self.place
    }

    /// What it is.
    #[must_use]
    pub fn fault(&self) -> &Fault {
        &self.fault
    }

    /// What to do about it, where there is more to say than what was expected.
    #[must_use]
    pub fn help(&self) -> Option<String> {
        self.fault.help()
    }
}

/// What can be wrong with a study or a result on disk.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum Fault {
    /// The file is not there.
    #[error("no such file; expected {expected}")]
    NotFound {
        /// What should have been there.
        expected: String,
    },
    /// The operating system refused.
    #[error("cannot be {doing}: {source}")]
    Io {
        /// `read`, `written` and so on.
        doing: &'static str,
        /// What it said.
        source: io::Error,
    },
    /// A site whose place makes no sense as it stands, and does once it is put right.
    #[error(
        "site `{site}` at [{:.6}, {:.6}, {:.6}] mm: {seems}; expected about [{:.1}, {:.1}, {:.1}] mm",
        .found_mm[0], .found_mm[1], .found_mm[2], .likely_mm[0], .likely_mm[1], .likely_mm[2]
    )]
    SenselessSite {
        /// The site.
        site: String,
        /// Its place, mm.
        found_mm: [f64; 3],
        /// What it seems to be.
        seems: String,
        /// The place that was likely meant, mm.
        likely_mm: [f64; 3],
    },
    /// A file of another kind than a study.
    #[error("found {found}; expected {expected}")]
    WrongKind {
        /// What it seems to be.
        found: String,
        /// What would do.
        expected: &'static str,
    },
    /// Bytes that are no UTF-8.
    #[error("found bytes that are not UTF-8; expected UTF-8 text")]
    NotUtf8,
    /// Text that is no TOML.
    #[error("found text that is not TOML ({message}); expected TOML")]
    TomlSyntax {
        /// What the parser said.
        message: String,
    },
    /// Text that is no JSON of the expected form.
    #[error("found text that is not the expected JSON ({message})")]
    Json {
        /// What the parser said.
        message: String,
    },
    /// Quotes that do not match.
    #[error("found {found}; expected {expected}")]
    CsvSyntax {
        /// What was found.
        found: &'static str,
        /// What would do.
        expected: &'static str,
    },
    /// A key that the format does not have.
    #[error("{table} has no key `{key}`; expected {}{}", one_of(known), suggestion(nearest))]
    UnknownKey {
        /// The table, such as `[receiver]`.
        table: String,
        /// The key that was found.
        key: String,
        /// The known key most like it.
        nearest: Option<&'static str>,
        /// All known keys.
        known: Vec<&'static str>,
    },
    /// A key that the format needs.
    #[error("{table} is without {key}; expected {expected}")]
    MissingKey {
        /// The table, such as `[receiver]`.
        table: String,
        /// The key.
        key: &'static str,
        /// What should stand there.
        expected: &'static str,
    },
    /// A value of the wrong type, or outside what can be.
    #[error("{what} is {found}; expected {expected}")]
    WrongValue {
        /// What holds the value, such as `[receiver] floor_dbm`.
        what: String,
        /// What was found, clipped.
        found: String,
        /// What would do.
        expected: String,
    },
    /// A version of the format from another time.
    #[error("format is {found}; expected {expected}")]
    UnknownFormat {
        /// The version found.
        found: String,
        /// The version this program reads.
        expected: u32,
    },
    /// A path that leads out of the study's folder.
    #[error("[study] recording is {found}; expected a path within the study's folder")]
    PathEscapes {
        /// The path found.
        found: String,
    },
    /// Sites that make no layout.
    #[error("{}", layout_message(error))]
    Layout {
        /// Why not.
        #[source]
        error: LayoutError,
    },
    /// No torso.
    #[error(transparent)]
    Torso(#[from] TorsoError),
    /// No law of propagation.
    #[error(transparent)]
    Propagation(#[from] PropagationError),
    /// No noise model.
    #[error("propagation {0}")]
    Noise(#[source] NoiseError),
    /// No transmitter.
    #[error(transparent)]
    Transmitter(#[from] TransmitterError),
    /// No receiver.
    #[error(transparent)]
    Receiver(#[from] ReceiverError),
    /// A name that is none of the known ones.
    #[error("{what} is {}; expected one of {}{}", quoted(&name.found), name.known, suggestion(&likely(name)))]
    UnknownName {
        /// What holds the name.
        what: String,
        /// The name and the known ones.
        #[source]
        name: UnknownName,
    },
    /// A thing entered twice.
    #[error("{what} {} stands twice; expected each once", quoted(name))]
    Repeated {
        /// What sort of thing.
        what: &'static str,
        /// Its name.
        name: String,
    },
    /// No header at all.
    #[error("found an empty file; expected the header {expected}")]
    NoHeader {
        /// The header that would do.
        expected: String,
    },
    /// A column that the layout does not know.
    #[error(
        "column {} is no site of the layout; expected {}, or a name that begins with aux_{}",
        quoted(found),
        one_of(sites),
        suggestion(nearest)
    )]
    UnknownColumn {
        /// The column's header.
        found: String,
        /// The site most like it.
        nearest: Option<String>,
        /// The sites of the layout.
        sites: Vec<String>,
    },
    /// A column that should stand elsewhere.
    #[error("found column {}; expected {}", quoted(found), quoted(expected))]
    ColumnOrder {
        /// The header that stands here.
        found: String,
        /// The header that should.
        expected: String,
    },
    /// A column that should be there.
    #[error("found no column {}; expected {expected}", quoted(name))]
    MissingColumn {
        /// Its header.
        name: String,
        /// The whole header that would do.
        expected: String,
    },
    /// A row with too few or too many cells.
    #[error("found {found} cells in this row; expected {expected}, as in the header")]
    RowLength {
        /// How many there are.
        found: usize,
        /// How many there should be.
        expected: usize,
    },
    /// A clock that stands still or steps back.
    #[error("time_s is {time_s}; expected more than {previous_s}, the time before it")]
    TimeNotIncreasing {
        /// The time before.
        previous_s: f64,
        /// What was found.
        time_s: f64,
    },
    /// A survey without rows.
    #[error("found no rows; expected one for each time that a known place was read")]
    EmptySurvey,
    /// No instant at all.
    #[error("found no instants; expected at least one")]
    EmptyRecording,
    /// Too few sites that ever report.
    #[error(
        "found only {reporting} sites that ever report a level (silent: {}); expected at least {FEWEST_SITES}",
        silent.join(", ")
    )]
    TooFewReporting {
        /// How many report.
        reporting: usize,
        /// The names of those that never do.
        silent: Vec<String>,
    },
    /// More of something than any study has.
    #[error("{what}: found {found}; expected at most {most}")]
    TooLarge {
        /// What there is too much of.
        what: &'static str,
        /// How much there is.
        found: u64,
        /// How much is taken.
        most: u64,
    },
    /// A file that is no HDF5, or no longer.
    #[error("found no readable HDF5 file ({message}); expected HDF5, whole")]
    NotHdf5 {
        /// What the library said.
        message: String,
    },
    /// The HDF5 library failed.
    #[error("cannot be {doing} ({message}); expected a whole HDF5 file")]
    Hdf5 {
        /// `read` or `written`.
        doing: &'static str,
        /// What the library said.
        message: String,
    },
    /// A group or dataset that should be there.
    #[error("found no {kind} of this name; expected {expected}")]
    MissingObject {
        /// `group` or `dataset`.
        kind: &'static str,
        /// What should stand there.
        expected: &'static str,
    },
    /// A dataset of the wrong shape.
    #[error("found shape {}; expected {expected}", shape(found))]
    WrongShape {
        /// Its shape.
        found: Vec<usize>,
        /// What would do.
        expected: String,
    },
    /// A study in memory that no file can hold.
    #[error("{what} is {found}; expected {expected}")]
    Unwritable {
        /// What cannot be written.
        what: String,
        /// What it is.
        found: String,
        /// What would do.
        expected: String,
    },
    /// The command was interrupted.
    #[error("was not written: the command was interrupted")]
    Abandoned,
}

impl Fault {
    fn help(&self) -> Option<String> {
        Some(match self {
            Fault::UnknownColumn { .. } | Fault::MissingColumn { .. } | Fault::ColumnOrder { .. } => {
                "the recording has the column time_s, then one column a site, in the order of the sites in the layout; a \
                 survey has x_mm, y_mm and z_mm before the sites"
                    .to_owned()
            }
            Fault::TimeNotIncreasing { .. } => {
                "times must increase strictly; sort the rows, or cut the recording where its clock was set back"
                    .to_owned()
            }
            Fault::TooFewReporting { .. } => format!(
                "a position needs at least {FEWEST_SITES} sites that hear the capsule at some time; check the cables, \
                 and that the columns belong to these sites"
            ),
            Fault::Layout {
                error: LayoutError::Coplanar { .. },
            } => "sites must follow the curve of the body: check the y of each position_mm (depth behind the skin at \
                 the umbilicus)"
                .to_owned(),
            Fault::Layout {
                error: LayoutError::TooFewSites { .. },
            } => "leave out all [[site]] tables to get the default eight".to_owned(),
            Fault::NotHdf5 { .. } | Fault::Hdf5 { .. } => "copy the file anew, or export the study again".to_owned(),
            Fault::UnknownFormat { .. } => "the file may come from a later version of alvine".to_owned(),
            Fault::SenselessSite { .. } => {
                "places are in millimetres from the skin at the umbilicus: x to the patient's \
                 left, y to the back, z to the head"
                    .to_owned()
            }
            Fault::PathEscapes { .. } => {
                "put the recording beside study.toml and name it without `..` or `/`".to_owned()
            }
            _ => return None,
        })
    }
}

/// What was found and expected, where the error itself says only one of them.
fn layout_message(error: &LayoutError) -> String {
    match error {
        LayoutError::TooFewSites { found, least } => format!("found {found} sites; expected at least {least}"),
        LayoutError::DuplicateName { .. } => format!("{error}; expected each name once"),
        LayoutError::BadName { .. } => format!("{error}; expected another name"),
        _ => error.to_string(),
    }
}

fn likely(name: &UnknownName) -> Option<&str> {
    nearest(&name.found, name.known.split(", "))
}

fn one_of<T: AsRef<str>>(names: &[T]) -> String {
    let names: Vec<&str> = names.iter().map(AsRef::as_ref).collect();
    format!("one of {}", names.join(", "))
}

fn suggestion<T: AsRef<str>>(nearest: &Option<T>) -> String {
    nearest
        .as_ref()
        .map(|nearest| format!("; did you mean `{}`?", nearest.as_ref()))
        .unwrap_or_default()
}

fn shape(dimensions: &[usize]) -> String {
    if dimensions.is_empty() {
        return "of a single value".to_owned();
    }
    let dimensions: Vec<String> = dimensions.iter().map(usize::to_string).collect();
    dimensions.join(" × ")
}

/// Text from a file as shown in a message: in quotes, escaped, and clipped.
pub(crate) fn quoted(text: &str) -> String {
    const MOST_CHARS: usize = 60;
    let mut shown: String = text.chars().take(MOST_CHARS).flat_map(char::escape_debug).collect();
    if text.chars().nth(MOST_CHARS).is_some() {
        shown.push('…');
    }
    format!("\"{shown}\"")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_in_a_text_counts_characters_from_one() {
        let text = "a = 1\nbé = 2\n".as_bytes();
        let at_two = text.iter().position(|&byte| byte == b'2').unwrap();
        let place = Place::in_text(Path::new("x.toml"), text, at_two);
        assert_eq!(place.to_string(), "x.toml:2:6");
        assert_eq!(Place::in_text(Path::new("x.toml"), text, 0).to_string(), "x.toml:1:1");
    }

    #[test]
    fn long_and_strange_text_is_clipped_and_escaped() {
        assert_eq!(quoted("a\u{1b}[31m\"\n"), r#""a\u{1b}[31m\"\n""#);
        assert!(quoted(&"x".repeat(1000)).chars().count() < 70);
    }
}
