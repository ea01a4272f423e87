//! The plan as a record that other programs read, such as JSON.

use jiff::{SignedDuration, ZonedDateTime};
use serde::{Deserialize, Serialize};

use crate::local_time::zone_name;
use crate::plan::DayPlan;
use crate::step::{Rule, Step};

/// The version of the record.
const FORMAT: u32 = 1;

/// A plan with moments as RFC 3339 text and lengths in seconds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanRecord {
    /// Version of the record, 1.
    pub format: u32,
    /// The planned swallow.
    pub swallow: String,
    /// The time zone.
    pub zone: String,
    /// The latest end of the recording.
    pub end: String,
    /// When the equipment is clean and dry, at the earliest.
    pub ready: String,
    /// `adhesive` or `belt`.
    pub sites: String,
    /// The protocol's name.
    pub protocol: String,
    /// Where its values come from.
    pub origin: String,
    /// What is worth knowing.
    pub remarks: Vec<String>,
    /// What no plan decides.
    pub caution: String,
    /// What holds from the swallow to the end.
    pub conduct: Vec<String>,
    /// Every step, in order.
    pub steps: Vec<StepRecord>,
}

/// One step of a plan.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StepRecord {
    /// A short name, unique within the plan.
    pub id: String,
    /// `patient` or `unit`.
    pub who: String,
    /// When it is due, or begins.
    pub start: String,
    /// Until when it lasts, where it does.
    pub end: Option<String>,
    /// Seconds from the planned swallow to its start, by time that passes; negative before it.
    pub after_swallow_s: i64,
    /// `wall-clock`, or `elapsed` for a step that moves with the swallow.
    pub rule: String,
    /// A few words.
    pub title: String,
    /// What to do.
    pub words: String,
    /// Seconds before it at which to remind.
    pub remind_s: Option<i64>,
    /// Seconds from one reminder to the next while it lasts.
    pub repeat_s: Option<i64>,
}

impl PlanRecord {
    /// The record of a plan.
    #[must_use]
    pub fn of(plan: &DayPlan) -> Self {
        Self {
            format: FORMAT,
            swallow: rfc3339(&plan.swallow),
            zone: zone_name(plan.swallow.time_zone()),
            end: rfc3339(&plan.end),
            ready: rfc3339(&plan.ready),
            sites: plan.sites.as_str().to_owned(),
            protocol: plan.protocol.clone(),
            origin: plan.origin.clone(),
            remarks: plan.remarks.iter().map(ToString::to_string).collect(),
            caution: crate::words::CLINICIAN_DECIDES.to_owned(),
            conduct: plan.conduct.iter().map(|&rule| rule.to_owned()).collect(),
            steps: plan
                .steps
                .iter()
                .map(|step| StepRecord::of(step, &plan.swallow))
                .collect(),
        }
    }
}

impl StepRecord {
    fn of(step: &Step, swallow: &ZonedDateTime) -> Self {
        let rule = match step.rule {
            Rule::WallClock => "wall-clock",
            Rule::Elapsed(_) => "elapsed",
        };
        let seconds = |duration: SignedDuration| duration.as_secs();
        Self {
            id: step.id.clone(),
            who: step.audience.as_str().to_owned(),
            start: rfc3339(&step.start),
            end: step.end.as_ref().map(rfc3339),
            after_swallow_s: seconds(swallow.duration_until(&step.start)),
            rule: rule.to_owned(),
            title: step.title.clone(),
            words: step.words.clone(),
            remind_s: step.remind.map(seconds),
            repeat_s: step.repeat.map(seconds),
        }
    }
}

/// `2026-03-02T08:15:00+01:00`.
pub(crate) fn rfc3339(moment: &ZonedDateTime) -> String {
    moment.strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}
