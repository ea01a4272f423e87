//! Which studies lie in a folder, and whether one has changed since it was analysed.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use serde::{Deserialize, Serialize};

/// HDF5 files of these names are results, not studies.
const RESULTS: [&str; 2] = ["track.h5", "map.h5"];
const DESCRIPTION: &str = "study.toml";

/// A study that was found.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct FoundStudy {
    /// Its path from the folder, with `/` between folders: of a folder's study, the folder; `.` where that is the folder itself.
    pub study: String,
    /// What to read.
    pub path: PathBuf,
}

/// What tells whether a study has changed: its files' sizes and times of last change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp(pub Vec<FileStamp>);

/// One file's.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileStamp {
    /// Its size, bytes.
    pub bytes: u64,
    /// When it was last changed, ns since 1970; `None` where the system does not say.
    pub changed_ns: Option<u64>,
}

/// Finds the studies in a folder and all folders below it, in the order of their paths.
///
/// A study is a folder with a `study.toml`, or an HDF5 file whose name ends in `.h5` and is not that of a result. Hidden
/// folders and folders behind links are not entered, nor is `except`.
///
/// # Errors
///
/// When a folder cannot be read, with that folder.
pub fn find_studies(root: &Path, except: Option<&Path>) -> Result<Vec<FoundStudy>, (PathBuf, io::Error)> {
    let except = except.and_then(|folder| folder.canonicalize().ok());
    let mut found = Vec::new();
    let mut folders = vec![(root.to_owned(), String::new())];
    while let Some((folder, name)) = folders.pop() {
        let entries = fs::read_dir(&folder).map_err(|error| (folder.clone(), error))?;
        for entry in entries {
            let entry = entry.map_err(|error| (folder.clone(), error))?;
            let kind = entry.file_type().map_err(|error| (entry.path(), error))?;
            let own = entry.file_name().to_string_lossy().into_owned();
            if own.starts_with('.') {
                continue;
            }
            let below = if name.is_empty() {
                own.clone()
            } else {
                format!("{name}/{own}")
            };
            if kind.is_dir() {
                if except.is_none() || entry.path().canonicalize().ok() != except {
                    folders.push((entry.path(), below));
                }
            } else if own == DESCRIPTION {
                let study = if name.is_empty() { ".".to_owned() } else { name.clone() };
                found.push(FoundStudy {
                    study,
                    path: folder.clone(),
                });
            } else if own.to_lowercase().ends_with(".h5") && !RESULTS.contains(&own.as_str()) {
                found.push(FoundStudy {
                    study: below,
                    path: entry.path(),
                });
            }
        }
    }
    found.sort();
    Ok(found)
}

impl FoundStudy {
    /// What its files look like now; files that are not there have no stamp.
    #[must_use]
    pub fn stamp(&self) -> Stamp {
        let mut files = vec![self.path.clone()];
        if self.path.is_dir() {
            files[0] = self.path.join(DESCRIPTION);
            files.extend(recording(&files[0]));
        }
        Stamp(files.iter().filter_map(|file| file_stamp(file)).collect())
    }
}

fn file_stamp(file: &Path) -> Option<FileStamp> {
    let metadata = fs::metadata(file).ok()?;
    let since = metadata
        .modified()
        .ok()
        .and_then(|time| time.duration_since(UNIX_EPOCH).ok());
    Some(FileStamp {
        bytes: metadata.len(),
        changed_ns: since.and_then(|since| u64::try_from(since.as_nanos()).ok()),
    })
}

/// The recording that a description names, where it can be read.
fn recording(description: &Path) -> Option<PathBuf> {
    #[derive(Deserialize)]
    struct Description {
        study: Head,
    }
    #[derive(Deserialize)]
    struct Head {
        recording: String,
    }
    let text = fs::read_to_string(description).ok()?;
    let description_read: Description = toml::from_str(&text).ok()?;
    Some(description.with_file_name(description_read.study.recording))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(root: &Path, name: &str, text: &str) {
        let file = root.join(name);
        fs::create_dir_all(file.parent().unwrap()).unwrap();
        fs::write(file, text).unwrap();
    }

    #[test]
    fn studies_of_both_containers_are_found_in_order_and_results_are_not() {
        let dir = tempfile::tempdir().unwrap();
        for name in [
            "b/study.toml",
            "b/recording.csv",
            "a/deep/one.h5",
            "a/deep/track.h5",
            "two.H5",
            "audit/studies/part.h5",
            ".alvine-partial-7/c/study.toml",
            "notes.txt",
        ] {
            put(dir.path(), name, "");
        }
        let names = |except: Option<&Path>| -> Vec<String> {
            let found = find_studies(dir.path(), except).unwrap();
            found.into_iter().map(|found| found.study).collect()
        };
        assert_eq!(names(Some(&dir.path().join("audit"))), ["a/deep/one.h5", "b", "two.H5"]);
        assert_eq!(names(None).len(), 4);
        let (folder, _) = find_studies(&dir.path().join("none"), None).unwrap_err();
        assert!(folder.ends_with("none"));
    }

    #[test]
    fn a_changed_recording_changes_the_stamp_wherever_it_lies() {
        let dir = tempfile::tempdir().unwrap();
        put(dir.path(), "one/study.toml", "[study]\nrecording = \"../levels.csv\"\n");
        put(dir.path(), "levels.csv", "1");
        let found = find_studies(dir.path(), None).unwrap();
        let before = found[0].stamp();
        assert_eq!(before.0.len(), 2);
        put(dir.path(), "levels.csv", "12");
        assert_ne!(found[0].stamp(), before);
    }
}
