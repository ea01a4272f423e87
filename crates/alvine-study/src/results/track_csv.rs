//! `track.csv`: one row an instant that has a place.

use std::fs;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use alvine::{Flags, Track, TrackPoint};
use nalgebra::Matrix3;

use crate::delimited::{Cell, Located};
use crate::description::position;
use crate::fault::{Fault, Place, StudyError, quoted};
use crate::recording_csv::read_text;
use crate::truth::{cells, needed, open_table};

const COLUMNS: [&str; 12] = [
    "time_s",
    "x_mm",
    "y_mm",
    "z_mm",
    "xx_mm2",
    "xy_mm2",
    "xz_mm2",
    "yy_mm2",
    "yz_mm2",
    "zz_mm2",
    "sites_used",
    "flags",
];

/// The six entries of a covariance in the order of the columns.
pub(crate) fn upper(covariance: &Matrix3<f64>) -> [f64; 6] {
    [
        covariance[(0, 0)],
        covariance[(0, 1)],
        covariance[(0, 2)],
        covariance[(1, 1)],
        covariance[(1, 2)],
        covariance[(2, 2)],
    ]
}

/// The covariance of six entries.
pub(crate) fn symmetric([xx, xy, xz, yy, yz, zz]: [f64; 6]) -> Matrix3<f64> {
    Matrix3::new(xx, xy, xz, xy, yy, yz, xz, yz, zz)
}

/// Writes a track: time as short as it reads back, places to 0.001 mm, covariances to at least four digits.
///
/// The file is written in place: give a path from [`crate::Staging::path`] to have it whole or not at all.
///
/// # Errors
///
/// When the file cannot be written.
pub fn write_track_csv(track: &Track, to: &Path) -> Result<(), StudyError> {
    let failed = |error| StudyError::io(to, "written", error);
    let mut out = BufWriter::with_capacity(1 << 16, fs::File::create(to).map_err(failed)?);
    stream_track_csv(track, &mut out)
        .and_then(|()| out.flush())
        .map_err(failed)
}

/// Writes a track as [`write_track_csv`] does, to whatever takes bytes, row by row.
///
/// # Errors
///
/// When `out` takes no more.
pub fn stream_track_csv(track: &Track, out: &mut dyn Write) -> io::Result<()> {
    use std::fmt::Write as _;
    let mut line = COLUMNS.join(",");
    for point in &track.points {
        line.push('\n');
        out.write_all(line.as_bytes())?;
        line.clear();
        let _ = write!(line, "{}", point.time_s);
        for coordinate_mm in point.position_mm.iter() {
            line.push(',');
            push_thousandths(&mut line, *coordinate_mm);
        }
        for entry_mm2 in upper(&point.covariance_mm2) {
            line.push(',');
            push_mm2(&mut line, entry_mm2);
        }
        let _ = write!(line, ",{},{}", point.sites_used, point.flags);
    }
    line.push('\n');
    out.write_all(line.as_bytes())
}

/// A covariance: to 0.001 mm² from 1 mm² up, to five digits below.
fn push_mm2(line: &mut String, value: f64) {
    use std::fmt::Write as _;
    if value == 0.0 || value.abs() >= 1.0 {
        push_thousandths(line, value);
    } else {
        let _ = write!(line, "{value:.4e}");
    }
}

/// A number with three decimals; four times as fast as the formatting of the standard library.
fn push_thousandths(line: &mut String, value: f64) {
    use std::fmt::Write as _;
    /// Beyond this, thousandths are not exact in 64-bit floating point.
    const MOST: f64 = 1e12;
    if value.is_nan() || value.abs() >= MOST {
        let _ = write!(line, "{value}");
        return;
    }
    let thousandths = (value.abs() * 1000.0).round() as u64;
    if value < 0.0 && thousandths > 0 {
        line.push('-');
    }
    push_integer(line, thousandths / 1000, 1);
    line.push('.');
    push_integer(line, thousandths % 1000, 3);
}

/// An integer with at least so many digits.
fn push_integer(line: &mut String, mut value: u64, least: usize) {
    let mut digits = [b'0'; 20];
    let mut at = digits.len();
    while value > 0 || digits.len() - at < least {
        at -= 1;
        digits[at] = b'0' + (value % 10) as u8;
        value /= 10;
    }
    line.extend(digits[at..].iter().map(|&digit| char::from(digit)));
}

/// Reads a track; instants are counted from 0 by row, as the file does not hold them.
///
/// # Errors
///
/// A [`StudyError`] with the place of the first fault.
pub fn read_track_csv(from: &Path) -> Result<Track, StudyError> {
    const LARGEST_FILE: u64 = 16 << 30;
    let text = read_text(from, "track.csv, as the report writes it", LARGEST_FILE)?;
    let points = parse(&text);
    let points =
        points.map_err(|(offset, fault)| StudyError::new(Place::in_text(from, text.as_bytes(), offset), fault))?;
    Ok(Track { points })
}

