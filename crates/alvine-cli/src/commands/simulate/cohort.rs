//! Many studies of one scenario, by seeds that follow each other: made in parallel, each whole or not at all, and gone on
//! with where an earlier run ended.
//!
//! A study is a folder that is made under another name and then renamed: it is there with all its files, or it is not.
//! `scenario.toml` in it says what it was made from, so that a later run knows its own; `cohort.toml` beside the folders
//! says what all of them have in common.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use alvine_phantom::{NamedScenario, simulate};
use alvine_study::Staging;
use rayon::prelude::*;

use super::{files, id, write};
use crate::args::SimulateArgs;
use crate::outcome::Failure;
use crate::progress::Progress;
use crate::stdout;

const COHORT: &str = "cohort.toml";
const SCENARIO: &str = "scenario.toml";

/// Makes what is missing of a cohort.
pub(super) fn run(args: &SimulateArgs, named: NamedScenario, out: &Path, quiet: bool) -> Result<(), Failure> {
    let cohort = Cohort {
        named,
        hdf5: args.hdf5,
        force: args.force,
        out,
    };
    let count = args.count.map_or(1, |count| count as usize);
    cohort.begin()?;
    let progress = Progress::new(quiet);
    progress.begin("simulating");
    let (done, made) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let staging = Mutex::new(Staging::new(out)?);
    let make_all = || {
        (0..count).into_par_iter().try_for_each(|index| {
            if cohort.make(index, &staging)? {
                made.fetch_add(1, Ordering::Relaxed);
            }
            progress.reach((done.fetch_add(1, Ordering::Relaxed) + 1) as f64 / count as f64);
            Ok::<(), Failure>(())
        })
    };
    match args.jobs {
        Some(jobs) => pool(jobs)?.install(make_all),
        None => make_all(),
    }?;
    drop(progress);
    if quiet {
        return Ok(());
    }
    let made = made.into_inner();
    let there = count - made;
    stdout::text(&format!(
        "{count} studies in {}: {made} made, {there} there already\n",
        out.display()
    ))
}

fn pool(jobs: u16) -> Result<rayon::ThreadPool, Failure> {
    let jobs = usize::from(jobs);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(jobs).build();
    pool.map_err(|error| Failure::Threads {
        threads: jobs,
        cause: error.to_string(),
    })
}

/// What its studies have in common.
struct Cohort<'a> {
    named: NamedScenario,
    hdf5: bool,
    force: bool,
    out: &'a Path,
}

impl Cohort<'_> {
    /// Writes `cohort.toml`, or sees that the one that is there is the same.
    fn begin(&self) -> Result<(), Failure> {
        let file = self.out.join(COHORT);
        let text = self.named.to_toml();
        match fs::read_to_string(&file) {
            Ok(found) if found == text => return Ok(()),
            Ok(_) if !self.force => return Err(Failure::OtherCohort { file }),
            _ => {}
        }
        let mut staging = Staging::new(self.out)?;
        let path = staging.path(COHORT);
        fs::write(&path, text).map_err(|source| Failure::Write { file, source })?;
        Ok(staging.commit()?)
    }

    /// Makes a study unless it is there; whether it was made.
    fn make(&self, index: usize, staging: &Mutex<Staging>) -> Result<bool, Failure> {
        let mut named = self.named.clone();
        named.scenario.seed = named.scenario.seed.wrapping_add(index as u64);
        let (name, text) = (id(&named), named.to_toml());
        let folder = self.out.join(&name);
        if self.is_there(&folder, &text)? {
            return Ok(false);
        }
        let workshop = workshop(staging, &name);
        let simulated = simulate(&named.scenario)?;
        write(&named, simulated, self.hdf5, &workshop)?;
        let failed = |source| Failure::Write {
            file: folder.clone(),
            source,
        };
        fs::write(workshop.join(SCENARIO), text).map_err(failed)?;
        fs::rename(&workshop, &folder).map_err(failed)?;
        Ok(true)
    }

    /// Whether the very study is there already. What else has its place is removed if that is forced and it is a study of
    /// a cohort, and refused otherwise.
    fn is_there(&self, folder: &Path, text: &str) -> Result<bool, Failure> {
        if folder.symlink_metadata().is_err() {
            return Ok(false);
        }
        let scenario = fs::read_to_string(folder.join(SCENARIO));
        let whole = files(self.hdf5).iter().all(|name| folder.join(name).is_file());
        match scenario {
            Ok(found) if found == text && whole => Ok(true),
            Ok(_) if self.force => fs::remove_dir_all(folder)
                .map(|()| false)
                .map_err(|source| Failure::Write {
                    file: folder.to_owned(),
                    source,
                }),
            Ok(_) => Err(Failure::OtherCohort {
                file: folder.join(SCENARIO),
            }),
            Err(_) => Err(Failure::Exists {
                file: folder.to_owned(),
            }),
        }
    }
}

/// The hidden folder in which a study is made; an interrupt removes it.
fn workshop(staging: &Mutex<Staging>, name: &str) -> PathBuf {
    let mut staging = staging.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    // The staging folder only holds it: the study takes its place by one rename of its own, not file by file.
    let mut place = staging.path(Path::new(name).join(SCENARIO));
    place.pop();
    place
}
