//! A study whose recording is still being made: its description without the recording, and rows as they come.

use std::fs;
use std::path::{Path, PathBuf};

use alvine::{Layout, Setup};

use crate::delimited::Rows;
use crate::description::describe;
use crate::fault::{Fault, Place, StudyError};
use crate::recording_csv::{Columns, level, match_header, read_text, row_length, time_after};
use crate::study::Started;
use crate::toml_study::{FILE_NAME, TomlStudy};

/// No `study.toml` is larger than this, bytes.
const LARGEST_TOML: u64 = 64 << 20;

/// What is known of a study while its recording is being made.
#[derive(Debug, Clone)]
pub struct LiveStudy {
    /// A pseudonym.
    pub id: String,
    /// When time 0 was, with its offset from UTC.
    pub started: Option<Started>,
    /// When the capsule was swallowed, s since the recording began.
    pub swallowed_s: Option<f64>,
    /// Everything about the examination but the recording.
    pub setup: Setup,
    /// Where the recording is being written, or will be.
    pub recording: PathBuf,
}

/// Reads the description of a study from a `study.toml` or the folder that holds it; its recording need not be there yet.
///
/// # Errors
///
/// The first fault met, with its place.
pub fn read_live_study(path: &Path) -> Result<LiveStudy, StudyError> {
    let is_folder = fs::metadata(path).is_ok_and(|metadata| metadata.is_dir());
    let file = if is_folder {
        path.join(FILE_NAME)
    } else {
        path.to_owned()
    };
    let text = read_text(&file, "the description of a study", LARGEST_TOML)?;
    let toml = TomlStudy::parse(&file, &text)?;
    let description = describe(&toml)?;
    Ok(LiveStudy {
        recording: file.with_file_name("").join(toml.recording()?),
        id: description.id,
        started: description.started,
        swallowed_s: description.swallowed_s,
        setup: description.setup,
    })
}

/// One instant as it came.
#[derive(Debug, Clone, PartialEq)]
pub struct LiveRow {
    /// Seconds since the recording began.
    pub time_s: f64,
    /// One level a site, in the layout's order, dBm; NaN where no packet came.
    pub rssi_dbm: Vec<f32>,
}

/// Reads the lines of a recording one by one, as strictly as a whole one is read.
#[derive(Debug)]
pub struct LiveRows {
    file: PathBuf,
    sites: Vec<String>,
    columns: Columns,
    previous_s: Option<f64>,
}

impl LiveRows {
    /// From the first line, the header; `file` is what messages name, and the columns must be the sites of the layout.
    ///
    /// # Errors
    ///
    /// What is wrong with the header, at its place.
    pub fn new(file: &Path, layout: &Layout, header: &str) -> Result<Self, StudyError> {
        let at = |(offset, fault)| StudyError::new(Place::in_text(file, header.as_bytes(), offset), fault);
        let mut row = Vec::new();
        if !Rows::new(header).next_into(&mut row).map_err(at)? {
            let expected = "time_s and the names of the sites".to_owned();
            return Err(at((0, Fault::NoHeader { expected })));
        }
        Ok(Self {
            columns: match_header(&row, layout).map_err(at)?,
            sites: layout.names(),
            file: file.to_owned(),
            previous_s: None,
        })
    }

    /// Reads one line; `None` where nothing stands in it. A line that is refused leaves what comes after it untouched.
    ///
    /// # Errors
    ///
    /// What is wrong with it; the place's line is `line`, which counts from 1.
    pub fn row(&mut self, line: usize, text: &str) -> Result<Option<LiveRow>, StudyError> {
        let at = |(offset, fault)| {
            let column = text.get(..offset).map_or(1, |before| before.chars().count() + 1);
            let file = self.file.clone();
            StudyError::new(Place::Text { file, line, column }, fault)
        };
        let mut row = Vec::new();
        if !Rows::new(text).next_into(&mut row).map_err(at)? {
            return Ok(None);
        }
        if row.len() != self.columns.all {
            return Err(at(row_length(&row, self.columns.all)));
        }
        let time_s = time_after(&row[0], self.previous_s).map_err(at)?;
        let levels = self.columns.sites.iter().zip(&self.sites);
        let rssi_dbm = levels
            .map(|(&column, site)| level(&row[column], site))
            .collect::<Result<_, _>>();
        let rssi_dbm = rssi_dbm.map_err(at)?;
        self.previous_s = Some(time_s);
        Ok(Some(LiveRow { time_s, rssi_dbm }))
    }
}

#[cfg(test)]
mod tests {
    use alvine::Torso;

    use super::*;

    const HEADER: &str = "time_s,right-hypochondriac,epigastric,left-hypochondriac,right-lumbar,left-lumbar,right-iliac,\
                          hypogastric,left-iliac,aux_note\n";

    fn rows() -> LiveRows {
        let layout = Layout::default_eight(&Torso::new(330.0, 230.0).unwrap());
        LiveRows::new(Path::new("live.csv"), &layout, HEADER).unwrap()
    }

    #[test]
    fn rows_are_read_one_by_one_with_what_is_missing_in_them() {
        let mut rows = rows();
        let row = rows
            .row(2, "0.5,-60,,-70.5,-1,-2,-3,-4,-5,\"a, b\"\r\n")
            .unwrap()
            .unwrap();
        assert_eq!((row.time_s, row.rssi_dbm[0], row.rssi_dbm[2]), (0.5, -60.0, -70.5));
        assert!(row.rssi_dbm[1].is_nan());
        assert_eq!(rows.row(3, "\n").unwrap(), None);
    }

    #[test]
    fn a_line_that_is_refused_has_its_place_and_leaves_the_next_as_it_is() {
        let mut rows = rows();
        rows.row(2, "1,-60,-60,-60,-60,-60,-60,-60,-60,\n").unwrap();
        for (line, fault) in [
            (
                "2,-60,x,-60,-60,-60,-60,-60,-60,\n",
                "live.csv:7:7: epigastric is \"x\"",
            ),
            ("2,-60\n", "live.csv:7:3: found 2 cells in this row; expected 10"),
            (
                "1,-60,-60,-60,-60,-60,-60,-60,-60,\n",
                "live.csv:7:1: time_s is 1; expected more than 1",
            ),
        ] {
            let error = rows.row(7, line).unwrap_err().to_string();
            assert!(error.starts_with(fault), "{error}");
        }
        assert!(rows.row(8, "2,-60,-60,-60,-60,-60,-60,-60,-60,\n").unwrap().is_some());
    }

    #[test]
    fn a_header_of_another_layout_is_refused() {
        let layout = Layout::default_eight(&Torso::new(330.0, 230.0).unwrap());
        let error = LiveRows::new(Path::new("live.csv"), &layout, "time_s,epigastric\n").unwrap_err();
        assert!(
            error.to_string().starts_with("live.csv:1:1: found no column"),
            "{error}"
        );
    }
}
