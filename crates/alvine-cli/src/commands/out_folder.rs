//! A folder of results: files and figures, each whole or not at all.

use std::fs;
use std::path::{Path, PathBuf};

use alvine_study::Staging;
use rayon::prelude::*;

use super::layout::args::Outputs;
use crate::outcome::Failure;
use crate::report::{Figure, ReportError, render_png};

/// A figure that was drawn, with its picture where one is wanted.
pub struct Pictures {
    figures: Vec<Figure>,
    pngs: Vec<Vec<u8>>,
}

impl Pictures {
    /// Renders figures; as SVG alone where no PNG is wanted.
    pub fn of(figures: Vec<Figure>, to: &Outputs) -> Result<Self, ReportError> {
        let pngs: Result<Vec<_>, _> = if to.no_png {
            Ok(Vec::new())
        } else {
            figures.par_iter().map(|figure| render_png(&figure.svg)).collect()
        };
        Ok(Self { figures, pngs: pngs? })
    }
}

/// A set of files for one folder, each whole or not at all.
pub struct Files<'a> {
    out: &'a Path,
    staging: Staging,
}

impl<'a> Files<'a> {
    /// Files for a folder, which is made where it is missing.
    pub fn new(out: &'a Path) -> Result<Self, Failure> {
        Ok(Self {
            out,
            staging: Staging::new(out)?,
        })
    }

    /// Where to write a file of this name.
    pub fn path(&mut self, name: &str) -> PathBuf {
        self.staging.path(name)
    }

    /// Writes a file.
    pub fn put(&mut self, name: &str, bytes: &[u8]) -> Result<(), Failure> {
        fs::write(self.staging.path(name), bytes).map_err(|source| Failure::Write {
            file: self.out.join(name),
            source,
        })
    }

    /// Writes a value as JSON.
    pub fn put_json(&mut self, name: &str, value: &impl serde::Serialize) -> Result<(), Failure> {
        let text = serde_json::to_string_pretty(value).map_err(|error| Failure::Write {
            file: self.out.join(name),
            source: error.into(),
        })?;
        self.put(name, format!("{text}\n").as_bytes())
    }

    /// Writes figures with their pictures.
    pub fn put_pictures(&mut self, pictures: &Pictures) -> Result<(), Failure> {
        for (k, figure) in pictures.figures.iter().enumerate() {
            self.put(&format!("{}.svg", figure.name), figure.svg.as_bytes())?;
            if let Some(png) = pictures.pngs.get(k) {
                self.put(&format!("{}.png", figure.name), png)?;
            }
        }
        Ok(())
    }

    /// Puts all files in place.
    pub fn commit(self) -> Result<(), Failure> {
        Ok(self.staging.commit()?)
    }
}
