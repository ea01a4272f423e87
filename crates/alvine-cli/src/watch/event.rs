//! Events, as lines of JSON for other programs.

use serde::Serialize;

/// Something that happened, at a time of the recording.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Event {
    /// Seconds since the recording began.
    pub time_s: f64,
    /// What happened.
    #[serde(flatten)]
    pub what: What,
}

/// What can happen.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum What {
    /// The first row came.
    Began {
        /// The study's pseudonym.
        study: String,
        /// Its sites, in order.
        sites: Vec<String>,
    },
    /// How things stand, once a minute.
    State {
        /// Where the capsule is likely to be, mm.
        place_mm: Option<[f64; 3]>,
        /// Root-mean-square error of that in space, mm.
        spread_mm: Option<f64>,
        /// The probability that it has left the stomach.
        left_stomach: Option<f64>,
        /// The probability that it has reached the colon.
        reached_colon: Option<f64>,
        /// The next landmark and when it is expected, where there is one to come.
        next_landmark: Option<NextLandmark>,
        /// The share of the last minutes at which each site heard it.
        heard: Vec<f64>,
    },
    /// A site that used to hear the capsule hears nothing while others do.
    AntennaSilent {
        /// The site.
        site: String,
    },
    /// A site hears much less than it used to, against what the others make of it.
    AntennaWeak {
        /// The site.
        site: String,
        /// How much less, dB.
        below_db: f64,
    },
    /// A site hears as it used to.
    AntennaRecovered {
        /// The site.
        site: String,
    },
    /// No site has heard anything for some seconds.
    Dropout {
        /// Since when, s.
        since_s: f64,
    },
    /// A site heard something again.
    HeardAgain {
        /// How long none had, s.
        silent_s: f64,
    },
    /// The clock leapt.
    ClockJump {
        /// By how much, s.
        by_s: f64,
    },
    /// A step of the day plan is due.
    StepDue {
        /// Its short name.
        id: String,
        /// What it is.
        title: String,
    },
    /// The capsule has left the stomach, with this probability.
    LeftStomach {
        /// 0 to 1.
        probability: f64,
    },
    /// The capsule has reached the colon, with this probability.
    ReachedColon {
        /// 0 to 1.
        probability: f64,
    },
    /// The examination has ended.
    Ended {
        /// Why, as far as can be told.
        reason: EndReason,
        /// When the capsule was heard last, s.
        last_heard_s: f64,
    },
    /// A row could not be read and was left out.
    RowRefused {
        /// Its line in the recording or the feed, from 1.
        line: usize,
        /// Why.
        why: String,
    },
}

/// The next landmark, and when it is expected by what is known now.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NextLandmark {
    /// Which.
    pub landmark: &'static str,
    /// The probability that it is passed at all.
    pub reached: f64,
    /// When it is expected, the mean given that it is passed, s since the recording began.
    pub expected_s: f64,
    /// 50 % interval of that, s since the recording began.
    pub interval50_s: [f64; 2],
    /// 90 % interval of that, s since the recording began.
    pub interval90_s: [f64; 2],
}

impl NextLandmark {
    /// From the time that is left at an instant.
    pub fn after(time_s: f64, next: &alvine_transit::NextLandmark) -> Self {
        let whole = |left_s: f64| (time_s + left_s).round();
        Self {
            landmark: next.kind.as_str(),
            reached: next.reached,
            expected_s: whole(next.expected_s),
            interval50_s: next.interval50_s.map(whole),
            interval90_s: next.interval90_s.map(whole),
        }
    }
}

/// Why an examination ended, as far as can be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum EndReason {
    /// It was in the colon, and is heard no more.
    Expelled,
    /// Its rated life was nearly over.
    Battery,
    /// It is heard no more, and why is not known: expelled, empty, or the belt was taken off.
    Silence,
    /// No rows come any more.
    NoRows,
}

impl EndReason {
    /// In words.
    pub const fn words(self) -> &'static str {
        match self {
            EndReason::Expelled => "the capsule was in the colon and is heard no more: expelled, most likely",
            EndReason::Battery => "its battery's rated life is over and it is heard no more",
            EndReason::Silence => "it is heard no more: expelled, its battery empty, or the belt taken off",
            EndReason::NoRows => "no rows come any more",
        }
    }
}

impl What {
    /// Whether a person watching should see it as it happens.
    pub const fn is_notable(&self) -> bool {
        !matches!(self, What::State { .. })
    }

    /// In words.
    pub fn words(&self) -> String {
        match self {
            What::Began { study, sites } => format!("{study}: the recording began, at {} sites", sites.len()),
            What::State { .. } => String::new(),
            What::AntennaSilent { site } => format!("{site} hears nothing any more: look at its plug and cable"),
            What::AntennaWeak { site, below_db } => {
                format!("{site} hears {below_db:.0} dB less than it did: look whether it has come loose")
            }
            What::AntennaRecovered { site } => format!("{site} hears as before"),
            What::Dropout { .. } => "no site hears the capsule".to_owned(),
            What::HeardAgain { silent_s } => format!("heard again, after {silent_s:.0} s"),
            What::ClockJump { by_s } => format!("the recorder's clock leapt by {by_s:.0} s, or it did not record"),
            What::StepDue { title, .. } => format!("due now: {title}"),
            What::LeftStomach { probability } => {
                format!(
                    "the capsule has left the stomach (probability {:.0} %)",
                    100.0 * probability
                )
            }
            What::ReachedColon { probability } => {
                format!(
                    "the capsule has reached the colon (probability {:.0} %)",
                    100.0 * probability
                )
            }
            What::Ended { reason, .. } => format!("the examination has ended: {}", reason.words()),
            What::RowRefused { line, why } => format!("line {line} was left out: {why}"),
        }
    }
}
