//! `simulate`: a study with known truth, or a cohort of them.

mod chosen;
mod cohort;
mod held;

use std::path::Path;

use alvine_phantom::{NamedScenario, Simulated, TrueRadio, simulate};
use alvine_study::{RadioTruth, Started, Study, write_study_hdf5, write_study_toml, write_truth};

use crate::args::SimulateArgs;
use crate::outcome::Failure;
use crate::stdout;

/// An invented morning.
const STARTED: &str = "2026-03-02T08:14:00+01:00";
const HDF5_NAME: &str = "study.h5";

/// Prints the scenario, or simulates it once or many times.
pub fn run(args: &SimulateArgs, quiet: bool) -> Result<(), Failure> {
    if let (true, Some(out)) = (args.before_swallow, &args.out) {
        return held::run(args, out);
    }
    let named = chosen::scenario(args)?;
    match &args.out {
        None => stdout::text(&named.to_toml()),
        Some(out) if args.cohort.is_some() => cohort::run(args, named, out, quiet),
        Some(out) => one(args, &named, out),
    }
}

/// Simulates, and writes study and truth.
fn one(args: &SimulateArgs, named: &NamedScenario, out: &Path) -> Result<(), Failure> {
    if !args.force {
        refuse_to_replace(out, args.hdf5)?;
    }
    let simulated = simulate(&named.scenario)?;
    write(named, simulated, args.hdf5, out)
}

/// Writes study and truth into a folder.
fn write(named: &NamedScenario, simulated: Simulated, hdf5: bool, out: &Path) -> Result<(), Failure> {
    // The truth first: without it a simulated study looks like any other.
    write_truth(&simulated.truth, Some(&radio_truth(&simulated.radio)), out)?;
    let study = study(named, simulated);
    if hdf5 {
        write_study_hdf5(&study, &out.join(HDF5_NAME))?;
    } else {
        write_study_toml(&study, out)?;
    }
    Ok(())
}

fn radio_truth(radio: &TrueRadio) -> RadioTruth {
    RadioTruth {
        sites: radio.sites.clone(),
        exponent_excess: radio.exponent_excess,
        level_excess_db: radio.level_excess_db,
        shadowing_db: radio.shadowing_db,
        shadowing_correlation_mm: radio.shadowing_correlation_mm,
    }
}

/// The files of a study and its truth.
fn files(hdf5: bool) -> &'static [&'static str] {
    if hdf5 {
        &[HDF5_NAME, "truth.json", "truth.csv"]
    } else {
        &["study.toml", "recording.csv", "truth.json", "truth.csv"]
    }
}

fn refuse_to_replace(out: &Path, hdf5: bool) -> Result<(), Failure> {
    for name in files(hdf5) {
        let file = out.join(name);
        if file.symlink_metadata().is_ok() {
            return Err(Failure::Exists { file });
        }
    }
    Ok(())
}

/// What a study is called, and in a cohort its folder.
fn id(named: &NamedScenario) -> String {
    format!("phantom-{}-{}", named.name, named.scenario.seed)
}

fn study(named: &NamedScenario, simulated: Simulated) -> Study {
    Study {
        id: id(named),
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
