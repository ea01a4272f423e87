//! A malformed copy of a small study for each fault, and the whole message that it gets.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod small;

use std::collections::HashSet;
use std::fs;
use std::path::Path;

use alvine_study::{Fault, read_study};

/// One fault: its name, the file it is put into, what is replaced there by what, and the message.
struct Row {
    name: &'static str,
    file: &'static str,
    from: String,
    to: String,
    message: &'static str,
}

fn row(name: &'static str, file: &'static str, from: &str, to: &str, message: &'static str) -> Row {
    Row {
        name,
        file,
        from: from.to_owned(),
        to: to.to_owned(),
        message,
    }
}

fn rows() -> Vec<Row> {
    let sites = small::TOML.find("[[site]]").unwrap();
    let last_sites = small::TOML.find("[[site]]\nname = \"right-iliac\"").unwrap();
    let header_end = small::CSV.find('\n').unwrap();
    vec![
        row(
            "a recording that is not there",
            "study.toml",
            "\"recording.csv\"",
            "\"other.csv\"",
            "other.csv: no such file; expected the recording that study.toml names",
        ),
        row(
            "text where a number belongs",
            "study.toml",
            "floor_dbm = -100.0",
            "floor_dbm = \"low\"",
            "study.toml:15:13: [receiver] floor_dbm is \"low\"; expected a number",
        ),
        row(
            "a misspelt key",
            "study.toml",
            "floor_dbm",
            "flor_dbm",
            "study.toml:15:1: [receiver] has no key `flor_dbm`; expected one of floor_dbm, ceiling_dbm, step_db; did you mean `floor_dbm`?",
        ),
        row(
            "a misspelt table",
            "study.toml",
            "[torso]",
            "[torsoe]",
            "study.toml:27:2: the study has no key `torsoe`; expected one of format, study, transmitter, receiver, propagation, torso, site, landmark, finding; did you mean `torso`?",
        ),
        row(
            "a misspelt key of a site",
            "study.toml",
            "gain_db = -1.5",
            "gain = -1.5",
            "study.toml:38:1: [[site]] has no key `gain`; expected one of name, position_mm, gain_db; did you mean `gain_db`?",
        ),
        row(
            "a key of another law",
            "study.toml",
            "\"log-distance\"",
            "\"free-space\"",
            "study.toml:21:1: [propagation] has no key `reference_mm`; expected one of model, shadowing_db, noise_db",
        ),
        row(
            "a missing key",
            "study.toml",
            "floor_dbm = -100.0\n",
            "",
            "study.toml:14:1: [receiver] is without floor_dbm; expected a number",
        ),
        row(
            "a missing table",
            "study.toml",
            "[torso]\nbreadth_mm = 330.0\ndepth_mm = 230.0\n",
            "",
            "study.toml:57:23: [torso] is without breadth_mm; expected a number",
        ),
        row(
            "a site without a place",
            "study.toml",
            "position_mm = [130.0, 44.2, 0.0]\n",
            "",
            "study.toml:40:1: [[site]] is without position_mm; expected three coordinates, such as [0.0, 4.0, 115.0]",
        ),
        row(
            "a site in metres among others in millimetres",
            "study.toml",
            "position_mm = [130.0, 44.2, 0.0]\n",
            "position_mm = [0.13, 0.0442, 0.0]\n",
            "study.toml:42:15: site `left-lumbar` at [0.130000, 0.044200, 0.000000] mm: it seems to be in metres; expected about [130.0, 44.2, 0.0] mm",
        ),
        row(
            "a depth counted to the front",
            "study.toml",
            "position_mm = [130.0, 44.2, 0.0]\n",
            "position_mm = [130.0, -44.2, 0.0]\n",
            "study.toml:42:15: site `left-lumbar` at [130.000000, -44.200000, 0.000000] mm: a sign seems to be wrong, as the coordinate grows towards the back; expected about [130.0, 44.2, 0.0] mm",
        ),
        row(
            "a site of the lower belly above the umbilicus",
            "study.toml",
            "position_mm = [-90.0, 18.6, -90.0]\n",
            "position_mm = [-90.0, 18.6, 90.0]\n",
            "study.toml:46:15: site `right-iliac` at [-90.000000, 18.600000, 90.000000] mm: a sign seems to be wrong, as the coordinate grows towards the head; expected about [-90.0, 18.6, -90.0] mm",
        ),
        row(
            "a later format",
            "study.toml",
            "format = 1",
            "format = 2",
            "study.toml:1:10: format is 2; expected 1",
        ),
        row(
            "a format in words",
            "study.toml",
            "format = 1",
            "format = \"one\"",
            "study.toml:1:10: format is \"one\"; expected 1",
        ),
        row(
            "no format",
            "study.toml",
            "format = 1",
            "",
            "study.toml:1:1: the study is without format; expected format = 1 above the first table",
        ),
        row(
            "no TOML",
            "study.toml",
            "floor_dbm = -100.0",
            "floor_dbm = = -100.0",
            "study.toml:15:13: found text that is not TOML (extra `=`, expected nothing); expected TOML",
        ),
        row(
            "a key twice",
            "study.toml",
            "floor_dbm = -100.0",
            "floor_dbm = -100.0\nfloor_dbm = -99.0",
            "study.toml:16:1: found text that is not TOML (duplicate key); expected TOML",
        ),
        row(
            "an unknown law",
            "study.toml",
            "\"log-distance\"",
            "\"two-ray\"",
            "study.toml:20:9: [propagation] model is \"two-ray\"; expected one of log-distance, free-space, distance-and-tissue",
        ),
        row(
            "an infinite exponent",
            "study.toml",
            "exponent = 4.26",
            "exponent = inf",
            "study.toml:23:12: propagation exponent is inf; expected 0.5 to 12 (free space has 2; IEEE 802.15.6 has 4.26 from deep tissue to the surface)",
        ),
        row(
            "noise that is no number",
            "study.toml",
            "noise_db = 2.0",
            "noise_db = nan",
            "study.toml:25:12: propagation noise_db is NaN dB; expected 0.01 to 40 dB",
        ),
        row(
            "an impossible torso",
            "study.toml",
            "breadth_mm = 330.0",
            "breadth_mm = 3300",
            "study.toml:28:14: torso breadth of 3300 mm; expected 80 to 900 mm",
        ),
        row(
            "an impossible frequency",
            "study.toml",
            "433.0",
            "0",
            "study.toml:10:17: transmitter frequency_mhz is 0; expected 1 to 100000 MHz",
        ),
        row(
            "a ceiling below the floor",
            "study.toml",
            "-25.0",
            "-125.0",
            "study.toml:16:15: receiver ceiling_dbm is -125; expected above the floor and at most 100 dBm",
        ),
        row(
            "a start in quotes",
            "study.toml",
            "2026-03-02T08:14:00+01:00",
            "\"2026-03-02\"",
            "study.toml:5:11: [study] started is \"2026-03-02\"; expected a date and time with its offset, not in quotes, such as 2026-03-02T08:14:00+01:00",
        ),
        row(
            "a start without offset",
            "study.toml",
            "2026-03-02T08:14:00+01:00",
            "2026-03-02T08:14:00",
            "study.toml:5:11: [study] started is 2026-03-02T08:14:00; expected a date and time with its offset, such as 2026-03-02T08:14:00+01:00",
        ),
        row(
            "an infinite swallow",
            "study.toml",
            "swallowed_s = 412",
            "swallowed_s = inf",
            "study.toml:6:15: [study] swallowed_s is inf; expected a finite number",
        ),
        row(
            "an empty pseudonym",
            "study.toml",
            "\"small-01\"",
            "\"\"",
            "study.toml:4:6: [study] id is \"\"; expected a name that is not empty",
        ),
        row(
            "a recording outside the folder",
            "study.toml",
            "\"recording.csv\"",
            "\"../recording.csv\"",
            "study.toml:7:13: [study] recording is \"../recording.csv\"; expected a path within the study's folder",
        ),
        row(
            "a recording by absolute path",
            "study.toml",
            "\"recording.csv\"",
            "\"/etc/hostname\"",
            "study.toml:7:13: [study] recording is \"/etc/hostname\"; expected a path within the study's folder",
        ),
        row(
            "two sites of one name",
            "study.toml",
            "\"left-lumbar\"",
            "\"epigastric\"",
            "study.toml:41:8: sites 1 and 3 are both named `epigastric`; expected each name once",
        ),
        row(
            "three sites",
            "study.toml",
            &small::TOML[sites..last_sites],
            "[[site]]\nname=\"a\"\nposition_mm=[0.0,4.0,115.0]\n",
            "study.toml:31:1: found 3 sites; expected at least 4",
        ),
        row(
            "two sites at one place",
            "study.toml",
            "[130.0, 44.2, 0.0]",
            "[89.0, 18.6, -89.0]",
            "study.toml:50:15: sites `left-lumbar` and `left-iliac` are 1.4 mm apart; expected at least 5 mm",
        ),
        row(
            "a place of two coordinates",
            "study.toml",
            "[130.0, 44.2, 0.0]",
            "[130.0, 44.2]",
            "study.toml:42:15: [[site]] position_mm is a list of 2; expected three coordinates in mm",
        ),
        row(
            "text for a coordinate",
            "study.toml",
            "[130.0, 44.2, 0.0]",
            "[130.0, \"deep\", 0.0]",
            "study.toml:42:23: [[site]] position_mm is \"deep\"; expected a number",
        ),
        row(
            "a site beyond any body",
            "study.toml",
            "[130.0, 44.2, 0.0]",
            "[130.0, 44200.0, 0.0]",
            "study.toml:42:15: site `left-lumbar`: y_mm is 44200; expected −2000 to 2000 mm",
        ),
        row(
            "a name that heads no column",
            "study.toml",
            "\"left-lumbar\"",
            "\"left,lumbar\"",
            "study.toml:41:8: site 3 is named `left,lumbar`; a name that heads a column has no comma, quote, control character, or space at its ends; expected another name",
        ),
        row(
            "an unknown landmark",
            "study.toml",
            "\"pylorus\"",
            "\"pilorus\"",
            "study.toml:53:8: landmark kind is \"pilorus\"; expected one of swallow, cardia, pylorus, duodenojejunal-flexure, ileocaecal-valve, expulsion; did you mean `pylorus`?",
        ),
        row(
            "a landmark twice",
            "study.toml",
            "spread_s = 30.0",
            "\n[[landmark]]\nkind = \"pylorus\"\ntime_s = 1",
            "study.toml:57:8: landmark \"pylorus\" stands twice; expected each once",
        ),
        row(
            "a landmark's time that is no number",
            "study.toml",
            "time_s = 3120.0",
            "time_s = nan",
            "study.toml:54:10: landmark time_s is NaN; expected a finite number",
        ),
        row(
            "a negative spread",
            "study.toml",
            "spread_s = 30.0",
            "spread_s = -30.0",
            "study.toml:55:12: landmark spread_s is -30; expected a finite number of seconds, 0 or more",
        ),
        row(
            "a finding without a name",
            "study.toml",
            "id = \"f1\"\n",
            "",
            "study.toml:57:1: [[finding]] is without id; expected the finding's name in quotes",
        ),
        row(
            "a recording of other sites than the default eight",
            "study.toml",
            &small::TOML[sites..],
            "",
            "recording.csv:1:1: found no column \"right-hypochondriac\"; expected time_s,right-hypochondriac,epigastric,left-hypochondriac,right-lumbar,left-lumbar,right-iliac,hypogastric,left-iliac",
        ),
        row(
            "a header without time_s",
            "recording.csv",
            "time_s",
            "time",
            "recording.csv:1:1: found column \"time\"; expected \"time_s\"",
        ),
        row(
            "a column misspelt",
            "recording.csv",
            "right-lumbar",
            "right-lumber",
            "recording.csv:1:19: column \"right-lumber\" is no site of the layout; expected one of epigastric, right-lumbar, left-lumbar, right-iliac, left-iliac, or a name that begins with aux_; did you mean `right-lumbar`?",
        ),
        row(
            "a column that is no site",
            "recording.csv",
            "right-lumbar",
            "umbilical",
            "recording.csv:1:19: column \"umbilical\" is no site of the layout; expected one of epigastric, right-lumbar, left-lumbar, right-iliac, left-iliac, or a name that begins with aux_",
        ),
        row(
            "columns out of order",
            "recording.csv",
            "right-lumbar,left-lumbar",
            "left-lumbar,right-lumbar",
            "recording.csv:1:19: found column \"left-lumbar\"; expected \"right-lumbar\"",
        ),
        row(
            "a column twice",
            "recording.csv",
            "right-lumbar",
            "epigastric",
            "recording.csv:1:19: column \"epigastric\" stands twice; expected each once",
        ),
        row(
            "a site without a column",
            "recording.csv",
            ",left-iliac",
            "",
            "recording.csv:1:1: found no column \"left-iliac\"; expected time_s,epigastric,right-lumbar,left-lumbar,right-iliac,left-iliac",
        ),
        row(
            "a clock that steps back",
            "recording.csv",
            "1.25",
            "0.25",
            "recording.csv:4:1: time_s is 0.25; expected more than 0.5, the time before it",
        ),
        row(
            "a clock that stands still",
            "recording.csv",
            "1.25",
            "0.5",
            "recording.csv:4:1: time_s is 0.5; expected more than 0.5, the time before it",
        ),
        row(
            "a time in words",
            "recording.csv",
            "1.25",
            "noon",
            "recording.csv:4:1: time_s is \"noon\"; expected a finite number of seconds",
        ),
        row(
            "an empty time",
            "recording.csv",
            "1.25",
            "",
            "recording.csv:4:1: time_s is \"\"; expected a finite number of seconds",
        ),
        row(
            "a level in words",
            "recording.csv",
            "-71.5",
            "low",
            "recording.csv:2:7: right-lumbar is \"low\"; expected a number (dBm), or an empty cell where no packet came",
        ),
        row(
            "a level NaN",
            "recording.csv",
            "-71.5",
            "NaN",
            "recording.csv:2:7: right-lumbar is \"NaN\"; expected a level from −200 to 100 dBm, or an empty cell where no packet came",
        ),
        row(
            "an infinite level",
            "recording.csv",
            "-71.5",
            "-inf",
            "recording.csv:2:7: right-lumbar is \"-inf\"; expected a level from −200 to 100 dBm, or an empty cell where no packet came",
        ),
        row(
            "an impossible level",
            "recording.csv",
            "-71.5",
            "300",
            "recording.csv:2:7: right-lumbar is \"300\"; expected a level from −200 to 100 dBm, or an empty cell where no packet came",
        ),
        row(
            "a row too short",
            "recording.csv",
            "-71.5,",
            "",
            "recording.csv:2:20: found 6 cells in this row; expected 7, as in the header",
        ),
        row(
            "a row too long",
            "recording.csv",
            "-71.5,",
            "-71.5,-71,",
            "recording.csv:2:30: found 8 cells in this row; expected 7, as in the header",
        ),
        row(
            "a quote that stays open",
            "recording.csv",
            "\"97, falling\"",
            "\"97, falling",
            "recording.csv:3:19: found a quote that is never closed; expected a closing quote",
        ),
        row(
            "text after a quote",
            "recording.csv",
            "\"97, falling\"",
            "\"97\" falling",
            "recording.csv:3:23: found text after a closing quote; expected a comma or the end of the row (a quote within quotes is doubled)",
        ),
        row(
            "a header and nothing else",
            "recording.csv",
            &small::CSV[header_end..],
            "",
            "recording.csv:1:78: found no instants; expected at least one",
        ),
        row(
            "an empty recording",
            "recording.csv",
            small::CSV,
            "",
            "recording.csv:1:1: found an empty file; expected the header time_s,epigastric,right-lumbar,left-lumbar,right-iliac,left-iliac",
        ),
        row(
            "three sites that report",
            "recording.csv",
            &small::CSV[header_end..],
            "\n0,-60,-61,-62,,,1\n",
            "recording.csv:1:44: found only 3 sites that ever report a level (silent: right-iliac, left-iliac); expected at least 4",
        ),
        row(
            "an absurdly long cell",
            "recording.csv",
            "falling",
            &"x".repeat(70_000),
            "recording.csv:3:19: bytes in one cell: found 70004; expected at most 65536",
        ),
    ]
}

