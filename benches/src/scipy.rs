//! SciPy on the same problem in the same run: a script is given files, and says how long it took.

use std::path::{Path, PathBuf};
use std::process::Command;

use alvine::Position;

use crate::Failure;

/// What a script reports.
#[derive(Debug, Clone)]
pub struct BySciPy {
    /// SciPy's version.
    pub version: String,
    /// The time that the script printed, in its own unit.
    pub time: f64,
    /// The places it ended at, mm.
    pub places_mm: Vec<Position>,
}

/// A script that cannot import SciPy ends with this.
const NO_SCIPY: i32 = 3;

/// Runs a script of this workspace, named from its root, with some arguments and then one table a file, x, y, z or levels a row, and
/// last a file for the places it ends at: on one thread, by the Python that `ALVINE_PYTHON` names, or `python3`. `None`, with a
/// message, where Python or SciPy is missing.
///
/// # Errors
///
/// A script that fails or prints no version and time, and files that cannot be written or read.
pub fn by_scipy(script: &str, arguments: &[&str], tables: &[Vec<Vec<f64>>]) -> Result<Option<BySciPy>, Failure> {
    let folder = tempfile::tempdir()?;
    let ends = folder.path().join("ends.csv");
    let mut files = Vec::new();
    for (index, table) in tables.iter().enumerate() {
        files.push(folder.path().join(format!("table-{index}.csv")));
        write_rows(&files[index], table)?;
    }
    let python = std::env::var("ALVINE_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let path: PathBuf = [env!("CARGO_MANIFEST_DIR"), "..", script].iter().collect();
    let run = Command::new(&python)
        .arg(&path)
        .args(arguments)
        .args(&files)
        .arg(&ends)
        .env("OMP_NUM_THREADS", "1")
        .env("OPENBLAS_NUM_THREADS", "1")
        .output();
    let output = match run {
        Ok(output) => output,
        Err(why) => {
            println!("skipped: `{python}` does not run ({why}); ALVINE_PYTHON names another");
            return Ok(None);
        }
    };
    if output.status.code() == Some(NO_SCIPY) {
        println!("skipped: `{python}` has no NumPy and SciPy; ALVINE_PYTHON names another");
        return Ok(None);
    }
    if !output.status.success() {
        return Err(String::from_utf8_lossy(&output.stderr).into_owned().into());
    }
    let printed = String::from_utf8(output.stdout)?;
    let (version, time) = printed.trim().split_once(' ').ok_or("the script printed no result")?;
    Ok(Some(BySciPy {
        version: version.to_owned(),
        time: time.parse()?,
        places_mm: read_places(&ends)?,
    }))
}

fn write_rows(path: &Path, rows: &[Vec<f64>]) -> Result<(), Failure> {
    let mut writer = csv::Writer::from_path(path)?;
    for row in rows {
        writer.write_record(row.iter().map(ToString::to_string))?;
    }
    writer.flush()?;
    Ok(())
}

fn read_places(path: &Path) -> Result<Vec<Position>, Failure> {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).from_path(path)?;
    let mut places_mm = Vec::new();
    for record in reader.records() {
        let record = record?;
        let cell = |index: usize| -> Result<f64, Failure> { Ok(record.get(index).ok_or("a row is short")?.parse()?) };
        places_mm.push(Position::new(cell(0)?, cell(1)?, cell(2)?));
    }
    Ok(places_mm)
}
