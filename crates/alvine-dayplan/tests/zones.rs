//! The plan over the zones of the world and the nights on which their clocks change.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::HashSet;
use std::sync::LazyLock;

use alvine_dayplan::{
    Audience, DayPlan, Facts, PlanError, Protocol, Remark, Rule, Sites, calendar, moment, page, plan, text, zone,
};
use jiff::civil::date;
use jiff::tz::TimeZoneDatabase;
use jiff::{SignedDuration, Timestamp, ToSpan, ZonedDateTime};
use proptest::prelude::*;

static ZONES: LazyLock<Vec<String>> = LazyLock::new(|| {
    let zones = TimeZoneDatabase::bundled();
    zones.available().map(|zone| zone.as_str().to_owned()).collect()
});

fn facts(swallow: &str) -> Facts {
    Facts {
        swallow: moment(swallow, None).unwrap(),
        sites: Sites::Adhesive,
        battery: None,
        asked: None,
        next_use: None,
    }
}

fn planned(swallow: &str) -> DayPlan {
    plan(&Protocol::usual(), &facts(swallow)).unwrap()
}

fn start(plan: &DayPlan, id: &str) -> String {
    let step = plan.steps.iter().find(|step| step.id == id).unwrap();
    step.start.strftime("%Y-%m-%d %H:%M").to_string()
}

#[test]
fn an_ordinary_day_has_the_times_that_one_would_work_out_by_hand() {
    let plan = planned("2026-03-02T08:15[Europe/Vienna]");
    for (id, expected) in [
        ("last-solids", "2026-03-01 12:00"),
        ("fast", "2026-03-01 22:15"),
        ("last-medicines", "2026-03-02 06:15"),
        ("arrive", "2026-03-02 07:30"),
        ("capsule-on", "2026-03-02 08:00"),
        ("swallow", "2026-03-02 08:15"),
        ("look", "2026-03-02 08:15"),
        ("clear-liquids", "2026-03-02 10:15"),
        ("snack", "2026-03-02 12:15"),
        ("end", "2026-03-02 20:00"),
        ("return", "2026-03-02 20:00"),
        ("clean", "2026-03-02 20:00"),
        ("dry", "2026-03-02 20:15"),
    ] {
        assert_eq!(start(&plan, id), expected, "{id}");
    }
    assert_eq!(plan.ready.strftime("%H:%M").to_string(), "20:45");
    assert!(plan.remarks.is_empty());
    assert_eq!(plan.steps.len(), 13);
}

#[test]
fn a_fast_of_ten_hours_is_ten_hours_on_the_night_of_a_clock_change_and_midday_stays_midday() {
    let forward = planned("2026-03-29T08:00[Europe/Vienna]");
    assert_eq!(start(&forward, "fast"), "2026-03-28 21:00");
    assert_eq!(start(&forward, "last-solids"), "2026-03-28 12:00");
    assert!(matches!(
        forward.remarks[..],
        [Remark::ClocksChange { minutes: 60, .. }]
    ));
    let back = planned("2026-10-25T08:00[Europe/Vienna]");
    assert_eq!(start(&back, "fast"), "2026-10-24 23:00");
    assert_eq!(start(&back, "last-solids"), "2026-10-24 12:00");
    assert!(text(&back).contains("The clocks go back by one hour on Sunday 25 October 2026, to 02:00."));
}

#[test]
fn a_recording_that_runs_past_midnight_and_a_clock_change_ends_after_its_battery_and_not_by_the_wall() {
    let plan = planned("2026-10-24T18:00[Europe/Vienna]");
    // 11 h 45 min from 18:00 are 04:45 the next day by the wall of the evening, and the wall is an hour behind by then.
    assert_eq!(start(&plan, "end"), "2026-10-25 04:45");
    let plain = planned("2026-10-17T18:00[Europe/Vienna]");
    assert_eq!(start(&plain, "end"), "2026-10-18 05:45");
    assert!(
        plain
            .remarks
            .iter()
            .any(|remark| matches!(remark, Remark::EndsAtNight { .. }))
    );
}

#[test]
fn a_day_that_a_zone_left_out_still_has_a_midday_before_it() {
    // Apia went from Thursday 29 December 2011 to Saturday 31 December.
    let plan = planned("2011-12-31T08:00[Pacific/Apia]");
    assert_eq!(start(&plan, "last-solids"), "2011-12-29 12:00");
    assert_eq!(start(&plan, "fast"), "2011-12-29 22:00");
}

fn refusal(protocol: &str, facts: &Facts) -> String {
    plan(&Protocol::parse(protocol).unwrap(), facts)
        .unwrap_err()
        .to_string()
}

