//! All outputs of one command, each whole or not at all.
//!
//! Files are made in a hidden folder inside the target folder, on the same file system, and renamed into place when
//! all are finished. A command that fails, is interrupted or dies leaves the target as it was; what a dead process
//! left behind is removed by the next that writes there.

use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Component, Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use crate::fault::{Fault, Place, StudyError};

const PREFIX: &str = ".alvine-partial-";
/// Held locked for as long as its folder is in use.
const LOCK: &str = ".lock";

/// The folders of this process that are in use.
static LIVE: Mutex<Vec<Live>> = Mutex::new(Vec::new());
static NEXT: AtomicU64 = AtomicU64::new(0);

#[derive(Debug)]
struct Live {
    number: u64,
    folder: PathBuf,
    /// Folders that were made for the target, outermost first.
    made: Vec<PathBuf>,
    /// The lock file, open and locked.
    _lock: Option<File>,
}

/// A set of files in the making.
///
/// # Examples
///
/// ```
/// # let dir = tempfile::tempdir().unwrap();
/// let mut staging = alvine_study::Staging::new(&dir.path().join("out"))?;
/// std::fs::write(staging.path("note.txt"), "whole").unwrap();
/// staging.commit()?;
/// assert_eq!(std::fs::read_to_string(dir.path().join("out/note.txt")).unwrap(), "whole");
/// # Ok::<(), alvine_study::StudyError>(())
/// ```
#[derive(Debug)]
pub struct Staging {
    number: u64,
    target: PathBuf,
    folder: PathBuf,
    names: Vec<PathBuf>,
}

impl Staging {
    /// Begins outputs for a folder, which is made when it is not there.
    ///
    /// # Errors
    ///
    /// When a folder cannot be made there.
    pub fn new(target: &Path) -> Result<Self, StudyError> {
        let mut live = live();
        let made = make_folders(target)?;
        remove_stale(target);
        let number = NEXT.fetch_add(1, Ordering::Relaxed);
        let folder = match make_staging_folder(target) {
            Ok(folder) => folder,
            Err(error) => {
                remove_made(&made);
                return Err(StudyError::io(target, "written to", error));
            }
        };
        live.push(Live {
            number,
            _lock: lock(&folder),
            folder: folder.clone(),
            made,
        });
        Ok(Self {
            number,
            target: target.to_owned(),
            folder,
            names: Vec::new(),
        })
    }

    /// For one file: the staging of its folder, and where to make it.
    ///
    /// # Errors
    ///
    /// As [`Staging::new`].
    pub fn of_file(file: &Path) -> Result<(Self, PathBuf), StudyError> {
        let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty());
        let mut staging = Self::new(folder.unwrap_or(Path::new(".")))?;
        let path = staging.path(file.file_name().unwrap_or(file.as_os_str()));
        Ok((staging, path))
    }

    /// Where to make the file that will have this name in the target folder; the name may lead through subfolders.
    ///
    /// Parts of a name that would lead out of the target folder are left away.
    pub fn path(&mut self, name: impl AsRef<Path>) -> PathBuf {
        let name: PathBuf = name
            .as_ref()
            .components()
            .filter(|part| matches!(part, Component::Normal(_)))
            .collect();
        let path = self.folder.join(&name);
        if let Some(parent) = path.parent() {
            // If this fails, so will the writing of the file, with a better message.
            let _ = fs::create_dir_all(parent);
        }
        if !self.names.contains(&name) {
            self.names.push(name);
        }
        path
    }

    /// Puts every file in its place, in the order in which they were asked for, replacing those of the same names.
    ///
    /// # Errors
    ///
    /// When a file that was asked for was not made, cannot be brought to the disk, or cannot take its place; and when
    /// [`abandon_all`] came first. Nothing is replaced unless all files are there and on the disk.
    pub fn commit(self) -> Result<(), StudyError> {
        // Held until the last file is in place, so that an interrupt falls before or after, not between.
        let mut live = live();
        let at = live.iter().position(|other| other.number == self.number);
        let Some(at) = at else {
            return Err(StudyError::new(Place::file(&self.target), Fault::Abandoned));
        };
        let placed = self.check().and_then(|()| self.place());
        let mut entry = live.swap_remove(at);
        if placed.is_ok() {
            entry.made.clear();
        }
        remove(entry);
        placed
    }

    fn check(&self) -> Result<(), StudyError> {
        for name in &self.names {
            let place = self.target.join(name);
            let sync = File::options()
                .write(true)
                .open(self.folder.join(name))
                .and_then(|file| file.sync_all());
            sync.map_err(|error| StudyError::io(&place, "written", error))?;
            if place.is_dir() {
                let error = io::Error::new(io::ErrorKind::IsADirectory, "a folder has this name");
                return Err(StudyError::io(&place, "written", error));
            }
        }
        Ok(())
    }

    fn place(&self) -> Result<(), StudyError> {
        for name in &self.names {
            let place = self.target.join(name);
            let failed = |error| StudyError::io(&place, "written", error);
            if let Some(parent) = place.parent() {
                fs::create_dir_all(parent).map_err(failed)?;
            }
            fs::rename(self.folder.join(name), &place).map_err(failed)?;
        }
        sync_folder(&self.target);
        Ok(())
    }
}

