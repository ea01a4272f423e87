//! A malformed copy of a small HDF5 study for each fault, and the whole message that it gets.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod small;

use std::fs;
use std::path::{Path, PathBuf};

use alvine_study::{read_study, write_study_hdf5};
use hdf5::types::VarLenUnicode;
use hdf5::{File, Group};

/// A folder with the small study as HDF5.
fn study() -> (tempfile::TempDir, PathBuf) {
    let dir = small::folder();
    let file = dir.path().join("study.h5");
    write_study_hdf5(&read_study(dir.path()).unwrap(), &file).unwrap();
    (dir, file)
}

fn message(folder: &Path, file: &Path) -> String {
    let error = read_study(file).unwrap_err();
    error.to_string().replace(&format!("{}/", folder.display()), "")
}

fn set(group: &Group, name: &str, value: f64) {
    group.attr(name).unwrap().write_scalar(&value).unwrap();
}

fn set_text(group: &Group, name: &str, value: &str) {
    let _ = group.delete_attr(name);
    let value: VarLenUnicode = value.parse().unwrap();
    group
        .new_attr::<VarLenUnicode>()
        .create(name)
        .unwrap()
        .write_scalar(&value)
        .unwrap();
}

fn texts(file: &File, path: &str, values: &[&str]) {
    let values: Vec<VarLenUnicode> = values.iter().map(|value| value.parse().unwrap()).collect();
    let dataset = file.dataset(path).unwrap();
    dataset.resize(vec![values.len()]).unwrap();
    dataset.write_raw(&values).unwrap();
}

/// Puts a dataset of texts where one of numbers was.
fn texts_instead(file: &File, path: &str) {
    file.unlink(path).unwrap();
    let values: Vec<VarLenUnicode> = vec!["a".parse().unwrap(); 3];
    file.new_dataset_builder().with_data(&values).create(path).unwrap();
}

/// Puts a dataset of numbers where one of texts was.
fn numbers_instead(file: &File, path: &str) {
    file.unlink(path).unwrap();
    file.new_dataset_builder()
        .with_data(&[1.0, 2.0, 3.0])
        .create(path)
        .unwrap();
}

fn group(file: &File, path: &str) -> Group {
    file.group(path).unwrap()
}

fn resize(file: &File, path: &str, shape: &[usize]) {
    file.dataset(path).unwrap().resize(shape.to_vec()).unwrap();
}

fn write<T: hdf5::H5Type>(file: &File, path: &str, values: &[T]) {
    file.dataset(path).unwrap().write_raw(values).unwrap();
}

type Row = (&'static str, fn(&File), &'static str);

