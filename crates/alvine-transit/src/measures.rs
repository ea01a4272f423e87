//! Transit measures: how long each phase took, with its interval, censored where it began or ended unseen.

use alvine::{LandmarkKind, Phase, ReaderLandmark};

use crate::reference::{COLONIC, GASTRIC, ReferenceRange, SMALL_BOWEL, WHOLE_GUT};
use crate::segment::{Passage, SignalEnd};

/// Where a landmark's time comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LandmarkSource {
    /// A reader of the images.
    Reader,
    /// The study, such as the time of the swallow.
    Recording,
    /// The signal.
    Estimated,
}

/// A landmark as it is reported: a time, or the reason for none.
#[derive(Debug, Clone, PartialEq)]
pub struct ReportedLandmark {
    /// Which landmark.
    pub kind: LandmarkKind,
    /// When, s; `None` where it was not passed within the recording or cannot be told.
    pub time_s: Option<f64>,
    /// 50 % interval, s.
    pub interval50_s: Option<[f64; 2]>,
    /// 90 % interval, s.
    pub interval90_s: Option<[f64; 2]>,
    /// Probability that it was passed within the recording.
    pub probability: f64,
    /// Where the time comes from.
    pub source: LandmarkSource,
    /// What the signal alone says, where the time comes from elsewhere, s.
    pub signal_time_s: Option<f64>,
    /// Whether it was likelier passed before the recording began than not.
    pub passed_before: bool,
    /// Why there is no time.
    pub reason: Option<String>,
}

/// A landmark is reported with a time from this probability on that it was passed.
pub const REPORTED_FROM: f64 = 0.5;

/// Why the recording tells no more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndedBy {
    /// The capsule left the body.
    Expulsion,
    /// The battery's rated life was over.
    Battery,
    /// The recording stopped while the capsule was heard.
    RecordingStopped,
    /// The signal was lost before the battery's life was over, in a phase that expulsion cannot follow.
    SignalLost,
}

impl EndedBy {
    /// The name used in files.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            EndedBy::Expulsion => "expulsion",
            EndedBy::Battery => "battery",
            EndedBy::RecordingStopped => "recording-stopped",
            EndedBy::SignalLost => "signal-lost",
        }
    }
}

/// The battery's rated life counts as over from this share of it on (common practice, no source).
const BATTERY_OVER_FROM: f64 = 0.95;

/// Tells why the recording tells no more. `life_s` is the battery's rated life, counted from the start of the recording.
#[must_use]
pub fn ended_by(passage: &Passage, life_s: Option<f64>) -> EndedBy {
    let SignalEnd {
        last_heard_s,
        recording_end_s,
    } = passage.end;
    let over = |time_s: f64| life_s.is_some_and(|life_s| time_s >= BATTERY_OVER_FROM * life_s);
    if passage.end.is_gone() {
        if over(last_heard_s) {
            EndedBy::Battery
        } else if passage.phase_probability(Phase::Colon, last_heard_s) >= REPORTED_FROM {
            EndedBy::Expulsion
        } else {
            EndedBy::SignalLost
        }
    } else if over(recording_end_s) {
        EndedBy::Battery
    } else {
        EndedBy::RecordingStopped
    }
}

/// Reports every landmark: given ones as they were given, the others from the posterior.
///
/// `alone` is the posterior without what the reader gave, for [`ReportedLandmark::signal_time_s`]. `swallowed_s` is the
/// study's time of the swallow.
#[must_use]
pub fn report_landmarks(
    passage: &Passage,
    alone: &Passage,
    reader: &[ReaderLandmark],
    swallowed_s: Option<f64>,
    end: EndedBy,
) -> Vec<ReportedLandmark> {
    let mut landmarks: Vec<ReportedLandmark> = LandmarkKind::ALL
        .iter()
        .map(|&kind| {
            let given = reader.iter().find(|landmark| landmark.kind == kind);
            match (given, swallowed_s) {
                (Some(landmark), _) => given_landmark(landmark, alone, end),
                (None, Some(swallowed_s)) if kind == LandmarkKind::Swallow => stated_swallow(swallowed_s),
                _ if kind == LandmarkKind::Expulsion => expulsion(passage, end),
                _ => estimated(kind, passage),
            }
        })
        .collect();
    hold_to_given(&mut landmarks);
    landmarks
}

