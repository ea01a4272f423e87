//! What is known of a bin that is not final.

use alvine::{Position, Setup, TrackPoint};
use nalgebra::Matrix3;

use super::row::{LiveRow, heard_sites};
use crate::bins::Bin;

/// Sums over the rows of a bin.
#[derive(Debug, Clone, Default)]
pub(super) struct Gathered {
    instants: u32,
    heard: u32,
    sites: usize,
    /// Of the track's last word, and of the places without lag.
    lagged: Places,
    unlagged: Places,
    /// What each band's windows have said so far.
    pub rhythm: [f64; 4],
}

#[derive(Debug, Clone, Copy)]
struct Places {
    count: f64,
    position_mm: Position,
    covariance_mm2: Matrix3<f64>,
}

impl Default for Places {
    fn default() -> Self {
        Self {
            count: 0.0,
            position_mm: Position::zeros(),
            covariance_mm2: Matrix3::zeros(),
        }
    }
}

impl Places {
    fn take(&mut self, point: &TrackPoint) {
        self.count += 1.0;
        self.position_mm += point.position_mm;
        self.covariance_mm2 += point.covariance_mm2;
    }

    fn mean(&self) -> Option<(Position, Matrix3<f64>)> {
        (self.count > 0.0).then(|| (self.position_mm / self.count, self.covariance_mm2 / self.count))
    }
}

impl Gathered {
    pub fn take_row(&mut self, setup: &Setup, row: &LiveRow<'_>) {
        self.instants += 1;
        self.heard += heard_sites(setup, row) as u32;
        self.sites = row.levels_dbm.len();
        if let Some(point) = row.now {
            self.unlagged.take(point);
        }
    }

    pub fn take_lagged(&mut self, point: &TrackPoint) {
        self.lagged.take(point);
    }

    /// As a bin of the batch, with the track's last word where it has been said.
    pub fn bin(&self) -> Bin {
        let readings = f64::from(self.instants) * self.sites as f64;
        Bin {
            heard_share: (self.instants > 0).then(|| f64::from(self.heard) / readings),
            place: self.lagged.mean().or_else(|| self.unlagged.mean()),
            liveliness: None,
        }
    }
}
