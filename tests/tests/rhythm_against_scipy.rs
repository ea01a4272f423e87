//! Spectra against SciPy's, on a real gastric rhythm: eight skin electrodes over one person's stomach.

#![allow(clippy::unwrap_used, clippy::expect_used)]

use alvine_tests::Table;
use alvine_transit::spectrum::Periodogram;

const STEP_S: f64 = 0.5;
const SAMPLES: usize = 400;

/// Lines in cycles a minute, and the mean spectrum of each channel over windows of 200 s every 100 s.
fn spectra() -> (Vec<f64>, Vec<Vec<f64>>) {
    let table = Table::read("tests/data/egg_2hz.csv");
    let periodogram = Periodogram::new(SAMPLES, STEP_S);
    let channels = (1..=8).map(|channel| {
        let values: Vec<f64> = (0..table.len())
            .map(|row| table.text(row, &format!("ch{channel}_uv")).parse().unwrap())
            .collect();
        let windows: Vec<Vec<f64>> = (0..=values.len() - SAMPLES)
            .step_by(SAMPLES / 2)
            .map(|first| periodogram.of(&values[first..first + SAMPLES]))
            .collect();
        (0..windows[0].len())
            .map(|line| windows.iter().map(|window| window[line]).sum::<f64>() / windows.len() as f64)
            .collect()
    });
    let channels = channels.collect();
    (periodogram.per_minute(), channels)
}

#[test]
fn spectra_of_a_real_gastric_rhythm_are_those_of_scipy() {
    let table = Table::read("tests/data/egg_scipy.csv");
    assert_eq!(table.len(), 41);
    let (per_minute, channels) = spectra();
    for row in 0..table.len() {
        let cell = |column: &str| table.text(row, column).parse::<f64>().unwrap();
        assert!((per_minute[row] - cell("per_minute")).abs() < 1e-6);
        // The line at rest is rounding alone, as a straight line was taken off before the window.
        for (index, channel) in channels.iter().enumerate() {
            let expected = cell(&format!("ch{}", index + 1));
            assert!(
                (channel[row] / expected - 1.0).abs() < 1e-6,
                "line {row}, channel {}: {} {expected}",
                index + 1,
                channel[row]
            );
        }
    }
}

#[test]
fn the_strongest_line_between_two_and_four_a_minute_is_the_stomachs() {
    let (per_minute, channels) = spectra();
    let mut peaks: Vec<f64> = channels
        .iter()
        .map(|power| {
            let best = (0..power.len())
                .filter(|&line| (2.0..=4.0).contains(&per_minute[line]))
                .max_by(|&a, &b| power[a].total_cmp(&power[b]));
            per_minute[best.unwrap()]
        })
        .collect();
    peaks.sort_by(f64::total_cmp);
    // 2.85 is the recording's published median over the channels; a line is 0.15 a minute wide.
    let median = 0.5 * (peaks[3] + peaks[4]);
    assert!((median - 2.85).abs() < 0.08, "{peaks:?}");
}
