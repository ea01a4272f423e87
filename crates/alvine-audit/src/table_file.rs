//! A table as a Parquet file, and back.
//!
//! Plain Parquet: one value a cell, no nesting, no compression, so that any engine reads it. Column by column the file says
//! what it holds (see [`crate::arrow_schema`]).

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use parquet::basic::{LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::column::reader::get_typed_column_reader;
use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::reader::{FileReader, RowGroupReader, SerializedFileReader};
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{SchemaDescriptor, Type};
use thiserror::Error;

use crate::arrow_schema;
use crate::columns::{Access, Column, TableRow};

/// Why a table could not be written or read.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum TableError {
    /// The file could not be opened or made.
    #[error("{}: cannot be {doing}: {source}", file.display())]
    Io {
        /// The file.
        file: PathBuf,
        /// `read` or `written`.
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file is no Parquet, or is damaged, or could not be finished.
    #[error("{}: cannot be {doing} as Parquet: {source}", file.display())]
    Parquet {
        /// The file.
        file: PathBuf,
        /// `read` or `written`.
        doing: &'static str,
        /// What the library said.
        source: ParquetError,
    },
    /// A column that is needed is not there, or is of another type.
    #[error("{}: column {column} is {found}; expected {expected}", file.display())]
    Column {
        /// The file.
        file: PathBuf,
        /// The column.
        column: String,
        /// `missing`, or its type.
        found: String,
        /// The type that is needed.
        expected: String,
    },
    /// A text is not UTF-8, or a needed value is null.
    #[error("{}: column {column}, row {row}: {found}; expected {expected}", file.display())]
    Value {
        /// The file.
        file: PathBuf,
        /// The column.
        column: String,
        /// The row, from 1.
        row: usize,
        /// What stands there.
        found: &'static str,
        /// What would do.
        expected: &'static str,
    },
}

/// Writes rows as one Parquet file, in place: give a path that is put in its place when it is whole.
///
/// # Errors
///
/// When the file cannot be written.
pub fn write_table<R: TableRow>(rows: &mut [R], to: &Path) -> Result<(), TableError> {
    let file = File::create(to).map_err(|source| TableError::Io {
        file: to.to_owned(),
        doing: "written",
        source,
    })?;
    write_rows(rows, file).map_err(|source| TableError::Parquet {
        file: to.to_owned(),
        doing: "written",
        source,
    })
}

fn write_rows<R: TableRow>(rows: &mut [R], file: File) -> Result<(), ParquetError> {
    /// No row group is longer.
    const ROWS: usize = 1 << 16;
    let columns = R::columns();
    let note = |key: &str, value: String| KeyValue::new(key.to_owned(), value);
    let properties = WriterProperties::builder()
        .set_created_by(format!("alvine {}", env!("CARGO_PKG_VERSION")))
        .set_key_value_metadata(Some(vec![
            note(arrow_schema::KEY, arrow_schema::encoded(&columns)),
            note("table", R::TABLE.to_owned()),
        ]))
        .build();
    let schema = Arc::new(schema(&columns)?);
    let mut writer = SerializedFileWriter::new(file, schema, Arc::new(properties))?;
    for rows in rows.chunks_mut(ROWS) {
        let mut group = writer.next_row_group()?;
        for column in &columns {
            write_column(rows, column, &mut group)?;
        }
        group.close()?;
    }
    writer.close()?;
    Ok(())
}

fn schema<R: TableRow>(columns: &[Column<R>]) -> Result<Type, ParquetError> {
    let fields: Result<Vec<_>, _> = columns.iter().map(|column| field(column).map(Arc::new)).collect();
    Type::group_type_builder(R::TABLE).with_fields(fields?).build()
}

fn field<R>(column: &Column<R>) -> Result<Type, ParquetError> {
    let (physical, logical) = match column.access {
        Access::Name(_) | Access::Text(_) => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Access::Real(_) => (Physical::DOUBLE, None),
        Access::Count(_) | Access::Whole(_) => (Physical::INT64, None),
        Access::Truth(_) => (Physical::BOOLEAN, None),
        Access::Moment(_) => (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MICROS))),
    };
    let repetition = if column.is_optional() {
        Repetition::OPTIONAL
    } else {
        Repetition::REQUIRED
    };
    Type::primitive_type_builder(&column.name, physical)
        .with_repetition(repetition)
        .with_logical_type(logical)
        .build()
}

