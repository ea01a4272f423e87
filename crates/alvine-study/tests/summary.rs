//! `summary.json` and its JSON Schema.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use std::collections::BTreeMap;
use std::fs;

use alvine_study::results::summary::{
    CalibratedResult, CalibrationResult, Completeness, CompletenessStatus, FindingResult, IntervalResult,
    LandmarkResult, LooseningResult, Method, MotilityResult, MotionResult, PhaseResult, QualityResult,
    RhythmHourResult, RhythmResult, RivalResult, SUMMARY_FORMAT, SUMMARY_SCHEMA, SiteQualityResult, Source, StudyHead,
    Summary, TransitResult, TransitTime,
};
use alvine_study::results::{read_summary, write_summary};
use serde_json::{Value, json};

fn transit_time(duration_s: Option<f64>) -> TransitTime {
    TransitTime {
        duration_s,
        interval90_s: duration_s.map(|duration_s| [0.9 * duration_s, 1.1 * duration_s]),
        censored: false,
        reference_median_s: Some(15_000.0),
        reference_range_s: Some([9_000.0, 21_000.0]),
        reference_kind: Some("interquartile range".to_owned()),
        reference_source: Some("an invented source".to_owned()),
    }
}

fn landmark(kind: &str, time_s: Option<f64>) -> LandmarkResult {
    LandmarkResult {
        kind: kind.to_owned(),
        time_s,
        interval50_s: time_s.map(|time_s| [time_s - 10.0, time_s + 10.0]),
        interval90_s: time_s.map(|time_s| [time_s - 30.0, time_s + 30.0]),
        probability_reached: if time_s.is_some() { 1.0 } else { 0.1 },
        source: Source::Estimated,
        signal_time_s: None,
        reason: time_s.is_none().then(|| "not reached in this recording".to_owned()),
    }
}

fn site(name: &str) -> SiteQualityResult {
    SiteQualityResult {
        name: name.to_owned(),
        heard: 0.7,
        censored: 0.2,
        missing: 0.1,
        saturated: 0.0,
        median_dbm: Some(-81.5),
    }
}

fn finding() -> FindingResult {
    FindingResult {
        id: "f1".to_owned(),
        time_s: 9480.0,
        note: Some("flat".to_owned()),
        phase: "small-bowel".to_owned(),
        part: Some("jejunum".to_owned()),
        time_fraction: Some(0.25),
        time_fraction_interval90: Some([0.2, 0.3]),
        path_fraction: Some(0.4),
        interval90: Some([0.3, 0.5]),
        position_mm: Some([1.0, 80.0, -20.0]),
        radius90_mm: Some(40.0),
        route: None,
        reason: None,
    }
}

fn quality() -> QualityResult {
    QualityResult {
        sites: ["a", "b", "c", "d"].map(site).into(),
        loosenings: vec![LooseningResult {
            site: "b".to_owned(),
            start_s: 100.0,
            end_s: 200.0,
            loss_db: 12.0,
            probability: 0.95,
        }],
        rivals: vec![RivalResult {
            start_s: 30.0,
            end_s: 90.0,
            position_mm: [60.0, 80.0, -20.0],
            probability: 0.3,
        }],
        dropouts: vec![IntervalResult {
            start_s: 1.0,
            end_s: 2.0,
        }],
        clock_jumps: Vec::new(),
        median_step_s: Some(1.0 / 6.0),
        median_sites_heard: 6.5,
        sites_carrying: 4,
        instants_located: 250_000,
        flags: BTreeMap::from([("few-sites".to_owned(), 12)]),
    }
}

fn motility() -> MotilityResult {
    let rhythm = |per_minute, seen| RhythmResult {
        strength_db: 2.5,
        per_minute,
        seen,
    };
    let motion = |phase: &str, told: bool| MotionResult {
        phase: phase.to_owned(),
        share_moving: told.then_some(0.2),
        share_moving_interval: told.then_some([0.1, 0.5]),
        speed_mm_per_min: told.then_some([None, None, Some(14.0)]),
        moving_speed_mm_per_min: told.then_some([12.0, 15.0, 22.0]),
        minutes: told.then_some(200.0),
        reason: (!told).then(|| "too short".to_owned()),
    };
    MotilityResult {
        phases: vec![
            motion("stomach", true),
            motion("small-bowel", true),
            motion("colon", false),
        ],
        retrograde_share: None,
        retrograde_reason: "cannot be told".to_owned(),
        rhythm_hours: vec![RhythmHourResult {
            start_s: 0.0,
            end_s: 3600.0,
            gastric: Some(rhythm(2.9, true)),
            small_bowel: None,
        }],
    }
}