/// The message for a study, with the path of its folder taken out.
fn message(folder: &Path, study: &Path) -> String {
    let error = read_study(study).unwrap_err();
    error.to_string().replace(&format!("{}/", folder.display()), "")
}

#[test]
fn every_fault_of_toml_and_csv_has_its_own_message() {
    let mut messages = HashSet::new();
    for row in rows() {
        let dir = small::folder();
        let file = dir.path().join(row.file);
        let text = fs::read_to_string(&file).unwrap();
        assert!(text.contains(&row.from), "{}", row.name);
        fs::write(&file, text.replacen(&row.from, &row.to, 1)).unwrap();
        assert_eq!(message(dir.path(), dir.path()), row.message, "{}", row.name);
        assert!(messages.insert(row.message), "{}", row.name);
    }
}

#[test]
fn sites_in_one_plane_are_refused_with_their_spread() {
    let dir = small::folder();
    let file = dir.path().join("study.toml");
    let flat = small::TOML.replace("44.2", "4.0").replace("18.6", "4.0");
    fs::write(&file, flat).unwrap();
    assert_eq!(
        message(dir.path(), dir.path()),
        "study.toml:33:15: all sites lie within 0.0 mm of one plane, so that places on its two sides cannot be told \
         apart; expected a spread of at least 2 mm"
    );
    assert!(
        read_study(dir.path())
            .unwrap_err()
            .help()
            .unwrap()
            .contains("curve of the body")
    );
}

