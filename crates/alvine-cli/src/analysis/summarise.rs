//! The summary: what was found, in the words and types of `summary.json`.

use std::collections::BTreeMap;

use alvine::{Calibrated, Flags, LandmarkKind, Phase, SelfCalibration, Track, median};
use alvine_study::results::summary::{
    CalibratedResult, CalibrationResult, Completeness, CompletenessStatus, FindingResult, IntervalResult,
    LandmarkResult, LooseningResult, Method, MotilityResult, MotionResult, PhaseResult, QualityResult,
    RhythmHourResult, RhythmResult, RivalResult, SUMMARY_FORMAT, SiteQualityResult, Source, StudyHead, Summary,
    TransitResult, TransitTime,
};
use alvine_transit::measures::TransitTime as FoundTransit;
use alvine_transit::motility::{MinuteStep, RETROGRADE, minute_steps, share_moving, speed};
use alvine_transit::{EndedBy, Fraction, LandmarkSource, PlacedFinding, ReportedLandmark, RhythmStrength};

use super::{Found, cautions};

/// χ² of three degrees of freedom, 90 % point, under a square root: the 90 % radius of a round Gaussian.
const RADIUS90: f64 = 2.500_277_6;

pub(super) fn summarise(found: &Found<'_>) -> Summary {
    let completeness = completeness(found);
    Summary {
        format: SUMMARY_FORMAT,
        study: head(found),
        method: method(found),
        landmarks: found.landmarks.iter().map(landmark).collect(),
        phases: phases(found),
        transit: transit(found),
        motility: Some(motility(found)),
        findings: found.findings.iter().map(|placed| finding(placed, found)).collect(),
        quality: quality(found),
        cautions: cautions::cautions(found, &completeness),
        completeness,
    }
}

fn head(found: &Found<'_>) -> StudyHead {
    let study = found.study;
    StudyHead {
        id: study.id.clone(),
        started: study.started.map(|started| started.to_string()),
        duration_s: study.recording.duration_s(),
        instants: study.recording.len(),
        sites: study.setup.layout.names(),
    }
}

fn method(found: &Found<'_>) -> Method {
    let mut radii: Vec<f64> = found
        .track
        .points
        .iter()
        .map(|point| radius90_mm(&point.covariance_mm2))
        .collect();
    Method {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        smoother: found.method.to_owned(),
        level_known: !found.options.level_unknown,
        usual_places: !found.options.no_usual_places,
        rounds: Some(found.rounds),
        settled: Some(found.is_settled),
        calibration: found.calibration.as_ref().map(calibration),
        prior: found.options.prior.name().to_owned(),
        median_radius90_mm: median(&mut radii),
    }
}

fn calibration(found: &SelfCalibration) -> CalibrationResult {
    let told = |of: &Calibrated| CalibratedResult {
        value: of.value,
        spread: of.spread,
    };
    CalibrationResult {
        level_db: told(&found.level_db),
        exponent: told(&found.exponent),
        gains_db: found.gains_db.iter().map(told).collect(),
    }
}

/// The radius of the round Gaussian of the same total variance that holds 90 %, mm.
fn radius90_mm(covariance_mm2: &nalgebra::Matrix3<f64>) -> f64 {
    RADIUS90 * (covariance_mm2.trace() / 3.0).max(0.0).sqrt()
}

/// The probability, from the landmarks as reported, that the valve was passed.
fn completeness(found: &Found<'_>) -> Completeness {
    const SURE: f64 = 0.9;
    let valve = found
        .landmarks
        .iter()
        .find(|landmark| landmark.kind == LandmarkKind::IleocaecalValve);
    let seen_before = found
        .passage
        .landmark(LandmarkKind::IleocaecalValve)
        .map_or(0.0, |valve| valve.before);
    let probability = valve.map_or(0.0, |valve| (valve.probability + seen_before).min(1.0));
    let status = if probability >= SURE {
        CompletenessStatus::Complete
    } else if probability <= 1.0 - SURE {
        CompletenessStatus::Incomplete
    } else {
        CompletenessStatus::Unclear
    };
    let last_phase = found
        .phases
        .iter()
        .rfind(|passed| passed.phase != Phase::Outside)
        .map_or(Phase::Outside, |p| p.phase);
    Completeness {
        status,
        probability_complete: probability,
        last_phase: last_phase.to_string(),
        ended_by: found.end.as_str().to_owned(),
        statement: statement(status, probability, last_phase, found.end),
    }
}

