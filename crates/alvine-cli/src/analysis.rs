//! The analysis: from a study to its track and its summary, by way of the library crates.

mod cautions;
mod summarise;

use alvine::estimator::TrackEstimator;
use alvine::{
    FieldOptions, LandmarkKind, Loosening, Part, Phase, Quality, ReaderLandmark, Recording, Rival, SelfCalibration,
    ToldLaw, Track, Trajectory,
};
use alvine_study::Study;
use alvine_study::results::summary::Summary;
use alvine_transit::{
    EndedBy, Passage, PassedPhase, PlacedFinding, Prior, RefineOptions, Refined, ReportedLandmark, SegmentOptions,
    TransitTimes, ended_by, passed_phases, place_finding, refine, report_landmarks, transit_times,
};
use thiserror::Error;

/// What a user may choose about an analysis.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AnalysisOptions {
    /// Find the transmit level along with the path, for a capsule whose power is not known.
    pub level_unknown: bool,
    /// Let the track follow from the signal alone, not drawn towards where parts of the gut usually lie.
    pub no_usual_places: bool,
    /// What is expected of the passage.
    pub prior: Prior,
}

/// A study's track and its answers.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// The track inside the body.
    pub track: Track,
    /// The answers.
    pub summary: Summary,
    /// How likely each part was over time.
    pub parts: PartShares,
}

/// How likely the capsule was in each part, over even spans of time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PartShares {
    /// When the first span begins, s.
    pub start_s: f64,
    /// Width of a span, s.
    pub bin_s: f64,
    /// Phase and part, in the order of passage.
    pub stages: Vec<(Phase, Option<Part>)>,
    /// Probability of each stage in each span: stages, each as long as there are spans.
    pub shares: Vec<Vec<f64>>,
}

impl PartShares {
    /// Stages that follow each other within one part, as the model may have, are one.
    fn of(passage: &Passage) -> Self {
        let mut parts = Self {
            start_s: passage.start_s,
            bin_s: passage.bin_s,
            ..Self::default()
        };
        for (stage, shares) in passage.stages.iter().zip(&passage.occupancy) {
            match parts.shares.last_mut() {
                Some(sums) if parts.stages.last() == Some(stage) => {
                    for (sum, share) in sums.iter_mut().zip(shares) {
                        *sum += share;
                    }
                }
                _ => {
                    parts.stages.push(*stage);
                    parts.shares.push(shares.clone());
                }
            }
        }
        parts
    }

    /// The likeliest stage at a time with its probability; that of the nearest span beyond the ends.
    pub fn likeliest(&self, time_s: f64) -> Option<((Phase, Option<Part>), f64)> {
        let last = self.shares.first()?.len().checked_sub(1)?;
        let span = ((time_s - self.start_s) / self.bin_s).floor().clamp(0.0, last as f64) as usize;
        let shares = self.shares.iter().filter_map(|shares| shares.get(span).copied());
        let likely = self.stages.iter().copied().zip(shares);
        likely.max_by(|one, other| one.1.total_cmp(&other.1))
    }
}

/// Why a study cannot be analysed.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum AnalysisError {
    /// Track and phases cannot be told from each other.
    #[error(transparent)]
    Refine(#[from] alvine_transit::RefineError),
    /// Phases cannot be told.
    #[error(transparent)]
    Segment(#[from] alvine_transit::SegmentError),
}

/// Everything that was found, before it is put into the words of the summary.
struct Found<'a> {
    study: &'a Study,
    method: &'static str,
    options: &'a AnalysisOptions,
    track: &'a Track,
    passage: &'a Passage,
    /// How often phases were told from a track, and whether neither moved any more.
    rounds: usize,
    is_settled: bool,
    end: EndedBy,
    landmarks: Vec<ReportedLandmark>,
    phases: Vec<PassedPhase>,
    transit: TransitTimes,
    findings: Vec<PlacedFinding>,
    quality: Quality,
    loosenings: Vec<Loosening>,
    rivals: Vec<Rival>,
    /// How the readings compare with the stated law, where there are any.
    told: Option<ToldLaw>,
    /// What the recording says of the law and the sites by itself.
    calibration: Option<SelfCalibration>,
}

/// Analyses a study. `progress` is told the share of the work done, 0 to 1, from any thread.
///
/// Track and phases come from each other by [`alvine_transit::refine()`]; what the signal says without the reader, from the first track.
///
/// # Errors
///
/// [`AnalysisError`] when the study's landmarks contradict each other, or the layout and the recording.
pub fn analyse(
    study: &Study,
    options: &AnalysisOptions,
    progress: &(dyn Fn(f64) + Sync),
) -> Result<Analysis, AnalysisError> {
    let (setup, recording) = (&study.setup, &study.recording);
    let trajectory = trajectory(options);
    let given = given_landmarks(study);
    let asked = RefineOptions {
        segment: SegmentOptions {
            prior: options.prior.clone(),
            ..SegmentOptions::default()
        },
        usual_places: !options.no_usual_places,
        field: Some(field(options)),
        ..RefineOptions::default()
    };
    let mut refined = refine(&trajectory, setup, recording, &given, &asked, &|share| {
        progress(0.9 * share);
    })?;
    let alone = if study.landmarks.is_empty() {
        None
    } else {
        let swallow: Vec<_> = given
            .iter()
            .copied()
            .filter(|landmark| is_stated(study, landmark))
            .collect();
        Some(refined.segmenter.passage(&refined.first, &swallow)?)
    };
    progress(0.95);
    Ok(assemble(study, options, trajectory.name(), refined, alone.as_ref()))
}

