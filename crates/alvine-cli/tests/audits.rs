//! Audits: every study once, whatever is wrong with another, whatever stops them, and in however many parts.

#![allow(clippy::unwrap_used, clippy::expect_used)]

mod program;

use std::fs;
use std::path::Path;

use alvine_audit::{SiteRow, StudyRow, read_table};
use program::{fail, names_in, succeed};

/// Six short studies of which one is faulty, and one more that is none.
fn with_studies() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let scenario = "name = \"short\"\nseed = 40\nduration_h = 0.5\nrate_hz = 0.5\n";
    fs::write(dir.path().join("short.toml"), scenario).unwrap();
    let studies = ["simulate", "--cohort", "short.toml", "--count", "6", "--out", "studies"];
    succeed(dir.path(), &studies);
    let broken = dir.path().join("studies/phantom-short-42/recording.csv");
    let text = fs::read_to_string(&broken).unwrap();
    fs::write(&broken, text.replacen(",-", ",minus", 1)).unwrap();
    dir
}

fn rows(audit: &Path, part: &str) -> Vec<StudyRow> {
    read_table(&audit.join("studies").join(part)).unwrap()
}

const WHOLE: &str = "part-0001-of-0001.parquet";

#[test]
fn every_study_has_a_row_and_a_faulty_one_stops_no_other() {
    let dir = with_studies();
    let said = succeed(dir.path(), &["audit", "studies", "--out", "audit", "--jobs", "2"]);
    assert!(
        said.starts_with("6 studies of studies: 6 analysed now, 0 there already, 1 of all could not be\n"),
        "{said}"
    );
    assert!(
        said.contains("- phantom-short-42: phantom-short-42/recording.csv:2:"),
        "{said}"
    );
    let audit = dir.path().join("audit");
    let rows = rows(&audit, WHOLE);
    let names: Vec<&str> = rows.iter().map(|row| row.study.as_str()).collect();
    let expected: Vec<String> = (40..46).map(|seed| format!("phantom-short-{seed}")).collect();
    assert_eq!(names, expected);
    let faulty: Vec<bool> = rows.iter().map(|row| row.fault.is_some()).collect();
    assert_eq!(faulty, [false, false, true, false, false, false]);
    assert_eq!(rows[0].utc_offset_min, Some(60));
    assert_eq!(rows[0].instants, Some(900));
    let sites: Vec<SiteRow> = read_table(&audit.join("sites").join(WHOLE)).unwrap();
    assert_eq!(sites.len(), 5 * 8);
    assert!(sites.iter().all(|site| {
        let shares = [site.heard, site.below_floor, site.missing, site.saturated];
        (shares.iter().flatten().sum::<f64>() - 1.0).abs() < 1e-9
    }));

    let strict = ["audit", "studies", "--out", "audit", "--strict", "--quiet"];
    assert!(fail(dir.path(), &strict, 1).contains("1 study could not be analysed"));
}

#[test]
fn the_answers_of_a_row_are_those_of_the_report() {
    let dir = with_studies();
    succeed(dir.path(), &["audit", "studies", "--out", "audit", "--quiet"]);
    let rows = rows(&dir.path().join("audit"), WHOLE);
    let report = succeed(dir.path(), &["phases", "studies/phantom-short-44", "--json"]);
    let report: serde_json::Value = serde_json::from_str(&report).unwrap();
    let row = &rows[4];
    assert_eq!(row.id.as_deref(), report["study"]["id"].as_str());
    assert_eq!(
        row.probability_complete,
        report["completeness"]["probability_complete"].as_f64()
    );
    for (k, landmark) in report["landmarks"].as_array().unwrap().iter().enumerate() {
        assert_eq!(row.landmarks[k].time_s, landmark["time_s"].as_f64());
        assert_eq!(row.landmarks[k].source.as_deref(), landmark["source"].as_str());
    }
    assert_eq!(
        row.transits[1].time_s,
        report["transit"]["gastric"]["duration_s"].as_f64()
    );
}

