//! The plan: every step with its moment, and why a day cannot be as planned.

use jiff::civil::{Date, Weekday};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, ToSpan, ZonedDateTime};
use thiserror::Error;

use crate::local_time::{Reading, day, elapsed, time_of_day, wall_clock, weekday};
use crate::protocol::{LocalStep, OpeningHours, Protocol, Sites, When};
use crate::step::{Audience, Rule, Step};
use crate::words::{self, Words};

/// No food for longer than this is remarked on (common practice, no source).
const LONG_WITHOUT_FOOD: SignedDuration = SignedDuration::from_hours(24);
/// Hours of the day at which people sleep: from here ...
const NIGHT_FROM_H: i8 = 23;
/// ... to here.
const NIGHT_UNTIL_H: i8 = 6;
/// How far ahead another day is looked for.
const MOST_DAYS_AHEAD: i64 = 14;

/// What decides a plan besides its protocol.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Facts {
    /// The planned swallow.
    pub swallow: ZonedDateTime,
    /// How the antennas are held.
    pub sites: Sites,
    /// Life of the capsule's battery, where it differs from the protocol's.
    pub battery: Option<SignedDuration>,
    /// When the plan is asked for: steps before the swallow must not lie before it. `None` to plan for any time.
    pub asked: Option<ZonedDateTime>,
    /// When the equipment is needed again, where that is known.
    pub next_use: Option<ZonedDateTime>,
}

/// Why a day cannot be as planned.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[non_exhaustive]
pub enum PlanError {
    /// A step before the swallow lies in the past.
    #[error(
        "`{step}` would have been due on {}, and it is {} already{}",
        shown(due),
        shown(asked),
        first(first_possible)
    )]
    TooLate {
        /// The step's title.
        step: String,
        /// When it would have been due.
        due: Box<ZonedDateTime>,
        /// When the plan was asked for.
        asked: Box<ZonedDateTime>,
        /// The first day on which the same time of day would do.
        first_possible: Option<Box<ZonedDateTime>>,
    },
    /// Two rules that contradict each other on this day.
    #[error(
        "`{sooner}` on {} would have to come before `{later}` on {}: choose another time for the swallow, or check the protocol",
        shown(sooner_at),
        shown(later_at)
    )]
    OutOfOrder {
        /// The step that should come first.
        sooner: &'static str,
        /// When it is.
        sooner_at: Box<ZonedDateTime>,
        /// The step that should come after it.
        later: &'static str,
        /// When it is.
        later_at: Box<ZonedDateTime>,
    },
    /// The unit is closed when it is needed.
    #[error("`{step}` on {} is outside the unit's hours, {hours}", shown(due))]
    Closed {
        /// The step's title.
        step: &'static str,
        /// When it is due.
        due: Box<ZonedDateTime>,
        /// When the unit is open.
        hours: String,
    },
    /// The recording may last beyond the time that the protocol allows.
    #[error(
        "the recording may last until {}, and the protocol allows none after {}{}",
        shown(end),
        shown(limit),
        first_latest(latest_swallow)
    )]
    EndsTooLate {
        /// The latest end.
        end: Box<ZonedDateTime>,
        /// The limit on that day.
        limit: Box<ZonedDateTime>,
        /// The latest swallow that would do.
        latest_swallow: Option<Box<ZonedDateTime>>,
    },
    /// The battery is empty at the swallow, or so soon after that nothing would be recorded.
    #[error(
        "the battery of {battery_h} h is empty by {}, before the swallow on {}",
        shown(end),
        shown(swallow)
    )]
    BatteryTooShort {
        /// Life of the battery, h.
        battery_h: String,
        /// When it is empty.
        end: Box<ZonedDateTime>,
        /// The swallow.
        swallow: Box<ZonedDateTime>,
    },
    /// The equipment is needed again before it is clean and dry.
    #[error(
        "the equipment is needed again on {}, and is clean and dry on {} at the earliest",
        shown(needed),
        shown(ready)
    )]
    NotReady {
        /// When it is needed.
        needed: Box<ZonedDateTime>,
        /// When it is ready.
        ready: Box<ZonedDateTime>,
    },
    /// A moment beyond the calendar.
    #[error("a step lies beyond the calendar")]
    BeyondCalendar,
}

