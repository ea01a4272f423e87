//! What has been analysed so far, so that an audit that was stopped goes on where it was.
//!
//! A text file of JSON, one line a study, after a first line that says what the analysis was. A line is added when its study
//! is done; a last line that a kill cut short is dropped. A study that was faulty or whose files have changed since is done
//! anew, and so are all when the first line differs.

use std::collections::HashMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, BufRead, BufReader, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use serde::{Deserialize, Serialize};

use crate::find::Stamp;
use crate::row::StudyRow;

/// The format of the file: 2 since rows name their prior.
const FORMAT: u32 = 2;

/// What an analysis was: results of another are not reused.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Analysed {
    /// Version of alvine.
    pub version: String,
    /// Options, in words.
    pub options: String,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    format: u32,
    #[serde(flatten)]
    analysed: Analysed,
}

#[derive(Serialize, Deserialize)]
struct Line {
    stamp: Stamp,
    row: StudyRow,
}

/// An open journal; no other process can open it meanwhile.
#[derive(Debug)]
pub struct Journal {
    file: Mutex<File>,
    done: HashMap<String, Stamp>,
}

/// Why a journal cannot be opened.
#[derive(Debug)]
pub enum JournalError {
    /// Another process has it.
    InUse,
    /// The system said no.
    Io(io::Error),
}

impl From<io::Error> for JournalError {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

impl Journal {
    /// Opens a journal, or begins one; one of another analysis, or all of it when `anew`, is begun again.
    ///
    /// # Errors
    ///
    /// [`JournalError`].
    pub fn open(path: &Path, analysed: &Analysed, anew: bool) -> Result<Self, JournalError> {
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(JournalError::InUse),
            // A file system without locks: two audits at once are then up to the user.
            Err(TryLockError::Error(error)) if error.kind() == io::ErrorKind::Unsupported => {}
            Err(TryLockError::Error(error)) => return Err(error.into()),
        }
        let mut journal = Self {
            file: Mutex::new(file),
            done: HashMap::new(),
        };
        journal.begin(analysed, anew)?;
        Ok(journal)
    }

    fn begin(&mut self, analysed: &Analysed, anew: bool) -> io::Result<()> {
        let file = self.file.get_mut().unwrap_or_else(PoisonError::into_inner);
        let mut reader = BufReader::new(&*file);
        let mut line = Vec::new();
        let mut whole = reader.read_until(b'\n', &mut line)? as u64;
        let head = serde_json::from_slice::<Head>(&line).ok();
        let same = head.is_some_and(|head| head.format == FORMAT && head.analysed == *analysed);
        if anew || !same {
            file.set_len(0)?;
            file.rewind()?;
            let head = Head {
                format: FORMAT,
                analysed: analysed.clone(),
            };
            let mut line = serde_json::to_vec(&head)?;
            line.push(b'\n');
            return file.write_all(&line);
        }
        loop {
            line.clear();
            let read = reader.read_until(b'\n', &mut line)?;
            let Some(entry) = entry(&line) else { break };
            whole += read as u64;
            // What was faulty is tried again: the fault may have been the system's.
            if entry.row.is_analysed() {
                self.done.insert(entry.row.study, entry.stamp);
            } else {
                self.done.remove(&entry.row.study);
            }
        }
        file.set_len(whole)?;
        file.seek(SeekFrom::End(0))?;
        Ok(())
    }

    /// Whether a study is in it, analysed, as its files are now.
    #[must_use]
    pub fn has(&self, study: &str, stamp: &Stamp) -> bool {
        self.done.get(study) == Some(stamp)
    }

    /// Adds a study; from any thread.
    ///
    /// # Errors
    ///
    /// When the file takes no more.
    pub fn add(&self, row: &StudyRow, stamp: &Stamp) -> io::Result<()> {
        #[derive(Serialize)]
        struct Borrowed<'a> {
            stamp: &'a Stamp,
            row: &'a StudyRow,
        }
        let mut line = serde_json::to_vec(&Borrowed { stamp, row })?;
        line.push(b'\n');
        // One write a line: a line is there or not, unless the system itself dies.
        self.file
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .write_all(&line)
    }

    /// The newest row of each study that `wanted` holds of, by its stamp, in the order of their paths.
    ///
    /// # Errors
    ///
    /// When the file cannot be read.
    pub fn rows(&self, wanted: impl Fn(&str) -> bool) -> io::Result<Vec<StudyRow>> {
        let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        file.rewind()?;
        let mut rows: HashMap<String, StudyRow> = HashMap::new();
        let mut reader = BufReader::new(&*file);
        let mut line = Vec::new();
        reader.read_until(b'\n', &mut line)?;
        loop {
            line.clear();
            reader.read_until(b'\n', &mut line)?;
            let Some(entry) = entry(&line) else { break };
            if wanted(&entry.row.study) {
                rows.insert(entry.row.study.clone(), entry.row);
            }
        }
        file.seek(SeekFrom::End(0))?;
        let mut rows: Vec<StudyRow> = rows.into_values().collect();
        rows.sort_by(|one, other| one.study.cmp(&other.study));
        Ok(rows)
    }
}

