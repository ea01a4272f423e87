//! Where the capsule is likely to be: the streaming twin of the trajectory, row by row.
//!
//! It is drawn towards the gut as a whole, and not towards the part in which the capsule seems to be: the phases are told from this
//! track, and would hear their own echo.

use alvine::trajectory::StreamingError;
use alvine::{Setup, StreamingOptions, StreamingTrajectory, TrackPoint};
use alvine_study::LiveRow;
use alvine_transit::Prior;

/// What the stream told at one row.
#[derive(Debug, Default)]
pub struct Told {
    /// The place now, where it is known.
    pub now: Option<TrackPoint>,
    /// The last word on earlier rows.
    pub lagged: Vec<TrackPoint>,
}

/// The place now.
#[derive(Debug)]
pub struct Place<'a> {
    setup: &'a Setup,
    stream: StreamingTrajectory,
    told: Told,
    expected_dbm: Vec<f64>,
}

impl<'a> Place<'a> {
    pub fn new(setup: &'a Setup, prior: &Prior) -> Result<Self, StreamingError> {
        let mut stream = StreamingTrajectory::new(setup.clone(), StreamingOptions::default())?;
        stream.set_place(prior.usual_gut(&setup.torso));
        Ok(Self {
            setup,
            stream,
            told: Told::default(),
            expected_dbm: Vec::new(),
        })
    }

    /// Takes the next instant.
    pub fn step(&mut self, row: &LiveRow) {
        // Rows were checked when they were read; one that is refused all the same says nothing about the place.
        let Ok(live) = self.stream.take(row.time_s, &row.rssi_dbm) else {
            self.told.lagged.clear();
            return;
        };
        self.told = Told {
            now: live.now,
            lagged: live.lagged,
        };
        self.expected_dbm.clear();
        if let Some(now) = &self.told.now {
            let sites = 0..self.setup.layout.len();
            self.expected_dbm
                .extend(sites.map(|site| self.setup.median_dbm(&now.position_mm, site)));
        }
    }

    /// Where, mm.
    pub fn place_mm(&self) -> Option<[f64; 3]> {
        self.told
            .now
            .as_ref()
            .map(|now| [now.position_mm.x, now.position_mm.y, now.position_mm.z])
    }

    /// Root-mean-square error of that in space, mm.
    pub fn spread_mm(&self) -> Option<f64> {
        self.told.now.as_ref().map(|now| now.covariance_mm2.trace().sqrt())
    }

    /// The levels that are expected of a capsule there, dBm; `None` where no place is known.
    pub fn expected_dbm(&self) -> Option<&[f64]> {
        (!self.expected_dbm.is_empty()).then_some(&self.expected_dbm)
    }

    /// What the stream told at the last row.
    pub fn told(&self) -> &Told {
        &self.told
    }
}
