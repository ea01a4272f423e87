//! Analysing what is new: each study by one worker, its row in the journal at once, and at the end the tables.
//!
//! A worker takes one study after the other and computes on its own thread alone. Were all threads to share each study, a
//! thread that waits could begin another one, and many would lie in memory at once; so there are never more than workers.

use std::any::Any;
use std::collections::HashSet;
use std::fs;
use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use alvine_audit::{
    Analysed, FoundStudy, Journal, JournalError, Shard, SiteRow, StudyRow, TableRow, find_studies, write_table,
};
use alvine_study::{Staging, read_study};
use alvine_transit::Prior;
use rayon::ThreadPoolBuilder;

use super::super::prior;
use super::{AuditError, gather, row};
use crate::analysis::{AnalysisOptions, analyse};
use crate::args::AuditArgs;
use crate::outcome::Failure;
use crate::progress::Progress;

const JOURNAL: &str = "journal";

/// What was done.
pub struct Done {
    /// Studies of the part.
    studies: usize,
    /// Those that were analysed now.
    now: usize,
    /// Those that cannot be.
    pub faulty: usize,
}

impl Done {
    /// In a line.
    pub fn words(&self, folder: &Path, shard: Shard) -> String {
        let of = if shard == Shard::WHOLE {
            String::new()
        } else {
            format!(" in part {shard}")
        };
        let before = self.studies - self.now;
        format!(
            "{} studies of {}{of}: {} analysed now, {before} there already, {} of all could not be\n",
            self.studies,
            folder.display(),
            self.now,
            self.faulty
        )
    }
}

/// Analyses what is missing of a part, and writes its tables.
pub fn run(args: &AuditArgs, studies: &Path, out: &Path, quiet: bool) -> Result<Done, Failure> {
    let shard = args.shard.unwrap_or(Shard::WHOLE);
    let prior = prior::read(&args.prior)?;
    let found = found(studies, out, shard)?;
    let others = gather::other_parts(out, shard, args.force)?;
    let (journal, file) = journal(args, &prior, out, shard)?;
    let todo: Vec<&FoundStudy> = found
        .iter()
        .filter(|found| !journal.has(&found.study, &found.stamp()))
        .collect();
    let work = Work {
        root: studies,
        options: AnalysisOptions {
            level_unknown: args.level_unknown,
            no_usual_places: args.no_usual_places,
            prior,
        },
        journal: &journal,
        todo: &todo,
        next: AtomicUsize::new(0),
        done: AtomicUsize::new(0),
    };
    let progress = Progress::new(quiet);
    progress.begin("analysing");
    let kept = |source| AuditError::Journal {
        file: file.clone(),
        source,
    };
    work.all(jobs(args), &progress).map_err(kept)?;
    progress.begin("writing");
    let names: HashSet<&str> = found.iter().map(|found| found.study.as_str()).collect();
    let mut rows = journal.rows(|study| names.contains(study)).map_err(kept)?;
    write_tables(&mut rows, out, shard)?;
    for file in others {
        fs::remove_file(&file).map_err(|source| Failure::Write { file, source })?;
    }
    Ok(Done {
        studies: found.len(),
        now: todo.len(),
        faulty: rows.iter().filter(|row| !row.is_analysed()).count(),
    })
}

fn jobs(args: &AuditArgs) -> usize {
    args.jobs.map_or_else(rayon::current_num_threads, usize::from)
}

/// The studies of a part.
fn found(studies: &Path, out: &Path, shard: Shard) -> Result<Vec<FoundStudy>, AuditError> {
    let found = find_studies(studies, Some(out));
    let mut found = found.map_err(|(folder, source)| AuditError::Folder { folder, source })?;
    if found.is_empty() {
        let folder = studies.to_owned();
        return Err(AuditError::NoStudies { folder });
    }
    found.retain(|found| shard.takes(&found.study));
    Ok(found)
}