fn parse(text: &str) -> Result<Vec<TrackPoint>, Located> {
    let mut rows = open_table(text, &COLUMNS)?;
    let mut row = Vec::new();
    let mut points: Vec<TrackPoint> = Vec::new();
    while rows.next_into(&mut row)? {
        let cells: &[Cell<'_>; 12] = cells(&row)?;
        let mut numbers = [0.0; 10];
        for ((number, cell), column) in numbers.iter_mut().zip(cells).zip(COLUMNS) {
            *number = needed(cell, column)?;
        }
        let [time_s, x_mm, y_mm, z_mm, xx, xy, xz, yy, yz, zz] = numbers;
        if let Some(previous_s) = points.last().map(|point| point.time_s)
            && time_s <= previous_s
        {
            return Err((cells[0].offset, Fault::TimeNotIncreasing { previous_s, time_s }));
        }
        points.push(TrackPoint {
            instant: points.len(),
            time_s,
            position_mm: position([x_mm, y_mm, z_mm]),
            covariance_mm2: symmetric([xx, xy, xz, yy, yz, zz]),
            sites_used: sites_used(&cells[10])?,
            flags: flags(&cells[11])?,
        });
    }
    Ok(points)
}

fn sites_used(cell: &Cell<'_>) -> Result<u16, Located> {
    cell.text
        .parse()
        .map_err(|_| (cell.offset, wrong("sites_used", &cell.text, "a count of sites")))
}

fn flags(cell: &Cell<'_>) -> Result<Flags, Located> {
    let mut flags = Flags::NONE;
    for name in cell.text.split_whitespace() {
        let known = Flags::NAMED.iter().find(|(_, known)| *known == name);
        let Some((flag, _)) = known else {
            let names: Vec<&str> = Flags::NAMED.iter().map(|(_, name)| *name).collect();
            let expected = format!("names out of {}", names.join(", "));
            return Err((cell.offset, wrong("flags", name, &expected)));
        };
        flags |= *flag;
    }
    Ok(flags)
}

fn wrong(what: &str, found: &str, expected: &str) -> Fault {
    Fault::WrongValue {
        what: what.to_owned(),
        found: quoted(found),
        expected: expected.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_track_reads_back_within_its_decimals() {
        let points = (0..5).map(|k| TrackPoint {
            instant: k,
            time_s: k as f64 / 6.0,
            position_mm: position([k as f64 * 1.2345, -0.0004, 100.0]),
            covariance_mm2: symmetric([400.0, -12.34567, 0.012_345_67, 900.0, 0.0, 1e-9]),
            sites_used: 8,
            flags: if k == 2 {
                Flags::EDGE | Flags::FEW_SITES
            } else {
                Flags::NONE
            },
        });
        let track = Track {
            points: points.collect(),
        };
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("track.csv");
        write_track_csv(&track, &file).unwrap();
        let text = fs::read_to_string(&file).unwrap();
        assert_eq!(
            text.lines().nth(3).unwrap(),
            "0.3333333333333333,2.469,0.000,100.000,400.000,-12.346,1.2346e-2,900.000,0.000,1.0000e-9,8,few-sites edge"
        );
        let back = read_track_csv(&file).unwrap();
        for (read, written) in back.points.iter().zip(&track.points) {
            assert_eq!(
                (read.time_s, read.sites_used, read.flags),
                (written.time_s, written.sites_used, written.flags)
            );
            assert!((read.position_mm - written.position_mm).amax() <= 0.0005 + 1e-12);
            assert!((read.covariance_mm2 - written.covariance_mm2).amax() <= 0.0005 + 1e-12);
        }
    }

    #[test]
    fn an_unknown_flag_is_refused_with_its_place() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("track.csv");
        fs::write(&file, format!("{}\n0,1,2,3,1,0,0,1,0,1,8,edgy\n", COLUMNS.join(","))).unwrap();
        let message = read_track_csv(&file).unwrap_err().to_string();
        assert!(
            message.contains("track.csv:2:23: flags is \"edgy\"; expected names out of few-sites"),
            "{message}"
        );
    }

    proptest! {
        #[test]
        fn thousandths_are_those_of_the_standard_library_up_to_ties(value in -1e9..1e9_f64) {
            let mut line = String::new();
            push_thousandths(&mut line, value);
            let read: f64 = line.parse().unwrap();
            prop_assert!((read - value).abs() <= 0.0005 + 1e-6, "{} {}", line, value);
            prop_assert_eq!(line.split('.').nth(1).map(str::len), Some(3));
        }
    }
}