const ROWS: &[Row] = &[
    (
        "a later format",
        |file| file.attr("format").unwrap().write_scalar(&2_i64).unwrap(),
        "study.h5:/, attribute format: format is 2; expected 1",
    ),
    (
        "no format",
        |file| file.delete_attr("format").unwrap(),
        "study.h5:/, attribute format: the file is without format; expected the version of the study format, 1",
    ),
    (
        "a missing attribute",
        |file| group(file, "receiver").delete_attr("floor_dbm").unwrap(),
        "study.h5:/receiver, attribute floor_dbm: /receiver is without floor_dbm; expected a number",
    ),
    (
        "a missing group",
        |file| file.unlink("torso").unwrap(),
        "study.h5:/torso, attribute breadth_mm: /torso is without breadth_mm; expected a number",
    ),
    (
        "a dataset for a group",
        |file| {
            file.unlink("torso").unwrap();
            file.new_dataset::<f64>().create("torso").unwrap();
        },
        "study.h5:/torso: /torso is a dataset; expected a group",
    ),
    (
        "a group for a dataset",
        |file| {
            file.unlink("recording/time_s").unwrap();
            file.create_group("recording/time_s").unwrap();
        },
        "study.h5:/recording/time_s: /recording/time_s is a group; expected a dataset",
    ),
    (
        "text where a number belongs",
        |file| set_text(&group(file, "receiver"), "floor_dbm", "low"),
        "study.h5:/receiver, attribute floor_dbm: /receiver floor_dbm is of type unicode (var len); expected a number",
    ),
    (
        "a number where text belongs",
        |file| {
            let study = group(file, "study");
            study.delete_attr("id").unwrap();
            study
                .new_attr::<f64>()
                .create("id")
                .unwrap()
                .write_scalar(&7.0)
                .unwrap();
        },
        "study.h5:/study, attribute id: /study id is of type float64; expected text",
    ),
    (
        "two numbers for one",
        |file| {
            let receiver = group(file, "receiver");
            receiver.delete_attr("floor_dbm").unwrap();
            receiver
                .new_attr_builder()
                .with_data(&[-100.0, -90.0])
                .create("floor_dbm")
                .unwrap();
        },
        "study.h5:/receiver, attribute floor_dbm: /receiver floor_dbm is 2 values; expected a number",
    ),
    (
        "an impossible floor",
        |file| set(&group(file, "receiver"), "floor_dbm", f64::INFINITY),
        "study.h5:/receiver, attribute floor_dbm: receiver floor_dbm is inf; expected −200 to 100 dBm",
    ),
    (
        "an unknown law",
        |file| set_text(&group(file, "propagation"), "model", "two-ray"),
        "study.h5:/propagation, attribute model: /propagation model is \"two-ray\"; expected one of log-distance, free-space, distance-and-tissue",
    ),
    (
        "an impossible exponent",
        |file| set(&group(file, "propagation"), "exponent", -1.0),
        "study.h5:/propagation, attribute exponent: propagation exponent is -1; expected 0.5 to 12 (free space has 2; IEEE 802.15.6 has 4.26 from deep tissue to the surface)",
    ),
    (
        "a start without offset",
        |file| set_text(&group(file, "study"), "started", "2026-03-02T08:14:00"),
        "study.h5:/study, attribute started: /study started is 2026-03-02T08:14:00; expected a date and time with its offset, such as 2026-03-02T08:14:00+01:00",
    ),
    (
        "a start in words",
        |file| set_text(&group(file, "study"), "started", "Monday"),
        "study.h5:/study, attribute started: /study started is \"Monday\"; expected a date and time with its offset, such as 2026-03-02T08:14:00+01:00",
    ),
    (
        "no levels",
        |file| file.unlink("recording/rssi_dbm").unwrap(),
        "study.h5:/recording/rssi_dbm: found no dataset of this name; expected instants × sites, in dBm",
    ),
    (
        "no times",
        |file| file.unlink("recording/time_s").unwrap(),
        "study.h5:/recording/time_s: found no dataset of this name; expected one number an instant, in s",
    ),
    (
        "no recording",
        |file| file.unlink("recording").unwrap(),
        "study.h5:/recording/time_s: found no dataset of this name; expected one number an instant, in s",
    ),
    (
        "no names of sites",
        |file| file.unlink("layout/name").unwrap(),
        "study.h5:/layout/name: found no dataset of this name; expected one name a site",
    ),
    (
        "text for times",
        |file| texts_instead(file, "recording/time_s"),
        "study.h5:/recording/time_s: /recording/time_s is of type unicode (var len); expected numbers",
    ),
    (
        "numbers for names",
        |file| numbers_instead(file, "layout/name"),
        "study.h5:/layout/name: /layout/name is of type float64; expected text",
    ),
    (
        "levels of too few sites",
        |file| resize(file, "recording/rssi_dbm", &[3, 4]),
        "study.h5:/recording/rssi_dbm: found shape 3 × 4; expected 3 × 5",
    ),
    (
        "levels of too many instants",
        |file| resize(file, "recording/rssi_dbm", &[4, 5]),
        "study.h5:/recording/rssi_dbm: found shape 4 × 5; expected 3 × 5",
    ),
    (
        "levels in one dimension",
        |file| {
            file.unlink("recording/rssi_dbm").unwrap();
            file.new_dataset_builder()
                .with_data(&[1.0_f32; 15])
                .create("recording/rssi_dbm")
                .unwrap();
        },
        "study.h5:/recording/rssi_dbm: found shape 15; expected instants × sites, in dBm",
    ),
    (
        "no instants",
        |file| {
            resize(file, "recording/time_s", &[0]);
            resize(file, "recording/rssi_dbm", &[0, 5]);
            resize(file, "recording/auxiliary", &[0, 1]);
        },
        "study.h5:/recording/time_s: found no instants; expected at least one",
    ),
    (
        "a clock that steps back",
        |file| write(file, "recording/time_s", &[0.0, 2.0, 1.0]),
        "study.h5:/recording/time_s[2]: time_s is 1; expected more than 2, the time before it",
    ),
    (
        "a time that is no number",
        |file| write(file, "recording/time_s", &[0.0, f64::NAN, 1.0]),
        "study.h5:/recording/time_s[1]: time_s is NaN; expected a finite number of seconds",
    ),
    (
        "an infinite level",
        |file| {
            let mut levels = [-60.0_f32; 15];
            levels[7] = f32::NEG_INFINITY;
            write(file, "recording/rssi_dbm", &levels);
        },
        "study.h5:/recording/rssi_dbm[1, 2]: left-lumbar is -inf; expected a level from −200 to 100 dBm, or NaN where no packet came",
    ),
    (
        "three sites that report",
        |file| {
            let levels: Vec<f32> = (0..15).map(|k| if k % 5 < 3 { -60.0 } else { f32::NAN }).collect();
            write(file, "recording/rssi_dbm", &levels);
        },
        "study.h5:/recording/rssi_dbm: found only 3 sites that ever report a level (silent: right-iliac, left-iliac); expected at least 4",
    ),
    (
        "two sites of one name",
        |file| texts(file, "layout/name", &["a", "b", "c", "d", "b"]),
        "study.h5:/layout/name[4]: sites 2 and 5 are both named `b`; expected each name once",
    ),
    (
        "three sites",
        |file| {
            texts(file, "layout/name", &["a", "b", "c"]);
            resize(file, "layout/position_mm", &[3, 3]);
            resize(file, "layout/gain_db", &[3]);
        },
        "study.h5:/layout: found 3 sites; expected at least 4",
    ),
    (
        "names of fewer sites than places",
        |file| texts(file, "layout/name", &["a", "b", "c", "d"]),
        "study.h5:/layout/position_mm: found shape 5 × 3; expected 4 × 3",
    ),
    (
        "two sites at one place",
        |file| {
            let mut places = file.dataset("layout/position_mm").unwrap().read_raw::<f64>().unwrap();
            let first: Vec<f64> = places[..3].to_vec();
            places[9..12].copy_from_slice(&first);
            write(file, "layout/position_mm", &places);
        },
        "study.h5:/layout/position_mm[3]: sites `epigastric` and `right-iliac` are 0.0 mm apart; expected at least 5 mm",
    ),
    (
        "sites in one plane",
        |file| {
            let mut places = file.dataset("layout/position_mm").unwrap().read_raw::<f64>().unwrap();
            places.iter_mut().skip(1).step_by(3).for_each(|y| *y = 0.0);
            write(file, "layout/position_mm", &places);
        },
        "study.h5:/layout/position_mm: all sites lie within 0.0 mm of one plane, so that places on its two sides cannot be told apart; expected a spread of at least 2 mm",
    ),
    (
        "a place that is no number",
        |file| {
            let mut places = file.dataset("layout/position_mm").unwrap().read_raw::<f64>().unwrap();
            places[4] = f64::NAN;
            write(file, "layout/position_mm", &places);
        },
        "study.h5:/layout/position_mm[1]: site `right-lumbar`: y_mm is NaN; expected −2000 to 2000 mm",
    ),
    (
        "an unknown landmark",
        |file| texts(file, "landmark/kind", &["pilorus"]),
        "study.h5:/landmark/kind[0]: landmark kind is \"pilorus\"; expected one of swallow, cardia, pylorus, duodenojejunal-flexure, ileocaecal-valve, expulsion; did you mean `pylorus`?",
    ),
    (
        "a landmark's time that is no number",
        |file| write(file, "landmark/time_s", &[f64::NAN]),
        "study.h5:/landmark/time_s[0]: landmark time_s is NaN; expected a finite number",
    ),
    (
        "findings without times",
        |file| file.unlink("finding/time_s").unwrap(),
        "study.h5:/finding/time_s: found no dataset of this name; expected one time a finding, in s",
    ),
    (
        "notes for other findings",
        |file| texts(file, "finding/note", &["a", "b"]),
        "study.h5:/finding/note: found shape 2; expected 1",
    ),
    (
        "an auxiliary column of another kind",
        |file| texts(file, "recording/auxiliary_name", &["battery"]),
        "study.h5:/recording/auxiliary: auxiliary column is \"battery\"; expected a name that begins with aux_, without NUL characters",
    ),
    (
        "auxiliary cells of another shape",
        |file| resize(file, "recording/auxiliary", &[2, 1]),
        "study.h5:/recording/auxiliary: found shape 2 × 1; expected 3 × 1",
    ),
    (
        "absurdly many instants",
        |file| resize(file, "recording/time_s", &[4_000_000_000_000]),
        "study.h5:/recording/time_s: instants: found 4000000000000; expected at most 50000000",
    ),
    (
        "instants that no stored byte stands for",
        |file| {
            resize(file, "recording/time_s", &[40_000_000]);
        },
        "study.h5:/recording/time_s: bytes claimed by a dataset of this stored size: found 320000000; expected at most 67467464",
    ),
    (
        "absurdly many sites",
        |file| resize(file, "layout/name", &[5_000]),
        "study.h5:/layout/name: entries: found 5000; expected at most 1024",
    ),
];