#[test]
fn what_is_not_there_or_no_study_is_refused() {
    let dir = small::folder();
    assert_eq!(
        message(dir.path(), &dir.path().join("none.toml")),
        "none.toml: no such file; expected a study.toml, the folder that holds it, or an HDF5 file (.h5)"
    );
    assert_eq!(
        message(dir.path(), &dir.path().join("recording.csv")),
        "recording.csv: found a CSV file; expected the study.toml that names it, or their folder"
    );
    fs::remove_file(dir.path().join("study.toml")).unwrap();
    assert_eq!(
        message(dir.path(), dir.path()),
        "study.toml: no such file; expected the description of a study"
    );
}

#[test]
fn bytes_that_are_no_text_are_refused_where_they_stand() {
    for (file, place) in [("study.toml", "study.toml:4:7"), ("recording.csv", "recording.csv:2:3")] {
        let dir = small::folder();
        let path = dir.path().join(file);
        let mut bytes = fs::read(&path).unwrap();
        let at = if file == "study.toml" {
            small::TOML.find("small-01").unwrap()
        } else {
            small::CSV.find("-60").unwrap()
        };
        bytes[at] = 0xff;
        fs::write(&path, bytes).unwrap();
        let expected = format!("{place}: found bytes that are not UTF-8; expected UTF-8 text");
        assert_eq!(message(dir.path(), dir.path()), expected);
    }
}

#[test]
fn faults_can_be_told_apart_by_programs() {
    let dir = small::folder();
    let file = dir.path().join("recording.csv");
    fs::write(&file, small::CSV.replace("1.25", "0.25")).unwrap();
    let error = read_study(dir.path()).unwrap_err();
    assert!(matches!(
        error.fault(),
        Fault::TimeNotIncreasing {
            previous_s: 0.5,
            time_s: 0.25
        }
    ));
    assert_eq!(error.place().path(), file);
}