fn write_column<R>(
    rows: &mut [R],
    column: &Column<R>,
    group: &mut SerializedRowGroupWriter<'_, File>,
) -> Result<(), ParquetError> {
    let which = column.which;
    match &column.access {
        Access::Name(at) => {
            let names = rows.iter_mut().map(|row| Some(ByteArray::from(at(row).as_str())));
            put::<ByteArrayType>(names, false, group)
        }
        Access::Text(at) => {
            let texts = rows
                .iter_mut()
                .map(|row| at(row, which).as_deref().map(ByteArray::from));
            put::<ByteArrayType>(texts, true, group)
        }
        Access::Real(at) => put::<DoubleType>(rows.iter_mut().map(|row| *at(row, which)), true, group),
        Access::Count(at) => {
            let counts = rows.iter_mut().map(|row| at(row, which).map(u64::cast_signed));
            put::<Int64Type>(counts, true, group)
        }
        Access::Whole(at) | Access::Moment(at) => {
            put::<Int64Type>(rows.iter_mut().map(|row| *at(row, which)), true, group)
        }
        Access::Truth(at) => put::<BoolType>(rows.iter_mut().map(|row| *at(row, which)), true, group),
    }
}

fn put<T: DataType>(
    cells: impl Iterator<Item = Option<T::T>>,
    optional: bool,
    group: &mut SerializedRowGroupWriter<'_, File>,
) -> Result<(), ParquetError> {
    let (mut values, mut there) = (Vec::new(), Vec::new());
    for cell in cells {
        there.push(i16::from(cell.is_some()));
        values.extend(cell);
    }
    let Some(mut writer) = group.next_column()? else {
        return Err(ParquetError::General("more columns than the schema has".to_owned()));
    };
    writer
        .typed::<T>()
        .write_batch(&values, optional.then_some(&there[..]), None)?;
    writer.close()
}

/// Reads a table that [`write_table`] wrote, or another with its columns in any order; other columns are left aside.
///
/// # Errors
///
/// When the file is no Parquet, or lacks a column.
pub fn read_table<R: TableRow>(from: &Path) -> Result<Vec<R>, TableError> {
    let failed = |source| TableError::Parquet {
        file: from.to_owned(),
        doing: "read",
        source,
    };
    let file = File::open(from).map_err(|source| TableError::Io {
        file: from.to_owned(),
        doing: "read",
        source,
    })?;
    let reader = SerializedFileReader::new(file).map_err(failed)?;
    let columns = R::columns();
    let schema = reader.metadata().file_metadata().schema_descr();
    let places: Result<Vec<usize>, TableError> = columns.iter().map(|column| place(column, schema, from)).collect();
    let places = places?;
    let mut rows: Vec<R> = Vec::new();
    for group in 0..reader.num_row_groups() {
        let group = reader.get_row_group(group).map_err(failed)?;
        let first = rows.len();
        let count = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
        rows.extend(std::iter::repeat_with(R::default).take(count));
        for (column, &place) in columns.iter().zip(&places) {
            let cells = ColumnCells {
                from,
                group: &*group,
                place,
                column,
                first,
            };
            cells.read_into(&mut rows[first..])?;
        }
    }
    Ok(rows)
}

/// Where a column stands in a file.
fn place<R>(column: &Column<R>, schema: &SchemaDescriptor, from: &Path) -> Result<usize, TableError> {
    let wrong = |found: String, expected: String| TableError::Column {
        file: from.to_owned(),
        column: column.name.clone(),
        found,
        expected,
    };
    let expected = field(column).map_err(|source| TableError::Parquet {
        file: from.to_owned(),
        doing: "read",
        source,
    })?;
    let expected = expected.get_physical_type();
    let mut all = schema.columns().iter();
    let Some(place) = all.position(|found| found.path().parts() == [column.name.as_str()]) else {
        return Err(wrong("missing".to_owned(), expected.to_string()));
    };
    let found = schema.column(place);
    if found.physical_type() != expected || found.max_rep_level() > 0 {
        return Err(wrong(found.physical_type().to_string(), expected.to_string()));
    }
    Ok(place)
}

/// The cells of one column in one group of rows.
struct ColumnCells<'a, R> {
    from: &'a Path,
    group: &'a dyn RowGroupReader,
    place: usize,
    column: &'a Column<R>,
    /// The row of the file that is the group's first.
    first: usize,
}

