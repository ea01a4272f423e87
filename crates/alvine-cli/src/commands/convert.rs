//! `convert`: a study into the other container.

use std::path::Path;

use alvine_study::{read_study, write_study_hdf5, write_study_toml};

use crate::outcome::Failure;

/// Converts a study; refuses to overwrite anything unless forced, and its own source always.
pub fn run(from: &Path, to: &Path, force: bool) -> Result<(), Failure> {
    let study = read_study(from)?;
    let hdf5 = to.extension().is_some_and(|extension| extension == "h5");
    let target = if hdf5 { to.to_path_buf() } else { to.join("study.toml") };
    let source = if from.is_dir() {
        from.join("study.toml")
    } else {
        from.to_path_buf()
    };
    let same = matches!((source.canonicalize(), target.canonicalize()), (Ok(a), Ok(b)) if a == b);
    if same {
        return Err(Failure::Usage(format!("{}: is the study itself", target.display())));
    }
    if target.exists() && !force {
        return Err(Failure::Usage(format!(
            "{}: is there already; --force overwrites it",
            target.display()
        )));
    }
    if hdf5 {
        write_study_hdf5(&study, to)?
    } else {
        write_study_toml(&study, to)?
    }
    Ok(())
}