fn full() -> Summary {
    Summary {
        format: SUMMARY_FORMAT,
        study: StudyHead {
            id: "small-01".to_owned(),
            started: Some("2026-03-02T08:14:00+01:00".to_owned()),
            duration_s: 43_200.0,
            instants: 259_200,
            sites: ["a", "b", "c", "d"].map(str::to_owned).into(),
        },
        method: Method {
            version: "0.1.0".to_owned(),
            smoother: "constant-velocity".to_owned(),
            level_known: true,
            usual_places: true,
            rounds: Some(2),
            settled: Some(true),
            calibration: Some(CalibrationResult {
                level_db: CalibratedResult {
                    value: -1.25,
                    spread: 0.5,
                },
                exponent: CalibratedResult {
                    value: 0.125,
                    spread: 0.0625,
                },
                gains_db: vec![
                    CalibratedResult {
                        value: 0.5,
                        spread: 0.25,
                    };
                    4
                ],
            }),
            prior: "fasting".to_owned(),
            median_radius90_mm: Some(55.0),
        },
        completeness: Completeness {
            status: CompletenessStatus::Complete,
            probability_complete: 0.98,
            last_phase: "colon".to_owned(),
            ended_by: "recording-stopped".to_owned(),
            statement: "The capsule reached the colon.".to_owned(),
        },
        landmarks: vec![
            landmark("swallow", Some(412.0)),
            landmark("cardia", Some(420.0)),
            landmark("pylorus", Some(3120.0)),
            landmark("duodenojejunal-flexure", Some(3500.0)),
            landmark("ileocaecal-valve", Some(20_000.0)),
            landmark("expulsion", None),
        ],
        phases: vec![PhaseResult {
            phase: "stomach".to_owned(),
            start_s: 420.0,
            end_s: 3120.0,
            duration_s: 2700.0,
            interval90_s: Some([2600.0, 2800.0]),
            censored: false,
        }],
        transit: TransitResult {
            oesophageal: transit_time(Some(8.0)),
            gastric: transit_time(Some(2700.0)),
            small_bowel: transit_time(Some(16_880.0)),
            colonic: transit_time(None),
            whole_gut: transit_time(None),
        },
        motility: Some(motility()),
        findings: vec![finding()],
        quality: quality(),
        cautions: vec!["One antenna worked loose.".to_owned()],
    }
}

fn schema() -> jsonschema::Validator {
    let schema: Value = serde_json::from_str(SUMMARY_SCHEMA).unwrap();
    assert!(jsonschema::meta::is_valid(&schema));
    jsonschema::draft202012::new(&schema).unwrap()
}

/// Every path to a member of an object or an element of an array.
fn paths(value: &Value, to: &str, all: &mut Vec<String>) {
    let parts: Vec<(String, &Value)> = match value {
        Value::Object(members) => members.iter().map(|(key, value)| (key.clone(), value)).collect(),
        Value::Array(items) => items
            .iter()
            .enumerate()
            .map(|(k, value)| (k.to_string(), value))
            .collect(),
        _ => return,
    };
    for (key, value) in parts {
        let path = format!("{to}/{key}");
        paths(value, &path, all);
        all.push(path);
    }
}

#[test]
fn a_full_summary_meets_its_schema_and_reads_back() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("summary.json");
    write_summary(&full(), &file).unwrap();
    let value: Value = serde_json::from_str(&fs::read_to_string(&file).unwrap()).unwrap();
    let errors: Vec<String> = schema().iter_errors(&value).map(|error| error.to_string()).collect();
    assert!(errors.is_empty(), "{errors:?}");
    assert_eq!(read_summary(dir.path()).unwrap(), full());
}

#[test]
fn a_summary_of_nothing_but_reasons_meets_its_schema() {
    let mut summary = full();
    summary.study.started = None;
    summary.method.median_radius90_mm = None;
    summary
        .landmarks
        .iter_mut()
        .for_each(|mark| *mark = landmark(&mark.kind, None));
    summary.phases.clear();
    summary.cautions.clear();
    summary.quality.flags.clear();
    let finding = &mut summary.findings[0];
    (finding.note, finding.part, finding.position_mm, finding.radius90_mm) = (None, None, None, None);
    (finding.time_fraction, finding.path_fraction) = (None, None);
    (finding.time_fraction_interval90, finding.interval90) = (None, None);
    assert!(schema().is_valid(&serde_json::to_value(&summary).unwrap()));
}

