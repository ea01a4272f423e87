//! Quality: how well each site heard, when none did, and when the clock leapt.

use crate::recording::{Reading, Recording};
use crate::setup::Setup;

/// A span of time, s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// From.
    pub start_s: f64,
    /// To.
    pub end_s: f64,
}

/// One site's shares of the instants looked at, each 0 to 1; they sum to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteQuality {
    /// Heard between floor and ceiling.
    pub heard: f64,
    /// At or below the floor.
    pub censored: f64,
    /// No packet.
    pub missing: f64,
    /// At or above the ceiling.
    pub saturated: f64,
    /// Median level where heard, dBm.
    pub median_dbm: Option<f64>,
}

/// How well a recording was made between two times.
#[derive(Debug, Clone, PartialEq)]
pub struct Quality {
    /// One a site, in the layout's order.
    pub sites: Vec<SiteQuality>,
    /// Spans of at least [`Quality::DROPOUT_S`] in which no site heard anything.
    pub dropouts: Vec<Interval>,
    /// Steps of the clock longer than [`Quality::JUMP_STEPS`] median steps.
    pub clock_jumps: Vec<Interval>,
    /// Median time between instants, s.
    pub median_step_s: Option<f64>,
    /// Median number of sites heard at an instant.
    pub median_sites_heard: f64,
    /// Sites that heard the capsule in at least a tenth of the instants.
    pub sites_carrying: usize,
}

impl Quality {
    /// The shortest silence of all sites that is reported, s (common practice, no source).
    pub const DROPOUT_S: f64 = 5.0;
    /// A step is a jump when it is longer than this many median steps (common practice, no source).
    pub const JUMP_STEPS: f64 = 10.0;
    /// A site carries the result when it heard at least this share of the instants (common practice, no source).
    pub const CARRYING_SHARE: f64 = 0.1;

    /// Assesses the instants between two times; jumps of the clock are sought in the whole recording.
    #[must_use]
    pub fn assess(setup: &Setup, recording: &Recording, from_s: f64, to_s: f64) -> Self {
        let mut tally = Tally::new(recording.sites());
        for (instant, &time_s) in recording.time_s().iter().enumerate() {
            if (from_s..=to_s).contains(&time_s) {
                tally.add(
                    time_s,
                    recording.row(instant).iter().map(|&level| setup.receiver.read(level)),
                );
            }
        }
        let median_step_s = recording.median_step_s();
        let sites = tally.sites();
        Self {
            dropouts: tally.dropouts(to_s),
            clock_jumps: clock_jumps(recording.time_s(), median_step_s),
            median_step_s,
            median_sites_heard: tally.median_heard(),
            sites_carrying: sites
                .iter()
                .filter(|site| site.heard + site.saturated >= Self::CARRYING_SHARE)
                .count(),
            sites,
        }
    }
}

/// Steps of the clock far longer than its usual one.
#[must_use]
pub fn clock_jumps(time_s: &[f64], median_step_s: Option<f64>) -> Vec<Interval> {
    let Some(step_s) = median_step_s else {
        return Vec::new();
    };
    time_s
        .windows(2)
        .filter(|pair| pair[1] - pair[0] > Quality::JUMP_STEPS * step_s)
        .map(|pair| Interval {
            start_s: pair[0],
            end_s: pair[1],
        })
        .collect()
}

/// Counts while the instants pass by.
struct Tally {
    counts: Vec<[usize; 4]>,
    /// Levels in whole dB from −200 to 100, a histogram a site.
    levels: Vec<[u32; 301]>,
    heard_at_once: Vec<usize>,
    instants: usize,
    silent_since_s: Option<f64>,
    silences: Vec<Interval>,
}

impl Tally {
    fn new(sites: usize) -> Self {
        Self {
            counts: vec![[0; 4]; sites],
            levels: vec![[0; 301]; sites],
            heard_at_once: vec![0; sites + 1],
            instants: 0,
            silent_since_s: None,
            silences: Vec::new(),
        }
    }

