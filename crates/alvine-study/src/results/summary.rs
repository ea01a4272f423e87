//! `summary.json`: the answers of one report, for people's programs to read.
//!
//! The JSON Schema in `schemas/summary.schema.json` describes it. Every value that was not found is present as
//! `null` with its reason; nothing is left out silently.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::fault::{Fault, Place, StudyError};
use crate::recording_csv::read_text;

/// The format's version.
pub const SUMMARY_FORMAT: u32 = 1;

/// The JSON Schema (draft 2020-12) of `summary.json`.
pub const SUMMARY_SCHEMA: &str = include_str!("../../schemas/summary.schema.json");

/// The whole of `summary.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Summary {
    /// [`SUMMARY_FORMAT`].
    pub format: u32,
    /// Which study this is about.
    pub study: StudyHead,
    /// How the result was made.
    pub method: Method,
    /// Is the examination complete, and why it ended.
    pub completeness: Completeness,
    /// Every landmark once, in the order of passage.
    pub landmarks: Vec<LandmarkResult>,
    /// The phases that were seen, in order.
    pub phases: Vec<PhaseResult>,
    /// The transit times.
    pub transit: TransitResult,
    /// Rest, propulsion and rhythm; `None` in results of versions that did not tell them.
    #[serde(default)]
    pub motility: Option<MotilityResult>,
    /// The reader's findings with their places.
    pub findings: Vec<FindingResult>,
    /// How well it was recorded.
    pub quality: QualityResult,
    /// What the reader of this must mind, in plain sentences.
    pub cautions: Vec<String>,
}

/// Which study.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StudyHead {
    /// Pseudonym.
    pub id: String,
    /// When time 0 was, RFC 3339 with offset, if the study says.
    pub started: Option<String>,
    /// From first to last instant, s.
    pub duration_s: f64,
    /// Number of instants.
    pub instants: usize,
    /// Names of the sites, in order.
    pub sites: Vec<String>,
}

/// A number that the recording told, with its standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibratedResult {
    /// The most likely value.
    pub value: f64,
    /// Its standard deviation.
    pub spread: f64,
}

/// What the recording says by itself of the law and the sites: each true less stated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationResult {
    /// Of the level, dB.
    pub level_db: CalibratedResult,
    /// Of the exponent.
    pub exponent: CalibratedResult,
    /// Of each site's gain, dB, in the order of the layout.
    pub gains_db: Vec<CalibratedResult>,
}

/// How the result was made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Method {
    /// Version of alvine.
    pub version: String,
    /// The smoother's name.
    pub smoother: String,
    /// Whether the transmit level was taken as known.
    pub level_known: bool,
    /// Whether the track was drawn towards where each part of the gut usually lies.
    pub usual_places: bool,
    /// How often phases were told from a track, each but the first drawn about the places of those before; `None` in results of
    /// versions that did not say.
    #[serde(default)]
    pub rounds: Option<usize>,
    /// Whether neither track nor landmarks moved any more in the last round.
    #[serde(default)]
    pub settled: Option<bool>,
    /// What the recording says by itself of level, exponent and gains, against what the study states; `None` where the track was not
    /// refined in a field.
    #[serde(default)]
    pub calibration: Option<CalibrationResult>,
    /// The name of what was expected of the passage: `fasting`, `fed`, or that of a prior's file.
    #[serde(default = "only_one")]
    pub prior: String,
    /// Median of the 90 % radius of position, mm: half of the instants are known better than this.
    pub median_radius90_mm: Option<f64>,
}

/// The prior of results that do not name theirs: there was no other.
fn only_one() -> String {
    "fasting".to_owned()
}

/// Whether the colon was reached and why the recording tells no more.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Completeness {
    /// `complete` (the ileocaecal valve was passed), `incomplete`, or `unclear`.
    pub status: CompletenessStatus,
    /// Probability that the valve was passed within the recording.
    pub probability_complete: f64,
    /// The last phase seen.
    pub last_phase: String,
    /// `expulsion`, `battery`, `recording-stopped` or `signal-lost`.
    pub ended_by: String,
    /// One sentence a clinician can read.
    pub statement: String,
}

/// Complete, or not, or not to be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CompletenessStatus {
    /// The ileocaecal valve was passed.
    Complete,
    /// It was not.
    Incomplete,
    /// The signal does not tell.
    Unclear,
}

impl CompletenessStatus {
    /// As in `summary.json`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Complete => "complete",
            Self::Incomplete => "incomplete",
            Self::Unclear => "unclear",
        }
    }
}

/// Where a landmark's time came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// A human reader of the images.
    Reader,
    /// The study file, such as the time of the swallow.
    Recording,
    /// alvine, from the signal.
    Estimated,
}

impl Source {
    /// As in `summary.json`.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Reader => "reader",
            Self::Recording => "recording",
            Self::Estimated => "estimated",
        }
    }
}

