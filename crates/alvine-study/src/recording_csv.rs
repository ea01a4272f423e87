//! `recording.csv`: `time_s`, one column a site in the layout's order, and auxiliary columns.

use std::fs;
use std::io::{BufWriter, Write};
use std::path::Path;

use alvine::recording::POSSIBLE_DBM;
use alvine::{Layout, Recording, nearest};
use ndarray::Array2;

use crate::delimited::{Cell, Located, Rows, push_cell};
use crate::fault::{Fault, Place, StudyError, quoted};
use crate::study::{AuxiliaryColumn, check_reporting};

/// No recording is larger than this, bytes: 50 million instants of eight sites fit.
const LARGEST_FILE: u64 = 4 << 30;
/// The most auxiliary columns a recording may have.
pub(crate) const MOST_AUXILIARY: usize = 1024;

/// Reads a text file whole; it must be UTF-8 and no larger than `largest` bytes.
pub(crate) fn read_text(file: &Path, expected: &str, largest: u64) -> Result<String, StudyError> {
    let failed = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::NotFound => {
            let expected = expected.to_owned();
            StudyError::new(Place::file(file), Fault::NotFound { expected })
        }
        _ => StudyError::io(file, "read", error),
    };
    let metadata = fs::metadata(file).map_err(failed)?;
    if metadata.len() > largest {
        let fault = Fault::TooLarge {
            what: "bytes in this file",
            found: metadata.len(),
            most: largest,
        };
        return Err(StudyError::new(Place::file(file), fault));
    }
    String::from_utf8(fs::read(file).map_err(failed)?).map_err(|error| {
        let offset = error.utf8_error().valid_up_to();
        StudyError::new(Place::in_text(file, error.as_bytes(), offset), Fault::NotUtf8)
    })
}

/// Reads a recording whose columns must be the sites of a layout.
pub(crate) fn read(file: &Path, layout: &Layout) -> Result<(Recording, Vec<AuxiliaryColumn>), StudyError> {
    let text = read_text(file, "the recording that study.toml names", LARGEST_FILE)?;
    parse(&text, layout)
        .map_err(|(offset, fault)| StudyError::new(Place::in_text(file, text.as_bytes(), offset), fault))
}

/// Which columns hold what.
#[derive(Debug)]
pub(crate) struct Columns {
    /// The column of each site, in the layout's order.
    pub sites: Vec<usize>,
    /// The auxiliary columns.
    auxiliary: Vec<usize>,
    /// How many there are in all.
    pub all: usize,
}

fn parse(text: &str, layout: &Layout) -> Result<(Recording, Vec<AuxiliaryColumn>), Located> {
    let mut rows = Rows::new(text);
    let mut row = Vec::new();
    if !rows.next_into(&mut row)? {
        let expected = header(TIME, layout);
        return Err((0, Fault::NoHeader { expected }));
    }
    let columns = match_header(&row, layout)?;
    let mut auxiliary: Vec<AuxiliaryColumn> = columns
        .auxiliary
        .iter()
        .map(|&column| AuxiliaryColumn {
            name: row[column].text.to_string(),
            cells: Vec::new(),
        })
        .collect();
    let header_row = row.clone();

    let mut times_s: Vec<f64> = Vec::new();
    let mut levels_dbm: Vec<f32> = Vec::new();
    while rows.next_into(&mut row)? {
        if row.len() != columns.all {
            return Err(row_length(&row, columns.all));
        }
        times_s.push(time_after(&row[0], times_s.last().copied())?);
        for (&column, site) in columns.sites.iter().zip(layout.sites()) {
            levels_dbm.push(level(&row[column], &site.name)?);
        }
        for (&column, kept) in columns.auxiliary.iter().zip(&mut auxiliary) {
            kept.cells.push(auxiliary_cell(&row[column], &kept.name)?);
        }
    }
    let end = text.trim_end().len();
    let shape = (times_s.len(), layout.len());
    let levels_dbm = Array2::from_shape_vec(shape, levels_dbm).map_err(|_| (end, Fault::EmptyRecording))?;
    // Every cell was checked above with its place, so only an empty recording can fail here.
    let recording = Recording::new(times_s, levels_dbm).map_err(|_| (end, Fault::EmptyRecording))?;
    check_reporting(layout, &recording).map_err(|fault| (first_silent(&fault, &header_row), fault))?;
    Ok((recording, auxiliary))
}

