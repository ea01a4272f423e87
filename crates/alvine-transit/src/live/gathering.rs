//! What is known of a bin that is not final.

use alvine::{Setup, TrackPoint};

use super::row::LiveRow;
use crate::bins::{Bin, Counts, Places};

/// Sums over the rows of a bin.
#[derive(Debug, Clone, Default)]
pub(super) struct Gathered {
    counts: Counts,
    sites: usize,
    /// Of the track's last word, and of the places without lag.
    lagged: Places,
    unlagged: Places,
    /// What each band's windows have said so far.
    pub rhythm: [f64; 4],
}

impl Gathered {
    pub fn take_row(&mut self, setup: &Setup, row: &LiveRow<'_>) {
        self.counts.instants += 1;
        self.counts.heard += setup.receiver.heard_sites(row.levels_dbm) as u32;
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
        Bin {
            heard_share: self.counts.heard_share(self.sites),
            place: self.lagged.mean().or_else(|| self.unlagged.mean()),
            liveliness: None,
        }
    }
}
