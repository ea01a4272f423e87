//! `simulate --before-swallow`: a capsule held near each antenna in turn.

use std::path::Path;

use alvine::Torso;
use alvine_phantom::{Held, HeldFault, hold_near_sites};
use alvine_study::{Started, Study, usual_setup, write_study_hdf5, write_study_toml};

use super::{HDF5_NAME, STARTED};
use crate::args::SimulateArgs;
use crate::commands::site_of;
use crate::outcome::Failure;

/// How much weaker a weak antenna is, dB.
const WEAKER_DB: f64 = 15.0;
/// The demo's body, mm.
const BODY_MM: [f64; 2] = [330.0, 230.0];

/// Records and writes the study.
pub(super) fn run(args: &SimulateArgs, out: &Path) -> Result<(), Failure> {
    let files: &[&str] = if args.hdf5 {
        &[HDF5_NAME]
    } else {
        &["study.toml", "recording.csv"]
    };
    for name in files.iter().filter(|_| !args.force) {
        let file = out.join(name);
        if file.symlink_metadata().is_ok() {
            return Err(Failure::Exists { file });
        }
    }
    let torso = Torso::new(BODY_MM[0], BODY_MM[1]).map_err(alvine_phantom::PhantomError::from)?;
    let setup = usual_setup(&torso)?;
    let site = |option, name: &str| site_of(&setup.layout, option, name);
    let seed = args.seed.unwrap_or(1);
    let mut held = Held::usual(seed);
    match &args.swap[..] {
        [] => {}
        [one, other] => held
            .faults
            .push(HeldFault::Swapped(site("--swap", one)?, site("--swap", other)?)),
        names => {
            site("--swap", &names.join(","))?;
        }
    }
    if let Some(name) = &args.weak {
        held.faults.push(HeldFault::Weak(site("--weak", name)?, WEAKER_DB));
    }
    if let Some(name) = &args.dead {
        held.faults.push(HeldFault::Dead(site("--dead", name)?));
    }
    let study = Study {
        id: format!("phantom-held-{seed}"),
        started: Started::parse(STARTED),
        swallowed_s: None,
        recording: hold_near_sites(&setup, &held)?,
        setup,
        landmarks: Vec::new(),
        findings: Vec::new(),
        auxiliary: Vec::new(),
    };
    if args.hdf5 {
        write_study_hdf5(&study, &out.join(HDF5_NAME))?;
    } else {
        write_study_toml(&study, out)?;
    }
    Ok(())
}
