//! What each column heard in each turn.

use ndarray::Array2;

use crate::recording::{Reading, Recording};
use crate::setup::Setup;

use super::turns::Turn;

/// Share of a turn that is left away at each end, while the capsule is on its way (invented).
const TRIMMED: f64 = 0.15;
/// From the 10th to the 90th percentile of a normal law, in standard deviations. A level that jumps between two states, as at a
/// loose contact, has a wide range and may have no deviation from its median to speak of.
const NORMAL_RANGE: f64 = 2.563_1;

/// What each column heard in each turn; turns × columns.
#[derive(Debug, Clone)]
pub(super) struct Levels {
    /// Median level, dBm; the floor where nothing was heard.
    pub median_dbm: Array2<f64>,
    /// Spread from instant to instant, dB.
    pub spread_db: Array2<f64>,
    /// Share of the instants heard above the floor.
    pub heard: Array2<f64>,
}

impl Levels {
    pub(super) fn of(setup: &Setup, recording: &Recording, turns: &[Turn]) -> Self {
        let shape = (turns.len(), recording.sites());
        let floor_dbm = setup.receiver.floor_dbm();
        let mut levels = Self {
            median_dbm: Array2::from_elem(shape, floor_dbm),
            spread_db: Array2::zeros(shape),
            heard: Array2::zeros(shape),
        };
        for (turn, span) in turns.iter().enumerate() {
            let rows = rows_within(recording.time_s(), span);
            for column in 0..recording.sites() {
                let readings: Vec<Reading> = rows
                    .clone()
                    .map(|row| setup.receiver.read(recording.rssi_dbm()[(row, column)]))
                    .collect();
                let told = readings.iter().filter_map(|reading| match reading {
                    Reading::Heard(dbm) | Reading::Saturated(dbm) | Reading::BelowFloor(dbm) => Some(*dbm),
                    Reading::Missing => None,
                });
                let heard = readings.iter().filter(|reading| reading.is_heard());
                levels.heard[(turn, column)] = heard.count() as f64 / readings.len().max(1) as f64;
                let told: Vec<f64> = told.collect();
                if let Some(middle_dbm) = median(told.iter().copied()) {
                    levels.median_dbm[(turn, column)] = middle_dbm;
                    levels.spread_db[(turn, column)] = spread_db(told);
                }
            }
        }
        levels
    }
}

/// The instants of the middle of a turn.
fn rows_within(time_s: &[f64], turn: &Turn) -> std::ops::Range<usize> {
    let trim_s = TRIMMED * (turn.end_s - turn.start_s);
    let from = time_s.partition_point(|&time_s| time_s < turn.start_s + trim_s);
    let to = time_s.partition_point(|&time_s| time_s <= turn.end_s - trim_s);
    from..to.max(from)
}

/// The spread of some levels by the range of their middle eight tenths, dB.
fn spread_db(mut levels_dbm: Vec<f64>) -> f64 {
    levels_dbm.sort_unstable_by(f64::total_cmp);
    let tail = levels_dbm.len() / 10;
    let range = levels_dbm.get(levels_dbm.len() - 1 - tail).zip(levels_dbm.get(tail));
    range.map_or(0.0, |(most, least)| (most - least) / NORMAL_RANGE)
}

/// The middle of some numbers, those that are none left out; `None` of nothing.
pub(super) fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.filter(|value| !value.is_nan()).collect();
    crate::median(&mut values)
}