    fn add(&mut self, time_s: f64, readings: impl Iterator<Item = Reading>) {
        let mut heard = 0;
        for (site, reading) in readings.enumerate() {
            let kind = match reading {
                Reading::Heard(level_dbm) => {
                    heard += 1;
                    self.levels[site][(level_dbm.round() + 200.0).clamp(0.0, 300.0) as usize] += 1;
                    0
                }
                Reading::BelowFloor(_) => 1,
                Reading::Missing => 2,
                Reading::Saturated(_) => {
                    heard += 1;
                    3
                }
            };
            self.counts[site][kind] += 1;
        }
        self.heard_at_once[heard] += 1;
        self.instants += 1;
        if heard == 0 {
            self.silent_since_s.get_or_insert(time_s);
        } else if let Some(start_s) = self.silent_since_s.take() {
            self.silences.push(Interval { start_s, end_s: time_s });
        }
    }

    fn sites(&self) -> Vec<SiteQuality> {
        let share = |count: usize| {
            if self.instants == 0 {
                0.0
            } else {
                count as f64 / self.instants as f64
            }
        };
        self.counts
            .iter()
            .zip(&self.levels)
            .map(|(counts, levels)| SiteQuality {
                heard: share(counts[0]),
                censored: share(counts[1]),
                missing: if self.instants == 0 { 1.0 } else { share(counts[2]) },
                saturated: share(counts[3]),
                median_dbm: histogram_median(levels.iter().map(|&n| n as usize)).map(|bin| bin as f64 - 200.0),
            })
            .collect()
    }

    fn dropouts(&mut self, end_s: f64) -> Vec<Interval> {
        if let Some(start_s) = self.silent_since_s.take() {
            self.silences.push(Interval { start_s, end_s });
        }
        let long = |silence: &Interval| silence.end_s - silence.start_s >= Quality::DROPOUT_S;
        self.silences.iter().copied().filter(long).collect()
    }

    fn median_heard(&self) -> f64 {
        histogram_median(self.heard_at_once.iter().copied()).unwrap_or(0) as f64
    }
}

/// The bin that holds the middle of a histogram; `None` when it is empty.
fn histogram_median(counts: impl Iterator<Item = usize> + Clone) -> Option<usize> {
    let total: usize = counts.clone().sum();
    let mut seen = 0;
    counts.enumerate().find_map(|(bin, count)| {
        seen += count;
        (total > 0 && 2 * seen >= total).then_some(bin)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::NoiseModel;
    use crate::recording::Receiver;
    use crate::torso::Torso;
    use approx::assert_relative_eq;
    use ndarray::Array2;

    fn setup() -> Setup {
        let torso = Torso::new(330.0, 230.0).unwrap();
        Setup::default_eight(
            torso,
            NoiseModel::new(4.0, 2.0).unwrap(),
            Receiver::new(-100.0, Some(-25.0), None).unwrap(),
        )
    }

    #[test]
    fn shares_silences_and_jumps_are_counted() {
        let mut rssi = Array2::from_elem((100, 8), -70.0_f32);
        for row in 0..25 {
            rssi[(row, 0)] = f32::NAN;
            rssi[(row, 1)] = -100.0;
            rssi[(row, 2)] = -20.0;
        }
        for row in 40..52 {
            rssi.row_mut(row).fill(f32::NAN);
        }
        let mut time_s: Vec<f64> = (0..100).map(f64::from).collect();
        for time in &mut time_s[80..] {
            *time += 30.0;
        }
        let recording = Recording::new(time_s, rssi).unwrap();
        let quality = Quality::assess(&setup(), &recording, 0.0, 1e9);
        assert_relative_eq!(quality.sites[0].missing, 0.37);
        assert_relative_eq!(quality.sites[1].censored, 0.25);
        assert_relative_eq!(quality.sites[2].saturated, 0.25);
        assert_relative_eq!(quality.sites[3].heard, 0.88);
        assert_eq!(quality.sites[3].median_dbm, Some(-70.0));
        assert_eq!(
            quality.dropouts,
            vec![Interval {
                start_s: 40.0,
                end_s: 52.0
            }]
        );
        assert_eq!(
            quality.clock_jumps,
            vec![Interval {
                start_s: 79.0,
                end_s: 110.0
            }]
        );
        assert_relative_eq!(quality.median_sites_heard, 8.0);
        for site in &quality.sites {
            assert_relative_eq!(
                site.heard + site.censored + site.missing + site.saturated,
                1.0,
                epsilon = 1e-12
            );
        }
    }
}