fn given_landmark(landmark: &ReaderLandmark, alone: &Passage, end: EndedBy) -> ReportedLandmark {
    // Quartile and 95 % point of a standard normal law.
    let interval = |z: f64| {
        landmark
            .spread_s
            .map(|spread_s| [landmark.time_s - z * spread_s, landmark.time_s + z * spread_s])
    };
    let signal = if landmark.kind == LandmarkKind::Expulsion {
        expulsion(alone, end)
    } else {
        estimated(landmark.kind, alone)
    };
    ReportedLandmark {
        kind: landmark.kind,
        time_s: Some(landmark.time_s),
        interval50_s: interval(0.674_489_8),
        interval90_s: interval(1.644_853_6),
        probability: 1.0,
        source: LandmarkSource::Reader,
        signal_time_s: signal.time_s,
        passed_before: false,
        reason: None,
    }
}

fn stated_swallow(swallowed_s: f64) -> ReportedLandmark {
    ReportedLandmark {
        kind: LandmarkKind::Swallow,
        time_s: Some(swallowed_s),
        interval50_s: None,
        interval90_s: None,
        probability: 1.0,
        source: LandmarkSource::Recording,
        signal_time_s: None,
        passed_before: false,
        reason: None,
    }
}

fn absent(kind: LandmarkKind, probability: f64, reason: &str) -> ReportedLandmark {
    ReportedLandmark {
        kind,
        time_s: None,
        interval50_s: None,
        interval90_s: None,
        probability,
        source: LandmarkSource::Estimated,
        signal_time_s: None,
        passed_before: false,
        reason: Some(reason.to_owned()),
    }
}

fn expulsion(passage: &Passage, end: EndedBy) -> ReportedLandmark {
    let in_colon = passage.phase_probability(Phase::Colon, passage.end.last_heard_s);
    match end {
        EndedBy::Expulsion => {
            let heard_s = passage.end.last_heard_s;
            // Between the last time it was heard and a minute later, by which a capsule inside would have been heard.
            let gone_s = (heard_s + 60.0).min(passage.end.recording_end_s);
            ReportedLandmark {
                kind: LandmarkKind::Expulsion,
                time_s: Some(heard_s),
                interval50_s: Some([heard_s, heard_s + 0.5 * (gone_s - heard_s)]),
                interval90_s: Some([heard_s, gone_s]),
                probability: in_colon,
                source: LandmarkSource::Estimated,
                signal_time_s: None,
                passed_before: false,
                reason: None,
            }
        }
        EndedBy::Battery => absent(
            LandmarkKind::Expulsion,
            0.0,
            "not reached in this recording: the battery's rated life ended first",
        ),
        EndedBy::RecordingStopped => absent(
            LandmarkKind::Expulsion,
            0.0,
            "not reached in this recording: the capsule was still heard when it stopped",
        ),
        EndedBy::SignalLost => absent(
            LandmarkKind::Expulsion,
            in_colon,
            "cannot be told: the signal was lost before the capsule was seen in the colon",
        ),
    }
}

fn estimated(kind: LandmarkKind, passage: &Passage) -> ReportedLandmark {
    let Some(posterior) = passage.landmark(kind) else {
        return absent(kind, 0.0, "not sought in the signal");
    };
    if posterior.within >= REPORTED_FROM {
        return ReportedLandmark {
            kind,
            time_s: Some(posterior.time_s),
            interval50_s: Some(posterior.interval50_s),
            interval90_s: Some(posterior.interval90_s),
            probability: posterior.within,
            source: LandmarkSource::Estimated,
            signal_time_s: None,
            passed_before: false,
            reason: None,
        };
    }
    if posterior.before >= REPORTED_FROM {
        return ReportedLandmark {
            passed_before: true,
            ..absent(kind, posterior.within, "passed before the recording began")
        };
    }
    let reason = format!(
        "not reached in this recording (probability that it was reached unseen: {:.0} %)",
        100.0 * posterior.within
    );
    absent(kind, posterior.within, &reason)
}

