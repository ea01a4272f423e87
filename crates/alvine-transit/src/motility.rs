//! Rest and propulsion: how much of its time the capsule moved in each part, and how fast.
//!
//! A smoothed track moves although the capsule rests. What counts is the net way from one minute's mean place to the next one's:
//!
//! ```text
//! d = |p̄(k + 1) − p̄(k)|,   moving: d > 12 mm,   v = √max(0, d² − e²),   e = 5.7 mm
//! p̄ mean place of the track over a minute, e root mean square of d while the capsule rests
//! ```
//!
//! To and fro within a minute does not count. Each minute counts for a part by the posterior probability that the capsule was there.
//!
//! # How moving is told from error
//!
//! The covariance of a track does not tell it: its greatest share is error that is the same from minute to minute. On 39 simulated
//! studies (seeds from 300: 26 realistic, 13 usual; 12 h at 2 Hz) the median of d of a capsule that rested (moved less than 5 mm) was 4
//! to 6.5 mm on every radio. From study to study and part to part the rule told 0.2 to 0.85 of the minutes in which the capsule truly
//! moved by more than 10 mm (less with a realistic radio), and up to 0.2 of the others (more with the usual one): [`TOLD_MOVING`] and
//! [`FALSE_MOVING`] are chosen on these seeds so that the interval of [`ShareMoving`] holds the truth in nine of ten.
//!
//! On 13 other studies each (`cargo run --release -p alvine-benches --bin motility -- realistic 13 3100`, and `usual`):
//!
//! | radio | part | moving, told | resting, told | share told | share in truth | interval holds it |
//! | --- | --- | --- | --- | --- | --- | --- |
//! | realistic | stomach | 0.59 | 0.97 | 0.19 | 0.22 | 5 of 5 |
//! | realistic | small bowel | 0.43 | 0.99 | 0.15 | 0.28 | 12 of 12 |
//! | realistic | colon | 0.44 | 0.99 | 0.04 | 0.07 | 9 of 9 |
//! | usual | stomach | 0.93 | 0.89 | 0.32 | 0.23 | 3 of 5 |
//! | usual | small bowel | 0.75 | 0.93 | 0.29 | 0.28 | 12 of 12 |
//! | usual | colon | 0.71 | 0.93 | 0.12 | 0.07 | 9 of 9 |
//!
//! The median speed while moving was told 0.60 to 0.87 times what it was.
//!
//! # What cannot be told
//!
//! The share of the way that led backwards. The direction of a step along the gut needs to know which loop the capsule is in, and a place
//! is known to centimetres only: on the same studies the steps of the track against the usual course of the part were backwards for
//! 0.41 of the way in the small bowel, where truly 0.02 were, and the two did not go together from study to study (correlation
//! −0.25). [`RETROGRADE`] says so in results.

use alvine::{Flags, Phase, Position, Track};

use crate::segment::Passage;

/// A capsule that moves this far from one minute to the next is told to move, mm (chosen on the seeds named above).
pub const LEAST_STEP_MM: f64 = 12.0;
/// About the greatest share of minutes told to move of those that do not, over studies and radios (see above).
pub const FALSE_MOVING: f64 = 0.2;
/// About the least and the greatest share of moving minutes that are told, over studies and radios (see above).
pub const TOLD_MOVING: [f64; 2] = [0.2, 0.85];
/// Why there is no retrograde share.
pub const RETROGRADE: &str =
    "which way a step leads along the gut cannot be told: a place is known to centimetres, a loop of bowel is as wide";

/// Root mean square of the step of a capsule at rest, mm, as measured (see above).
const REST_STEP_MM: f64 = 5.7;
/// Steps are taken between the means of spans of this length, s.
const MINUTE_S: f64 = 60.0;
/// Fewer track points do not make a minute's mean.
const FEWEST_POINTS: u32 = 2;
/// A part of fewer minutes has no measures (common practice, no source).
const FEWEST_MINUTES: f64 = 30.0;

/// The net way from one minute to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MinuteStep {
    /// Between the two minutes, s.
    pub time_s: f64,
    /// How far the mean places lie apart, mm.
    pub step_mm: f64,
}

impl MinuteStep {
    /// Whether the capsule is told to move.
    #[must_use]
    pub fn is_moving(&self) -> bool {
        self.step_mm > LEAST_STEP_MM
    }

    /// Speed, what error adds on average taken off, mm a minute.
    #[must_use]
    pub fn speed_mm_per_min(&self) -> f64 {
        (self.step_mm * self.step_mm - REST_STEP_MM * REST_STEP_MM)
            .max(0.0)
            .sqrt()
    }
}