/// Spread of a level of which nothing is known, dB.
const UNKNOWN_LEVEL_DB: f64 = 20.0;

/// The default trajectory, the level known or not as asked.
fn trajectory(options: &AnalysisOptions) -> Trajectory {
    let mut trajectory = Trajectory::default();
    if options.level_unknown {
        trajectory.options.slow_level.spread_db = UNKNOWN_LEVEL_DB;
    }
    trajectory
}

/// The default field, likewise.
fn field(options: &AnalysisOptions) -> FieldOptions {
    let mut field = FieldOptions::default();
    if options.level_unknown {
        field.level_spread_db = UNKNOWN_LEVEL_DB;
    }
    field
}

/// The reader's landmarks, and the time of the swallow that the study states unless the reader gave one.
fn given_landmarks(study: &Study) -> Vec<ReaderLandmark> {
    let mut given = study.landmarks.clone();
    let by_reader = given.iter().any(|landmark| landmark.kind == LandmarkKind::Swallow);
    if let Some(time_s) = study.swallowed_s.filter(|_| !by_reader) {
        given.push(ReaderLandmark {
            kind: LandmarkKind::Swallow,
            time_s,
            spread_s: None,
        });
    }
    given
}

/// Whether a landmark is the study's own time of the swallow, not a reader's.
fn is_stated(study: &Study, landmark: &ReaderLandmark) -> bool {
    landmark.kind == LandmarkKind::Swallow && !study.landmarks.iter().any(|given| given.kind == landmark.kind)
}

fn assemble(
    study: &Study,
    options: &AnalysisOptions,
    method: &'static str,
    refined: Refined,
    alone: Option<&Passage>,
) -> Analysis {
    let (setup, recording) = (&study.setup, &study.recording);
    let Refined {
        track,
        loosenings,
        calibration,
        mut rivals,
        passage,
        rounds,
        is_settled,
        ..
    } = refined;
    let (passage, alone) = (&passage, alone.unwrap_or(&passage));
    let life_s = setup.transmitter.battery_h().map(|hours| 3600.0 * hours);
    let end = ended_by(passage, life_s);
    let landmarks = report_landmarks(passage, alone, &study.landmarks, study.swallowed_s, end);
    let phases = phases(&landmarks, passage, recording);
    let transit = transit_times(&phases, &landmarks);
    let (from_s, to_s) = span_inside(&phases, recording);
    let mut track = within(track, from_s, to_s);
    // Outside the body no place in it is a rival.
    rivals.retain(|rival| rival.end_s > from_s && rival.start_s < to_s);
    let told = ToldLaw::of(setup, recording, &track, options.level_unknown);
    if let Some(told) = &told {
        told.widen(&mut track);
    }
    let found = Found {
        study,
        method,
        options,
        track: &track,
        passage,
        rounds,
        is_settled,
        calibration,
        end,
        transit,
        findings: study
            .findings
            .iter()
            .map(|finding| place_finding(finding, passage, &landmarks))
            .collect(),
        quality: Quality::assess(setup, recording, from_s, to_s),
        landmarks,
        phases,
        loosenings,
        rivals,
        told,
    };
    let summary = summarise::summarise(&found);
    Analysis {
        parts: PartShares::of(passage),
        track,
        summary,
    }
}

fn phases(landmarks: &[ReportedLandmark], passage: &Passage, recording: &Recording) -> Vec<PassedPhase> {
    let heard_until_s = if passage.end.is_gone() {
        passage.end.last_heard_s
    } else {
        passage.end.recording_end_s
    };
    passed_phases(
        landmarks,
        recording.time_s()[0],
        heard_until_s,
        passage.end.recording_end_s,
    )
}

/// From the first to the last instant in the body, s; the whole recording where no phase was seen.
fn span_inside(phases: &[PassedPhase], recording: &Recording) -> (f64, f64) {
    let mut inside = phases.iter().filter(|passed| passed.phase != Phase::Outside);
    let time_s = recording.time_s();
    let first = inside.next();
    let last = inside.next_back().or(first);
    (
        first.map_or(time_s[0], |passed| passed.duration.start_s),
        last.map_or(time_s[time_s.len() - 1], |passed| passed.duration.end_s),
    )
}

/// The track between two times: outside the body it says nothing.
fn within(mut track: Track, from_s: f64, to_s: f64) -> Track {
    track.points.retain(|point| (from_s..=to_s).contains(&point.time_s));
    track
}