/// What was estimated does not come before what was given of the landmarks before it, nor after what was given of those after it: bins
/// are wider than that.
fn hold_to_given(landmarks: &mut [ReportedLandmark]) {
    for index in 0..landmarks.len() {
        let least_s = given_s(&landmarks[..index]).fold(f64::NEG_INFINITY, f64::max);
        let most_s = given_s(&landmarks[index + 1..]).fold(f64::INFINITY, f64::min);
        let landmark = &mut landmarks[index];
        if landmark.source == LandmarkSource::Estimated {
            let hold = |time_s: f64| time_s.min(most_s).max(least_s);
            landmark.time_s = landmark.time_s.map(hold);
            landmark.interval50_s = landmark.interval50_s.map(|interval_s| interval_s.map(hold));
            landmark.interval90_s = landmark.interval90_s.map(|interval_s| interval_s.map(hold));
        }
    }
}

/// The times of landmarks that were given, s.
fn given_s(landmarks: &[ReportedLandmark]) -> impl Iterator<Item = f64> {
    let given = landmarks
        .iter()
        .filter(|landmark| landmark.source != LandmarkSource::Estimated);
    given.filter_map(|landmark| landmark.time_s)
}

/// How long something took.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Duration {
    /// When it began, s; the recording's start where that was not seen.
    pub start_s: f64,
    /// When it ended, s; the end of the signal where that was not seen.
    pub end_s: f64,
    /// 90 % interval of the duration, s; `None` where neither end has one.
    pub interval90_s: Option<[f64; 2]>,
    /// Whether it began or ended unseen, so that the duration is a lower bound.
    pub censored: bool,
}

impl Duration {
    /// From beginning to end, s.
    #[must_use]
    pub fn length_s(&self) -> f64 {
        self.end_s - self.start_s
    }
}

/// One phase as it was passed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PassedPhase {
    /// Which phase.
    pub phase: Phase,
    /// How long it took.
    pub duration: Duration,
}

/// The phases that were seen, in order, those outside the body included.
///
/// `start_s` is the first instant of the recording, `end_s` the last at which the signal tells anything.
#[must_use]
pub fn passed_phases(
    landmarks: &[ReportedLandmark],
    start_s: f64,
    end_s: f64,
    recording_end_s: f64,
) -> Vec<PassedPhase> {
    let mut phases = Vec::new();
    let find = |kind| {
        landmarks
            .iter()
            .find(|landmark: &&ReportedLandmark| landmark.kind == kind)
    };
    let before = find(LandmarkKind::Swallow).and_then(|swallow| swallow.time_s);
    if let Some(swallow_s) = before.filter(|&swallow_s| swallow_s > start_s) {
        phases.push(PassedPhase {
            phase: Phase::Outside,
            duration: plain(start_s, swallow_s, true),
        });
    }
    let bounds = [
        (Phase::Oesophagus, LandmarkKind::Swallow, LandmarkKind::Cardia),
        (Phase::Stomach, LandmarkKind::Cardia, LandmarkKind::Pylorus),
        (Phase::SmallBowel, LandmarkKind::Pylorus, LandmarkKind::IleocaecalValve),
        (Phase::Colon, LandmarkKind::IleocaecalValve, LandmarkKind::Expulsion),
    ];
    for (phase, opens, closes) in bounds {
        let (opening, closing) = (find(opens), find(closes));
        if let Some(duration) = between(opening, closing, landmarks, start_s, end_s) {
            phases.push(PassedPhase { phase, duration });
        }
    }
    let expelled = find(LandmarkKind::Expulsion).and_then(|landmark| landmark.time_s);
    if let Some(expelled_s) = expelled.filter(|&expelled_s| expelled_s < recording_end_s) {
        phases.push(PassedPhase {
            phase: Phase::Outside,
            duration: plain(expelled_s, recording_end_s, true),
        });
    }
    phases
}

fn plain(start_s: f64, end_s: f64, censored: bool) -> Duration {
    Duration {
        start_s,
        end_s,
        interval90_s: None,
        censored,
    }
}

