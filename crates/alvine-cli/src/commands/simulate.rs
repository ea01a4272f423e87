//! `simulate`: a study with known truth.

use std::path::Path;

use alvine::NoiseModel;
use alvine_phantom::{Scenario, simulate};
use alvine_study::{Started, Study, write_study_hdf5, write_study_toml, write_truth};

use crate::outcome::Failure;

/// What was asked for.
#[derive(Debug, Clone, Copy)]
pub struct Wish<'a> {
    /// Seed of all chance.
    pub seed: u64,
    /// Name of the scenario.
    pub scenario: &'a str,
    /// Length, h.
    pub hours: Option<f64>,
    /// Instants a second, Hz.
    pub rate_hz: Option<f64>,
    /// Static shadowing, dB.
    pub shadowing_db: Option<f64>,
    /// Whether to write HDF5.
    pub hdf5: bool,
}

/// An invented morning.
const STARTED: &str = "2026-03-02T08:14:00+01:00";

/// Simulates and writes study and truth.
pub fn run(wish: &Wish<'_>, out: &Path) -> Result<(), Failure> {
    let mut scenario = Scenario::named(wish.scenario, wish.seed)?;
    if let Some(hours) = wish.hours {
        scenario.duration_h = hours;
    }
    if let Some(rate_hz) = wish.rate_hz {
        scenario.rate_hz = rate_hz;
    }
    if let Some(shadowing_db) = wish.shadowing_db {
        scenario.noise = NoiseModel::new(shadowing_db, scenario.noise.noise_db())
            .map_err(|error| Failure::Usage(format!("--shadowing-db: {error}")))?;
    }
    let simulated = simulate(&scenario)?;
    let study = Study {
        id: format!("phantom-{}-{}", wish.scenario, wish.seed),
        started: Started::parse(STARTED),
        swallowed_s: Some(simulated.swallowed_s),
        setup: simulated.setup,
        landmarks: Vec::new(),
        findings: simulated.findings,
        recording: simulated.recording,
        auxiliary: Vec::new(),
    };
    if wish.hdf5 {
        write_study_hdf5(&study, &out.join("study.h5"))?
    } else {
        write_study_toml(&study, out)?
    }
    Ok(write_truth(&simulated.truth, out)?)
}
