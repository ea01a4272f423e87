//! Whether a recording contradicts the law that its study states.
//!
//! A track is drawn through what was heard by the law, the power and the spreads that a study states. Where these are
//! far from the truth there is a track too, and its covariance says what the stated spreads say. What gives it away is
//! how far the readings lie from what the law says of them along the track:
//!
//! ```text
//! m² = Σ (z − μ)² / N,   s² = shadowing² + noise² + step²/12,   r = m / s
//! z dBm read, μ dBm said by the law at the track's place; of a reading below the floor, by how much μ lies above it
//! ```
//!
//! On 60 simulated studies whose law was right, or as wrong as a body on a belt makes it, r was 0.68 to 1.37 (20 each
//! of `matched`, `usual` and `realistic`: `cargo test -p alvine-tests --test told_law -- --ignored --nocapture`). A
//! power or a loss that is wrong by much more than the level's own spread raises it, since a path can follow no such
//! level.
//!
//! # What follows
//!
//! From [`ToldLaw::CONTRADICTED`] on the recording contradicts the law, and covariances are multiplied by r²: the ratio
//! of Birge, as if spreads had been stated r times larger. That widens; it does not put right. (R. T. Birge, *The
//! calculation of errors by the method of least squares*, Phys. Rev. 40 (1932), from memory.)
//!
//! The intervals of landmarks are not widened. Their times rest on places, on the rhythm of the signal and on how many sites hear; a wrong
//! law moves the first, leaves the second as it is, and what it does to the third depends on the floor. No one factor is right for the sum,
//! and none was measured. Results say in a caution that these times are not to be trusted.

use crate::recording::{Reading, Recording};
use crate::setup::Setup;
use crate::track::Track;

/// How the readings along a track compare with the law that was stated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToldLaw {
    /// Root-mean-square distance of readings from the law along the track, dB.
    pub missed_db: f64,
    /// The spread of a reading that was stated, shadowing and noise together, dB.
    pub stated_db: f64,
}

impl ToldLaw {
    /// From this ratio on a recording contradicts its law: above all that were met where it does not (common practice,
    /// no source).
    pub const CONTRADICTED: f64 = 1.6;

    /// Compares a recording with the law along a track; `None` where the track has no reading.
    ///
    /// With the level unknown, what all readings lie off in common is no fault of the law.
    #[must_use]
    pub fn of(setup: &Setup, recording: &Recording, track: &Track, level_unknown: bool) -> Option<Self> {
        let (mut count, mut sum, mut squares) = (0.0_f64, 0.0, 0.0);
        for point in track.points.iter().filter(|point| point.instant < recording.len()) {
            for (site, &level_dbm) in recording.row(point.instant).iter().enumerate() {
                let median_dbm = setup.median_dbm(&point.position_mm, site);
                let off_db = match setup.receiver.read(level_dbm) {
                    Reading::Heard(dbm) => dbm - median_dbm,
                    Reading::BelowFloor(dbm) => (dbm - median_dbm).min(0.0),
                    Reading::Saturated(dbm) => (dbm - median_dbm).max(0.0),
                    Reading::Missing => continue,
                };
                count += 1.0;
                sum += off_db;
                squares += off_db * off_db;
            }
        }
        let common_db = if level_unknown { sum / count } else { 0.0 };
        let missed_db = (squares / count - common_db * common_db).max(0.0).sqrt();
        let stated_db = setup.noise.total_db(setup.receiver.step_db());
        (count > 0.0).then_some(Self { missed_db, stated_db })
    }

    /// How many times further than stated the readings lie from the law.
    #[must_use]
    pub fn ratio(&self) -> f64 {
        self.missed_db / self.stated_db
    }

    /// Whether the recording contradicts the law.
    #[must_use]
    pub fn is_contradicted(&self) -> bool {
        self.ratio() >= Self::CONTRADICTED
    }

    /// Widens a track's covariances where the law is contradicted.
    pub fn widen(&self, track: &mut Track) {
        if self.is_contradicted() {
            for point in &mut track.points {
                point.covariance_mm2 *= self.ratio().powi(2);
            }
        }
    }
}
