//! What survives a kill: the rows of a feed, and the events told so far.
//!
//! Rows of a feed are written into the study's recording before anything is told of them. After a kill they are read again from
//! there, which brings the same state and the same events; events that stand in their file already are compared and not written
//! twice. A line that was cut off by the kill is removed: of a row the sender still has the whole, and an event comes again.

use std::fs::{File, OpenOptions};
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::event::Event;

/// The recording of a feed.
#[derive(Debug)]
pub struct Journal {
    file: File,
}

impl Journal {
    /// Opens the recording of a feed to read what is there, and then to go on; what was cut off at its end is removed.
    pub fn open(path: &Path) -> io::Result<(Self, BufReader<File>)> {
        let mut file = OpenOptions::new().read(true).append(true).create(true).open(path)?;
        remove_cut_line(&mut file)?;
        let mut again = File::open(path)?;
        again.seek(SeekFrom::Start(0))?;
        Ok((Self { file }, BufReader::new(again)))
    }

    /// Adds whole lines.
    pub fn write(&mut self, lines: &str) -> io::Result<()> {
        self.file.write_all(lines.as_bytes())
    }
}

/// Cuts a file behind its last line break.
fn remove_cut_line(file: &mut File) -> io::Result<()> {
    const CHUNK: u64 = 4096;
    let length = file.metadata()?.len();
    let mut end = length;
    let mut bytes = Vec::new();
    while end > 0 {
        let start = end.saturating_sub(CHUNK);
        bytes.resize((end - start) as usize, 0);
        file.seek(SeekFrom::Start(start))?;
        file.read_exact(&mut bytes)?;
        if let Some(at) = bytes.iter().rposition(|&byte| byte == b'\n') {
            end = start + at as u64 + 1;
            break;
        }
        end = start;
    }
    if end < length {
        file.set_len(end)?;
    }
    file.seek(SeekFrom::End(0))?;
    Ok(())
}

/// Where events go.
#[derive(Debug)]
pub struct EventLog {
    path: PathBuf,
    file: File,
    /// Events of an earlier run that were not met again yet.
    earlier: Option<BufReader<File>>,
    /// Whether refused rows are met again: those of a file are, those of a feed are not.
    meets_refused: bool,
}

/// Why events cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum EventLogError {
    /// The system refused.
    #[error("{}: cannot be written: {source}", file.display())]
    Io {
        /// The file.
        file: PathBuf,
        /// What it said.
        source: io::Error,
    },
    /// Events of another recording, or of another version of the program.
    #[error("{}: line {line} tells of something else than this recording; found {found}; expected {expected}", file.display())]
    Differs {
        /// The file.
        file: PathBuf,
        /// The line, from 1.
        line: usize,
        /// What stands there.
        found: String,
        /// What this run would have written.
        expected: String,
    },
}

impl EventLog {
    /// Opens a file of events, new or of an earlier run.
    pub fn open(path: &Path, meets_refused: bool) -> Result<Self, EventLogError> {
        let failed = |source| EventLogError::Io {
            file: path.to_owned(),
            source,
        };
        let mut file = OpenOptions::new()
            .read(true)
            .append(true)
            .create(true)
            .open(path)
            .map_err(failed)?;
        remove_cut_line(&mut file).map_err(failed)?;
        Ok(Self {
            earlier: Some(BufReader::new(File::open(path).map_err(failed)?)),
            path: path.to_owned(),
            file,
            meets_refused,
        })
    }

    /// Adds events, those of an earlier run only if they are not there yet.
    pub fn write(&mut self, events: &[Event]) -> Result<(), EventLogError> {
        let mut lines = String::new();
        for (index, event) in events.iter().enumerate() {
            let line = json(event);
            match self.next_earlier()? {
                Some(found) if found == line => {}
                Some(found) => {
                    return Err(EventLogError::Differs {
                        file: self.path.clone(),
                        line: index + 1,
                        found: clipped(&found),
                        expected: clipped(&line),
                    });
                }
                None => {
                    lines.push_str(&line);
                    lines.push('\n');
                }
            }
        }
        self.append(&lines)
    }

    /// Adds an event that does not come again when the rows do.
    pub fn write_once(&mut self, event: &Event) -> Result<(), EventLogError> {
        self.append(&format!("{}\n", json(event)))
    }

    fn append(&mut self, lines: &str) -> Result<(), EventLogError> {
        self.file
            .write_all(lines.as_bytes())
            .map_err(|source| EventLogError::Io {
                file: self.path.clone(),
                source,
            })
    }

    /// The next event of an earlier run that comes again with the rows.
    fn next_earlier(&mut self) -> Result<Option<String>, EventLogError> {
        let Some(earlier) = &mut self.earlier else {
            return Ok(None);
        };
        loop {
            let mut line = String::new();
            let length = earlier.read_line(&mut line).map_err(|source| EventLogError::Io {
                file: self.path.clone(),
                source,
            })?;
            if length == 0 {
                self.earlier = None;
                return Ok(None);
            }
            let line = line.trim_end_matches('\n');
            let only_once = line.contains("\"reason\":\"no-rows\"")
                || (!self.meets_refused && line.contains("\"kind\":\"row-refused\""));
            if !only_once {
                return Ok(Some(line.to_owned()));
            }
        }
    }
}

fn clipped(text: &str) -> String {
    text.chars().take(160).collect()
}

/// An event as one line of JSON.
pub fn json(event: &Event) -> String {
    // Numbers, texts and lists of both: there is nothing that could fail.
    serde_json::to_string(event).unwrap_or_default()
}