#[test]
fn every_fault_of_hdf5_has_its_own_message() {
    for (name, fault, expected) in ROWS {
        let (dir, path) = study();
        {
            let file = File::open_rw(&path).unwrap();
            fault(&file);
        }
        assert_eq!(message(dir.path(), &path), *expected, "{name}");
    }
}

#[test]
fn a_file_that_is_no_hdf5_or_no_longer_whole_is_refused() {
    let (dir, path) = study();
    let whole = fs::read(&path).unwrap();
    for (name, bytes) in [
        ("text", b"time_s,a,b\n".as_slice()),
        ("nothing", b"".as_slice()),
        ("a half", &whole[..whole.len() / 2]),
        ("all but a byte", &whole[..whole.len() - 1]),
    ] {
        fs::write(&path, bytes).unwrap();
        let message = message(dir.path(), &path);
        assert!(
            message.starts_with("study.h5: found no readable HDF5 file ("),
            "{name}: {message}"
        );
        assert!(message.ends_with("; expected HDF5, whole"), "{name}: {message}");
    }
}

#[test]
fn text_that_is_no_utf8_is_refused_where_it_stands() {
    let (dir, path) = study();
    let mut bytes = fs::read(&path).unwrap();
    let name = b"right-lumbar";
    let at = bytes.windows(name.len()).position(|window| window == name).unwrap();
    bytes[at] = 0xff;
    fs::write(&path, bytes).unwrap();
    assert_eq!(
        message(dir.path(), &path),
        "study.h5:/layout/name[1]: found bytes that are not UTF-8; expected UTF-8 text"
    );
}