/// A whole line; `None` at the end, and of one that was cut short.
fn entry(line: &[u8]) -> Option<Line> {
    line.ends_with(b"\n")
        .then(|| serde_json::from_slice(line).ok())
        .flatten()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::FileStamp;

    fn analysed() -> Analysed {
        Analysed {
            version: "0.1.0".to_owned(),
            options: "level known".to_owned(),
        }
    }

    fn row(study: &str, duration_s: f64) -> StudyRow {
        StudyRow {
            study: study.to_owned(),
            duration_s: Some(duration_s),
            ..StudyRow::default()
        }
    }

    fn stamp(bytes: u64) -> Stamp {
        Stamp(vec![FileStamp {
            bytes,
            changed_ns: Some(7),
        }])
    }

    #[test]
    fn a_journal_cut_short_anywhere_keeps_its_whole_lines_and_goes_on() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal");
        let journal = Journal::open(&path, &analysed(), false).unwrap();
        for k in 0..3 {
            journal
                .add(&row(&format!("s{k}"), 0.1 + k as f64), &stamp(k as u64))
                .unwrap();
        }
        drop(journal);
        let whole = std::fs::read(&path).unwrap();
        let ends: Vec<usize> = (0..whole.len()).filter(|&at| whole[at] == b'\n').collect();
        for length in (ends[0] + 1..=whole.len()).rev().step_by(97) {
            std::fs::write(&path, &whole[..length]).unwrap();
            let journal = Journal::open(&path, &analysed(), false).unwrap();
            let kept = ends.iter().skip(1).filter(|&&end| end < length).count();
            let has = (0..3).filter(|&k| journal.has(&format!("s{k}"), &stamp(k))).count();
            assert_eq!(has, kept, "{length}");
            for k in kept..3 {
                journal
                    .add(&row(&format!("s{k}"), 0.1 + k as f64), &stamp(k as u64))
                    .unwrap();
            }
            assert_eq!(std::fs::read(&path).unwrap(), whole, "{length}");
            assert_eq!(journal.rows(|_| true).unwrap().len(), 3);
        }
    }

    #[test]
    fn a_changed_study_is_not_reused_and_its_newest_row_counts() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal");
        let journal = Journal::open(&path, &analysed(), false).unwrap();
        journal.add(&row("b", 1.0), &stamp(1)).unwrap();
        journal.add(&row("a", 1.0), &stamp(1)).unwrap();
        journal.add(&row("b", 2.0), &stamp(2)).unwrap();
        drop(journal);
        let journal = Journal::open(&path, &analysed(), false).unwrap();
        assert!(!journal.has("b", &stamp(1)) && journal.has("b", &stamp(2)) && !journal.has("c", &stamp(1)));
        let rows = journal.rows(|study| study != "c").unwrap();
        assert_eq!(rows, [row("a", 1.0), row("b", 2.0)]);
    }

    #[test]
    fn another_analysis_begins_again_and_a_journal_in_use_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal");
        let journal = Journal::open(&path, &analysed(), false).unwrap();
        journal.add(&row("a", 1.0), &stamp(1)).unwrap();
        assert!(matches!(
            Journal::open(&path, &analysed(), false),
            Err(JournalError::InUse)
        ));
        drop(journal);
        let other = Analysed {
            version: "0.2.0".to_owned(),
            ..analysed()
        };
        assert!(!Journal::open(&path, &other, false).unwrap().has("a", &stamp(1)));
        assert!(!Journal::open(&path, &analysed(), false).unwrap().has("a", &stamp(1)));
    }

    #[test]
    fn a_journal_of_an_older_format_begins_again() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("journal");
        let journal = Journal::open(&path, &analysed(), false).unwrap();
        journal.add(&row("a", 1.0), &stamp(1)).unwrap();
        drop(journal);
        assert!(Journal::open(&path, &analysed(), false).unwrap().has("a", &stamp(1)));
        let text = std::fs::read_to_string(&path).unwrap();
        let older = text.replacen(&format!("\"format\":{FORMAT}"), "\"format\":1", 1);
        assert_ne!(older, text);
        std::fs::write(&path, older).unwrap();
        assert!(!Journal::open(&path, &analysed(), false).unwrap().has("a", &stamp(1)));
    }
}