fn journal(args: &AuditArgs, prior: &Prior, out: &Path, shard: Shard) -> Result<(Journal, PathBuf), Failure> {
    let file = out.join(JOURNAL).join(shard.file_stem()).with_extension("jsonl");
    let failed = |source| AuditError::Journal {
        file: file.clone(),
        source,
    };
    fs::create_dir_all(out.join(JOURNAL)).map_err(failed)?;
    let analysed = Analysed {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        options: format!(
            "level unknown: {}, no usual places: {}, prior: {}",
            args.level_unknown,
            args.no_usual_places,
            prior.to_toml()
        ),
    };
    match Journal::open(&file, &analysed, args.force) {
        Ok(journal) => Ok((journal, file)),
        Err(JournalError::InUse) => Err(AuditError::InUse { file }.into()),
        Err(JournalError::Io(source)) => Err(failed(source).into()),
    }
}

/// The work of all workers.
struct Work<'a> {
    root: &'a Path,
    options: AnalysisOptions,
    journal: &'a Journal,
    todo: &'a [&'a FoundStudy],
    next: AtomicUsize,
    done: AtomicUsize,
}

impl Work<'_> {
    fn all(&self, jobs: usize, progress: &Progress) -> io::Result<()> {
        let jobs = jobs.min(self.todo.len());
        thread::scope(|scope| {
            let workers: Vec<_> = (0..jobs).map(|_| scope.spawn(|| self.one_worker(progress))).collect();
            workers
                .into_iter()
                .try_for_each(|worker| worker.join().unwrap_or_else(|_| Err(io::Error::other("a worker died"))))
        })
    }

    fn one_worker(&self, progress: &Progress) -> io::Result<()> {
        let alone = ThreadPoolBuilder::new()
            .num_threads(1)
            .build()
            .map_err(io::Error::other)?;
        while let Some(study) = self.todo.get(self.next.fetch_add(1, Ordering::Relaxed)) {
            // As it was before reading: what changes meanwhile is done again next time.
            let stamp = study.stamp();
            let row = alone.install(|| self.row(study));
            self.journal.add(&row, &stamp)?;
            let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
            progress.reach(done as f64 / self.todo.len() as f64);
        }
        Ok(())
    }

    /// The row of a study, whatever is wrong with it.
    fn row(&self, found: &FoundStudy) -> StudyRow {
        match catch_unwind(AssertUnwindSafe(|| self.analysed(found))) {
            Ok(Ok(row)) => row,
            Ok(Err(fault)) => row::faulty(&found.study, self.below_root(&fault)),
            Err(panic) => row::faulty(&found.study, format!("a defect of alvine: {}", message(&*panic))),
        }
    }

    /// The row of a study, or what is wrong with it, in a line.
    fn analysed(&self, found: &FoundStudy) -> Result<StudyRow, String> {
        let study = read_study(&found.path).map_err(|error| error.to_string())?;
        let analysis = analyse(&study, &self.options, &|_| {}).map_err(|error| error.to_string())?;
        Ok(row::analysed(&found.study, &study, &analysis.summary))
    }

    /// A fault whose paths begin at the folder that is audited, wherever that lies.
    fn below_root(&self, fault: &str) -> String {
        let root = self.root.display().to_string();
        fault.replace(&format!("{}/", root.trim_end_matches('/')), "")
    }
}

fn message(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| "without a message".to_owned())
}

fn write_tables(rows: &mut [StudyRow], out: &Path, shard: Shard) -> Result<(), Failure> {
    let mut sites: Vec<SiteRow> = rows.iter().flat_map(|row| row.sites.iter().cloned()).collect();
    let mut staging = Staging::new(out)?;
    let name = |table: &str| Path::new(table).join(shard.file_stem()).with_extension("parquet");
    write_table(&mut sites, &staging.path(name(SiteRow::TABLE))).map_err(AuditError::from)?;
    write_table(rows, &staging.path(name(StudyRow::TABLE))).map_err(AuditError::from)?;
    Ok(staging.commit()?)
}