fn shown(moment: &ZonedDateTime) -> String {
    format!("{} at {}", day(moment.date()), time_of_day(moment))
}

fn first(possible: &Option<Box<ZonedDateTime>>) -> String {
    possible
        .as_ref()
        .map(|moment| {
            format!(
                "; the first swallow that can be planned at this time of day is on {}",
                day(moment.date())
            )
        })
        .unwrap_or_default()
}

fn first_latest(latest: &Option<Box<ZonedDateTime>>) -> String {
    latest
        .as_ref()
        .map(|moment| format!("; swallow no later than {}", time_of_day(moment)))
        .unwrap_or_default()
}

/// What is worth knowing about a plan that can be followed.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Remark {
    /// No solid food for a long time.
    LongWithoutFood {
        /// How long, in whole hours.
        hours: i64,
    },
    /// The recording may last into the night, and the patient must not sleep before it ends.
    EndsAtNight {
        /// The latest end.
        end: ZonedDateTime,
    },
    /// The clocks change within the plan.
    ClocksChange {
        /// When; the clock shows the new time.
        at: ZonedDateTime,
        /// By how much, in minutes; forward is more than nothing.
        minutes: i64,
    },
    /// The battery may be empty before the light snack.
    ShortBattery {
        /// The latest end.
        end: ZonedDateTime,
    },
}

impl std::fmt::Display for Remark {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Remark::LongWithoutFood { hours } => write!(
                f,
                "Between the last solid food and the swallow lie {hours} hours. Ask the unit whether this is meant."
            ),
            Remark::EndsAtNight { end } => write!(
                f,
                "The recording may last until {} on {}, and there is no sleep until it ends.",
                time_of_day(end),
                day(end.date())
            ),
            Remark::ClocksChange { at, minutes } => write!(
                f,
                "The clocks go {} by {} on {}, to {}. All times are what the clock on the wall shows.",
                if *minutes > 0 { "forward" } else { "back" },
                length(minutes.abs()),
                day(at.date()),
                clock(at.time())
            ),
            Remark::ShortBattery { end } => write!(
                f,
                "The battery may be empty at {} already, before the light snack.",
                time_of_day(end)
            ),
        }
    }
}

