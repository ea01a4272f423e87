//! EDF+ as another program writes it.
//!
//! `tests/data/edf_pyedflib.edf` was made by `tests/reference/make_edf.py` with the versions of
//! `tests/reference/requirements-exchange.txt`.

#![allow(clippy::unwrap_used)]

use alvine_exchange::edf;
use alvine_tests::repository_file;

#[test]
fn levels_times_and_annotations_of_another_program_are_read() {
    let bytes = std::fs::read(repository_file("tests/data/edf_pyedflib.edf")).unwrap();
    let imported = edf::read(&bytes).unwrap();
    assert_eq!(imported.left_out, ["Temp body"]);
    let found = imported.edf;
    assert_eq!(
        found.sites,
        ["epigastric", "left-lumbar", "right-lumbar", "hypogastric"]
    );
    assert_eq!(found.started.unwrap().to_string(), "2026-03-02T08:14:00");
    assert_eq!(found.recording.len(), 60);
    // The file's step: 300 dB over 65 535 values.
    let half_step_db = 0.5 * 300.0 / 65_535.0;
    for (k, &time_s) in found.recording.time_s().iter().enumerate() {
        assert!((time_s - 0.5 * k as f64).abs() < 1e-9);
        for (site, &level_dbm) in found.recording.row(k).iter().enumerate() {
            let written_dbm = -60.0 - 0.5 * site as f64 - 0.25 * (k % 40) as f64;
            // Single precision adds its own rounding, and the program cuts where others round.
            assert!(
                (f64::from(level_dbm) - written_dbm).abs() < 2.0 * half_step_db + 1e-5,
                "{k} {site} {level_dbm}"
            );
        }
    }
    let marks: Vec<(f64, &str)> = found
        .annotations
        .iter()
        .map(|mark| (mark.time_s, mark.text.as_str()))
        .collect();
    assert_eq!(marks, [(3.5, "swallow"), (21.25, "cough")]);
}
