//! The steps of the day plan, on the recording's clock.

use alvine_dayplan::PlanRecord;
use alvine_study::{LiveStudy, Started};
use jiff::Timestamp;

/// One step and its repetitions.
#[derive(Debug, Clone, PartialEq)]
struct Step {
    due_s: f64,
    /// Until when it repeats, and how often, s.
    repeats: Option<(f64, f64)>,
    id: String,
    title: String,
    told: bool,
}

/// The steps of a plan, by the recording's clock.
#[derive(Debug, Clone, Default)]
pub struct Due {
    steps: Vec<Step>,
}

/// A step that comes next.
#[derive(Debug, Clone, PartialEq)]
pub struct NextStep {
    /// When, s since the recording began.
    pub due_s: f64,
    /// Its short name.
    pub id: String,
    /// What it is.
    pub title: String,
}

impl Due {
    /// The steps of a plan from the swallow on. A step by time that passes follows the true swallow where the study has it, and
    /// otherwise the planned one; a step by the clock on the wall keeps its moment. `None` where the study does not say when it
    /// began, or the plan's moments are none.
    pub fn of(plan: &PlanRecord, live: &LiveStudy) -> Option<Self> {
        let start = began(live.started.as_ref()?)?;
        let since_start_s = |text: &str| {
            let moment: Timestamp = text.parse().ok()?;
            Some(start.duration_until(moment).as_secs_f64())
        };
        let planned_s = since_start_s(&plan.swallow)?;
        let swallowed_s = live.swallowed_s.unwrap_or(planned_s);
        let mut steps = Vec::new();
        for step in plan.steps.iter().filter(|step| step.after_swallow_s >= 0) {
            let shift_s = if step.rule == "elapsed" {
                swallowed_s - planned_s
            } else {
                0.0
            };
            let until_s = match &step.end {
                Some(end) => Some(since_start_s(end)? + shift_s),
                None => None,
            };
            steps.push(Step {
                due_s: since_start_s(&step.start)? + shift_s,
                repeats: until_s.zip(step.repeat_s.map(|every_s| every_s.max(1) as f64)),
                id: step.id.clone(),
                title: step.title.clone(),
                told: false,
            });
        }
        steps.sort_by(|one, other| one.due_s.total_cmp(&other.due_s));
        Some(Self { steps })
    }

    /// The steps that have become due up to a time, each once; those that repeat are not told.
    pub fn until(&mut self, time_s: f64) -> Vec<NextStep> {
        let due = self
            .steps
            .iter_mut()
            .filter(|step| !step.told && step.repeats.is_none() && step.due_s <= time_s);
        due.map(|step| {
            step.told = true;
            NextStep {
                due_s: step.due_s,
                id: step.id.clone(),
                title: step.title.clone(),
            }
        })
        .collect()
    }

    /// The next step after a time, repetitions among them.
    pub fn next_after(&self, time_s: f64) -> Option<NextStep> {
        let coming = self.steps.iter().filter_map(|step| {
            let due_s = match step.repeats {
                None => step.due_s,
                Some((until_s, every_s)) => {
                    let passed = ((time_s - step.due_s) / every_s).floor().max(0.0) + 1.0;
                    let due_s = step.due_s + passed * every_s;
                    if due_s >= until_s {
                        return None;
                    }
                    due_s
                }
            };
            (due_s > time_s).then(|| NextStep {
                due_s,
                id: step.id.clone(),
                title: step.title.clone(),
            })
        });
        coming.min_by(|one, other| one.due_s.total_cmp(&other.due_s))
    }
}

/// The moment of time 0.
fn began(started: &Started) -> Option<Timestamp> {
    started.offset.to_timestamp(started.civil).ok()
}