#[test]
fn parts_together_are_the_whole_and_the_page_follows_from_the_tables_alone() {
    let dir = with_studies();
    succeed(dir.path(), &["audit", "studies", "--out", "whole", "--quiet"]);
    for shard in ["1/3", "2/3", "3/3"] {
        succeed(dir.path(), &["audit", "studies", "--out", "parts", "--shard", shard]);
    }
    let parts = dir.path().join("parts");
    let mut together: Vec<StudyRow> = names_in(&parts.join("studies"))
        .iter()
        .flat_map(|part| rows(&parts, part))
        .collect();
    together.sort_by(|one, other| one.study.cmp(&other.study));
    assert_eq!(together, rows(&dir.path().join("whole"), WHOLE));

    // Nothing but the tables is needed.
    fs::remove_dir_all(dir.path().join("studies")).unwrap();
    fs::remove_dir_all(parts.join("journal")).unwrap();
    succeed(dir.path(), &["audit", "--from", "parts", "--quiet"]);
    for name in ["audit.html", "audit.json"] {
        let read = |folder: &str| fs::read_to_string(dir.path().join(folder).join(name)).unwrap();
        assert_eq!(read("parts"), read("whole"), "{name}");
    }
    let lost = parts.join("studies/part-0002-of-0003.parquet");
    fs::remove_file(&lost).unwrap();
    let said = succeed(dir.path(), &["audit", "--from", "parts"]);
    assert!(said.contains("of 3 parts these are missing: 2."), "{said}");
    fs::write(&lost, "no table").unwrap();
    assert!(
        fail(dir.path(), &["audit", "--from", "parts"], 1)
            .contains("part-0002-of-0003.parquet: cannot be read as Parquet")
    );
}

#[test]
fn every_row_names_its_prior_and_the_page_says_where_they_differ() {
    let dir = with_studies();
    let part = |shard: &str, prior: &str| {
        let arguments = [
            "audit", "studies", "--out", "audit", "--quiet", "--shard", shard, "--prior", prior,
        ];
        succeed(dir.path(), &arguments);
    };
    let gathered = || succeed(dir.path(), &["audit", "--from", "audit"]);
    part("1/2", "fasting");
    part("2/2", "fasting");
    assert!(!gathered().contains("Not all alike"));
    part("2/2", "fed");
    let said = gathered();
    assert!(
        said.contains("Not all alike") && said.contains("(fasting, fed)"),
        "{said}"
    );
    let audit = dir.path().join("audit");
    for (number, prior) in [(1, "fasting"), (2, "fed")] {
        let rows = rows(&audit, &format!("part-000{number}-of-0002.parquet"));
        assert!(rows.iter().any(StudyRow::is_analysed));
        for row in rows {
            assert_eq!(
                row.prior.as_deref(),
                row.is_analysed().then_some(prior),
                "{}",
                row.study
            );
        }
    }
    let page = fs::read_to_string(audit.join("audit.html")).unwrap();
    program::every_colour_has_its_own_by_night(&page);
    assert!(page.contains("Not all alike") && page.contains("(prior): fasting, fed."));
    let json: serde_json::Value = serde_json::from_slice(&fs::read(audit.join("audit.json")).unwrap()).unwrap();
    assert_eq!(json["priors"], serde_json::json!(["fasting", "fed"]));
}

#[test]
fn only_what_is_new_or_changed_or_faulty_is_analysed_again() {
    let dir = with_studies();
    let audit = ["audit", "studies", "--out", "audit"];
    succeed(dir.path(), &audit);
    let before = fs::read(dir.path().join("audit/studies").join(WHOLE)).unwrap();
    let said = succeed(dir.path(), &audit);
    assert!(
        said.starts_with("6 studies of studies: 1 analysed now, 5 there already, 1 of all could not be\n"),
        "{said}"
    );
    assert_eq!(fs::read(dir.path().join("audit/studies").join(WHOLE)).unwrap(), before);
    // One mended, one gone, one new.
    fs::copy(
        dir.path().join("studies/phantom-short-41/recording.csv"),
        dir.path().join("studies/phantom-short-42/recording.csv"),
    )
    .unwrap();
    fs::remove_dir_all(dir.path().join("studies/phantom-short-40")).unwrap();
    succeed(
        dir.path(),
        &["convert", "studies/phantom-short-45", "studies/ward/new.h5"],
    );
    let said = succeed(dir.path(), &audit);
    assert!(
        said.starts_with("6 studies of studies: 2 analysed now, 4 there already, 0 of all could not be\n"),
        "{said}"
    );
    // The same examination lies there twice now.
    let json = fs::read_to_string(dir.path().join("audit/audit.json")).unwrap();
    assert_eq!(json.matches("another study has the same pseudonym").count(), 2);
    let said = succeed(dir.path(), &["audit", "studies", "--out", "audit", "--no-usual-places"]);
    assert!(said.contains("6 analysed now"), "{said}");
}