fn length(minutes: i64) -> String {
    match (minutes / 60, minutes % 60) {
        (1, 0) => "one hour".to_owned(),
        (hours, 0) => format!("{hours} hours"),
        (0, minutes) => format!("{minutes} minutes"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

/// The day of an examination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DayPlan {
    /// The planned swallow.
    pub swallow: ZonedDateTime,
    /// The latest end of the recording.
    pub end: ZonedDateTime,
    /// How the antennas are held.
    pub sites: Sites,
    /// Every step, by the moment at which it is due.
    pub steps: Vec<Step>,
    /// What holds from the swallow to the end.
    pub conduct: Vec<&'static str>,
    /// What is worth knowing.
    pub remarks: Vec<Remark>,
    /// The protocol's name.
    pub protocol: String,
    /// Where the protocol's values come from.
    pub origin: String,
    /// Whom the patient may ask, where the protocol says so.
    pub contact: Option<String>,
    /// When the equipment is clean and dry, at the earliest.
    pub ready: ZonedDateTime,
}

/// Computes the plan of a day.
///
/// # Errors
///
/// [`PlanError`]: the day cannot be as planned, and why.
pub fn plan(protocol: &Protocol, facts: &Facts) -> Result<DayPlan, PlanError> {
    let plan = whatever_the_time(protocol, facts)?;
    if let Some(asked) = &facts.asked {
        check_not_too_late(protocol, facts, &plan, asked)?;
    }
    Ok(plan)
}

fn whatever_the_time(protocol: &Protocol, facts: &Facts) -> Result<DayPlan, PlanError> {
    let Moments { end, returned, .. } = moments(protocol, facts)?;
    let mut steps = Vec::new();
    before(&mut steps, protocol, &facts.swallow)?;
    after(&mut steps, protocol, &facts.swallow, &end)?;
    let ready = equipment(&mut steps, protocol, &facts.swallow, &returned)?;
    local_steps(&mut steps, protocol, facts)?;
    check_order(&steps)?;
    if let Some(hours) = &protocol.hours {
        check_hours(&steps, hours)?;
    }
    if let Some(needed) = facts.next_use.as_ref().filter(|&needed| *needed < ready) {
        return Err(PlanError::NotReady {
            needed: Box::new(needed.clone()),
            ready: Box::new(ready),
        });
    }
    // Stable, so that steps of one moment keep the order in which they were thought of.
    steps.sort_by(|one, other| one.start.cmp(&other.start));
    Ok(DayPlan {
        remarks: remarks(&steps, facts, &end),
        swallow: facts.swallow.clone(),
        end,
        sites: facts.sites,
        steps,
        conduct: words::conduct(facts.sites),
        protocol: protocol.name.clone(),
        origin: protocol.origin.clone(),
        contact: protocol.contact.clone(),
        ready,
    })
}

/// The moments on which the others hang.
struct Moments {
    end: ZonedDateTime,
    returned: Span,
}

/// From when to when something can be done; open where no one says until when.
struct Span {
    from: ZonedDateTime,
    until: Option<ZonedDateTime>,
}

fn moments(protocol: &Protocol, facts: &Facts) -> Result<Moments, PlanError> {
    let recorder = &protocol.recorder;
    let battery = facts.battery.unwrap_or(recorder.battery);
    let end = later(&facts.swallow, battery - recorder.capsule_on_before)?;
    if end <= facts.swallow {
        return Err(PlanError::BatteryTooShort {
            battery_h: format!("{}", battery.as_secs_f64() / 3600.0),
            end: Box::new(end),
            swallow: Box::new(facts.swallow.clone()),
        });
    }
    if let Some(limit) = recorder.not_after {
        let zone = facts.swallow.time_zone();
        let limit = wall_clock(facts.swallow.date(), 0, limit, zone, Reading::Stop).ok_or(PlanError::BeyondCalendar)?;
        if end > limit {
            let latest = elapsed(&limit, recorder.capsule_on_before - battery);
            return Err(PlanError::EndsTooLate {
                end: Box::new(end),
                latest_swallow: latest.filter(|latest| latest.date() == limit.date()).map(Box::new),
                limit: Box::new(limit),
            });
        }
    }
    let returned = match &protocol.hours {
        Some(hours) => next_open(hours, &end)?,
        None => Span {
            from: end.clone(),
            until: None,
        },
    };
    Ok(Moments { end, returned })
}

fn later(moment: &ZonedDateTime, duration: SignedDuration) -> Result<ZonedDateTime, PlanError> {
    elapsed(moment, duration).ok_or(PlanError::BeyondCalendar)
}

/// A step by time that passes from the swallow.
fn passing(
    swallow: &ZonedDateTime,
    after: SignedDuration,
    id: &str,
    audience: Audience,
    words: &Words,
) -> Result<Step, PlanError> {
    Ok(Step {
        id: id.to_owned(),
        audience,
        start: later(swallow, after)?,
        end: None,
        rule: Rule::Elapsed(after),
        title: words.title.to_owned(),
        words: words.words.to_owned(),
        remind: Some(SignedDuration::ZERO),
        repeat: None,
    })
}

fn before(steps: &mut Vec<Step>, protocol: &Protocol, swallow: &ZonedDateTime) -> Result<(), PlanError> {
    let (food, recorder) = (&protocol.food, &protocol.recorder);
    let last = food.last_solids;
    let solids = wall_clock(
        swallow.date(),
        last.days_before,
        last.at,
        swallow.time_zone(),
        Reading::Stop,
    );
    steps.push(Step {
        id: "last-solids".to_owned(),
        audience: Audience::Patient,
        start: solids.ok_or(PlanError::BeyondCalendar)?,
        end: None,
        rule: Rule::WallClock,
        title: words::LAST_SOLIDS.title.to_owned(),
        words: words::LAST_SOLIDS.words.to_owned(),
        remind: Some(SignedDuration::from_hours(1)),
        repeat: None,
    });
    let patient = |after: SignedDuration, id, words, remind| {
        passing(swallow, after, id, Audience::Patient, words).map(|step| Step {
            remind: Some(remind),
            ..step
        })
    };
    let half_an_hour = SignedDuration::from_mins(30);
    steps.push(patient(-food.fast, "fast", &words::FAST, half_an_hour)?);
    steps.push(patient(
        -food.last_medicines,
        "last-medicines",
        &words::LAST_MEDICINES,
        half_an_hour,
    )?);
    steps.push(patient(
        -recorder.fit_before,
        "arrive",
        &words::ARRIVE,
        SignedDuration::from_hours(2),
    )?);
    let on = -recorder.capsule_on_before;
    steps.push(passing(swallow, on, "capsule-on", Audience::Unit, &words::CAPSULE_ON)?);
    Ok(())
}

fn after(
    steps: &mut Vec<Step>,
    protocol: &Protocol,
    swallow: &ZonedDateTime,
    end: &ZonedDateTime,
) -> Result<(), PlanError> {
    let food = &protocol.food;
    let patient = |after: SignedDuration, id, words| passing(swallow, after, id, Audience::Patient, words);
    steps.push(patient(SignedDuration::ZERO, "swallow", &words::SWALLOW)?);
    steps.push(Step {
        end: Some(end.clone()),
        remind: None,
        repeat: Some(protocol.recorder.look_every),
        ..patient(SignedDuration::ZERO, "look", &words::LOOK)?
    });
    steps.push(patient(
        food.clear_liquids_after,
        "clear-liquids",
        &words::CLEAR_LIQUIDS,
    )?);
    steps.push(patient(food.snack_after, "snack", &words::SNACK)?);
    steps.push(patient(swallow.duration_until(end), "end", &words::END)?);
    Ok(())
}

/// Return, cleaning and drying; gives the moment at which the equipment is ready at the earliest.
fn equipment(
    steps: &mut Vec<Step>,
    protocol: &Protocol,
    swallow: &ZonedDateTime,
    returned: &Span,
) -> Result<ZonedDateTime, PlanError> {
    let equipment = &protocol.equipment;
    let since = |moment: &ZonedDateTime| swallow.duration_until(moment);
    let cleaned = later(&returned.from, equipment.cleaning)?;
    let ready = later(&cleaned, equipment.drying)?;
    steps.push(Step {
        end: returned.until.clone(),
        rule: if returned.until.is_some() {
            Rule::WallClock
        } else {
            Rule::Elapsed(since(&returned.from))
        },
        ..passing(
            swallow,
            since(&returned.from),
            "return",
            Audience::Patient,
            &words::RETURN,
        )?
    });
    let unit = |from: &ZonedDateTime, until: &ZonedDateTime, id, words| {
        passing(swallow, since(from), id, Audience::Unit, words).map(|step| Step {
            end: Some(until.clone()),
            remind: None,
            ..step
        })
    };
    steps.push(unit(&returned.from, &cleaned, "clean", &words::CLEAN)?);
    steps.push(unit(&cleaned, &ready, "dry", &words::DRY)?);
    Ok(ready)
}

fn local_steps(steps: &mut Vec<Step>, protocol: &Protocol, facts: &Facts) -> Result<(), PlanError> {
    let wanted = |step: &&LocalStep| step.sites.is_none_or(|sites| sites == facts.sites);
    for (index, local) in protocol.steps.iter().enumerate().filter(|(_, step)| wanted(step)) {
        let (start, rule) = match local.when {
            When::WallClock(at) => {
                let zone = facts.swallow.time_zone();
                let start = wall_clock(facts.swallow.date(), at.days_before, at.at, zone, Reading::Stop);
                (start.ok_or(PlanError::BeyondCalendar)?, Rule::WallClock)
            }
            When::Elapsed(after) => (later(&facts.swallow, after)?, Rule::Elapsed(after)),
        };
        steps.push(Step {
            id: format!("step-{}", index + 1),
            audience: local.audience,
            start,
            end: None,
            rule,
            title: local.title.clone(),
            words: local.words.clone(),
            remind: local.remind,
            repeat: None,
        });
    }
    Ok(())
}

/// Which steps must not come before which others.
const ORDER: [(&str, &str, &str, &str); 3] = [
    ("last-solids", words::LAST_SOLIDS.title, "fast", words::FAST.title),
    ("arrive", words::ARRIVE.title, "capsule-on", words::CAPSULE_ON.title),
    ("clear-liquids", words::CLEAR_LIQUIDS.title, "snack", words::SNACK.title),
];

fn check_order(steps: &[Step]) -> Result<(), PlanError> {
    let start = |id: &str| steps.iter().find(|step| step.id == id).map(|step| &step.start);
    for (sooner_id, sooner, later_id, later) in ORDER {
        if let (Some(sooner_at), Some(later_at)) = (start(sooner_id), start(later_id))
            && sooner_at > later_at
        {
            return Err(PlanError::OutOfOrder {
                sooner,
                sooner_at: Box::new(sooner_at.clone()),
                later,
                later_at: Box::new(later_at.clone()),
            });
        }
    }
    Ok(())
}

fn check_hours(steps: &[Step], hours: &OpeningHours) -> Result<(), PlanError> {
    for (id, title) in [("arrive", words::ARRIVE.title), ("swallow", words::SWALLOW.title)] {
        if let Some(step) = steps.iter().find(|step| step.id == id)
            && !is_open(hours, &step.start)
        {
            let days: Vec<&str> = hours.days.iter().map(|&day| weekday(day)).collect();
            return Err(PlanError::Closed {
                step: title,
                due: Box::new(step.start.clone()),
                hours: format!("{} to {} on {}", clock(hours.from), clock(hours.until), days.join(", ")),
            });
        }
    }
    Ok(())
}

fn clock(time: jiff::civil::Time) -> String {
    format!("{:02}:{:02}", time.hour(), time.minute())
}

fn is_open(hours: &OpeningHours, moment: &ZonedDateTime) -> bool {
    hours.days.contains(&moment.weekday()) && (hours.from..=hours.until).contains(&moment.time())
}

/// The first span of opening that is not over at a moment.
fn next_open(hours: &OpeningHours, moment: &ZonedDateTime) -> Result<Span, PlanError> {
    /// An opening day of the week comes within a week, but for a day that a zone leaves out.
    const MOST_DAYS: i64 = 15;
    let zone = moment.time_zone();
    for ahead in 0..MOST_DAYS {
        let date = moment
            .date()
            .checked_add(ahead.days())
            .map_err(|_| PlanError::BeyondCalendar)?;
        if let Some((from, until)) = opening(hours, date, zone)
            && until >= *moment
        {
            let from = if from > *moment { from } else { moment.clone() };
            return Ok(Span {
                from,
                until: Some(until),
            });
        }
    }
    Err(PlanError::BeyondCalendar)
}

fn opening(hours: &OpeningHours, date: Date, zone: &TimeZone) -> Option<(ZonedDateTime, ZonedDateTime)> {
    let is_day = |day: Weekday| hours.days.contains(&day);
    let from = wall_clock(date, 0, hours.from, zone, Reading::Begin).filter(|_| is_day(date.weekday()))?;
    let until = wall_clock(date, 0, hours.until, zone, Reading::Stop)?;
    (from <= until && from.date() == date).then_some((from, until))
}

fn check_not_too_late(
    protocol: &Protocol,
    facts: &Facts,
    plan: &DayPlan,
    asked: &ZonedDateTime,
) -> Result<(), PlanError> {
    let Some(step) = first_missed(plan, asked) else {
        return Ok(());
    };
    let can_be = |&ahead: &i64| {
        let another = facts.swallow.checked_add(ahead.days()).ok()?;
        // A day on which the clock skips this time of day is no day for it.
        let same_time = another.time() == facts.swallow.time();
        let facts = Facts {
            swallow: another,
            ..facts.clone()
        };
        let plan = whatever_the_time(protocol, &facts).ok()?;
        (same_time && first_missed(&plan, asked).is_none()).then_some(facts.swallow)
    };
    // From the later of the planned day and the day of asking, so that a plan for a day long past finds its first one too.
    let behind = facts
        .swallow
        .date()
        .until(asked.date())
        .map_or(0, |span| i64::from(span.get_days()));
    let ahead = (1..=MOST_DAYS_AHEAD)
        .map(|day| day + behind.max(0) - 1)
        .filter(|&day| day > 0);
    let first_possible = ahead.collect::<Vec<_>>().iter().find_map(can_be).map(Box::new);
    Err(PlanError::TooLate {
        step: step.title.clone(),
        due: Box::new(step.start.clone()),
        asked: Box::new(asked.with_time_zone(facts.swallow.time_zone().clone())),
        first_possible,
    })
}

/// The first step up to the swallow that lies before a moment.
fn first_missed<'a>(plan: &'a DayPlan, asked: &ZonedDateTime) -> Option<&'a Step> {
    plan.steps
        .iter()
        .find(|step| step.start <= plan.swallow && step.start < *asked)
}