/// A file may name others, on the reader's machine, as places of its own objects.
#[test]
fn what_stands_in_another_file_is_refused() {
    let (other, other_file) = study();
    let moved = |change: &dyn Fn(&File)| {
        let (dir, file) = study();
        let opened = File::open_rw(&file).unwrap();
        change(&opened);
        opened.close().unwrap();
        message(dir.path(), &file)
    };
    let elsewhere = other_file.to_str().unwrap();
    let by_link = moved(&|file| {
        file.unlink("/recording/rssi_dbm").unwrap();
        file.link_external(elsewhere, "/recording/rssi_dbm", "recording/rssi_dbm")
            .unwrap();
    });
    let refused = |path: &str| format!("study.h5:{path}: {path} is a link; expected the object itself, in this file");
    assert_eq!(by_link, refused("/recording/rssi_dbm"));
    let by_group = moved(&|file| {
        file.unlink("/layout").unwrap();
        file.link_external(elsewhere, "/layout", "layout").unwrap();
    });
    assert_eq!(by_group, refused("/layout"));
    let about = moved(&|file| {
        file.link_hard("/recording/rssi_dbm", "other").unwrap();
        file.unlink("/recording/rssi_dbm").unwrap();
        file.link_soft("/other", "recording/rssi_dbm").unwrap();
    });
    assert_eq!(about, refused("/recording/rssi_dbm"));
    let raw = other.path().join("raw");
    fs::write(&raw, [0; 800]).unwrap();
    let by_storage = moved(&|file| {
        file.unlink("/recording/time_s").unwrap();
        let made = file.new_dataset::<f64>().shape(3);
        made.with_dcpl(|dcpl| dcpl.no_chunk().external(raw.to_str().unwrap(), 0, 24))
            .create("recording/time_s")
            .unwrap();
    });
    assert_eq!(
        by_storage,
        "study.h5:/recording/time_s: /recording/time_s is stored in another file; expected values in this file"
    );
}