impl Drop for Staging {
    fn drop(&mut self) {
        let mut live = live();
        if let Some(at) = live.iter().position(|other| other.number == self.number) {
            remove(live.swap_remove(at));
        }
    }
}

/// Removes all outputs in the making of this process, for an interrupt handler to call before it ends the process.
///
/// Waits for a [`Staging::commit`] that is under way; every later one fails.
pub fn abandon_all() {
    for entry in live().drain(..) {
        remove(entry);
    }
}

fn live() -> MutexGuard<'static, Vec<Live>> {
    LIVE.lock().unwrap_or_else(PoisonError::into_inner)
}

fn remove(entry: Live) {
    let Live {
        folder, made, _lock, ..
    } = entry;
    // Some systems cannot remove an open file.
    drop(_lock);
    remove_folder(&folder);
    remove_made(&made);
}

/// Removes a staging folder, once more where another thread made a file in it meanwhile.
fn remove_folder(folder: &Path) {
    const ATTEMPTS: usize = 20;
    for _ in 0..ATTEMPTS {
        if fs::remove_dir_all(folder).is_ok() || !folder.exists() {
            return;
        }
    }
}

/// Removes folders that were made for nothing; those that hold something stay.
fn remove_made(made: &[PathBuf]) {
    for folder in made.iter().rev() {
        let _ = fs::remove_dir(folder);
    }
}

/// Makes a folder and those above it; says which were made, outermost first.
fn make_folders(target: &Path) -> Result<Vec<PathBuf>, StudyError> {
    let mut made: Vec<PathBuf> = target
        .ancestors()
        .take_while(|folder| !folder.as_os_str().is_empty() && !folder.exists())
        .map(Path::to_owned)
        .collect();
    made.reverse();
    if let Err(error) = fs::create_dir_all(target) {
        remove_made(&made);
        return Err(StudyError::io(target, "made", error));
    }
    Ok(made)
}

fn make_staging_folder(target: &Path) -> io::Result<PathBuf> {
    let process = std::process::id();
    let mut folder = target.join(format!("{PREFIX}{process}"));
    for attempt in 1.. {
        match fs::create_dir(&folder) {
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists && attempt < 10_000 => {
                folder = target.join(format!("{PREFIX}{process}-{attempt}"));
            }
            made => return made.map(|()| folder),
        }
    }
    Ok(folder)
}

/// Marks a folder as in use; where the file system knows no locks, only its age protects it.
fn lock(folder: &Path) -> Option<File> {
    let file = File::create(folder.join(LOCK)).ok()?;
    file.try_lock().ok()?;
    Some(file)
}

/// Removes the staging folders of processes that are no more.
fn remove_stale(target: &Path) {
    let Ok(entries) = fs::read_dir(target) else { return };
    for entry in entries.flatten() {
        if entry.file_name().to_string_lossy().starts_with(PREFIX) && is_stale(&entry.path()) {
            let _ = fs::remove_dir_all(entry.path());
        }
    }
}

/// How long a process may take from making its folder to making the lock in it.
const LOCKED_WITHIN: Duration = Duration::from_millis(200);

/// Whether no process holds the lock of a staging folder.
fn is_stale(folder: &Path) -> bool {
    let is_missing = |error: &io::Error| error.kind() == io::ErrorKind::NotFound;
    let open = || File::options().write(true).open(folder.join(LOCK));
    let opened = open().or_else(|error| {
        if is_missing(&error) {
            // Its process may be about to make the lock.
            std::thread::sleep(LOCKED_WITHIN);
        }
        open()
    });
    match opened {
        Ok(file) => match file.try_lock() {
            Ok(()) => true,
            Err(TryLockError::WouldBlock) => false,
            Err(TryLockError::Error(_)) => is_old(folder),
        },
        // Its process ended before it made one.
        Err(error) if is_missing(&error) => true,
        Err(_) => is_old(folder),
    }
}

