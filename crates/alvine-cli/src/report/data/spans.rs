//! The signals thinned for the page: the weakest and the strongest level of each span of time.
//!
//! A page that holds every sample of a long recording is too large to send or to open. Averages, or every n-th sample,
//! would hide a short peak. Spans keep both extremes of what fell into them, so that a peak is at worst a span wide:
//!
//! ```text
//! span k holds the instants t with  k − ½ ≤ (t − t₀) / w < k + ½
//! w width of a span, a whole number of the recording's steps; t₀ first instant; all in s
//! ```
//!
//! A recording with no more instants than spans has each instant in a span of its own.

use alvine::{Reading, Receiver, Recording};

/// No more spans than this and one are made: 12 h in steps of 2 s.
const MOST_SPANS: usize = 21_600;
/// Nor more than this of all sites together: many sites get wider ones, so that the page does not grow.
const MOST_OF_ALL_SITES: usize = 8 * MOST_SPANS;

/// Even spans of time over a recording, numbered from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spans {
    start_s: f64,
    width_s: f64,
    count: usize,
}

impl Spans {
    /// The spans of a recording's signals.
    pub fn of_signals(recording: &Recording) -> Self {
        Self::of(recording, MOST_SPANS.min(MOST_OF_ALL_SITES / recording.sites().max(1)))
    }

    /// The finest spans, of whole numbers of steps, of which no more than `most` and one cover the recording. A step is the
    /// median one, or the mean where that is shorter, as where a clock trembles.
    pub fn of(recording: &Recording, most: usize) -> Self {
        let start_s = recording.time_s().first().copied().unwrap_or(0.0);
        let duration_s = recording.duration_s();
        let mean_s = duration_s / recording.len().saturating_sub(1).max(1) as f64;
        let step_s = recording
            .median_step_s()
            .map_or(mean_s, |median_s| median_s.min(mean_s));
        let step_s = if step_s > 0.0 { step_s } else { 1.0 };
        // A hair less than a whole number of steps too many must not double the width.
        let steps = (duration_s / (step_s * most.max(1) as f64) - 1e-6).ceil().max(1.0);
        let width_s = step_s * steps;
        Self {
            start_s,
            width_s,
            count: rounded(duration_s / width_s, most.max(1)) + 1,
        }
    }

    /// How many there are.
    pub const fn count(&self) -> usize {
        self.count
    }

    /// How long each is, s.
    pub const fn width_s(&self) -> f64 {
        self.width_s
    }

    /// The middle of a span, s.
    pub fn middle_s(&self, span: usize) -> f64 {
        self.start_s + self.width_s * span as f64
    }

    /// The span into which a time falls; the first or last one beyond the ends.
    pub fn at(&self, time_s: f64) -> usize {
        rounded((time_s - self.start_s) / self.width_s, self.count - 1)
    }
}

/// To the nearest whole number from 0 to `most`.
fn rounded(value: f64, most: usize) -> usize {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to most")]
    let rounded = (value + 0.5).floor().clamp(0.0, most as f64) as usize;
    rounded
}

/// What one site heard in one span.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Heard {
    /// The weakest and the strongest level, dBm; `None` where none was heard.
    pub levels_dbm: Option<(f64, f64)>,
    /// How many instants fell into the span.
    pub instants: u32,
    /// How many of them lay below the floor.
    pub below_floor: u32,
    /// How many had no packet.
    pub missing: u32,
    /// How many were saturated.
    pub saturated: u32,
}

impl Heard {
    fn take(&mut self, reading: Reading) {
        self.instants += 1;
        match reading {
            Reading::Heard(level_dbm) => self.widen(level_dbm),
            Reading::Saturated(level_dbm) => {
                self.widen(level_dbm);
                self.saturated += 1;
            }
            Reading::BelowFloor(_) => self.below_floor += 1,
            Reading::Missing => self.missing += 1,
        }
    }

    fn widen(&mut self, level_dbm: f64) {
        let (weakest, strongest) = self.levels_dbm.unwrap_or((level_dbm, level_dbm));
        self.levels_dbm = Some((weakest.min(level_dbm), strongest.max(level_dbm)));
    }
}

