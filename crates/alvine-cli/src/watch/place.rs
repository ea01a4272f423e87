//! Where the capsule is likely to be: the streaming twin of the trajectory, row by row.
//!
//! It is drawn towards the gut as a whole, and not towards the part in which the capsule seems to be: the phases are told from this
//! track, and would hear their own echo.

use alvine::trajectory::StreamingError;
use alvine::{Setup, StreamingOptions, StreamingTrajectory, Track, TrackPoint};
use alvine_study::LiveRow;
use alvine_transit::usual_gut;

/// From one point of the track that is kept to the next, s: the distance of the trajectory's knots.
const KEPT_EVERY_S: f64 = 8.0;
/// No more points are kept: two days.
const MOST_POINTS: usize = 21_600;

/// The place now, and the track so far.
#[derive(Debug)]
pub struct Place<'a> {
    setup: &'a Setup,
    stream: StreamingTrajectory,
    now: Option<TrackPoint>,
    track: Vec<TrackPoint>,
    expected_dbm: Vec<f64>,
}

impl<'a> Place<'a> {
    pub fn new(setup: &'a Setup) -> Result<Self, StreamingError> {
        let mut stream = StreamingTrajectory::new(setup.clone(), StreamingOptions::default())?;
        stream.set_place(usual_gut(&setup.torso));
        Ok(Self {
            setup,
            stream,
            now: None,
            track: Vec::new(),
            expected_dbm: Vec::new(),
        })
    }

    /// Takes the next instant.
    pub fn step(&mut self, row: &LiveRow) {
        // Rows were checked when they were read; one that is refused all the same says nothing about the place.
        let Ok(live) = self.stream.take(row.time_s, &row.rssi_dbm) else {
            return;
        };
        for point in live.lagged {
            let is_due = self
                .track
                .last()
                .is_none_or(|last| point.time_s - last.time_s >= KEPT_EVERY_S);
            if is_due && self.track.len() < MOST_POINTS {
                self.track.push(point);
            }
        }
        self.now = live.now;
        self.expected_dbm.clear();
        if let Some(now) = &self.now {
            let sites = 0..self.setup.layout.len();
            self.expected_dbm
                .extend(sites.map(|site| self.setup.median_dbm(&now.position_mm, site)));
        }
    }

    /// Where, mm.
    pub fn place_mm(&self) -> Option<[f64; 3]> {
        self.now
            .as_ref()
            .map(|now| [now.position_mm.x, now.position_mm.y, now.position_mm.z])
    }

    /// Root-mean-square error of that in space, mm.
    pub fn spread_mm(&self) -> Option<f64> {
        self.now.as_ref().map(|now| now.covariance_mm2.trace().sqrt())
    }

    /// The levels that are expected of a capsule there, dBm; `None` where no place is known.
    pub fn expected_dbm(&self) -> Option<&[f64]> {
        (!self.expected_dbm.is_empty()).then_some(&self.expected_dbm)
    }

    /// The track so far, a lag behind.
    pub fn track(&self) -> Track {
        Track {
            points: self.track.clone(),
        }
    }
}