/// The steps of a track, minute by minute, where both minutes were heard.
#[must_use]
pub fn minute_steps(track: &Track) -> Vec<MinuteStep> {
    let Some(first) = track.points.first() else {
        return Vec::new();
    };
    let mut means: Vec<(usize, Position)> = Vec::new();
    let minute = |time_s: f64| ((time_s - first.time_s) / MINUTE_S).max(0.0) as usize;
    for points in track
        .points
        .chunk_by(|one, other| minute(one.time_s) == minute(other.time_s))
    {
        // A bridged place follows from those about the gap: it would look like a steady move, or like rest.
        let heard = points.iter().filter(|point| !point.flags.contains(Flags::BRIDGED));
        let (sum, count) = heard.fold((Position::zeros(), 0_u32), |(sum, count), point| {
            (sum + point.position_mm, count + 1)
        });
        if count >= FEWEST_POINTS {
            means.push((minute(points[0].time_s), sum / f64::from(count)));
        }
    }
    let neighbours = means.windows(2).filter(|pair| pair[1].0 == pair[0].0 + 1);
    let step = |pair: &[(usize, Position)]| MinuteStep {
        time_s: first.time_s + MINUTE_S * pair[1].0 as f64,
        step_mm: (pair[1].1 - pair[0].1).norm(),
    };
    neighbours.map(step).collect()
}

/// The share of a phase's time in which the capsule moved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareMoving {
    /// Share of its minutes that are told to move.
    pub told: f64,
    /// Between which the true share of minutes with more than 10 mm lies: by the rates at which moving and resting minutes were told
    /// wrongly on simulated studies, whatever the radio.
    pub interval: [f64; 2],
    /// How many minutes it rests on.
    pub minutes: f64,
}

/// So many minutes may move where none is seen to, with 95 %.
const UNSEEN_MINUTES: f64 = 3.0;

/// The share of a phase's time in which the capsule moved; `None` with less than half an hour of it.
///
/// With p the share told, f [`FALSE_MOVING`] and s [`TOLD_MOVING`], the true share is (p − f) / (s − f); it is least with the greatest f
/// and s, and greatest without false ones and the least s (Rogan and Gladen, Am. J. Epidemiol. 107 (1978) 71, from memory). Three minutes
/// are added for the upper end: none seen is compatible with three (the rule of three).
#[must_use]
pub fn share_moving(steps: &[MinuteStep], passage: &Passage, phase: Phase) -> Option<ShareMoving> {
    let (mut moving, mut minutes) = (0.0, 0.0);
    for step in steps {
        let weight = passage.phase_probability(phase, step.time_s);
        minutes += weight;
        if step.is_moving() {
            moving += weight;
        }
    }
    let told = moving / minutes;
    let [least, greatest] = TOLD_MOVING;
    (minutes >= FEWEST_MINUTES).then(|| ShareMoving {
        told,
        interval: [
            ((told - FALSE_MOVING) / (greatest - FALSE_MOVING)).clamp(0.0, 1.0),
            ((moving + UNSEEN_MINUTES) / (least * minutes)).clamp(0.0, 1.0),
        ],
        minutes,
    })
}

/// How fast the capsule was in a phase.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Speed {
    /// Quartiles and median over all minutes, mm a minute; `None` where it is less than [`LEAST_STEP_MM`] and is not told from rest.
    pub all: [Option<f64>; 3],
    /// Quartiles and median over the minutes told to move, mm a minute; `None` of fewer than five. Too low by a tenth to two fifths, as
    /// the track smooths bursts out, and as a net way is shorter than the way along the gut.
    pub moving: Option<[f64; 3]>,
}

/// How fast the capsule was in a phase; `None` with less than half an hour of it.
#[must_use]
pub fn speed(steps: &[MinuteStep], passage: &Passage, phase: Phase) -> Option<Speed> {
    const FEWEST_MOVING: f64 = 5.0;
    let mut weighted: Vec<(MinuteStep, f64)> = steps
        .iter()
        .map(|step| (*step, passage.phase_probability(phase, step.time_s)))
        .filter(|(_, weight)| *weight > 0.0)
        .collect();
    weighted.sort_by(|one, other| one.0.step_mm.total_cmp(&other.0.step_mm));
    let all = quartiles(&weighted, FEWEST_MINUTES)?;
    let moving = weighted.iter().position(|(step, _)| step.is_moving());
    let moving = moving.and_then(|from| quartiles(&weighted[from..], FEWEST_MOVING));
    Some(Speed {
        all: all.map(|step| step.is_moving().then(|| step.speed_mm_per_min())),
        moving: moving.map(|steps| steps.map(|step| step.speed_mm_per_min())),
    })
}