/// One landmark.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LandmarkResult {
    /// Its kind, as in the design's words.
    pub kind: String,
    /// When, s; `null` when not reached in this recording.
    pub time_s: Option<f64>,
    /// 50 % interval, s.
    pub interval50_s: Option<[f64; 2]>,
    /// 90 % interval, s.
    pub interval90_s: Option<[f64; 2]>,
    /// Probability that it was reached within the recording.
    pub probability_reached: f64,
    /// Where the time came from.
    pub source: Source,
    /// What the signal alone says, where a reader or the study file gave the time: s.
    pub signal_time_s: Option<f64>,
    /// Why there is no time.
    pub reason: Option<String>,
}

/// One phase that was seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhaseResult {
    /// Its name.
    pub phase: String,
    /// When it began, s.
    pub start_s: f64,
    /// When it ended, s; the recording's end where it lasts on.
    pub end_s: f64,
    /// How long, s.
    pub duration_s: f64,
    /// 90 % interval of the duration, s.
    pub interval90_s: Option<[f64; 2]>,
    /// Whether it began or ended outside the recording, so that the duration is a lower bound.
    pub censored: bool,
}

/// One transit time beside its published range.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TransitTime {
    /// Duration, s; a lower bound where `censored`; `null` where it cannot be told.
    pub duration_s: Option<f64>,
    /// 90 % interval, s.
    pub interval90_s: Option<[f64; 2]>,
    /// Whether the duration is only a lower bound.
    pub censored: bool,
    /// Published median, s.
    pub reference_median_s: Option<f64>,
    /// Published range, s.
    pub reference_range_s: Option<[f64; 2]>,
    /// What that range is, such as `interquartile range`.
    pub reference_kind: Option<String>,
    /// Where it was published.
    pub reference_source: Option<String>,
}

/// The transit times, each `null` inside where it cannot be told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TransitResult {
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

impl TransitResult {
    /// Each with its name, in the order of the gut, the whole last.
    #[must_use]
    pub const fn named(&self) -> [(&'static str, &TransitTime); 5] {
        [
            ("oesophageal", &self.oesophageal),
            ("gastric", &self.gastric),
            ("small-bowel", &self.small_bowel),
            ("colonic", &self.colonic),
            ("whole-gut", &self.whole_gut),
        ]
    }
}

/// Rest and propulsion by part, and rhythm by hour.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MotilityResult {
    /// Stomach, small bowel and colon, in order.
    pub phases: Vec<MotionResult>,
    /// Share of the way that led backwards: never told.
    pub retrograde_share: Option<f64>,
    /// Why not.
    pub retrograde_reason: String,
    /// How strong the rhythms of stomach and small bowel are, hour by hour since the recording began.
    pub rhythm_hours: Vec<RhythmHourResult>,
}

/// Rest and propulsion in one phase.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MotionResult {
    /// Which phase.
    pub phase: String,
    /// Share of its minutes in which the track moved further than rest explains.
    pub share_moving: Option<f64>,
    /// Between which the true share lies, by how well moving was told on simulated studies.
    pub share_moving_interval: Option<[f64; 2]>,
    /// Quartiles and median of the net speed over all its minutes, mm a minute; `null` inside where not told from rest.
    pub speed_mm_per_min: Option<[Option<f64>; 3]>,
    /// Quartiles and median over the minutes that are told to move, mm a minute.
    pub moving_speed_mm_per_min: Option<[f64; 3]>,
    /// How many minutes it rests on.
    pub minutes: Option<f64>,
    /// Why there is nothing.
    pub reason: Option<String>,
}

/// The rhythms of one hour.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RhythmHourResult {
    /// From, s.
    pub start_s: f64,
    /// To, s.
    pub end_s: f64,
    /// The stomach's, near 3 a minute; `null` where the recording does not tell.
    pub gastric: Option<RhythmResult>,
    /// The small bowel's, near 12 falling to 8 a minute; `null` where the recording does not tell.
    pub small_bowel: Option<RhythmResult>,
}

/// One rhythm over an hour.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RhythmResult {
    /// Power over that of neighbouring frequencies where it is greatest, dB.
    pub strength_db: f64,
    /// Where that is, cycles a minute.
    pub per_minute: f64,
    /// Whether it is above what noise alone reaches in 95 hours of 100.
    pub seen: bool,
}