#[cfg(unix)]
#[test]
fn a_killed_audit_goes_on_where_it_was_to_the_same_bytes() {
    let dir = with_studies();
    succeed(
        dir.path(),
        &[
            "simulate",
            "--cohort",
            "short.toml",
            "--count",
            "24",
            "--out",
            "more",
            "--hdf5",
        ],
    );
    let whole = ["audit", "more", "--out", "whole", "--quiet"];
    succeed(dir.path(), &whole);
    for signal in ["-KILL", "-INT"] {
        let out = &format!("out{signal}");
        let arguments = ["audit", "more", "--out", out, "--jobs", "2"];
        let journal = dir.path().join(out).join("journal/part-0001-of-0001.jsonl");
        let done = || fs::read(&journal).map_or(0, |bytes| bytes.iter().filter(|&&byte| byte == b'\n').count());
        program::stop_at_work(dir.path(), &arguments, signal, || done() >= 4);
        assert!(!dir.path().join(out).join("studies").exists(), "{signal}");
        let kept = done() - 1;
        let said = succeed(dir.path(), &arguments);
        assert!(
            said.contains(&format!("{} analysed now, {kept} there already", 24 - kept)),
            "{signal}: {said}"
        );
        for table in ["studies", "sites"] {
            let read = |folder: &str| fs::read(dir.path().join(folder).join(table).join(WHOLE)).unwrap();
            assert_eq!(read(out), read("whole"), "{signal}");
        }
    }
}

#[test]
fn wrong_folders_parts_and_measures_are_refused_with_what_to_do() {
    let dir = with_studies();
    fs::create_dir(dir.path().join("empty")).unwrap();
    let refused = |arguments: &[&str], code, said: &str| {
        let found = fail(dir.path(), arguments, code);
        assert!(found.contains(said), "{arguments:?}: {found}");
    };
    refused(&["audit", "empty", "--out", "audit"], 1, "empty: no study lies in it");
    refused(&["audit", "none", "--out", "audit"], 3, "none: cannot be read");
    refused(&["audit", "--from", "empty"], 3, "empty: holds no audit");
    refused(&["audit", "studies"], 2, "--out");
    refused(
        &["audit", "studies", "--out", "audit", "--shard", "3/2"],
        2,
        "expected I/N",
    );
    fs::write(dir.path().join("ours.toml"), "format = 1\nmeasure = 3\n").unwrap();
    refused(
        &["audit", "studies", "--out", "audit", "--measures", "ours.toml"],
        1,
        "ours.toml:2:11:",
    );
    assert!(!dir.path().join("audit").exists());

    succeed(
        dir.path(),
        &["audit", "studies", "--out", "audit", "--shard", "1/2", "--quiet"],
    );
    refused(
        &["audit", "studies", "--out", "audit"],
        3,
        "is a part of 2; expected parts of 1",
    );
    succeed(
        dir.path(),
        &["audit", "studies", "--out", "audit", "--force", "--quiet"],
    );
    assert_eq!(names_in(&dir.path().join("audit/studies")), [WHOLE]);
    fs::write(dir.path().join("audit/studies/other.parquet"), "").unwrap();
    refused(
        &["audit", "--from", "audit"],
        1,
        "other.parquet: is no part of an audit",
    );
}

#[test]
fn printed_measures_are_those_in_use_and_ones_own_take_their_place() {
    let dir = with_studies();
    let printed = succeed(dir.path(), &["audit", "--print-measures"]);
    fs::write(
        dir.path().join("ours.toml"),
        printed.replacen("minimum = 0.80", "minimum = 0.01", 1),
    )
    .unwrap();
    succeed(dir.path(), &["audit", "studies", "--out", "audit", "--quiet"]);
    let usual: serde_json::Value =
        serde_json::from_str(&succeed(dir.path(), &["audit", "--from", "audit", "--json"])).unwrap();
    let ours = ["audit", "--from", "audit", "--json", "--measures", "ours.toml"];
    let ours: serde_json::Value = serde_json::from_str(&succeed(dir.path(), &ours)).unwrap();
    assert_eq!(usual["verdicts"]["measure"]["minimum"], 0.8);
    assert_eq!(ours["verdicts"]["measure"]["minimum"], 0.01);
    assert_eq!(usual["audit"], ours["audit"]);
}

/// Runs only where ALVINE_AUDIT_PYTHON names an interpreter with the packages of tests/reference/requirements-audit.txt.
#[test]
fn other_engines_read_the_tables_with_types_units_and_all_parts_as_one() {
    let Some(python) = std::env::var_os("ALVINE_AUDIT_PYTHON") else {
        eprintln!(
            "not run: ALVINE_AUDIT_PYTHON names no Python with the packages of tests/reference/requirements-audit.txt"
        );
        return;
    };
    let dir = with_studies();
    for shard in ["1/2", "2/2"] {
        succeed(
            dir.path(),
            &["audit", "studies", "--out", "audit", "--shard", shard, "--quiet"],
        );
    }
    succeed(dir.path(), &["audit", "--from", "audit", "--quiet"]);
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/check_audit.py");
    let checked = std::process::Command::new(python)
        .arg(script)
        .arg(dir.path().join("audit"))
        .output()
        .unwrap();
    assert!(
        checked.status.success(),
        "{}{}",
        String::from_utf8_lossy(&checked.stdout),
        String::from_utf8_lossy(&checked.stderr)
    );
}