fn is_old(folder: &Path) -> bool {
    const OLD: Duration = Duration::from_secs(24 * 3600);
    let modified = fs::metadata(folder).and_then(|metadata| metadata.modified());
    modified.is_ok_and(|at| at.elapsed().is_ok_and(|age| age > OLD))
}

/// Brings renames to the disk where the system lets folders be opened.
fn sync_folder(folder: &Path) {
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The tests share the process's list of live folders with [`abandon_all`].
    static ALONE: Mutex<()> = Mutex::new(());

    fn names_in(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_committed_set_is_in_place_and_nothing_else_is() {
        let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("a/b");
        let mut staging = Staging::new(&target).unwrap();
        fs::write(staging.path("one.txt"), "1").unwrap();
        fs::write(staging.path("figures/two.txt"), "2").unwrap();
        assert_eq!(names_in(&target).len(), 1);
        staging.commit().unwrap();
        assert_eq!(names_in(&target), ["figures", "one.txt"]);
        assert_eq!(fs::read_to_string(target.join("figures/two.txt")).unwrap(), "2");
    }

    #[test]
    fn a_dropped_set_leaves_nothing_behind() {
        let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let dir = tempfile::tempdir().unwrap();
        let mut staging = Staging::new(&dir.path().join("a/b")).unwrap();
        fs::write(staging.path("one.txt"), "1").unwrap();
        drop(staging);
        assert!(names_in(dir.path()).is_empty());
    }

    #[test]
    fn an_interrupted_set_leaves_nothing_behind_and_cannot_be_committed() {
        let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let dir = tempfile::tempdir().unwrap();
        let mut staging = Staging::new(&dir.path().join("a")).unwrap();
        fs::write(staging.path("one.txt"), "1").unwrap();
        abandon_all();
        assert!(names_in(dir.path()).is_empty());
        let error = staging.commit().unwrap_err();
        assert!(matches!(error.fault(), Fault::Abandoned));
    }

    #[test]
    fn a_file_that_was_never_made_keeps_all_others_back() {
        let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join("one.txt"), "old").unwrap();
        let mut staging = Staging::new(dir.path()).unwrap();
        fs::write(staging.path("one.txt"), "new").unwrap();
        let _ = staging.path("two.txt");
        assert!(staging.commit().is_err());
        assert_eq!(names_in(dir.path()), ["one.txt"]);
        assert_eq!(fs::read_to_string(dir.path().join("one.txt")).unwrap(), "old");
    }

    #[test]
    fn what_a_dead_process_left_is_removed_and_what_a_live_one_holds_is_kept() {
        let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let dir = tempfile::tempdir().unwrap();
        let dead = dir.path().join(".alvine-partial-999999999");
        fs::create_dir(&dead).unwrap();
        fs::write(dead.join(LOCK), "").unwrap();
        fs::write(dead.join("track.csv"), "half").unwrap();
        let first = Staging::new(dir.path()).unwrap();
        assert!(!dead.exists());
        let second = Staging::new(dir.path()).unwrap();
        assert!(first.folder.exists() && second.folder.exists() && first.folder != second.folder);
    }

    #[test]
    fn what_a_process_left_that_died_before_its_lock_is_removed_and_what_is_locked_a_moment_later_is_kept() {
        let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let dir = tempfile::tempdir().unwrap();
        let [dead, slow] = ["999999998", "999999999"].map(|process| dir.path().join(format!("{PREFIX}{process}")));
        fs::create_dir(&dead).unwrap();
        let _first = Staging::new(dir.path()).unwrap();
        assert!(!dead.exists());
        fs::create_dir(&slow).unwrap();
        let locked = std::thread::spawn({
            let slow = slow.clone();
            move || {
                std::thread::sleep(LOCKED_WITHIN / 10);
                lock(&slow)
            }
        });
        let _second = Staging::new(dir.path()).unwrap();
        assert!(slow.exists());
        drop(locked.join());
    }

    #[test]
    fn names_cannot_lead_out_of_the_target() {
        let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let dir = tempfile::tempdir().unwrap();
        let mut staging = Staging::new(&dir.path().join("a")).unwrap();
        fs::write(staging.path("../../up.txt"), "1").unwrap();
        staging.commit().unwrap();
        assert_eq!(names_in(&dir.path().join("a")), ["up.txt"]);
    }
}
