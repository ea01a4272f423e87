//! Surveys: what sites read of a transmitter at known places, for calibration; and lists of sites.
//!
//! ```text
//! x_mm,y_mm,z_mm,front,left,back
//! -40,90,20,-71.5,-80,
//! -40,90,20,-72,-79.5,-98
//! ```
//!
//! One row a reading of all sites; rows at one place are repeats. A walk-through has `time_s` before the place, which
//! must increase. Then one column a site, in the layout's order, in dBm; an empty cell means that no packet came, and a
//! level at or below the receiver's floor that nothing usable was heard. Columns that begin with `aux_` are passed
//! over.
//!
//! A list of sites, for a tank or a room that no torso stands for, has the columns `site,x_mm,y_mm,z_mm`.

use std::path::Path;

use alvine::{Layout, LayoutError, Position, Site};
use ndarray::Array2;

use crate::delimited::{Cell, Located, Rows};
use crate::fault::{Fault, Place, StudyError, quoted};
use crate::recording_csv::{header, level, match_columns, read_text, row_length, time_after};
use crate::truth::{cells, needed, open_table};

/// No survey is larger than this, bytes.
const LARGEST: u64 = 1 << 30;
/// No more rows are taken: every pair of them is looked at.
const MOST_ROWS: usize = 20_000;
/// What stands before the sites.
const PLACE: &[&str] = &["x_mm", "y_mm", "z_mm"];
/// And in a walk-through.
const TIME_AND_PLACE: &[&str] = &["time_s", "x_mm", "y_mm", "z_mm"];
/// The columns of a list of sites.
const SITE_LIST: &[&str] = &["site", "x_mm", "y_mm", "z_mm"];

/// What sites read at known places.
#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// Where the transmitter was, one place a row, mm.
    pub places_mm: Vec<Position>,
    /// When, one time a row, s; empty where the survey has none.
    pub time_s: Vec<f64>,
    /// What was read, dBm: rows by sites, NaN where no packet came.
    pub rssi_dbm: Array2<f32>,
    /// The line of the file on which each row begins, from 1.
    pub lines: Vec<usize>,
}

/// Reads a survey whose columns must be the sites of a layout.
///
/// # Errors
///
/// A [`StudyError`] with the place of the first fault.
pub fn read_survey(file: &Path, layout: &Layout) -> Result<Survey, StudyError> {
    let text = read_text(file, "a survey: readings at known places", LARGEST)?;
    parse_survey(&text, layout).map_err(|located| at(file, &text, located))
}

/// Reads a list of sites in a tank or a room.
///
/// # Errors
///
/// As [`read_survey`].
pub fn read_site_list(file: &Path) -> Result<Layout, StudyError> {
    let text = read_text(file, "a list of sites", LARGEST)?;
    parse_sites(&text).map_err(|located| at(file, &text, located))
}

fn at(file: &Path, text: &str, (offset, fault): Located) -> StudyError {
    StudyError::new(Place::in_text(file, text.as_bytes(), offset), fault)
}

fn parse_survey(text: &str, layout: &Layout) -> Result<Survey, Located> {
    let mut rows = Rows::new(text);
    let mut row = Vec::new();
    if !rows.next_into(&mut row)? {
        let expected = header(PLACE, layout);
        return Err((0, Fault::NoHeader { expected }));
    }
    let leading = if row[0].text == "time_s" { TIME_AND_PLACE } else { PLACE };
    let columns = match_columns(&row, leading, layout)?;
    let mut survey = Survey {
        places_mm: Vec::new(),
        time_s: Vec::new(),
        rssi_dbm: Array2::zeros((0, layout.len())),
        lines: Vec::new(),
    };
    let mut levels_dbm = Vec::new();
    let (mut line, mut counted) = (1, 0);
    while rows.next_into(&mut row)? {
        if row.len() != columns.all {
            return Err(row_length(&row, columns.all));
        }
        if survey.lines.len() == MOST_ROWS {
            return Err((row[0].offset, too_many_rows()));
        }
        line += text[counted..row[0].offset].matches('\n').count();
        counted = row[0].offset;
        survey.lines.push(line);
        let mut place = &row[..leading.len()];
        if leading.len() == TIME_AND_PLACE.len() {
            survey.time_s.push(time_after(&row[0], survey.time_s.last().copied())?);
            place = &place[1..];
        }
        survey.places_mm.push(position(place)?);
        for (&column, site) in columns.sites.iter().zip(layout.sites()) {
            levels_dbm.push(level(&row[column], &site.name)?);
        }
    }
    let shape = (survey.lines.len(), layout.len());
    // A row adds one level a site, so that only a survey without rows can fail.
    survey.rssi_dbm = match Array2::from_shape_vec(shape, levels_dbm) {
        Ok(levels_dbm) if shape.0 > 0 => levels_dbm,
        _ => return Err((text.trim_end().len(), Fault::EmptySurvey)),
    };
    Ok(survey)
}