/// The time between two landmarks; `None` when the phase between them was not seen.
fn between(
    opening: Option<&ReportedLandmark>,
    closing: Option<&ReportedLandmark>,
    landmarks: &[ReportedLandmark],
    start_s: f64,
    end_s: f64,
) -> Option<Duration> {
    let (opening, closing) = (opening?, closing?);
    let later_seen = landmarks
        .iter()
        .any(|other| other.kind > closing.kind && other.time_s.is_some());
    let earlier_seen = landmarks
        .iter()
        .any(|other| other.kind < opening.kind && other.time_s.is_some());
    match (opening.time_s, closing.time_s) {
        (Some(from_s), Some(to_s)) if to_s >= from_s => Some(Duration {
            start_s: from_s,
            end_s: to_s,
            interval90_s: length_interval(opening, closing),
            censored: false,
        }),
        // It began, and nothing later was seen: it lasted to the end.
        (Some(from_s), None) if !later_seen && from_s < end_s => Some(plain(from_s, end_s, true)),
        // It ended, and its beginning was before the recording.
        (None, Some(to_s)) if !earlier_seen && to_s > start_s => Some(plain(start_s, to_s, true)),
        // It began before the recording, and lasted to the end.
        (None, None) if opening.passed_before && !closing.passed_before && !later_seen && start_s < end_s => {
            Some(plain(start_s, end_s, true))
        }
        _ => None,
    }
}

/// The 90 % interval of a difference of two times with independent intervals: half-widths add in squares. Stays
/// non-negative.
fn length_interval(opening: &ReportedLandmark, closing: &ReportedLandmark) -> Option<[f64; 2]> {
    if opening.interval90_s.is_none() && closing.interval90_s.is_none() {
        return None;
    }
    let (from_s, to_s) = (opening.time_s?, closing.time_s?);
    let opening = opening.interval90_s.unwrap_or([from_s, from_s]);
    let closing = closing.interval90_s.unwrap_or([to_s, to_s]);
    let length_s = to_s - from_s;
    let less = (closing[0] - to_s).hypot(opening[1] - from_s);
    let more = (closing[1] - to_s).hypot(opening[0] - from_s);
    Some([(length_s - less).max(0.0), length_s + more])
}

/// One transit time beside what was published.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TransitTime {
    /// How long it took; `None` where it cannot be told.
    pub duration: Option<Duration>,
    /// What was published, if anything.
    pub reference: Option<ReferenceRange>,
}

/// The transit times.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TransitTimes {
    /// Swallow to cardia.
    pub oesophageal: TransitTime,
    /// Cardia to pylorus.
    pub gastric: TransitTime,
    /// Pylorus to ileocaecal valve.
    pub small_bowel: TransitTime,
    /// Ileocaecal valve to expulsion.
    pub colonic: TransitTime,
    /// Swallow to expulsion.
    pub whole_gut: TransitTime,
}

/// The transit times of the phases that were passed.
#[must_use]
pub fn transit_times(phases: &[PassedPhase], landmarks: &[ReportedLandmark]) -> TransitTimes {
    let of = |phase, reference| TransitTime {
        duration: phases
            .iter()
            .find(|passed| passed.phase == phase)
            .map(|passed| passed.duration),
        reference,
    };
    TransitTimes {
        oesophageal: of(Phase::Oesophagus, None),
        gastric: of(Phase::Stomach, Some(GASTRIC)),
        small_bowel: of(Phase::SmallBowel, Some(SMALL_BOWEL)),
        colonic: of(Phase::Colon, Some(COLONIC)),
        whole_gut: TransitTime {
            duration: whole_gut(phases, landmarks),
            reference: Some(WHOLE_GUT),
        },
    }
}

