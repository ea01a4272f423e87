//! Bins: the recording and its track, condensed to a few seconds each.
//!
//! A bin carries what the evidence needs: how many sites heard, where the capsule was, and its *liveliness*, the change of
//! the signal that is not common to all sites:
//!
//! ```text
//! l = { Σᵢ (Δᵢ − Δ̄)² / (n − 1) − v }^½,   Δᵢ = mean of site i over the minute after − over the minute before
//! v variance of Δᵢ from sample noise alone, which is taken off
//! ```
//!
//! A change common to all sites is the capsule turning, or its battery; what differs between sites is it moving.

use alvine::{Position, Reading, Recording, Setup, Track, TrackPoint, median};
use nalgebra::Matrix3;

/// One bin.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Bin {
    /// Mean share of sites that heard, over the instants; `None` where there was no instant.
    pub heard_share: Option<f64>,
    /// Mean place and covariance over the bin's track points, mm and mm².
    pub place: Option<(Position, Matrix3<f64>)>,
    /// Liveliness, dB a minute.
    pub liveliness: Option<f64>,
}

/// One site's heard levels in one bin.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Level {
    /// How many.
    pub count: u32,
    /// Their mean, each pulled back to within a reach of the median, dBm.
    pub mean_dbm: f64,
    /// How many were at or below the floor.
    pub below: u32,
}

/// The bins of a recording between two times.
#[derive(Debug, Clone)]
pub(crate) struct Bins {
    pub start_s: f64,
    pub width_s: f64,
    pub bins: Vec<Bin>,
    /// Number of sites.
    pub sites: usize,
    /// What each site heard: bins × sites.
    pub levels: Vec<Level>,
}

/// No bin is shorter than this, s.
const LEAST_WIDTH_S: f64 = 10.0;
/// A bin holds this many instants at least, where the recording is slow.
const FEWEST_INSTANTS: f64 = 2.0;
/// Levels further than this many spreads of the noise from the median of their bin are pulled back to there: interference.
const CLIP_SPREADS: f64 = 2.5;
/// Span on either side over which a site's level is averaged for its liveliness, s.
const SIDE_S: f64 = 60.0;
/// The least liveliness that is told from none, dB a minute.
pub(crate) const LEAST_LIVELINESS_DB: f64 = 0.1;

/// The width of a bin, s, for instants so far apart.
pub(crate) fn width_s(median_step_s: Option<f64>) -> f64 {
    (FEWEST_INSTANTS * median_step_s.unwrap_or(LEAST_WIDTH_S)).max(LEAST_WIDTH_S)
}

impl Bins {
    /// Condenses the recording from its first instant to `until_s`; places come by [`Bins::take_places`].
    pub fn new(setup: &Setup, recording: &Recording, until_s: f64) -> Self {
        let start_s = recording.time_s()[0];
        let width_s = width_s(recording.median_step_s());
        let length_s = (until_s - start_s).max(width_s);
        let count = ((length_s / width_s).ceil() as usize).max(1);
        let sites = recording.sites();
        let mut made = Self {
            start_s,
            width_s,
            bins: vec![Bin::default(); count],
            sites,
            levels: vec![Level::default(); count * sites],
        };
        made.take_readings(setup, recording, until_s);
        made.take_liveliness(setup);
        made
    }

    /// The bin of a time, if it lies within.
    pub fn index(&self, time_s: f64) -> Option<usize> {
        let index = ((time_s - self.start_s) / self.width_s).floor();
        (index >= 0.0 && (index as usize) < self.bins.len()).then_some(index as usize)
    }

    /// The time at which a bin begins, s.
    pub fn begin_s(&self, bin: usize) -> f64 {
        self.start_s + bin as f64 * self.width_s
    }

    fn take_readings(&mut self, setup: &Setup, recording: &Recording, until_s: f64) {
        let reach_db = CLIP_SPREADS * setup.noise.sample_db(setup.receiver.step_db());
        let mut gathering: Vec<Vec<f64>> = vec![Vec::new(); self.sites];
        let mut counts = Counts::default();
        let mut current = 0;
        for (instant, &time_s) in recording.time_s().iter().enumerate() {
            if time_s > until_s {
                break;
            }
            let Some(bin) = self.index(time_s) else { continue };
            if bin != current {
                self.close(current, &mut counts, &mut gathering, reach_db);
                current = bin;
            }
            counts.instants += 1;
            for (site, &level) in recording.row(instant).iter().enumerate() {
                match setup.receiver.read(level) {
                    Reading::Heard(dbm) => {
                        counts.heard += 1;
                        gathering[site].push(dbm);
                    }
                    Reading::Saturated(dbm) => {
                        counts.heard += 1;
                        gathering[site].push(dbm);
                    }
                    Reading::BelowFloor(_) => self.levels[bin * self.sites + site].below += 1,
                    Reading::Missing => {}
                }
            }
        }
        self.close(current, &mut counts, &mut gathering, reach_db);
    }

    /// Condenses what was gathered of a bin.
    fn close(&mut self, bin: usize, counts: &mut Counts, gathering: &mut [Vec<f64>], reach_db: f64) {
        self.bins[bin].heard_share = counts.heard_share(self.sites);
        *counts = Counts::default();
        for (site, levels) in gathering.iter_mut().enumerate() {
            let level = &mut self.levels[bin * self.sites + site];
            level.count = levels.len() as u32;
            level.mean_dbm = clipped_mean(levels, reach_db);
            levels.clear();
        }
    }

