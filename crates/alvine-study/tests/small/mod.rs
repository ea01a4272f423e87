//! A small valid study, and the comparison of studies.
#![allow(dead_code, reason = "each test file uses its part")]

use std::fs;

use alvine_study::Study;

pub const TOML: &str = r#"format = 1

[study]
id = "small-01"
started = 2026-03-02T08:14:00+01:00
swallowed_s = 412
recording = "recording.csv"

[transmitter]
frequency_mhz = 433.0
power_dbm = -20.0
battery_h = 12.0

[receiver]
floor_dbm = -100.0
ceiling_dbm = -25.0
step_db = 1.0

[propagation]
model = "log-distance"
reference_mm = 50.0
loss_at_reference_db = 47.14
exponent = 4.26
shadowing_db = 7.85
noise_db = 2.0

[torso]
breadth_mm = 330.0
depth_mm = 230.0

[[site]]
name = "epigastric"
position_mm = [0.0, 4.0, 115.0]

[[site]]
name = "right-lumbar"
position_mm = [-130, 44.2, 0]
gain_db = -1.5

[[site]]
name = "left-lumbar"
position_mm = [130.0, 44.2, 0.0]

[[site]]
name = "right-iliac"
position_mm = [-90.0, 18.6, -90.0]

[[site]]
name = "left-iliac"
position_mm = [90.0, 18.6, -90.0]

[[landmark]]
kind = "pylorus"
time_s = 3120.0
spread_s = 30.0

[[finding]]
id = "f1"
time_s = 9480.0
note = "red, \"flat\""
"#;

pub const CSV: &str = "time_s,epigastric,right-lumbar,left-lumbar,right-iliac,left-iliac,aux_battery
0,-60,-71.5,-80,-90,-101,98
0.5,-61,-72,,-90,,\"97, falling\"
1.25,-62,-72,-81,-91,-99,
";

/// A folder that holds the small study.
pub fn folder() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("study.toml"), TOML).unwrap();
    fs::write(dir.path().join("recording.csv"), CSV).unwrap();
    dir
}

/// Asserts that two studies hold the same, bit by bit; a missing level is like any other missing level.
pub fn assert_same(one: &Study, other: &Study) {
    assert_eq!(one.id, other.id);
    assert_eq!(one.started, other.started);
    assert_eq!(one.swallowed_s.map(f64::to_bits), other.swallowed_s.map(f64::to_bits));
    assert_eq!(one.setup, other.setup);
    assert_eq!(one.landmarks, other.landmarks);
    assert_eq!(one.findings, other.findings);
    assert_eq!(one.recording.sites(), other.recording.sites());
    let bits = |study: &Study| {
        study
            .recording
            .time_s()
            .iter()
            .map(|time_s| time_s.to_bits())
            .collect::<Vec<_>>()
    };
    assert_eq!(bits(one), bits(other));
    let levels = |study: &Study| {
        let levels = study.recording.rssi_dbm();
        levels
            .iter()
            .map(|level| (!level.is_nan()).then(|| level.to_bits()))
            .collect::<Vec<_>>()
    };
    assert_eq!(levels(one), levels(other));
    assert_eq!(one.auxiliary, other.auxiliary);
}