/// What stands before the sites in a recording.
const TIME: &[&str] = &["time_s"];

/// The header of a recording without auxiliary columns, by what stands before the sites.
pub(crate) fn header(leading: &[&str], layout: &Layout) -> String {
    let mut header = leading.join(",");
    for site in layout.sites() {
        header.push(',');
        push_cell(&mut header, &site.name);
    }
    header
}

/// Which columns of a recording are the sites of a layout.
pub(crate) fn match_header(row: &[Cell<'_>], layout: &Layout) -> Result<Columns, Located> {
    match_columns(row, TIME, layout)
}

/// Which columns are the sites of a layout, behind columns of given names.
pub(crate) fn match_columns(row: &[Cell<'_>], leading: &[&str], layout: &Layout) -> Result<Columns, Located> {
    for (k, name) in leading.iter().enumerate() {
        // A header that ends too early is told at its last cell.
        let cell = row.get(k).unwrap_or(&row[row.len() - 1]);
        if row.get(k).is_none_or(|cell| cell.text != *name) {
            let fault = Fault::ColumnOrder {
                found: cell.text.to_string(),
                expected: (*name).to_owned(),
            };
            return Err((cell.offset, fault));
        }
    }
    let mut columns = Columns {
        sites: Vec::with_capacity(layout.len()),
        auxiliary: Vec::new(),
        all: row.len(),
    };
    // What a column is comes before where it stands: a misspelt site is no matter of order.
    for (k, cell) in row.iter().enumerate().skip(leading.len()) {
        if row[..k].iter().any(|earlier| earlier.text == cell.text) {
            let name = cell.text.to_string();
            return Err((cell.offset, Fault::Repeated { what: "column", name }));
        }
        if cell.text.starts_with("aux_") {
            check_auxiliary_name(cell, columns.auxiliary.len())?;
            columns.auxiliary.push(k);
        } else if layout.index_of(&cell.text).is_some() {
            columns.sites.push(k);
        } else {
            return Err((cell.offset, unknown_column(&cell.text, layout)));
        }
    }
    if let Some(missing) = layout
        .sites()
        .iter()
        .find(|site| !row.iter().any(|cell| cell.text == site.name))
    {
        let fault = Fault::MissingColumn {
            name: missing.name.clone(),
            expected: header(leading, layout),
        };
        return Err((row[0].offset, fault));
    }
    for (&k, site) in columns.sites.iter().zip(layout.sites()) {
        if row[k].text != site.name {
            let fault = Fault::ColumnOrder {
                found: row[k].text.to_string(),
                expected: site.name.clone(),
            };
            return Err((row[k].offset, fault));
        }
    }
    Ok(columns)
}

fn check_auxiliary_name(cell: &Cell<'_>, before: usize) -> Result<(), Located> {
    if before == MOST_AUXILIARY {
        let fault = Fault::TooLarge {
            what: "auxiliary columns",
            found: before as u64 + 1,
            most: MOST_AUXILIARY as u64,
        };
        return Err((cell.offset, fault));
    }
    no_nul(cell, "the header of an auxiliary column")
}

fn unknown_column(found: &str, layout: &Layout) -> Fault {
    let sites = layout.names();
    Fault::UnknownColumn {
        found: found.to_owned(),
        nearest: nearest(found, sites.iter().map(String::as_str)).map(str::to_owned),
        sites,
    }
}

/// The fault of a row with too few or too many cells.
pub(crate) fn row_length(row: &[Cell<'_>], expected: usize) -> Located {
    // The place of the first cell too many, or of the last there is.
    let cell = row.get(expected).or(row.last());
    let fault = Fault::RowLength {
        found: row.len(),
        expected,
    };
    (cell.map_or(0, |cell| cell.offset), fault)
}

/// A time that comes after the one before.
pub(crate) fn time_after(cell: &Cell<'_>, previous_s: Option<f64>) -> Result<f64, Located> {
    let time_s: f64 = match cell.text.trim().parse() {
        Ok(time_s) if f64::is_finite(time_s) => time_s,
        _ => return Err(wrong(cell, "time_s", "a finite number of seconds")),
    };
    match previous_s {
        Some(previous_s) if time_s <= previous_s => Err((cell.offset, Fault::TimeNotIncreasing { previous_s, time_s })),
        _ => Ok(time_s),
    }
}

/// A level in dBm; NaN for an empty cell, which means that no packet came.
pub(crate) fn level(cell: &Cell<'_>, site: &str) -> Result<f32, Located> {
    let text = cell.text.trim();
    if text.is_empty() {
        return Ok(f32::NAN);
    }
    match text.parse::<f32>() {
        Ok(level_dbm) if POSSIBLE_DBM.contains(&level_dbm) => Ok(level_dbm),
        Ok(_) => Err(wrong(
            cell,
            site,
            "a level from −200 to 100 dBm, or an empty cell where no packet came",
        )),
        Err(_) => Err(wrong(
            cell,
            site,
            "a number (dBm), or an empty cell where no packet came",
        )),
    }
}

fn auxiliary_cell(cell: &Cell<'_>, column: &str) -> Result<String, Located> {
    no_nul(cell, column)?;
    Ok(cell.text.to_string())
}

/// HDF5 ends a text at a NUL.
fn no_nul(cell: &Cell<'_>, what: &str) -> Result<(), Located> {
    if cell.text.contains('\0') {
        return Err(wrong(cell, what, "text without NUL characters"));
    }
    Ok(())
}

fn wrong(cell: &Cell<'_>, what: &str, expected: &str) -> Located {
    let fault = Fault::WrongValue {
        what: what.to_owned(),
        found: quoted(&cell.text),
        expected: expected.to_owned(),
    };
    (cell.offset, fault)
}

/// Where the header names the first site that never reports.
fn first_silent(fault: &Fault, header: &[Cell<'_>]) -> usize {
    let Fault::TooFewReporting { silent, .. } = fault else {
        return 0;
    };
    header
        .iter()
        .find(|cell| silent.iter().any(|name| *name == cell.text))
        .map_or(0, |cell| cell.offset)
}

/// Writes a recording: the shortest decimals that read back as the same numbers.
pub(crate) fn write(
    file: &Path,
    layout: &Layout,
    recording: &Recording,
    auxiliary: &[AuxiliaryColumn],
) -> Result<(), StudyError> {
    use std::fmt::Write as _;
    let failed = |error| StudyError::io(file, "written", error);
    let mut out = BufWriter::with_capacity(1 << 16, fs::File::create(file).map_err(failed)?);
    let mut line = header(TIME, layout);
    for column in auxiliary {
        line.push(',');
        push_cell(&mut line, &column.name);
    }
    line.push('\n');
    out.write_all(line.as_bytes()).map_err(failed)?;
    for (row, (time_s, levels)) in recording.time_s().iter().zip(recording.rssi_dbm().rows()).enumerate() {
        line.clear();
        let _ = write!(line, "{time_s}");
        for level_dbm in levels {
            line.push(',');
            if !level_dbm.is_nan() {
                let _ = write!(line, "{level_dbm}");
            }
        }
        for column in auxiliary {
            line.push(',');
            push_cell(&mut line, &column.cells[row]);
        }
        line.push('\n');
        out.write_all(line.as_bytes()).map_err(failed)?;
    }
    out.flush().map_err(failed)
}