fn too_many_rows() -> Fault {
    Fault::TooLarge {
        what: "rows of a survey",
        found: MOST_ROWS as u64 + 1,
        most: MOST_ROWS as u64,
    }
}

/// A place from its three cells.
fn position(cells: &[Cell<'_>]) -> Result<Position, Located> {
    let mut place_mm = Position::zeros();
    for ((cell, name), coordinate) in cells.iter().zip(PLACE).zip(place_mm.iter_mut()) {
        *coordinate = needed(cell, name)?;
        if coordinate.abs() > Layout::FURTHEST_IN_ROOM_MM {
            let fault = Fault::WrongValue {
                what: (*name).to_owned(),
                found: quoted(&cell.text),
                expected: "−1000000 to 1000000 mm".to_owned(),
            };
            return Err((cell.offset, fault));
        }
    }
    Ok(place_mm)
}

fn parse_sites(text: &str) -> Result<Layout, Located> {
    let mut rows = open_table(text, SITE_LIST)?;
    let (mut row, mut offsets, mut sites) = (Vec::new(), Vec::new(), Vec::new());
    while rows.next_into(&mut row)? {
        let [name, place @ ..]: &[Cell<'_>; 4] = cells(&row)?;
        offsets.push(name.offset);
        sites.push(Site::new(name.text.clone(), position(place)?));
    }
    let names: Vec<String> = sites.iter().map(|site| site.name.clone()).collect();
    Layout::in_room(sites).map_err(|error| {
        let of = |name: &str| names.iter().position(|other| other == name);
        let index = match &error {
            LayoutError::DuplicateName { second, .. } => Some(*second),
            LayoutError::BadName { index, .. } => Some(*index),
            LayoutError::Coincident { second, .. } => of(second),
            LayoutError::ImpossibleValue { name, .. } => of(name),
            _ => None,
        };
        let offset = index.and_then(|index| offsets.get(index).copied()).unwrap_or(0);
        (offset, Fault::Layout { error })
    })
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    const SITES: &str = "site,x_mm,y_mm,z_mm\nfront,0,0,0\nleft,100,80,0\nback,0,200,0\n";

    fn layout() -> Layout {
        parse_sites(SITES).unwrap()
    }

    fn read(text: &str) -> Result<Survey, StudyError> {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("survey.csv");
        fs::write(&file, text).unwrap();
        read_survey(&file, &layout())
    }

    #[test]
    fn places_times_and_levels_are_read_with_their_lines() {
        let survey =
            read("x_mm,y_mm,z_mm,front,aux_note,left,back\n-40,90,2e1,-71.5,\"two\nlines\",-80,\n\n1,2,3,-72,x,,-98\n");
        let survey = survey.unwrap();
        assert_eq!(
            survey.places_mm,
            [Position::new(-40.0, 90.0, 20.0), Position::new(1.0, 2.0, 3.0)]
        );
        assert_eq!(survey.lines, [2, 5]);
        assert!(survey.time_s.is_empty());
        assert_eq!(survey.rssi_dbm[(0, 1)], -80.0);
        assert!(survey.rssi_dbm[(0, 2)].is_nan() && survey.rssi_dbm[(1, 1)].is_nan());
        let walk = read("time_s,x_mm,y_mm,z_mm,front,left,back\n0,1,2,3,-70,-70,-70\n0.5,1,2,3,-70,-70,-70\n").unwrap();
        assert_eq!(walk.time_s, [0.0, 0.5]);
    }

    #[test]
    fn each_fault_of_a_survey_is_told_with_its_line_and_column() {
        let head = "x_mm,y_mm,z_mm,front,left,back\n";
        for (text, expected) in [
            (
                String::new(),
                "survey.csv:1:1: found an empty file; expected the header x_mm,y_mm,z_mm,front,left,back",
            ),
            (head.to_owned(), "survey.csv:1:31: found no rows"),
            (
                format!("{head}1,2,three,-70,-70,-70\n"),
                "survey.csv:2:5: z_mm is \"three\"; expected a finite number",
            ),
            (
                format!("{head}1,,3,-70,-70,-70\n"),
                "survey.csv:2:3: y_mm is \"\"; expected a finite number",
            ),
            (
                format!("{head}1,2,3,-70,-70,-70\n1e9,2,3,-70,-70,-70\n"),
                "survey.csv:3:1: x_mm is \"1e9\"; expected −1000000",
            ),
            (
                format!("{head}1,2,3,-70,-700,-70\n"),
                "survey.csv:2:11: left is \"-700\"; expected a level from −200 to 100 dBm",
            ),
            (
                format!("{head}1,2,3,-70,-70\n"),
                "survey.csv:2:11: found 5 cells in this row; expected 6",
            ),
            (
                "x_mm,z_mm,y_mm,front,left,back\n".to_owned(),
                "survey.csv:1:6: found column \"z_mm\"; expected \"y_mm\"",
            ),
            (
                "x_mm\n".to_owned(),
                "survey.csv:1:1: found column \"x_mm\"; expected \"y_mm\"",
            ),
            (
                "x_mm,y_mm,z_mm,front,lefd,back\n".to_owned(),
                "survey.csv:1:22: column \"lefd\" is no site of the layout",
            ),
            (
                "x_mm,y_mm,z_mm,front,back\n".to_owned(),
                "survey.csv:1:1: found no column \"left\"; expected x_mm,y_mm,z_mm,front",
            ),
            (
                "time_s,x_mm,y_mm,z_mm,front,left,back\n1,1,2,3,-70,-70,-70\n1,1,2,3,-70,-70,-70\n".to_owned(),
                "survey.csv:3:1: time_s is 1; expected more than 1",
            ),
        ] {
            let message = read(&text).unwrap_err().to_string();
            assert!(message.contains(expected), "{expected}: {message}");
        }
    }

    #[test]
    fn each_fault_of_a_list_of_sites_is_told_with_its_place() {
        for (text, line, said) in [
            ("site,x_mm,y_mm,z_mm\na,0,0,0\nb,100,0,0\n", 1, "found 2 sites"),
            ("site,x_mm,y_mm,z_mm\na,0,0,0\nb,100,0,0\na,0,100,0\n", 4, "both named"),
            ("site,x_mm,y_mm,z_mm\na,0,0,0\nb,1,0,0\nc,0,100,0\n", 3, "mm apart"),
            ("site,x_mm,y_mm,z_mm\na,0,0,0\n,1,0,0\nc,0,100,0\n", 3, "needs a name"),
            ("site,x_mm,y_mm\n", 1, "cells"),
        ] {
            let (offset, fault) = parse_sites(text).unwrap_err();
            let place = Place::in_text(Path::new("s.csv"), text.as_bytes(), offset).to_string();
            assert!(place.starts_with(&format!("s.csv:{line}:")), "{place}: {fault}");
            assert!(fault.to_string().contains(said), "{fault}");
        }
        assert_eq!(layout().names(), ["front", "left", "back"]);
    }
}
