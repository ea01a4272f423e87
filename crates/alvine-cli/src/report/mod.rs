//! The report: figures as SVG and PNG, and one self-contained page that a clinician reads from top to bottom.
//!
//! [`figures`] draws every figure once as SVG; [`render_png`] turns one into pixels, and [`page`] sets them all into
//! HTML. Nothing here reads or writes a file, asks the network, or looks at the system's fonts: the typeface is part
//! of the program, so that the same study gives the same bytes everywhere.

mod axes;
mod canvas;
mod clock;
mod colour;
mod envelope;
mod escape;
mod figures;
#[cfg(test)]
mod fixture;

mod page;
mod placement;
mod raster;
mod words;

use alvine::Track;
use alvine_study::Study;
use alvine_study::results::summary::Summary;
use thiserror::Error;

pub use figures::figures;
pub use page::page;
pub use raster::render_png;

/// What a report is made from: one study and its results.
#[derive(Debug, Clone, Copy)]
pub struct ReportInput<'a> {
    /// The study as it was read.
    pub study: &'a Study,
    /// Where the capsule was.
    pub track: &'a Track,
    /// The answers.
    pub summary: &'a Summary,
}

/// One figure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Figure {
    /// Stem of its file's name.
    pub name: &'static str,
    /// What it shows, as a heading.
    pub title: String,
    /// What it shows, in words, for those who cannot see it.
    pub description: String,
    /// The picture, a complete SVG document.
    pub svg: String,
}

/// Why a report could not be made.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum ReportError {
    /// The typeface inside the program cannot be read.
    #[error("the built-in typeface `{face}` cannot be read")]
    Font {
        /// File name of the face.
        face: &'static str,
    },
    /// A figure could not be drawn.
    #[error("figure `{figure}` could not be drawn: {cause}")]
    Drawing {
        /// Name of the figure.
        figure: &'static str,
        /// What the drawing library said.
        cause: String,
    },
    /// An SVG document that cannot be read.
    #[error("the figure is no readable SVG document: {cause}")]
    Svg {
        /// What the SVG reader said.
        cause: String,
    },
    /// A picture that has no size, or more pixels than memory allows.
    #[error("a picture of {width_px} × {height_px} pixels cannot be made")]
    PictureSize {
        /// Width, pixels.
        width_px: u32,
        /// Height, pixels.
        height_px: u32,
    },
    /// Pixels that could not be packed as PNG.
    #[error("the picture could not be packed as PNG: {cause}")]
    Png {
        /// What the encoder said.
        cause: String,
    },
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    use super::fixture::{Fixture, SCENES};
    use super::*;

    /// Where to leave the reports of the invented studies, for a person to look at.
    const LOOK_AT: &str = "ALVINE_REPORT_DIR";

    #[test]
    fn every_scene_becomes_a_page_with_all_its_figures() {
        let folder = std::env::var_os(LOOK_AT);
        for scene in &SCENES {
            let fixture = Fixture::of(scene);
            let figures = figures(&fixture.input()).unwrap();
            let names: Vec<_> = figures.iter().map(|figure| figure.name).collect();
            assert_eq!(names, ["timeline", "coronal", "sagittal", "axial", "course", "signals"]);
            let page = page(&fixture.input(), &figures).unwrap();
            assert!(page.len() < 2_000_000, "{}: {} bytes", scene.name, page.len());
            if let Some(folder) = &folder {
                leave(&Path::new(folder).join(scene.name), &figures, &page);
            }
        }
    }

    fn leave(folder: &Path, figures: &[Figure], page: &str) {
        fs::create_dir_all(folder).unwrap();
        fs::write(folder.join("report.html"), page).unwrap();
        for figure in figures {
            fs::write(folder.join(figure.name).with_extension("svg"), &figure.svg).unwrap();
            fs::write(
                folder.join(figure.name).with_extension("png"),
                render_png(&figure.svg).unwrap(),
            )
            .unwrap();
        }
    }
}