/// One finding with its place along the gut.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FindingResult {
    /// Its name in the study.
    pub id: String,
    /// When, s.
    pub time_s: f64,
    /// The reader's words.
    pub note: Option<String>,
    /// The phase at that time.
    pub phase: String,
    /// The part, where the signal tells.
    pub part: Option<String>,
    /// Fraction of the small-bowel transit time, pylorus 0 to valve 1.
    pub time_fraction: Option<f64>,
    /// 90 % interval of the time fraction.
    pub time_fraction_interval90: Option<[f64; 2]>,
    /// Fraction of the small bowel's path, pylorus 0 to valve 1.
    pub path_fraction: Option<f64>,
    /// 90 % interval of the path fraction.
    pub interval90: Option<[f64; 2]>,
    /// Where the capsule was, mm.
    pub position_mm: Option<[f64; 3]>,
    /// Radius that holds it with 90 %, mm.
    pub radius90_mm: Option<f64>,
    /// From which end enteroscopy is usually begun, with its source; information, not advice.
    pub route: Option<String>,
    /// Why something above is missing.
    pub reason: Option<String>,
}

/// How well it was recorded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct QualityResult {
    /// Each site's share of the instants, in the layout's order.
    pub sites: Vec<SiteQualityResult>,
    /// Intervals in which a site seems to have worked loose.
    pub loosenings: Vec<LooseningResult>,
    /// Places far from the track that fit nearly as well, for some time.
    pub rivals: Vec<RivalResult>,
    /// Intervals in which no site heard anything while the capsule was inside.
    pub dropouts: Vec<IntervalResult>,
    /// Leaps of the clock.
    pub clock_jumps: Vec<IntervalResult>,
    /// Median time between instants, s.
    pub median_step_s: Option<f64>,
    /// How many sites carried the result: the median number heard at an instant inside the body.
    pub median_sites_heard: f64,
    /// The sites that heard the capsule in at least a tenth of the instants inside the body.
    pub sites_carrying: usize,
    /// Instants with a track point.
    pub instants_located: usize,
    /// How many track points carry each flag.
    pub flags: BTreeMap<String, usize>,
}

/// One site's shares of the instants inside the body, each 0 to 1; they sum to 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SiteQualityResult {
    /// Its name.
    pub name: String,
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

/// A span of time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct IntervalResult {
    /// From, s.
    pub start_s: f64,
    /// To, s.
    pub end_s: f64,
}

/// A site that seems to have worked loose.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LooseningResult {
    /// Its name.
    pub site: String,
    /// From, s.
    pub start_s: f64,
    /// To, s.
    pub end_s: f64,
    /// How much weaker than in the hour before and after, dB; at least so much where it fell silent.
    pub loss_db: f64,
    /// How likely it was loose at the likeliest minute.
    pub probability: f64,
}

/// A place far from the track that fits nearly as well.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RivalResult {
    /// From, s.
    pub start_s: f64,
    /// To, s.
    pub end_s: f64,
    /// Where, mm.
    pub position_mm: [f64; 3],
    /// How likely the capsule was there.
    pub probability: f64,
}

/// Writes a summary as JSON with an indent of two.
///
/// The file is written in place: give a path from [`crate::Staging::path`] to have it whole or not at all.
///
/// # Errors
///
/// When the file cannot be written, or when a number is not finite, which JSON cannot hold.
pub fn write_summary(summary: &Summary, to: &Path) -> Result<(), StudyError> {
    let failed = |error| StudyError::io(to, "written", error);
    let mut text = serde_json::to_string_pretty(summary).map_err(|error| failed(error.into()))?;
    // JSON turns what is not finite into null, and would say "not found" where something went wrong.
    if serde_json::from_str(&text).ok().as_ref() != Some(summary) {
        let fault = Fault::Unwritable {
            what: "a number of the summary".to_owned(),
            found: "infinite or not a number".to_owned(),
            expected: "finite numbers".to_owned(),
        };
        return Err(StudyError::new(Place::file(to), fault));
    }
    text.push('\n');
    fs::write(to, text).map_err(failed)
}

/// Reads a summary; `path` is `summary.json`, or the folder that holds it.
///
/// # Errors
///
/// When there is none, or when it is not what [`write_summary`] writes.
pub fn read_summary(path: &Path) -> Result<Summary, StudyError> {
    const LARGEST_FILE: u64 = 256 << 20;
    let file = if path.is_dir() {
        path.join("summary.json")
    } else {
        path.to_owned()
    };
    let text = read_text(&file, "summary.json, as the report writes it", LARGEST_FILE)?;
    let summary: Summary = serde_json::from_str(&text).map_err(|error| json_error(&file, &error))?;
    if summary.format != SUMMARY_FORMAT {
        let fault = Fault::UnknownFormat {
            found: summary.format.to_string(),
            expected: SUMMARY_FORMAT,
        };
        return Err(StudyError::new(Place::file(&file), fault));
    }
    Ok(summary)
}

/// A fault of JSON at its place.
pub(crate) fn json_error(file: &Path, error: &serde_json::Error) -> StudyError {
    let place = Place::Text {
        file: file.to_owned(),
        line: error.line().max(1),
        column: error.column().max(1),
    };
    // The place is named already.
    let message = error.to_string();
    let message = message.split(" at line ").next().unwrap_or_default().to_owned();
    StudyError::new(place, Fault::Json { message })
}