fn statement(status: CompletenessStatus, probability: f64, last_phase: Phase, end: EndedBy) -> String {
    let why = match end {
        EndedBy::Expulsion => "the capsule was expelled",
        EndedBy::Battery => "the recording reached the end of the battery's rated life",
        EndedBy::RecordingStopped => "the recording stopped while the capsule was still heard",
        EndedBy::SignalLost => "the signal was lost before the battery's rated life was over",
    };
    let last = match last_phase {
        Phase::Outside => "outside the body",
        Phase::Oesophagus => "in the oesophagus",
        Phase::Stomach => "in the stomach",
        Phase::SmallBowel => "in the small bowel",
        Phase::Colon => "in the colon",
    };
    let percent = 100.0 * probability;
    match status {
        CompletenessStatus::Complete => {
            format!("The capsule reached the colon: the small bowel was passed whole. It was last seen {last}; {why}.")
        }
        CompletenessStatus::Incomplete => {
            format!("The capsule was not seen to reach the colon. It was last seen {last}; {why}.")
        }
        CompletenessStatus::Unclear => format!(
            "Whether the capsule reached the colon cannot be told from the signal (probability {percent:.0} %). It was last seen {last}; {why}."
        ),
    }
}

fn landmark(reported: &ReportedLandmark) -> LandmarkResult {
    LandmarkResult {
        kind: reported.kind.to_string(),
        time_s: reported.time_s,
        interval50_s: reported.interval50_s,
        interval90_s: reported.interval90_s,
        probability_reached: reported.probability,
        source: match reported.source {
            LandmarkSource::Reader => Source::Reader,
            LandmarkSource::Recording => Source::Recording,
            LandmarkSource::Estimated => Source::Estimated,
        },
        signal_time_s: reported.signal_time_s,
        reason: reported.reason.clone(),
    }
}

fn phases(found: &Found<'_>) -> Vec<PhaseResult> {
    found
        .phases
        .iter()
        .map(|passed| PhaseResult {
            phase: passed.phase.to_string(),
            start_s: passed.duration.start_s,
            end_s: passed.duration.end_s,
            duration_s: passed.duration.length_s(),
            interval90_s: passed.duration.interval90_s,
            censored: passed.duration.censored,
        })
        .collect()
}

fn transit(found: &Found<'_>) -> TransitResult {
    let times = &found.transit;
    TransitResult {
        oesophageal: transit_time(&times.oesophageal),
        gastric: transit_time(&times.gastric),
        small_bowel: transit_time(&times.small_bowel),
        colonic: transit_time(&times.colonic),
        whole_gut: transit_time(&times.whole_gut),
    }
}

fn transit_time(time: &FoundTransit) -> TransitTime {
    TransitTime {
        duration_s: time.duration.map(|duration| duration.length_s()),
        interval90_s: time.duration.and_then(|duration| duration.interval90_s),
        censored: time.duration.is_some_and(|duration| duration.censored),
        reference_median_s: time.reference.map(|range| range.median_s),
        reference_range_s: time.reference.map(|range| range.range_s),
        reference_kind: time.reference.map(|range| range.kind.to_owned()),
        reference_source: time.reference.map(|range| range.source.to_owned()),
    }
}

fn motility(found: &Found<'_>) -> MotilityResult {
    let steps = minute_steps(found.track);
    let hours = found.passage.rhythm_hours.iter();
    MotilityResult {
        phases: [Phase::Stomach, Phase::SmallBowel, Phase::Colon]
            .map(|phase| motion(&steps, found, phase))
            .into(),
        retrograde_share: None,
        retrograde_reason: RETROGRADE.to_owned(),
        rhythm_hours: hours
            .map(|hour| RhythmHourResult {
                start_s: hour.start_s,
                end_s: hour.end_s,
                gastric: hour.gastric.map(rhythm),
                small_bowel: hour.small_bowel.map(rhythm),
            })
            .collect(),
    }
}

