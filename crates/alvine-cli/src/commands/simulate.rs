//! `simulate`: a study with known truth.

use std::path::Path;

use alvine::NoiseModel;
use alvine_phantom::{PhantomError, RadioProfile, Scenario, Simulated, simulate};
use alvine_study::{Started, Study, write_study_hdf5, write_study_toml, write_truth};

use crate::args::DEMO;
use crate::outcome::Failure;

/// What was asked for.
#[derive(Debug, Clone, Copy)]
pub struct Wish<'a> {
    /// Seed of all chance.
    pub seed: u64,
    /// Name of the scenario.
    pub scenario: &'a str,
    /// Name of the radio.
    pub radio: &'a str,
    /// Length, h.
    pub hours: Option<f64>,
    /// Instants a second, Hz.
    pub rate_hz: Option<f64>,
    /// Static shadowing, dB.
    pub shadowing_db: Option<f64>,
    /// Whether to write HDF5.
    pub hdf5: bool,
    /// Whether to replace what is there.
    pub force: bool,
}

/// An invented morning.
const STARTED: &str = "2026-03-02T08:14:00+01:00";
const HDF5_NAME: &str = "study.h5";

/// Simulates, and writes study and truth.
pub fn run(wish: &Wish<'_>, out: &Path) -> Result<(), Failure> {
    let scenario = scenario(wish)?;
    if !wish.force {
        refuse_to_replace(out, wish.hdf5)?;
    }
    let simulated = simulate(&scenario)?;
    // The truth first: without it a simulated study looks like any other.
    write_truth(&simulated.truth, out)?;
    let study = study(wish, simulated);
    if wish.hdf5 {
        write_study_hdf5(&study, &out.join(HDF5_NAME))?;
    } else {
        write_study_toml(&study, out)?;
    }
    Ok(())
}

fn scenario(wish: &Wish<'_>) -> Result<Scenario, Failure> {
    let mut scenario = match wish.scenario {
        DEMO => Scenario::demo(wish.seed),
        name => Scenario::named(name, wish.seed)?,
    }
    .with_radio(wish.radio.parse()?);
    scenario.duration_h = wish.hours.unwrap_or(scenario.duration_h);
    scenario.rate_hz = wish.rate_hz.unwrap_or(scenario.rate_hz);
    if let Some(shadowing_db) = wish.shadowing_db {
        scenario.noise = NoiseModel::new(shadowing_db, scenario.noise.noise_db())?;
    }
    scenario.validate().map_err(in_words_of_the_options)?;
    Ok(scenario)
}

/// The same fault, named as it was typed.
fn in_words_of_the_options(error: PhantomError) -> Failure {
    match error {
        PhantomError::ImpossibleValue { what, found, expected } => {
            let option = match what {
                "duration_h" => "--hours",
                "rate_hz" => "--rate-hz",
                "rate_hz × duration_h" => "--rate-hz × --hours",
                other => other,
            };
            Failure::Option {
                option,
                found,
                expected,
            }
        }
        other => other.into(),
    }
}

fn refuse_to_replace(out: &Path, hdf5: bool) -> Result<(), Failure> {
    let study: &[&str] = if hdf5 {
        &[HDF5_NAME]
    } else {
        &["study.toml", "recording.csv"]
    };
    for name in study.iter().chain(&["truth.json", "truth.csv"]) {
        let file = out.join(name);
        if file.symlink_metadata().is_ok() {
            return Err(Failure::Exists { file });
        }
    }
    Ok(())
}

fn study(wish: &Wish<'_>, simulated: Simulated) -> Study {
    let id = if wish.radio == RadioProfile::Usual.as_str() {
        format!("phantom-{}-{}", wish.scenario, wish.seed)
    } else {
        format!("phantom-{}-{}-{}", wish.scenario, wish.radio, wish.seed)
    };
    Study {
        id,
        started: Started::parse(STARTED),
        // Where the recording began after the swallow, no one noted when that was.
        swallowed_s: Some(simulated.swallowed_s).filter(|&time_s| time_s >= 0.0),
        setup: simulated.setup,
        landmarks: Vec::new(),
        findings: simulated.findings,
        recording: simulated.recording,
        auxiliary: Vec::new(),
    }
}
