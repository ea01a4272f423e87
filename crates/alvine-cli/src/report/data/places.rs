//! The track thinned for the page: one of its own points a span, never a mean of several, and how far the rest lies from it.

use alvine::{Recording, Track, TrackPoint};

use super::spans::Spans;

/// No more places than this and one: 12 h in steps of 4 s, finer than the knots of the trajectory.
const MOST_PLACES: usize = 10_800;

/// A thinned track.
#[derive(Debug, Clone)]
pub struct Places<'a> {
    /// The spans of time.
    pub spans: Spans,
    /// The point nearest to each span's middle; `None` where the track says nothing.
    pub points: Vec<Option<&'a TrackPoint>>,
    /// Flags of every point of each span together, as bits.
    pub flags: Vec<u16>,
    /// No point of the track lies further than this from the thinned one at its time, mm.
    pub departure_mm: f64,
}

impl<'a> Places<'a> {
    /// Thins a track of a recording.
    pub fn of(recording: &Recording, track: &'a Track) -> Self {
        let spans = Spans::of(recording, MOST_PLACES);
        let mut points: Vec<Option<&TrackPoint>> = vec![None; spans.count()];
        let mut flags = vec![0; spans.count()];
        for point in &track.points {
            let span = spans.at(point.time_s);
            let off_s = |point: &TrackPoint| (point.time_s - spans.middle_s(span)).abs();
            flags[span] |= point.flags.bits();
            if points[span].is_none_or(|kept| off_s(point) < off_s(kept)) {
                points[span] = Some(point);
            }
        }
        let departure_mm = departure_mm(&spans, &points, track);
        Self {
            spans,
            points,
            flags,
            departure_mm,
        }
    }
}

/// The greatest distance from a point of the track to the thinned track at its time, mm. Between two kept points the page
/// goes straight; next to a gap it stays where it is.
fn departure_mm(spans: &Spans, points: &[Option<&TrackPoint>], track: &Track) -> f64 {
    let apart_mm = |point: &TrackPoint| {
        let span = spans.at(point.time_s);
        let later = (point.time_s >= spans.middle_s(span)) && span + 1 < points.len();
        let (before, after) = if later || span == 0 {
            (span, span + 1)
        } else {
            (span - 1, span)
        };
        let here = points.get(before).copied().flatten();
        let next = points.get(after).copied().flatten();
        let place_mm = match (here, next) {
            (Some(here), Some(next)) => {
                let share = (point.time_s - spans.middle_s(before)) / spans.width_s();
                here.position_mm + (next.position_mm - here.position_mm) * share.clamp(0.0, 1.0)
            }
            (Some(only), None) | (None, Some(only)) => only.position_mm,
            (None, None) => return 0.0,
        };
        (place_mm - point.position_mm).norm()
    };
    track.points.iter().map(apart_mm).fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::{Flags, Position};
    use nalgebra::Matrix3;
    use ndarray::Array2;

    fn track(places_mm: impl Iterator<Item = (f64, Position)>) -> (Recording, Track) {
        let points: Vec<TrackPoint> = places_mm
            .enumerate()
            .map(|(instant, (time_s, position_mm))| TrackPoint {
                instant,
                time_s,
                position_mm,
                covariance_mm2: Matrix3::identity(),
                sites_used: 8,
                flags: if instant == 7 { Flags::EDGE } else { Flags::NONE },
            })
            .collect();
        let time_s: Vec<f64> = points.iter().map(|point| point.time_s).collect();
        let rssi_dbm = Array2::from_elem((points.len(), 4), -70.0);
        (Recording::new(time_s, rssi_dbm).unwrap(), Track { points })
    }

    #[test]
    fn the_departure_is_that_of_the_furthest_point() {
        // 50 000 instants give spans of five; a single excursion of 9 mm falls between two middles.
        let off_mm = |k: u32| if k == 20_002 { 9.0 } else { 0.0 };
        let (recording, track) = track((0..50_000).map(|k| (f64::from(k), Position::new(0.0, off_mm(k), 0.0))));
        let places = Places::of(&recording, &track);
        assert_eq!(places.spans.width_s(), 5.0);
        assert!((places.departure_mm - 9.0).abs() < 1e-9, "{}", places.departure_mm);
    }

    #[test]
    fn points_are_the_tracks_own_and_flags_are_those_of_all_of_the_span() {
        let (recording, track) = track((0..=50_000).map(|k| (f64::from(k), Position::new(f64::from(k), 0.0, 0.0))));
        let places = Places::of(&recording, &track);
        for (k, point) in places.points.iter().enumerate() {
            assert_eq!(point.unwrap().time_s, places.spans.middle_s(k));
        }
        assert_eq!(places.flags[1], Flags::EDGE.bits());
        assert_eq!(places.flags[2], 0);
    }

    #[test]
    fn a_straight_walk_departs_nowhere_and_a_gap_stays_a_gap() {
        let steps = (0..50_000).filter(|k| !(10_000..20_000).contains(k));
        let (recording, track) = track(steps.map(|k| (f64::from(k), Position::new(0.001 * f64::from(k), 0.0, 0.0))));
        let places = Places::of(&recording, &track);
        assert!(places.points[3000].is_none() && places.points[1000].is_some());
        assert!(places.departure_mm < 0.01, "{}", places.departure_mm);
    }
}
