//! What an audit keeps of one study: a row of the table of studies, and a row a site.

use serde::{Deserialize, Serialize};

/// The landmarks in the order of passage, by the names of the summary.
pub const LANDMARKS: [&str; 6] = [
    "swallow",
    "cardia",
    "pylorus",
    "duodenojejunal-flexure",
    "ileocaecal-valve",
    "expulsion",
];
/// The transit times in their order.
pub const TRANSITS: [&str; 5] = ["oesophageal", "gastric", "small-bowel", "colonic", "whole-gut"];

/// Place of a landmark in [`StudyRow::landmarks`].
pub const VALVE: usize = 4;
/// Place of a transit time in [`StudyRow::transits`].
pub const GASTRIC: usize = 1;
/// Place of a transit time in [`StudyRow::transits`].
pub const SMALL_BOWEL: usize = 2;
/// Place of a transit time in [`StudyRow::transits`].
pub const COLONIC: usize = 3;
/// Place of a transit time in [`StudyRow::transits`].
pub const WHOLE_GUT: usize = 4;

/// One study. Whatever could not be told is `None`; of a faulty study that is nearly everything.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StudyRow {
    /// Where the study lies, from the folder that was audited, with `/` between folders.
    pub study: String,
    /// Its pseudonym.
    pub id: Option<String>,
    /// When the recording began, µs since 1970-01-01 00:00 UTC.
    pub started_us: Option<i64>,
    /// How far the clock on the wall was ahead of UTC then, min.
    pub utc_offset_min: Option<i64>,
    /// Why it could not be read or analysed; `None` where it was.
    pub fault: Option<String>,
    /// Version of alvine that analysed it.
    pub version: String,
    /// Whether the transmit level was taken as known.
    pub level_known: Option<bool>,
    /// Whether the track was drawn towards the usual places.
    pub usual_places: Option<bool>,
    /// The name of what was expected of the passage: `fasting`, `fed`, or that of a prior's file.
    pub prior: Option<String>,
    /// From first to last instant, s.
    pub duration_s: Option<f64>,
    /// Instants of the recording.
    pub instants: Option<u64>,
    /// `complete`, `incomplete` or `unclear`.
    pub completeness: Option<String>,
    /// Probability that the ileocaecal valve was passed within the recording.
    pub probability_complete: Option<f64>,
    /// The last phase seen.
    pub last_phase: Option<String>,
    /// `expulsion`, `battery`, `recording-stopped` or `signal-lost`.
    pub ended_by: Option<String>,
    /// One a landmark, as [`LANDMARKS`] names them.
    pub landmarks: [LandmarkTime; 6],
    /// One a transit time, as [`TRANSITS`] names them.
    pub transits: [TransitTime; 5],
    /// Findings that a reader marked.
    pub findings: Option<u64>,
    /// Mean over the sites of the share of the instants inside the body at which they heard the capsule.
    pub hearing_share: Option<f64>,
    /// Median number of sites that heard the capsule at once.
    pub median_sites_heard: Option<f64>,
    /// Sites that heard it at a tenth of the instants or more.
    pub sites_carrying: Option<u64>,
    /// Median time between instants, s.
    pub median_step_s: Option<f64>,
    /// Spans in which no site heard anything.
    pub dropouts: Option<u64>,
    /// Their length together, s.
    pub dropout_s: Option<f64>,
    /// Leaps of the clock.
    pub clock_jumps: Option<u64>,
    /// Instants that have a place.
    pub instants_located: Option<u64>,
    /// Half of the instants have a place that is known better than this, mm (radius of 90 %).
    pub median_radius90_mm: Option<f64>,
    /// Its sites, in the layout's order: rows of the table of sites.
    #[serde(default)]
    pub sites: Vec<SiteRow>,
}

/// When a landmark was passed.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LandmarkTime {
    /// When, s since the recording began; `None` where not reached.
    pub time_s: Option<f64>,
    /// Lower end of the 90 % interval, s.
    pub low90_s: Option<f64>,
    /// Upper end, s.
    pub high90_s: Option<f64>,
    /// Probability that it was passed within the recording.
    pub probability: Option<f64>,
    /// `reader`, `recording` or `estimated`.
    pub source: Option<String>,
    /// What the signal alone says, where a reader or the study gave the time, s.
    pub signal_s: Option<f64>,
}

/// How long a passage took.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TransitTime {
    /// How long, s; a lower bound where `censored`.
    pub time_s: Option<f64>,
    /// Lower end of the 90 % interval, s.
    pub low90_s: Option<f64>,
    /// Upper end, s.
    pub high90_s: Option<f64>,
    /// Whether it began or ended unseen.
    pub censored: Option<bool>,
}

/// One site of one study; shares are of the instants inside the body, and sum to 1.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SiteRow {
    /// The study, as in [`StudyRow::study`].
    #[serde(default)]
    pub study: String,
    /// The site's name.
    pub site: String,
    /// Share at which it heard the capsule between floor and ceiling.
    pub heard: Option<f64>,
    /// Share at or below the floor.
    pub below_floor: Option<f64>,
    /// Share without a packet.
    pub missing: Option<f64>,
    /// Share at or above the ceiling.
    pub saturated: Option<f64>,
    /// Median level where heard, dBm.
    pub median_dbm: Option<f64>,
    /// Remarks that it may have worked loose.
    pub loosenings: Option<u64>,
    /// Length of those spans together, s.
    pub loosened_s: Option<f64>,
}

impl StudyRow {
    /// Whether it could be analysed.
    #[must_use]
    pub fn is_analysed(&self) -> bool {
        self.fault.is_none()
    }

    /// How far the reader and the signal alone are apart at most, s, and at which landmark; the swallow is not compared.
    #[must_use]
    pub fn greatest_disagreement(&self) -> Option<(&'static str, f64)> {
        let apart = LANDMARKS
            .iter()
            .zip(&self.landmarks)
            .skip(1)
            .filter_map(|(name, landmark)| {
                let by_reader = landmark.source.as_deref() == Some("reader");
                Some((*name, (landmark.time_s? - landmark.signal_s?).abs())).filter(|_| by_reader)
            });
        apart.max_by(|one, other| one.1.total_cmp(&other.1))
    }
}
