//! The parts of an audit's tables on disk, and all of them read together.

use std::collections::{BTreeSet, HashMap};
use std::ffi::OsStr;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use alvine_audit::{Audit, Shard, SiteRow, StudyRow, TableRow, read_table};

use super::AuditError;

/// What the tables of a folder say together.
pub struct Gathered {
    /// The audit.
    pub audit: Audit,
    /// Versions of alvine that made the rows.
    pub versions: Vec<String>,
    /// Names of what was expected of the passage, of all rows that were analysed.
    pub priors: Vec<String>,
    /// Parts that are not there, by number, and of how many.
    missing: Vec<u32>,
    parts: u32,
}

/// The parts of an audit in another number of parts, to be removed once the new ones are there; refused unless forced.
pub fn other_parts(out: &Path, shard: Shard, force: bool) -> Result<Vec<PathBuf>, AuditError> {
    let mut others = Vec::new();
    for table in [StudyRow::TABLE, SiteRow::TABLE] {
        for (part, file) in parts(out, table)? {
            if part.of() != shard.of() && !force {
                return Err(AuditError::OtherParts {
                    file,
                    found: part.of(),
                    expected: shard.of(),
                });
            }
            others.extend((part.of() != shard.of()).then_some(file));
        }
    }
    Ok(others)
}

/// The parts of a table in their order; none where there is no such table.
fn parts(out: &Path, table: &str) -> Result<Vec<(Shard, PathBuf)>, AuditError> {
    let folder = out.join(table);
    let failed = |source| AuditError::Folder {
        folder: folder.clone(),
        source,
    };
    let entries = match fs::read_dir(&folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(failed(error)),
    };
    let mut parts = Vec::new();
    for entry in entries {
        let file = entry.map_err(failed)?.path();
        if file.extension() != Some(OsStr::new("parquet")) {
            continue;
        }
        let stem = file.file_stem().map(OsStr::to_string_lossy).unwrap_or_default();
        match Shard::from_file_stem(&stem) {
            Some(part) => parts.push((part, file)),
            None => return Err(AuditError::NoPart { file }),
        }
    }
    parts.sort();
    Ok(parts)
}

impl Gathered {
    /// Reads all parts.
    pub fn read(out: &Path) -> Result<Self, AuditError> {
        let parts_of_studies = parts(out, StudyRow::TABLE)?;
        let Some(&(first, _)) = parts_of_studies.first() else {
            let folder = out.to_owned();
            return Err(AuditError::NoTables { folder });
        };
        other_parts(out, first, false)?;
        let mut studies: Vec<StudyRow> = Vec::new();
        for (_, file) in &parts_of_studies {
            studies.extend(read_table::<StudyRow>(file)?);
        }
        let places: HashMap<String, usize> = (studies.iter().enumerate())
            .map(|(at, row)| (row.study.clone(), at))
            .collect();
        for (_, file) in parts(out, SiteRow::TABLE)? {
            for site in read_table::<SiteRow>(&file)? {
                if let Some(&at) = places.get(&site.study) {
                    studies[at].sites.push(site);
                }
            }
        }
        let versions = studies.iter().map(|row| row.version.as_str());
        let priors = studies.iter().filter_map(|row| row.prior.as_deref());
        let there = |number: &u32| parts_of_studies.iter().any(|(part, _)| part.number() == *number);
        Ok(Self {
            versions: distinct(versions),
            priors: distinct(priors),
            missing: (1..=first.of()).filter(|number| !there(number)).collect(),
            parts: first.of(),
            audit: Audit::of(studies),
        })
    }

    /// Which parts are missing, in words; `None` where none is.
    pub fn missing_words(&self) -> Option<String> {
        if self.missing.is_empty() {
            return None;
        }
        let numbers: Vec<String> = self.missing.iter().map(u32::to_string).collect();
        Some(format!(
            "Not whole: of {} parts these are missing: {}. Everything here is of the others alone.",
            self.parts,
            numbers.join(", ")
        ))
    }

    /// What to know where not all rows rest on the same prior; `None` where they do.
    pub fn priors_words(&self) -> Option<String> {
        (self.priors.len() > 1).then(|| {
            format!(
                "Not all alike: of different studies different things were expected beforehand ({}). Column prior says of which; \
                 times and completion of the one kind are not to be held against those of the other.",
                self.priors.join(", ")
            )
        })
    }

    /// Numbers of the parts that are missing.
    pub fn missing(&self) -> &[u32] {
        &self.missing
    }
}

/// Each word once, in order.
fn distinct<'a>(words: impl Iterator<Item = &'a str>) -> Vec<String> {
    let distinct: BTreeSet<&str> = words.collect();
    distinct.into_iter().map(str::to_owned).collect()
}