#[test]
fn impossible_days_are_refused_with_the_reason() {
    let usual = facts("2026-03-02T08:15[Europe/Vienna]");
    let long_fast = refusal("format = 1\n[food]\nfast_h = 24\n", &usual);
    assert_eq!(
        long_fast,
        "`Last solid food` on Sunday 1 March 2026 at 12:00 would have to come before `Stop eating and drinking` on \
         Sunday 1 March 2026 at 08:15: choose another time for the swallow, or check the protocol"
    );
    let open = "format = 1\n[unit]\nopen_from = \"08:00\"\nopen_until = \"17:00\"\nopen_on = [\"monday\"]\n";
    let early = refusal(open, &usual);
    assert!(
        early.contains("`Be at the unit` on Monday 2 March 2026 at 07:30 is outside the unit's hours"),
        "{early}"
    );
    assert!(early.ends_with("08:00 to 17:00 on Monday"), "{early}");
    let sunday = refusal(open, &facts("2026-03-01T10:00[Europe/Vienna]"));
    assert!(sunday.contains("outside the unit's hours"), "{sunday}");
    let night = refusal("format = 1\n[recorder]\nnot_after = \"19:00\"\n", &usual);
    assert!(
        night.contains("until Monday 2 March 2026 at 20:00") && night.ends_with("no later than 07:15"),
        "{night}"
    );
    let flat = Facts {
        battery: Some(SignedDuration::from_mins(15)),
        ..usual.clone()
    };
    assert!(refusal("format = 1\n", &flat).contains("the battery of 0.25 h is empty by Monday"));
    let needed = Facts {
        next_use: Some(moment("2026-03-02T20:44[Europe/Vienna]", None).unwrap()),
        ..usual.clone()
    };
    let not_ready = refusal("format = 1\n", &needed);
    assert!(
        not_ready.contains("clean and dry on Monday 2 March 2026 at 20:45 at the earliest"),
        "{not_ready}"
    );
}

#[test]
fn a_plan_that_is_asked_for_too_late_names_the_first_day_that_can_be() {
    let asked = |now: &str| Facts {
        asked: Some(moment(now, Some("Europe/Vienna")).unwrap()),
        ..facts("2026-03-02T08:15[Europe/Vienna]")
    };
    let late = refusal("format = 1\n", &asked("2026-03-01T12:01"));
    assert!(
        late.starts_with("`Last solid food` would have been due on Sunday 1 March 2026 at 12:00"),
        "{late}"
    );
    assert!(
        late.ends_with("at this time of day is on Tuesday 3 March 2026"),
        "{late}"
    );
    let past = refusal("format = 1\n", &asked("2026-03-20T18:00"));
    assert!(past.ends_with("is on Sunday 22 March 2026"), "{past}");
    assert!(plan(&Protocol::usual(), &asked("2026-03-01T12:00")).is_ok());
}

#[test]
fn equipment_comes_back_when_the_unit_is_open_and_is_dry_half_an_hour_after_cleaning() {
    let open =
        "format = 1\n[unit]\nopen_from = \"07:00\"\nopen_until = \"18:00\"\nopen_on = [\"monday\", \"friday\"]\n";
    let friday = plan(
        &Protocol::parse(open).unwrap(),
        &facts("2026-03-06T08:15[Europe/Vienna]"),
    )
    .unwrap();
    assert_eq!(start(&friday, "return"), "2026-03-09 07:00");
    assert_eq!(friday.ready.to_string(), "2026-03-09T07:45:00+01:00[Europe/Vienna]");
}

#[test]
fn local_steps_are_for_their_sites_and_keep_their_kind_of_rule() {
    let protocol = "format = 1\n[[step]]\ntitle = \"Tape\"\nwords = \"Press each antenna.\"\nhours_after = 1.5\n\
                    sites = \"adhesive\"\n[[step]]\ntitle = \"Rinse\"\nwords = \"Rinse.\"\nat = \"18:00\"\ndays_before = 1\n";
    let protocol = Protocol::parse(protocol).unwrap();
    let adhesive = facts("2026-03-29T08:00[Europe/Vienna]");
    let with_tape = plan(&protocol, &adhesive).unwrap();
    assert_eq!(start(&with_tape, "step-1"), "2026-03-29 09:30");
    assert_eq!(start(&with_tape, "step-2"), "2026-03-28 18:00");
    let belt = plan(
        &protocol,
        &Facts {
            sites: Sites::Belt,
            ..adhesive
        },
    )
    .unwrap();
    assert!(belt.steps.iter().all(|step| step.title != "Tape"));
    assert!(text(&belt).contains("Keep the belt") && !text(&belt).contains("stuck to your skin"));
}

/// A swallow anywhere in the world, half of them within a day and a half of a change of the clocks.
fn swallow() -> impl Strategy<Value = ZonedDateTime> {
    let zone_index = 0..ZONES.len();
    // 1971 to 2100.
    let minute = 526_000_i64..68_000_000;
    (zone_index, minute, any::<bool>(), -2160_i64..2160).prop_map(|(index, minute, near, off_minutes)| {
        let zone = zone(&ZONES[index]).unwrap();
        let at = Timestamp::from_second(60 * minute).unwrap();
        let change = zone.following(at).next().map(|change| change.timestamp());
        let at = change
            .filter(|change| near && change.as_second() < 60 * 68_000_000)
            .map_or(at, |change| change + SignedDuration::from_mins(off_minutes));
        at.to_zoned_datetime(zone)
    })
}

