use alvine::Recording;
use ndarray::Array2;
use proptest::prelude::*;

use super::*;

fn recording(times: Vec<f64>, sites: usize) -> Recording {
    let levels = Array2::from_shape_fn((times.len(), sites), |(row, site)| {
        if (row + site) % 5 == 0 {
            f32::NAN
        } else {
            -60.0 - 0.25 * (row % 100) as f32 - site as f32
        }
    });
    Recording::new(times, levels).unwrap()
}

fn edf(times: Vec<f64>) -> EdfRecording {
    EdfRecording {
        study: "demo-01".to_owned(),
        started: Some(jiff::civil::date(2026, 3, 2).at(8, 14, 0, 0)),
        utc_offset_min: Some(60),
        sites: ["epigastric", "right-hypochondriac", "left-iliac", "hypogastric"]
            .map(str::to_owned)
            .into(),
        recording: recording(times, 4),
        annotations: vec![
            Annotation {
                time_s: 2.5,
                text: "swallow".to_owned(),
            },
            Annotation {
                time_s: 7.0,
                text: "finding f1: angioectasia, “3 mm”".to_owned(),
            },
        ],
    }
}

/// Bits, as NaN equals nothing.
fn bits(recording: &Recording) -> Vec<u32> {
    recording.rssi_dbm().iter().map(|level| level.to_bits()).collect()
}

fn assert_same(one: &EdfRecording, other: &EdfRecording) {
    assert_eq!((&one.study, &one.sites), (&other.study, &other.sites));
    assert_eq!((one.started, one.utc_offset_min), (other.started, other.utc_offset_min));
    assert_eq!(one.annotations, other.annotations);
    assert_eq!(bits(&one.recording), bits(&other.recording));
    for (one_s, other_s) in one.recording.time_s().iter().zip(other.recording.time_s()) {
        assert!((one_s - other_s).abs() <= 1e-6, "{one_s} {other_s}");
    }
}

#[test]
fn even_instants_make_a_continuous_file_that_reads_back() {
    for (rate_hz, count) in [(0.5, 2000), (6.0, 1000), (4.0, 961), (1.0, 2), (1024.0, 3000)] {
        let written = edf((0..count).map(|k| f64::from(k) / rate_hz).collect());
        let exported = write(&written).unwrap();
        assert!(exported.continuous, "{rate_hz}");
        assert_eq!((exported.rounded, exported.earlier_s), (0, 0.0));
        assert_same(&read(&exported.bytes).unwrap().edf, &written);
    }
}

#[test]
fn uneven_instants_keep_their_own_times() {
    let written = edf(vec![0.25, 1.0, 1.000_000_001, 77.7, 43_200.123_456_789]);
    let exported = write(&written).unwrap();
    assert!(!exported.continuous);
    let back = read(&exported.bytes).unwrap().edf;
    assert_same(&back, &written);
    assert_eq!(back.recording.time_s()[2], 1.000_000_001);
}

#[test]
fn a_recording_that_begins_late_begins_at_its_own_second() {
    let exported = write(&edf((0..20).map(|k| 3600.5 + f64::from(k)).collect())).unwrap();
    assert_eq!(exported.earlier_s, 3600.0);
    let back = read(&exported.bytes).unwrap().edf;
    assert_eq!(back.recording.time_s()[0], 0.5);
    assert_eq!(back.started.unwrap(), jiff::civil::date(2026, 3, 2).at(9, 14, 0, 0));
    assert_eq!(back.annotations[0].time_s, 2.5 - 3600.0);
}

#[test]
fn the_header_stands_as_the_standard_has_it() {
    let exported = write(&edf((0..20).map(f64::from).collect())).unwrap();
    let text = |from: usize, width: usize| String::from_utf8(exported.bytes[from..from + width].to_vec()).unwrap();
    assert_eq!(text(8, 80).trim_end(), "X X X X");
    assert_eq!(
        text(88, 80).trim_end(),
        "Startdate 02-MAR-2026 demo-01 X alvine UTC+01:00"
    );
    assert_eq!(text(168, 16), "02.03.2608.14.00");
    assert_eq!(text(192, 5), "EDF+C");
    assert_eq!(text(252, 4), "5   ");
    assert_eq!(text(256 + 16, 16), "right-hypochondr");
    assert_eq!(text(256 + 64, 16), "EDF Annotations ");
    assert!(exported.bytes[..256 * 6].is_ascii());
}

#[test]
fn what_edf_cannot_hold_is_refused_and_what_is_rounded_is_counted() {
    let mut wrong = edf(vec![0.0, 1.0]);
    wrong.sites[1] = "flanc gauche à 3 cm".to_owned();
    assert!(
        write(&wrong)
            .unwrap_err()
            .to_string()
            .starts_with("the name of a site is")
    );
    let mut wrong = edf(vec![0.0, 1.0]);
    wrong.annotations[0].text = "two\x14parts".to_owned();
    assert!(write(&wrong).unwrap_err().to_string().starts_with("an annotation is"));
    let mut fine = edf(vec![0.0, 1.0]);
    fine.recording = Recording::new(vec![0.0, 1.0], Array2::from_elem((2, 4), -60.004)).unwrap();
    let exported = write(&fine).unwrap();
    assert_eq!(exported.rounded, 8);
    assert!((exported.greatest_rounding_db - 0.004).abs() < 1e-5);
}

#[test]
fn damaged_files_are_told_by_their_byte() {
    let whole = write(&edf((0..20).map(f64::from).collect())).unwrap().bytes;
    let said = |bytes: &[u8]| read(bytes).unwrap_err().to_string();
    assert!(said(&[]).starts_with("byte 0: the file ends"));
    assert!(said(&whole[..whole.len() - 1]).contains("all data records that the header counts"));
    let changed = |at: usize, text: &str| {
        let mut bytes = whole.clone();
        bytes[at..at + text.len()].copy_from_slice(text.as_bytes());
        said(&bytes)
    };
    assert!(changed(0, "BIOSEMI").starts_with("byte 0: version is \"BIOSEMI\"; expected 0"));
    assert!(changed(244, "-5").starts_with("byte 244: length of a data record is"));
    // The record holds sixty samples of four sites, then its time.
    assert!(changed(1536 + 480, "x").starts_with("data record 0 (byte 2016) says no time"));
}

proptest! {
    #[test]
    fn no_bytes_make_the_reader_panic(at in 0_usize..3000, with in proptest::collection::vec(any::<u8>(), 1..12)) {
        let mut bytes = write(&edf((0..40).map(f64::from).collect())).unwrap().bytes;
        let at = at.min(bytes.len() - with.len());
        bytes[at..at + with.len()].copy_from_slice(&with);
        let _ = read(&bytes);
    }

    #[test]
    fn any_recording_reads_back(steps in proptest::collection::vec(0.001..100.0_f64, 1..40)) {
        let mut time_s = 0.0;
        let times: Vec<f64> = steps.iter().map(|step| { time_s += step; (time_s * 1e6_f64).round() / 1e6 }).collect();
        let mut written = edf(times);
        written.annotations.clear();
        let exported = write(&written).unwrap();
        let back = read(&exported.bytes).unwrap().edf;
        prop_assert_eq!(bits(&back.recording), bits(&written.recording));
        for (one_s, other_s) in back.recording.time_s().iter().zip(written.recording.time_s()) {
            prop_assert!((one_s + exported.earlier_s - other_s).abs() <= 2e-6);
        }
    }
}