impl<R> ColumnCells<'_, R> {
    fn read_into(&self, rows: &mut [R]) -> Result<(), TableError> {
        let which = self.column.which;
        match &self.column.access {
            Access::Name(at) => self.texts(rows, |row, text| match text {
                Some(text) => {
                    *at(row) = text;
                    Ok(())
                }
                None => Err(("null", "words")),
            }),
            Access::Text(at) => self.texts(rows, |row, text| {
                *at(row, which) = text;
                Ok(())
            }),
            Access::Real(at) => self.fill::<DoubleType>(rows, |row, value| {
                *at(row, which) = value;
                Ok(())
            }),
            Access::Count(at) => self.fill::<Int64Type>(rows, |row, value| {
                let count = value.map(u64::try_from).transpose();
                *at(row, which) = count.map_err(|_| ("a negative number", "a count"))?;
                Ok(())
            }),
            Access::Whole(at) | Access::Moment(at) => self.fill::<Int64Type>(rows, |row, value| {
                *at(row, which) = value;
                Ok(())
            }),
            Access::Truth(at) => self.fill::<BoolType>(rows, |row, value| {
                *at(row, which) = value;
                Ok(())
            }),
        }
    }

    fn texts(
        &self,
        rows: &mut [R],
        set: impl Fn(&mut R, Option<String>) -> Result<(), (&'static str, &'static str)>,
    ) -> Result<(), TableError> {
        self.fill::<ByteArrayType>(rows, |row, bytes| {
            let text = bytes.map(|bytes: ByteArray| String::from_utf8(bytes.data().to_vec()));
            set(row, text.transpose().map_err(|_| ("bytes that are no text", "UTF-8"))?)
        })
    }

    fn fill<T: DataType>(
        &self,
        rows: &mut [R],
        set: impl Fn(&mut R, Option<T::T>) -> Result<(), (&'static str, &'static str)>,
    ) -> Result<(), TableError> {
        let cells = self.cells::<T>(rows.len()).map_err(|source| TableError::Parquet {
            file: self.from.to_owned(),
            doing: "read",
            source,
        })?;
        for ((at, row), cell) in rows.iter_mut().enumerate().zip(cells) {
            set(row, cell).map_err(|(found, expected)| TableError::Value {
                file: self.from.to_owned(),
                column: self.column.name.clone(),
                row: self.first + at + 1,
                found,
                expected,
            })?;
        }
        Ok(())
    }

    fn cells<T: DataType>(&self, count: usize) -> Result<Vec<Option<T::T>>, ParquetError> {
        let reader = self.group.get_column_reader(self.place)?;
        let optional = self.group.metadata().column(self.place).column_descr().max_def_level() > 0;
        let mut reader = get_typed_column_reader::<T>(reader);
        let (mut values, mut there) = (Vec::with_capacity(count), Vec::with_capacity(count));
        while there.len().max(if optional { 0 } else { values.len() }) < count {
            let levels = optional.then_some(&mut there);
            let (read, _, _) = reader.read_records(count, levels, None, &mut values)?;
            if read == 0 {
                return Err(ParquetError::EOF("fewer rows than the file says".to_owned()));
            }
        }
        if !optional {
            return Ok(values.into_iter().map(Some).collect());
        }
        let mut values = values.into_iter();
        Ok(there
            .into_iter()
            .map(|level| if level > 0 { values.next() } else { None })
            .collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::row::{SiteRow, StudyRow};

    fn rows() -> Vec<StudyRow> {
        let mut rows: Vec<StudyRow> = (0..5)
            .map(|k| StudyRow {
                study: format!("ward/study-{k}"),
                version: "0.1.0".to_owned(),
                started_us: (k != 2).then_some(1_772_435_640_000_000 + k),
                utc_offset_min: Some(-90),
                duration_s: Some(k as f64 / 3.0),
                instants: Some(k as u64),
                level_known: Some(k % 2 == 0),
                ..StudyRow::default()
            })
            .collect();
        rows[1].fault = Some("recording.csv:3:2: no “number”".to_owned());
        rows[3].landmarks[4].time_s = Some(1234.5);
        rows[3].transits[0].censored = Some(false);
        rows
    }

    #[test]
    fn a_table_reads_back_as_it_was_written() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("studies.parquet");
        for mut written in [rows(), Vec::new()] {
            write_table(&mut written, &file).unwrap();
            assert_eq!(read_table::<StudyRow>(&file).unwrap(), written);
        }
    }

    #[test]
    fn the_same_rows_give_the_same_bytes() {
        let dir = tempfile::tempdir().unwrap();
        let bytes = |name| {
            let file = dir.path().join(name);
            write_table(&mut rows(), &file).unwrap();
            std::fs::read(file).unwrap()
        };
        assert_eq!(bytes("one"), bytes("two"));
    }

    #[test]
    fn another_table_and_what_is_no_table_are_refused_by_name() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("sites.parquet");
        write_table(&mut [SiteRow::default()], &file).unwrap();
        let message = read_table::<StudyRow>(&file).unwrap_err().to_string();
        assert!(
            message.ends_with("sites.parquet: column id is missing; expected BYTE_ARRAY"),
            "{message}"
        );
        let whole = std::fs::read(&file).unwrap();
        for length in [0, 4, whole.len() / 2, whole.len() - 1] {
            std::fs::write(&file, &whole[..length]).unwrap();
            let message = read_table::<SiteRow>(&file).unwrap_err().to_string();
            assert!(message.contains("cannot be read as Parquet"), "{message}");
        }
    }
}
