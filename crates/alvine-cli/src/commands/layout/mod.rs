//! `layout`: the antenna bench. Each command a module; here what they share.

pub mod args;
mod compare;
mod design;
mod evaluate;
mod link_budget;
mod words;

use std::path::{Path, PathBuf};

use alvine::siting::{CompareError, DesignError, LinkBudgetError, TrialError, VolumeError, refit};
use alvine::torso::TorsoError;
use alvine::{LayoutError, PropagationError, Setup, Torso};
use alvine_study::{read_layout, usual_setup};
use thiserror::Error;

use super::out_folder::{Files, Pictures};
use crate::outcome::Failure;
use args::{LayoutCommand, WhichLayout};

/// The word for the default eight on the reference torso.
const DEFAULT: &str = "default";
/// The torso on which the default eight is written down: breadth and depth, mm.
const REFERENCE: (f64, f64) = (330.0, 230.0);

/// Why a bench command failed.
#[derive(Debug, Error)]
pub enum BenchError {
    /// No such torso.
    #[error(transparent)]
    Torso(#[from] TorsoError),
    /// The layout cannot be worn on that torso.
    #[error("{}: {error}", layout.display())]
    Worn {
        /// The layout as it was named.
        layout: PathBuf,
        /// Why not.
        error: LayoutError,
    },
    /// A layout that cannot be compared.
    #[error("{}: {error}", layout.display())]
    Compared {
        /// The layout as it was named.
        layout: PathBuf,
        /// Why not.
        error: CompareError,
    },
    /// The spacing does not do.
    #[error("--spacing-mm: {0}")]
    Volume(#[from] VolumeError),
    /// No such design.
    #[error(transparent)]
    Design(#[from] DesignError),
    /// No such link.
    #[error(transparent)]
    Link(#[from] LinkBudgetError),
    /// No such law.
    #[error(transparent)]
    Law(#[from] PropagationError),
    /// The trials cannot be made.
    #[error(transparent)]
    Trials(#[from] TrialError),
}

impl BenchError {
    /// Whether it is the files that are wrong, rather than what was typed.
    pub const fn is_of_a_file(&self) -> bool {
        matches!(self, BenchError::Worn { .. } | BenchError::Compared { .. })
    }
}

/// Runs one of the bench's commands.
pub fn run(command: &LayoutCommand, quiet: bool) -> Result<(), Failure> {
    match command {
        LayoutCommand::Evaluate {
            of,
            spacing_mm,
            through,
            to,
        } => evaluate::run(of, *spacing_mm, *through, to, quiet),
        LayoutCommand::Compare {
            layouts,
            trials,
            seed,
            spacing_mm,
            form,
            to,
        } => {
            let wish = compare::Wish {
                layouts,
                trials: *trials,
                seed: *seed,
                spacing_mm: *spacing_mm,
                form: *form,
            };
            compare::run(&wish, to, quiet)
        }
        LayoutCommand::Design {
            of,
            sites,
            criterion,
            survive_loss,
            curve,
            limits,
            to,
        } => {
            let wish = design::Wish {
                sites: *sites,
                criterion,
                survive_loss: *survive_loss,
                curve: *curve,
                limits,
            };
            design::run(of, &wish, to, quiet)
        }
        LayoutCommand::LinkBudget { of, link, to } => link_budget::run(of, link, to, quiet),
    }
}

/// Reads a layout by its path or its word.
fn read(layout: &Path) -> Result<Setup, Failure> {
    if layout.as_os_str() == DEFAULT {
        let torso = Torso::new(REFERENCE.0, REFERENCE.1).map_err(BenchError::from)?;
        return Ok(usual_setup(&torso)?);
    }
    Ok(read_layout(layout)?)
}

/// Reads a layout and puts it on the torso that was asked for.
fn read_worn(of: &WhichLayout) -> Result<Setup, Failure> {
    let setup = read(&of.layout)?;
    if of.breadth_mm.is_none() && of.depth_mm.is_none() {
        return Ok(setup);
    }
    let torso = Torso::new(
        of.breadth_mm.unwrap_or(setup.torso.breadth_mm()),
        of.depth_mm.unwrap_or(setup.torso.depth_mm()),
    )
    .map_err(BenchError::from)?;
    let layout = refit(&setup.layout, &setup.torso, &torso).map_err(|error| BenchError::Worn {
        layout: of.layout.clone(),
        error,
    })?;
    Ok(Setup { torso, layout, ..setup })
}

/// A layout's name as it is shown: its file's stem, or its folder's name.
fn name_of(layout: &Path) -> String {
    let stem = layout.file_stem().or_else(|| layout.file_name());
    let name = stem.map(|stem| stem.to_string_lossy().into_owned());
    match name {
        Some(name) if name == "study" || name == "layout" => {
            let folder = layout.parent().and_then(Path::file_name);
            folder.map_or(name, |folder| folder.to_string_lossy().into_owned())
        }
        Some(name) => name,
        None => layout.display().to_string(),
    }
}