#[test]
fn the_schema_knows_every_member_and_no_other() {
    let (schema, whole) = (schema(), serde_json::to_value(full()).unwrap());
    let mut all = Vec::new();
    paths(&whole, "", &mut all);
    assert!(all.len() > 150);
    for path in all {
        let (parent, key) = path.rsplit_once('/').unwrap();
        let mut without = whole.clone();
        if let Some(Value::Object(members)) = without.pointer_mut(parent) {
            members.remove(key);
            // The flags are a map: each may be absent.
            assert_eq!(schema.is_valid(&without), parent == "/quality/flags", "without {path}");
            let mut misspelt = whole.clone();
            let members = misspelt.pointer_mut(parent).unwrap().as_object_mut().unwrap();
            members.insert(format!("{key}x"), json!(1));
            assert!(!schema.is_valid(&misspelt), "with {path}x");
        }
    }
}

#[test]
fn broken_summaries_fail_the_schema() {
    let (schema, whole) = (schema(), serde_json::to_value(full()).unwrap());
    for (path, broken) in [
        ("/format", json!(2)),
        ("/study/id", json!("")),
        ("/study/started", json!("yesterday")),
        ("/study/instants", json!(0)),
        ("/study/sites", json!(["a", "b", "c"])),
        ("/study/sites", json!(["a", "b", "c", "a"])),
        ("/study/duration_s", json!(-1.0)),
        ("/method/level_known", json!("yes")),
        ("/completeness/status", json!("perhaps")),
        ("/completeness/probability_complete", json!(1.2)),
        ("/completeness/ended_by", json!("boredom")),
        ("/landmarks", json!([])),
        ("/landmarks/0/kind", json!("mouth")),
        ("/landmarks/0/interval90_s", json!([1.0])),
        ("/landmarks/0/interval90_s", json!([1.0, 2.0, 3.0])),
        ("/landmarks/0/source", json!("guessed")),
        ("/landmarks/5/reason", json!(null)),
        ("/phases/0/phase", json!("bowel")),
        ("/phases/0/duration_s", json!("2700")),
        ("/transit/gastric/interval90_s", json!([-1.0, 2.0])),
        ("/transit/gastric/reference_source", json!(null)),
        ("/method/rounds", json!(0)),
        ("/motility/phases", json!([])),
        ("/motility/phases/0/phase", json!("outside")),
        ("/motility/phases/0/share_moving", json!(1.2)),
        ("/motility/phases/0/speed_mm_per_min", json!([null, null])),
        ("/motility/phases/0/moving_speed_mm_per_min", json!([null, 1.0, 2.0])),
        ("/motility/retrograde_share", json!(0.3)),
        ("/motility/rhythm_hours/0/gastric/per_minute", json!(0.0)),
        ("/findings/0/part", json!("appendix")),
        ("/findings/0/path_fraction", json!(1.5)),
        ("/findings/0/position_mm", json!([1.0, 2.0])),
        ("/quality/sites/0/heard", json!(-0.1)),
        ("/quality/median_step_s", json!(0.0)),
        ("/quality/sites_carrying", json!(3.5)),
        ("/quality/flags", json!({ "odd": 1 })),
        ("/cautions", json!([7])),
    ] {
        let mut value = whole.clone();
        *value.pointer_mut(path).unwrap() = broken.clone();
        assert!(!schema.is_valid(&value), "{path} = {broken}");
    }
}

#[test]
fn what_is_not_finite_is_refused_and_not_written_as_null() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("summary.json");
    let mut summary = full();
    summary.transit.gastric.duration_s = Some(f64::NAN);
    let message = write_summary(&summary, &file).unwrap_err().to_string();
    assert!(message.contains("expected finite numbers"), "{message}");
    assert!(!file.exists());
}

#[test]
fn a_summary_with_an_unknown_member_is_refused_with_its_place() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("summary.json");
    write_summary(&full(), &file).unwrap();
    let text = fs::read_to_string(&file).unwrap();
    let text = text.replace("\"statement\"", "\"statment\"");
    let line = 1 + text.lines().position(|line| line.contains("statment")).unwrap();
    fs::write(&file, text).unwrap();
    let message = read_summary(&file).unwrap_err().to_string();
    let place = format!("summary.json:{line}:");
    assert!(message.contains(&place) && message.contains("`statment`"), "{message}");
}

#[test]
fn the_schema_knows_the_flags_of_the_track_and_no_other() {
    let schema: Value = serde_json::from_str(SUMMARY_SCHEMA).unwrap();
    let known: Vec<&str> = alvine::Flags::NAMED.iter().map(|(_, name)| *name).collect();
    assert_eq!(schema["$defs"]["flag"]["enum"], Value::from(known));
}