    /// Takes a track's places in the stead of those that were there.
    pub fn take_places(&mut self, track: &Track) {
        let mut places = vec![Places::default(); self.bins.len()];
        for point in &track.points {
            if let Some(bin) = self.index(point.time_s) {
                places[bin].take(point);
            }
        }
        for (bin, places) in self.bins.iter_mut().zip(places) {
            bin.place = places.mean();
        }
    }

    fn take_liveliness(&mut self, setup: &Setup) {
        let side = ((SIDE_S / self.width_s).round() as usize).max(1);
        let noise_db = setup.noise.sample_db(setup.receiver.step_db());
        for bin in 0..self.bins.len() {
            self.bins[bin].liveliness = self.liveliness_db(bin, side, noise_db);
        }
    }

    /// Mean level and number of readings of a site over some bins.
    fn mean(&self, bins: std::ops::Range<usize>, site: usize) -> Option<(f64, f64)> {
        const FEWEST: u32 = 5;
        let (mut sum, mut count) = (0.0, 0);
        for bin in bins {
            let level = self.levels[bin * self.sites + site];
            sum += level.mean_dbm * f64::from(level.count);
            count += level.count;
        }
        (count >= FEWEST).then(|| (sum / f64::from(count), f64::from(count)))
    }

    fn liveliness_db(&self, bin: usize, side: usize, noise_db: f64) -> Option<f64> {
        const FEWEST_SITES: usize = 3;
        if bin < side || bin + side > self.bins.len() {
            return None;
        }
        let mut changes = Vec::with_capacity(self.sites);
        let mut noise_db2 = 0.0;
        for site in 0..self.sites {
            if let (Some((before, n)), Some((after, m))) =
                (self.mean(bin - side..bin, site), self.mean(bin..bin + side, site))
            {
                changes.push(after - before);
                noise_db2 += noise_db * noise_db * (1.0 / n + 1.0 / m);
            }
        }
        if changes.len() < FEWEST_SITES {
            return None;
        }
        let n = changes.len() as f64;
        let mean = changes.iter().sum::<f64>() / n;
        let variance = changes.iter().map(|change| (change - mean).powi(2)).sum::<f64>() / (n - 1.0);
        Some((variance - noise_db2 / n).max(0.0).sqrt().max(LEAST_LIVELINESS_DB))
    }
}

/// Readings of one bin.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Counts {
    pub instants: u32,
    /// Sites that heard, over all of them.
    pub heard: u32,
}

impl Counts {
    /// The mean share of sites that heard; `None` without an instant.
    pub fn heard_share(&self, sites: usize) -> Option<f64> {
        let readings = f64::from(self.instants) * sites as f64;
        (self.instants > 0).then(|| f64::from(self.heard) / readings)
    }
}

/// Track points of one bin.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Places {
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
    pub fn take(&mut self, point: &TrackPoint) {
        self.count += 1.0;
        self.position_mm += point.position_mm;
        // Errors within a bin are alike: averaging does not lessen them.
        self.covariance_mm2 += point.covariance_mm2;
    }

    /// Their mean place and covariance; `None` of none.
    pub fn mean(&self) -> Option<(Position, Matrix3<f64>)> {
        (self.count > 0.0).then(|| (self.position_mm / self.count, self.covariance_mm2 / self.count))
    }
}

/// The mean of values pulled back to within `reach` of their median; zero of none.
fn clipped_mean(values: &mut [f64], reach: f64) -> f64 {
    let Some(median) = median(values) else { return 0.0 };
    let sum: f64 = values.iter().map(|value| (value - median).clamp(-reach, reach)).sum();
    median + sum / values.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::{NoiseModel, Receiver, Torso};
    use ndarray::Array2;

    fn setup() -> Setup {
        let torso = Torso::new(330.0, 230.0).unwrap();
        Setup::default_eight(
            torso,
            NoiseModel::new(4.0, 0.01).unwrap(),
            Receiver::new(-100.0, None, None).unwrap(),
        )
    }

    fn bins(level: impl Fn(f64, usize) -> f64) -> Bins {
        let time_s: Vec<f64> = (0..4000).map(f64::from).collect();
        let rssi = Array2::from_shape_fn((4000, 8), |(row, site)| level(row as f64, site) as f32);
        let recording = Recording::new(time_s, rssi).unwrap();
        Bins::new(&setup(), &recording, 4000.0)
    }

    #[test]
    fn a_change_common_to_all_sites_is_not_lively() {
        let turning = bins(|t, _| -70.0 + 5.0 * (t / 200.0).sin());
        let liveliness = turning.bins[100].liveliness.unwrap();
        assert!((liveliness - LEAST_LIVELINESS_DB).abs() < 1e-6);
    }

    #[test]
    fn a_steady_move_has_the_liveliness_of_its_change_a_minute() {
        // Half the sites gain and half lose 0.02 dB/s: ±1.2 dB a minute, whose standard deviation over 8 is 1.2 √(8/7).
        let moving = bins(|t, site| -70.0 + if site % 2 == 0 { 0.02 * t / 4.0 } else { -0.02 * t / 4.0 });
        let liveliness = moving.bins[100].liveliness.unwrap();
        assert!((liveliness - 0.3 * (8.0_f64 / 7.0).sqrt()).abs() < 1e-3);
    }
}
