//! The report: figures as SVG and PNG, and one self-contained page that a clinician reads from top to bottom.
//!
//! [`figures`] draws every figure once as SVG; [`render_png`] turns one into pixels, and [`page`] sets them all into
//! HTML. Nothing here reads or writes a file, asks the network, or looks at the system's fonts: the typeface is part
//! of the program, so that the same study gives the same bytes everywhere.

pub(crate) mod axes;
pub(crate) mod canvas;
pub(crate) mod clock;
pub(crate) mod colour;
mod data;
mod envelope;
pub(crate) mod escape;
mod figures;
#[cfg(test)]
mod fixture;

pub(crate) mod page;
pub(crate) mod placement;
mod raster;
mod theme;
pub(crate) mod words;

use alvine::Track;
use alvine_study::Study;
use alvine_study::results::summary::Summary;
use thiserror::Error;

use crate::analysis::PartShares;
use canvas::Canvas;

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
    /// How likely each part was over time, where that was worked out.
    pub parts: Option<&'a PartShares>,
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

impl Figure {
    /// What a canvas holds, as a figure.
    pub(crate) fn drawn(
        canvas: Canvas,
        name: &'static str,
        title: String,
        description: String,
    ) -> Result<Self, ReportError> {
        let svg = canvas.finish(name, &title, &description)?;
        Ok(Self {
            name,
            title,
            description,
            svg,
        })
    }
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
    /// Numbers that could not be written into the page.
    #[error("the page's numbers could not be written: {cause}")]
    Data {
        /// What the encoder said.
        cause: String,
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

    use alvine::LandmarkKind;
    use resvg::usvg::roxmltree::{Document, Node, ParsingOptions};

    use super::fixture::{Fixture, SCENES, Scene, USUAL};
    use super::*;

    /// Names a folder in which to leave the reports of the invented studies, for a person to look at.
    const LOOK_AT: &str = "ALVINE_REPORT_DIR";

    fn report(scene: &Scene) -> (Fixture, Vec<Figure>, String) {
        let fixture = Fixture::of(scene);
        let figures = figures(&fixture.input()).unwrap();
        let page = page(&fixture.input(), &figures).unwrap();
        (fixture, figures, page)
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

    /// The page read back as XML.
    fn parsed(page: &str) -> Document<'_> {
        let options = ParsingOptions {
            allow_dtd: true,
            ..ParsingOptions::default()
        };
        Document::parse_with_options(page, options).unwrap()
    }

    /// What is there to be read, the page's script and its numbers left out.
    fn words_of(node: Node<'_, '_>) -> String {
        let within_script = |inner: Node<'_, '_>| inner.parent().is_some_and(|parent| parent.has_tag_name("script"));
        let texts: Vec<_> = node
            .descendants()
            .filter(|inner| !within_script(*inner))
            .filter_map(|inner| inner.is_text().then(|| inner.text()).flatten())
            .collect();
        texts.join(" ")
    }

    #[test]
    fn every_scene_becomes_a_readable_page_with_all_its_figures() {
        for scene in &SCENES {
            let (_, figures, page) = report(scene);
            if let Some(folder) = std::env::var_os(LOOK_AT) {
                leave(&Path::new(&folder).join(scene.name), &figures, &page);
            }
            let names: Vec<_> = figures.iter().map(|figure| figure.name).collect();
            assert_eq!(
                names,
                [
                    "timeline", "transit", "coronal", "sagittal", "axial", "planes", "course", "signals"
                ]
            );
            assert!(page.len() < 3_000_000, "{}: {} bytes", scene.name, page.len());
            let document = parsed(&page);
            let pictures = document
                .descendants()
                .filter(|node| node.has_tag_name(("http://www.w3.org/2000/svg", "svg")));
            // The three planes by themselves are files only.
            assert_eq!(pictures.count(), figures.len() - 3, "{}", scene.name);
            for figure in &figures {
                Document::parse(&figure.svg).unwrap();
            }
        }
    }

    #[test]
    fn ids_are_unique_and_what_labels_a_figure_or_section_exists() {
        let (_, _, page) = report(&USUAL);
        let document = parsed(&page);
        let mut ids: Vec<_> = document.descendants().filter_map(|node| node.attribute("id")).collect();
        let count = ids.len();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), count);
        let labels = document
            .descendants()
            .filter_map(|node| node.attribute("aria-labelledby"));
        let named: Vec<_> = labels.flat_map(|label| label.split(' ')).collect();
        assert!(named.len() >= 10);
        assert!(named.iter().all(|name| ids.contains(name)));
    }

    #[test]
    fn texts_of_the_study_cannot_become_markup() {
        let scene = SCENES.iter().find(|scene| scene.hostile).unwrap();
        let (fixture, figures, page) = report(scene);
        let document = parsed(&page);
        let scripts: Vec<_> = document
            .descendants()
            .filter(|node| node.has_tag_name("script"))
            .map(|node| node.text().unwrap())
            .collect();
        assert_eq!(scripts.len(), 2);
        assert_eq!(scripts[0], data::Data::of(&fixture.input()).json().unwrap());
        for tag in ["img", "b", "iframe", "object", "embed"] {
            assert!(
                !document.descendants().any(|node| node.tag_name().name() == tag),
                "<{tag}>"
            );
        }
        assert_eq!(
            document
                .descendants()
                .filter(|node| node.tag_name().name() == "style")
                .count(),
            1
        );
        let handler = |node: Node<'_, '_>| node.attributes().any(|attribute| attribute.name().starts_with("on"));
        assert!(!document.descendants().any(handler));
        // Nothing is lost either: each text is there to be read.
        let read = words_of(document.root_element());
        let summary = &fixture.summary;
        let sites = summary.quality.sites.iter().map(|site| &site.name);
        let findings = summary
            .findings
            .iter()
            .flat_map(|finding| [Some(&finding.id), finding.note.as_ref()]);
        for text in sites
            .chain([&summary.study.id])
            .chain(&summary.cautions)
            .chain(findings.flatten())
        {
            assert!(read.contains(text.as_str()), "{text}");
        }
        for figure in &figures {
            assert!(
                !figure.svg.contains("<script") && !figure.svg.contains("<img"),
                "{}",
                figure.name
            );
        }
    }

    #[test]
    fn the_page_loads_nothing() {
        let (_, _, page) = report(&USUAL);
        let document = parsed(&page);
        for node in document.descendants().filter(Node::is_element) {
            for attribute in node.attributes() {
                assert!(
                    !matches!(attribute.name(), "src" | "href" | "srcset" | "data" | "action"),
                    "{node:?}"
                );
            }
            assert!(!matches!(
                node.tag_name().name(),
                "link" | "iframe" | "use" | "image" | "img" | "base"
            ));
        }
        let style = document
            .descendants()
            .find(|node| node.has_tag_name("style"))
            .and_then(|node| node.text())
            .unwrap();
        assert!(!style.contains("@import"));
        assert!(
            style
                .match_indices("url(")
                .all(|(at, _)| style[at..].starts_with("url(data:"))
        );
    }

    #[test]
    fn the_policy_of_the_page_allows_its_own_script_and_no_other() {
        let (_, _, page) = report(&USUAL);
        let script = page
            .split("<script>")
            .nth(1)
            .unwrap()
            .split("</script>")
            .next()
            .unwrap();
        // What was digested is the very text between the tags; browsers refuse it otherwise.
        assert_eq!(script, page::script());
        assert!(page.contains(&format!("script-src '{}'", page::script_hash())));
        assert!(!page.contains("script-src 'unsafe-inline'") && !script.contains("eval("));
        for reach in [
            "fetch(",
            "XMLHttpRequest",
            "WebSocket",
            "localStorage",
            "document.cookie",
            "import(",
            "http",
        ] {
            assert!(!script.contains(reach), "{reach}");
        }
    }

    #[test]
    fn the_page_holds_nothing_of_the_machine_or_the_person_who_made_it() {
        let (_, _, page) = report(&USUAL);
        for variable in ["HOME", "HOSTNAME", "PWD"] {
            if let Ok(value) = std::env::var(variable)
                && value.len() > 3
            {
                assert!(!page.contains(&value), "{variable}");
            }
        }
        assert!(!page.contains("file:") && !page.contains(env!("CARGO_MANIFEST_DIR")));
    }

    #[test]
    fn every_landmark_is_on_the_page_with_its_time_or_its_reason() {
        for scene in &SCENES {
            let (fixture, figures, page) = report(scene);
            let document = parsed(&page);
            let answer = document
                .descendants()
                .find(|node| node.attribute("id") == Some("answer"))
                .unwrap();
            let rows: Vec<_> = answer
                .descendants()
                .filter(|node| node.has_tag_name("tr"))
                .map(words_of)
                .collect();
            assert_eq!(rows.len(), 1 + LandmarkKind::ALL.len());
            let clock = clock::Clock::of(&fixture.input());
            for (landmark, row) in fixture.summary.landmarks.iter().zip(&rows[1..]) {
                assert!(row.contains(&words::titled(&landmark.kind)), "{row}");
                match landmark.time_s {
                    Some(time_s) => assert!(row.contains(&clock.elapsed(time_s)), "{row}"),
                    None => assert!(row.contains(landmark.reason.as_deref().unwrap()), "{row}"),
                }
            }
            let timeline = &figures[0].svg;
            for kind in LandmarkKind::ALL {
                assert!(timeline.contains(&words::titled(kind.as_str())), "{kind}");
            }
        }
    }

    #[test]
    fn no_cell_or_description_is_blank() {
        for scene in &SCENES {
            let (_, _, page) = report(scene);
            let document = parsed(&page);
            for node in document
                .descendants()
                .filter(|node| matches!(node.tag_name().name(), "td" | "th" | "dd" | "dt"))
            {
                assert!(!words_of(node).trim().is_empty(), "{}: {node:?}", scene.name);
            }
        }
    }

    #[test]
    fn the_caution_stands_before_the_answer_and_a_lower_bound_is_marked() {
        let (_, _, page) = report(&USUAL);
        let caution = page.find("Not a medical device").unwrap();
        assert!(caution < page.find("id=\"answer\"").unwrap());
        assert!(page.contains("≥\u{A0}3\u{A0}h 06\u{A0}min"));
    }

    #[test]
    fn the_same_study_gives_the_same_bytes() {
        let fixture = Fixture::of(&USUAL);
        assert_eq!(figures(&fixture.input()).unwrap(), figures(&fixture.input()).unwrap());
    }
}