/// Quartiles and median of sorted steps by their weights; `None` where these sum to less.
fn quartiles(sorted: &[(MinuteStep, f64)], least_weight: f64) -> Option<[MinuteStep; 3]> {
    let whole: f64 = sorted.iter().map(|(_, weight)| weight).sum();
    if whole < least_weight {
        return None;
    }
    let last = sorted.last()?.0;
    let at = |share: f64| {
        let mut sum = 0.0;
        let found = sorted.iter().find(|(_, weight)| {
            sum += weight;
            sum >= share * whole
        });
        found.map_or(last, |(step, _)| *step)
    };
    Some([0.25, 0.5, 0.75].map(at))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::segment::SignalEnd;
    use alvine::TrackPoint;
    use nalgebra::Matrix3;

    /// Two hours in the small bowel and then two in the colon.
    fn passage() -> Passage {
        let within = |from: usize, to: usize| {
            (0..1440)
                .map(|bin| f64::from(u8::from((from..to).contains(&bin))))
                .collect()
        };
        Passage {
            landmarks: Vec::new(),
            end: SignalEnd {
                last_heard_s: 14_400.0,
                recording_end_s: 14_400.0,
            },
            start_s: 0.0,
            bin_s: 10.0,
            stages: vec![(Phase::SmallBowel, None), (Phase::Colon, None)],
            places: vec![None, None],
            occupancy: vec![within(0, 720), within(720, 1440)],
            liveliness_db: Vec::new(),
            rhythm_hours: Vec::new(),
        }
    }

    /// A point every 10 s at so many mm along x.
    fn track(at_mm: impl Fn(f64) -> f64) -> Track {
        let point = |instant: usize| {
            let time_s = 10.0 * instant as f64;
            TrackPoint {
                instant,
                time_s,
                position_mm: Position::new(at_mm(time_s), 0.0, 0.0),
                covariance_mm2: Matrix3::identity(),
                sites_used: 8,
                flags: Flags::NONE,
            }
        };
        Track {
            points: (0..1440).map(point).collect(),
        }
    }

    #[test]
    fn a_capsule_at_rest_does_not_move_and_one_that_goes_has_its_speed() {
        let passage = passage();
        // At rest for two hours but for a tremble of a few mm, then 20 mm a minute.
        let steps = minute_steps(&track(|time_s| {
            4.0 * (time_s / 97.0).sin() + (time_s - 7200.0).max(0.0) / 3.0
        }));
        assert_eq!(steps.len(), 239);
        let rest = share_moving(&steps, &passage, Phase::SmallBowel).unwrap();
        assert_eq!((rest.told, rest.interval[0]), (0.0, 0.0));
        let gone = share_moving(&steps, &passage, Phase::Colon).unwrap();
        assert!(gone.told > 0.98, "{gone:?}");
        assert_eq!(speed(&steps, &passage, Phase::SmallBowel).unwrap().all, [None; 3]);
        let median = speed(&steps, &passage, Phase::Colon).unwrap().all[1].unwrap();
        // 20 mm a minute give or take the tremble's 4 mm, less what rest adds.
        let expected = (20.0_f64 * 20.0 - REST_STEP_MM * REST_STEP_MM).sqrt();
        assert!((median - expected).abs() < 4.0, "{median} {expected}");
    }

    #[test]
    fn the_interval_undoes_what_is_told_wrongly() {
        let passage = passage();
        // A leap of 20 mm every other minute: half of the minutes move.
        let steps = minute_steps(&track(|time_s| 20.0 * (time_s / 120.0).floor()));
        let share = share_moving(&steps, &passage, Phase::SmallBowel).unwrap();
        assert!((share.told - 0.5).abs() < 0.01, "{share:?}");
        let least = (share.told - FALSE_MOVING) / (TOLD_MOVING[1] - FALSE_MOVING);
        assert_eq!(share.interval, [least, 1.0]);
    }

    #[test]
    fn a_part_of_minutes_and_a_gap_say_nothing() {
        let passage = passage();
        assert_eq!(share_moving(&[], &passage, Phase::Colon), None);
        let mut gapped = track(|time_s| time_s);
        assert_eq!(share_moving(&minute_steps(&gapped), &passage, Phase::Stomach), None);
        gapped.points.iter_mut().for_each(|point| point.flags = Flags::BRIDGED);
        assert!(minute_steps(&gapped).is_empty());
        let mut cut = track(|time_s| time_s);
        cut.points.retain(|point| !(600.0..1200.0).contains(&point.time_s));
        // Ten minutes are gone, and the two steps at their edges: no step leads over a gap.
        assert_eq!(minute_steps(&cut).len(), 239 - 11);
    }
}