/// From the swallow to expulsion, or to the last that was seen.
fn whole_gut(phases: &[PassedPhase], landmarks: &[ReportedLandmark]) -> Option<Duration> {
    let find = |kind| {
        landmarks
            .iter()
            .find(|landmark: &&ReportedLandmark| landmark.kind == kind)
    };
    let swallow = find(LandmarkKind::Swallow)?;
    let expulsion = find(LandmarkKind::Expulsion)?;
    let inside = |passed: &&PassedPhase| passed.phase != Phase::Outside;
    let last_s = phases.iter().rfind(inside)?.duration.end_s;
    let first_s = phases.iter().find(inside)?.duration.start_s;
    match (swallow.time_s, expulsion.time_s) {
        (Some(from_s), Some(to_s)) => Some(Duration {
            start_s: from_s,
            end_s: to_s,
            interval90_s: length_interval(swallow, expulsion),
            censored: false,
        }),
        (from_s, to_s) => Some(plain(from_s.unwrap_or(first_s), to_s.unwrap_or(last_s), true)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn landmark(kind: LandmarkKind, time_s: Option<f64>, half_s: f64) -> ReportedLandmark {
        ReportedLandmark {
            kind,
            time_s,
            interval50_s: None,
            interval90_s: time_s.map(|time_s| [time_s - half_s, time_s + half_s]),
            probability: 1.0,
            source: LandmarkSource::Estimated,
            signal_time_s: None,
            passed_before: false,
            reason: time_s.is_none().then(|| "not reached".to_owned()),
        }
    }

    fn passage_of(times: [Option<f64>; 6]) -> Vec<ReportedLandmark> {
        LandmarkKind::ALL
            .iter()
            .zip(times)
            .map(|(&kind, time_s)| landmark(kind, time_s, 30.0))
            .collect()
    }

    #[test]
    fn a_whole_passage_has_every_phase_and_its_times() {
        let times = [100.0, 110.0, 1500.0, 1900.0, 13_000.0, 40_000.0].map(Some);
        let landmarks = passage_of(times);
        let phases = passed_phases(&landmarks, 0.0, 40_000.0, 43_200.0);
        let names: Vec<&str> = phases.iter().map(|passed| passed.phase.as_str()).collect();
        assert_eq!(
            names,
            ["outside", "oesophagus", "stomach", "small-bowel", "colon", "outside"]
        );
        let transit = transit_times(&phases, &landmarks);
        assert_relative_eq!(transit.small_bowel.duration.unwrap().length_s(), 11_500.0);
        // Two intervals of ± 30 s add in squares.
        let interval = transit.small_bowel.duration.unwrap().interval90_s.unwrap();
        assert_relative_eq!(interval[1] - 11_500.0, 30.0 * 2.0_f64.sqrt(), epsilon = 1e-9);
        assert!(!transit.whole_gut.duration.unwrap().censored);
    }

    #[test]
    fn what_ends_unseen_is_a_lower_bound_and_nothing_later_is_invented() {
        let landmarks = passage_of([Some(100.0), Some(110.0), Some(1500.0), Some(1900.0), None, None]);
        let phases = passed_phases(&landmarks, 0.0, 43_200.0, 43_200.0);
        let transit = transit_times(&phases, &landmarks);
        assert!(transit.small_bowel.duration.unwrap().censored);
        assert_relative_eq!(transit.small_bowel.duration.unwrap().length_s(), 41_700.0);
        assert_eq!(transit.colonic.duration, None);
        assert!(transit.whole_gut.duration.unwrap().censored);
    }

    #[test]
    fn what_began_unseen_is_a_lower_bound_too() {
        let landmarks = passage_of([None, None, Some(1500.0), Some(1900.0), Some(9000.0), None]);
        let phases = passed_phases(&landmarks, 0.0, 20_000.0, 20_000.0);
        assert_eq!(phases[0].phase, Phase::Stomach);
        assert!(phases[0].duration.censored);
        assert_relative_eq!(phases[0].duration.length_s(), 1500.0);
    }

    #[test]
    fn a_recording_that_lies_within_one_part_is_a_lower_bound_of_it() {
        let mut landmarks = passage_of([None; 6]);
        for landmark in &mut landmarks[..5] {
            landmark.passed_before = true;
        }
        let phases = passed_phases(&landmarks, 0.0, 20_000.0, 20_000.0);
        assert_eq!(phases.len(), 1);
        assert_eq!((phases[0].phase, phases[0].duration.censored), (Phase::Colon, true));
        assert_relative_eq!(phases[0].duration.length_s(), 20_000.0);
    }

    #[test]
    fn an_estimate_is_held_between_the_landmarks_that_were_given() {
        let mut landmarks = passage_of([Some(900.0), Some(887.0), Some(1500.0), None, None, None]);
        landmarks[0].source = LandmarkSource::Reader;
        hold_to_given(&mut landmarks);
        assert_eq!(landmarks[1].time_s, Some(900.0));
        assert_eq!(landmarks[1].interval90_s, Some([900.0, 917.0]));
        assert_eq!(landmarks[2].interval90_s, Some([1470.0, 1530.0]));
    }
}