/// What every site heard in every span: a list a site, each as long as there are spans. One pass over the recording.
pub fn heard_in(recording: &Recording, receiver: &Receiver, spans: &Spans) -> Vec<Vec<Heard>> {
    let mut sites = vec![vec![Heard::default(); spans.count()]; recording.sites()];
    for (&time_s, levels) in recording.time_s().iter().zip(recording.rssi_dbm().outer_iter()) {
        let span = spans.at(time_s);
        for (site, &level) in sites.iter_mut().zip(levels) {
            site[span].take(receiver.read(level));
        }
    }
    sites
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    fn recording(time_s: Vec<f64>, level: impl Fn(usize) -> f32) -> Recording {
        let mut rssi_dbm = Array2::from_elem((time_s.len(), 4), f32::NAN);
        for row in 0..time_s.len() {
            rssi_dbm[(row, 0)] = level(row);
        }
        Recording::new(time_s, rssi_dbm).unwrap()
    }

    fn receiver() -> Receiver {
        Receiver::new(-100.0, Some(-30.0), None).unwrap()
    }

    /// Levels that jump about, some below the floor, some saturated, some missing.
    fn jagged(row: usize) -> f32 {
        match row % 17 {
            3 => f32::NAN,
            5 => -103.0,
            7 if row.is_multiple_of(34) => -28.0,
            _ => -60.0 - (row * 7919 % 35) as f32,
        }
    }

    #[test]
    fn every_span_keeps_the_weakest_and_the_strongest_of_its_levels_and_counts_the_rest() {
        let time_s: Vec<f64> = (0..100_000).map(|row| f64::from(row) / 6.0).collect();
        let recording = recording(time_s.clone(), jagged);
        let spans = Spans::of(&recording, 900);
        let heard = &heard_in(&recording, &receiver(), &spans)[0];
        assert_eq!(heard.len(), spans.count());
        let mut instants = 0;
        for (k, span) in heard.iter().enumerate() {
            let within: Vec<f32> = (0..time_s.len())
                .filter(|&row| spans.at(time_s[row]) == k)
                .map(jagged)
                .collect();
            let audible = within.iter().copied().filter(|level| *level > -100.0);
            let weakest = audible.clone().fold(f32::INFINITY, f32::min);
            let strongest = audible.fold(f32::NEG_INFINITY, f32::max);
            assert_eq!(span.levels_dbm, Some((f64::from(weakest), f64::from(strongest))));
            let count = |wanted: fn(&f32) -> bool| within.iter().filter(|level| wanted(level)).count() as u32;
            assert_eq!(span.missing, count(|level| level.is_nan()));
            assert_eq!(span.below_floor, count(|level| *level <= -100.0));
            assert_eq!(span.saturated, count(|level| *level >= -30.0));
            assert_eq!(span.instants as usize, within.len());
            instants += within.len();
        }
        assert_eq!(instants, time_s.len());
    }

    #[test]
    fn a_single_peak_among_many_samples_is_kept() {
        let level = |row: usize| {
            if row == 123_457 {
                -41.0
            } else {
                -80.0 - (row % 3) as f32
            }
        };
        let recording = recording((0..259_200).map(|row| f64::from(row) / 6.0).collect(), level);
        let spans = Spans::of_signals(&recording);
        assert!((spans.width_s() - 2.0).abs() < 1e-9 && spans.count() <= MOST_SPANS + 1);
        let heard = &heard_in(&recording, &receiver(), &spans)[0];
        let peak = spans.at(123_457.0 / 6.0);
        assert_eq!(heard[peak].levels_dbm, Some((-82.0, -41.0)));
        assert_eq!(heard[peak + 1].levels_dbm, Some((-82.0, -80.0)));
    }

    #[test]
    fn a_short_recording_has_a_span_an_instant_even_where_its_clock_trembles() {
        let time_s = (0..5000).map(|row| 2.0 * f64::from(row) + 0.4 * f64::from(row % 3));
        let recording = recording(time_s.collect(), |_| -70.0);
        let spans = Spans::of_signals(&recording);
        let heard = &heard_in(&recording, &receiver(), &spans)[0];
        assert!(heard.iter().all(|span| span.instants == 1), "{spans:?}");
    }

    #[test]
    fn one_instant_is_one_span() {
        let recording = recording(vec![5.0], |_| -70.0);
        let spans = Spans::of_signals(&recording);
        assert_eq!((spans.count(), spans.at(5.0), spans.middle_s(0)), (1, 0, 5.0));
    }

    #[test]
    fn many_sites_share_the_room_of_eight() {
        let time_s: Vec<f64> = (0..43_201).map(f64::from).collect();
        for (sites, width_s) in [(4, 2.0), (8, 2.0), (16, 4.0), (40, 10.0)] {
            let rssi_dbm = Array2::from_elem((time_s.len(), sites), -70.0);
            let recording = Recording::new(time_s.clone(), rssi_dbm).unwrap();
            assert_eq!(Spans::of_signals(&recording).width_s(), width_s, "{sites}");
        }
    }

    #[test]
    fn a_clock_that_leaps_far_leaves_empty_spans_not_many_spans() {
        let time_s = (0..1000).map(|row| f64::from(row) + if row > 500 { 1e6 } else { 0.0 });
        let recording = recording(time_s.collect(), |_| -70.0);
        let spans = Spans::of_signals(&recording);
        assert!(spans.count() <= MOST_SPANS + 1);
        assert_eq!(spans.at(f64::MAX), spans.count() - 1);
    }
}