fn remarks(steps: &[Step], facts: &Facts, end: &ZonedDateTime) -> Vec<Remark> {
    let start = |id: &str| steps.iter().find(|step| step.id == id).map(|step| &step.start);
    let mut remarks = Vec::new();
    if let Some(solids) = start("last-solids") {
        let without = solids.duration_until(&facts.swallow);
        if without > LONG_WITHOUT_FOOD {
            remarks.push(Remark::LongWithoutFood {
                hours: without.as_hours(),
            });
        }
    }
    if end.hour() >= NIGHT_FROM_H || end.hour() < NIGHT_UNTIL_H {
        remarks.push(Remark::EndsAtNight { end: end.clone() });
    }
    if start("snack").is_some_and(|snack| snack > end) {
        remarks.push(Remark::ShortBattery { end: end.clone() });
    }
    if let (Some(first), Some(last)) = (steps.first(), steps.last()) {
        remarks.extend(clock_changes(&first.start, &last.start));
    }
    remarks
}

/// The changes of the clock between two moments; a change of name alone is none.
fn clock_changes(from: &ZonedDateTime, until: &ZonedDateTime) -> Vec<Remark> {
    let zone = from.time_zone();
    let mut offset = from.offset();
    let mut changes = Vec::new();
    for change in zone.following(from.timestamp()) {
        if change.timestamp() > until.timestamp() {
            break;
        }
        let seconds = i64::from(change.offset().seconds() - offset.seconds());
        offset = change.offset();
        if seconds != 0 {
            changes.push(Remark::ClocksChange {
                at: change.timestamp().to_zoned_datetime(zone.clone()),
                minutes: seconds / 60,
            });
        }
    }
    changes
}
