//! `track.h5`: the track as a trajectory of the CF conventions.
//!
//! Every variable lies in the root group over the one dimension `time`; `trajectory` holds the study's pseudonym. What
//! `track.csv` rounds is kept here in full.

use std::path::Path;

use alvine::{Flags, Track, TrackPoint};

use super::track_csv::{symmetric, upper};
use crate::description::position;
use crate::fault::{Fault, StudyError};
use crate::hdf5_io::{MOST_INSTANTS, Sink, Source, at_most, exactly};
use crate::study::Started;

const TEMPLATE: &[u8] = include_bytes!("../../templates/track.h5");
const COORDINATES: [&str; 3] = ["/x_mm", "/y_mm", "/z_mm"];
const COVARIANCES: [&str; 6] = ["/xx_mm2", "/xy_mm2", "/xz_mm2", "/yy_mm2", "/yz_mm2", "/zz_mm2"];
const EXPECTED: &str = "one number a point of the track";

/// What a track's file says besides the track.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TrackHead {
    /// The study's pseudonym.
    pub study_id: String,
    /// When time 0 was.
    pub started: Option<Started>,
}

/// Writes a track as a trajectory of the CF conventions 1.11.
///
/// The file is written in place: give a path from [`crate::Staging::path`] to have it whole or not at all.
///
/// # Errors
///
/// When the file cannot be written.
pub fn write_track_hdf5(track: &Track, head: &TrackHead, to: &Path) -> Result<(), StudyError> {
    let sink = Sink::create(to, TEMPLATE)?;
    let points = &track.points;
    sink.put_text("/trajectory", &head.study_id)?;
    sink.time_units("/time", head.started.as_ref())?;
    sink.fill("/time", &column(points, |point| point.time_s))?;
    for (axis, path) in COORDINATES.into_iter().enumerate() {
        sink.fill(path, &column(points, |point| point.position_mm[axis]))?;
    }
    for (entry, path) in COVARIANCES.into_iter().enumerate() {
        sink.fill(path, &column(points, |point| upper(&point.covariance_mm2)[entry]))?;
    }
    sink.fill("/sites_used", &column(points, |point| point.sites_used))?;
    sink.fill("/flags", &column(points, |point| point.flags.bits()))?;
    // No recording has more instants than 32 bits count.
    sink.fill(
        "/instant",
        &column(points, |point| u32::try_from(point.instant).unwrap_or(u32::MAX)),
    )?;
    sink.finish()
}

fn column<T>(points: &[TrackPoint], value: impl Fn(&TrackPoint) -> T) -> Vec<T> {
    points.iter().map(value).collect()
}

/// Reads a track.
///
/// # Errors
///
/// A [`StudyError`] with the place of the first fault.
pub fn read_track_hdf5(from: &Path) -> Result<Track, StudyError> {
    let source = Source::open(from)?;
    let (times_s, [length]) = source.numbers::<f64, 1>("/time", EXPECTED, |[length]| {
        at_most("points of the track", length, MOST_INSTANTS)
    })?;
    let floats = |path: &str| {
        let numbers = source.numbers::<f64, 1>(path, EXPECTED, |found| exactly(found, [length]));
        numbers.map(|(numbers, _)| numbers)
    };
    let [x_mm, y_mm, z_mm] = COORDINATES.map(floats);
    let (x_mm, y_mm, z_mm) = (x_mm?, y_mm?, z_mm?);
    let mut covariances_mm2 = Vec::with_capacity(COVARIANCES.len());
    for path in COVARIANCES {
        covariances_mm2.push(floats(path)?);
    }
    let check = |found| exactly(found, [length]);
    let (sites_used, _) = source.numbers::<u16, 1>("/sites_used", EXPECTED, check)?;
    let (flags, _) = source.numbers::<u16, 1>("/flags", EXPECTED, check)?;
    let (instants, _) = source.numbers::<u32, 1>("/instant", EXPECTED, check)?;
    if let Some(k) = (1..length).find(|&k| times_s[k] <= times_s[k - 1]) {
        let fault = Fault::TimeNotIncreasing {
            previous_s: times_s[k - 1],
            time_s: times_s[k],
        };
        return Err(source.at_element("/time", vec![k], fault));
    }
    let points = (0..length).map(|k| TrackPoint {
        instant: instants[k] as usize,
        time_s: times_s[k],
        position_mm: position([x_mm[k], y_mm[k], z_mm[k]]),
        covariance_mm2: symmetric(std::array::from_fn(|entry| covariances_mm2[entry][k])),
        sites_used: sites_used[k],
        flags: Flags::from_bits(flags[k]),
    });
    Ok(Track {
        points: points.collect(),
    })
}