fn motion(steps: &[MinuteStep], found: &Found<'_>, phase: Phase) -> MotionResult {
    let share = share_moving(steps, found.passage, phase);
    let speed = speed(steps, found.passage, phase);
    MotionResult {
        phase: phase.to_string(),
        share_moving: share.map(|share| share.told),
        share_moving_interval: share.map(|share| share.interval),
        speed_mm_per_min: speed.map(|speed| speed.all),
        moving_speed_mm_per_min: speed.and_then(|speed| speed.moving),
        minutes: share.map(|share| share.minutes),
        reason: share
            .is_none()
            .then(|| "less than half an hour of it has a place".to_owned()),
    }
}

fn rhythm(strength: RhythmStrength) -> RhythmResult {
    RhythmResult {
        strength_db: strength.strength_db,
        per_minute: strength.per_minute,
        seen: strength.is_seen,
    }
}

fn finding(placed: &PlacedFinding, found: &Found<'_>) -> FindingResult {
    let note = found
        .study
        .findings
        .iter()
        .find(|finding| finding.id == placed.id)
        .and_then(|finding| finding.note.clone());
    let point = nearest(found.track, placed.time_s);
    FindingResult {
        id: placed.id.clone(),
        time_s: placed.time_s,
        note,
        phase: placed.phase.to_string(),
        part: placed.part.map(|part| part.to_string()),
        time_fraction: placed.time_fraction.map(|fraction| fraction.value),
        time_fraction_interval90: placed.time_fraction.map(|fraction: Fraction| fraction.interval90),
        path_fraction: placed.path_fraction.map(|fraction| fraction.value),
        interval90: placed.path_fraction.map(|fraction| fraction.interval90),
        position_mm: point.map(|point| point.position_mm.into()),
        radius90_mm: point.map(|point| radius90_mm(&point.covariance_mm2)),
        route: placed.route.map(|route| route.statement().to_owned()),
        reason: placed.reason.map(str::to_owned),
    }
}

/// The track point nearest to a time, within ten seconds.
fn nearest(track: &Track, time_s: f64) -> Option<&alvine::TrackPoint> {
    const NEAR_S: f64 = 10.0;
    let after = track.points.partition_point(|point| point.time_s < time_s);
    let around = [after.checked_sub(1), Some(after)];
    around
        .into_iter()
        .flatten()
        .filter_map(|index| track.points.get(index))
        .min_by(|a, b| (a.time_s - time_s).abs().total_cmp(&(b.time_s - time_s).abs()))
        .filter(|point| (point.time_s - time_s).abs() <= NEAR_S)
}

fn quality(found: &Found<'_>) -> QualityResult {
    let quality = &found.quality;
    let sites = found.study.setup.layout.sites();
    let interval = |span: &alvine::Interval| IntervalResult {
        start_s: span.start_s,
        end_s: span.end_s,
    };
    QualityResult {
        sites: sites
            .iter()
            .zip(&quality.sites)
            .map(|(site, shares)| SiteQualityResult {
                name: site.name.clone(),
                heard: shares.heard,
                censored: shares.censored,
                missing: shares.missing,
                saturated: shares.saturated,
                median_dbm: shares.median_dbm,
            })
            .collect(),
        loosenings: found
            .loosenings
            .iter()
            .map(|span| LooseningResult {
                site: sites[span.site].name.clone(),
                start_s: span.start_s,
                end_s: span.end_s,
                loss_db: span.loss_db,
                probability: span.probability,
            })
            .collect(),
        rivals: found
            .rivals
            .iter()
            .map(|rival| RivalResult {
                start_s: rival.start_s,
                end_s: rival.end_s,
                position_mm: rival.position_mm.into(),
                probability: rival.probability,
            })
            .collect(),
        dropouts: quality.dropouts.iter().map(interval).collect(),
        clock_jumps: quality.clock_jumps.iter().map(interval).collect(),
        median_step_s: quality.median_step_s,
        median_sites_heard: quality.median_sites_heard,
        sites_carrying: quality.sites_carrying,
        instants_located: found.track.points.len(),
        flags: Flags::NAMED
            .iter()
            .map(|&(flag, name)| (name.to_owned(), found.track.count(flag)))
            .collect::<BTreeMap<_, _>>(),
    }
}