/// The moments and names of a calendar's events, read by no code of the crate.
fn events(calendar: &str) -> Vec<(String, String)> {
    let unfolded = calendar.replace("\r\n ", "");
    let value = |event: &str, key: &str| {
        let line = event.split("\r\n").find_map(|line| line.strip_prefix(key));
        line.unwrap_or_default().to_owned()
    };
    let events = unfolded.split("BEGIN:VEVENT").skip(1);
    events
        .map(|event| (value(event, "UID:"), value(event, "DTSTART:")))
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn elapsed_steps_are_elapsed_and_wall_clock_steps_are_on_the_wall_everywhere(swallow in swallow()) {
        let facts = Facts { swallow: swallow.clone(), sites: Sites::Belt, battery: None, asked: None, next_use: None };
        let plan = match plan(&Protocol::usual(), &facts) {
            Ok(plan) => plan,
            // Only where the midday before comes after the beginning of the fast may the usual day be refused.
            Err(PlanError::OutOfOrder { sooner_at, later_at, .. }) => {
                prop_assert!(sooner_at > later_at);
                let hours = sooner_at.duration_until(&swallow).as_secs_f64() / 3600.0;
                prop_assert!(hours < 10.0);
                return Ok(());
            }
            Err(error) => return Err(TestCaseError::fail(error.to_string())),
        };
        let mut ids = HashSet::new();
        for step in &plan.steps {
            prop_assert!(ids.insert(step.id.as_str()));
            prop_assert_eq!(step.start.time_zone(), swallow.time_zone());
            if let Rule::Elapsed(after) = step.rule {
                let passed_s = step.start.timestamp().as_second() - swallow.timestamp().as_second();
                prop_assert_eq!(passed_s, after.as_secs(), "{}", step.id);
            }
        }
        prop_assert!(plan.steps.is_sorted_by(|one, other| one.start <= other.start));
        let solids = &plan.steps.iter().find(|step| step.id == "last-solids").unwrap().start;
        let midday = swallow.date().checked_sub(1.day()).unwrap().at(12, 0, 0, 0);
        let ambiguous = swallow.time_zone().to_ambiguous_zoned_datetime(midday);
        if ambiguous.is_ambiguous() {
            prop_assert_eq!(solids, &ambiguous.clone().earlier().unwrap());
            prop_assert!(*solids <= ambiguous.later().unwrap());
        } else {
            prop_assert_eq!(solids.datetime(), midday);
        }
        let shift_s: i64 = plan.remarks.iter().map(|remark| match remark {
            Remark::ClocksChange { minutes, .. } => 60 * minutes,
            _ => 0,
        }).sum();
        let (first, last) = (&plan.steps[0].start, &plan.steps[plan.steps.len() - 1].start);
        prop_assert_eq!(shift_s, i64::from(last.offset().seconds() - first.offset().seconds()));
    }

    #[test]
    fn every_form_of_a_plan_holds_all_its_steps_at_their_moments(swallow in swallow()) {
        let facts = Facts { swallow, sites: Sites::Adhesive, battery: None, asked: None, next_use: None };
        let Ok(plan) = plan(&Protocol::usual(), &facts) else { return Ok(()) };
        let asked = Timestamp::UNIX_EPOCH;
        let mut found = Vec::new();
        for audience in [Audience::Patient, Audience::Unit] {
            let calendar = calendar(&plan, audience, "p-1", asked);
            prop_assert!(calendar.ends_with("END:VCALENDAR\r\n"));
            prop_assert!(calendar.split("\r\n").all(|line| line.len() <= 75 && !line.contains('\n')));
            found.extend(events(&calendar));
        }
        prop_assert_eq!(found.len(), plan.steps.len());
        let page = page(&plan);
        let text = text(&plan);
        prop_assert!(text.lines().all(|line| line.chars().count() <= 100));
        for step in &plan.steps {
            let uid = format!("p-1-{}@dayplan.alvine.invalid", step.id);
            let (_, start) = found.iter().find(|(found, _)| *found == uid).unwrap();
            let utc = step.start.with_time_zone(zone("UTC").unwrap()).strftime("%Y%m%dT%H%M%SZ").to_string();
            prop_assert_eq!(start, &utc);
            prop_assert!(text.split_whitespace().collect::<Vec<_>>().join(" ").contains(&step.title));
            prop_assert_eq!(page.contains(&step.title), step.audience == Audience::Patient);
        }
    }
}

#[test]
fn the_looks_at_the_recorder_ring_every_quarter_of_an_hour_and_not_at_the_end() {
    let plan = planned("2026-03-02T08:15[Europe/Vienna]");
    let calendar = calendar(&plan, Audience::Patient, "p-1", Timestamp::UNIX_EPOCH);
    let look = calendar
        .split("BEGIN:VEVENT")
        .find(|event| event.contains("p-1-look@"))
        .unwrap();
    // 11 h 45 min are 47 quarters of an hour: the first rings after one, and 45 follow; the 47th is the end.
    assert!(
        look.contains("TRIGGER:PT15M\r\nREPEAT:45\r\nDURATION:PT15M\r\n"),
        "{look}"
    );
    assert_eq!(plan.end.date(), date(2026, 3, 2));
}
