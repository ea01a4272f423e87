//! The drawing surface: the only module that knows the plotting library.
//!
//! Figures are written in pixels of the page (CSS px). Marks are kept as a list and drawn at the end on a canvas
//! [`FINENESS`] times larger, as the library draws on whole pixels; the view box brings it back to size, so that
//! curves do not look stepped.

use std::sync::OnceLock;

use plotters::backend::SVGBackend;
use plotters::prelude::{DrawingBackend, FontDesc, FontFamily, FontStyle, FontTransform, RGBAColor, ShapeStyle};
use plotters::style::TextStyle;
use plotters::style::register_font;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::ReportError;
use super::colour::{Colour, PAPER};
use super::escape::{escaped, printable};

/// Regular face: DejaVu Sans 2.37, licence beside it.
pub const REGULAR_FACE: &[u8] = include_bytes!("../../assets/DejaVuSans.ttf");
/// Bold face: DejaVu Sans Bold 2.37.
pub const BOLD_FACE: &[u8] = include_bytes!("../../assets/DejaVuSans-Bold.ttf");
/// The family's name inside the faces.
pub const FACE_NAME: &str = "DejaVu Sans";
/// What the figures ask for. Verdana has nearly the same widths, where the built-in face is not at hand.
const FAMILY: &str = "DejaVu Sans, Verdana, sans-serif";

/// Steps of the drawing library in one pixel of the page.
const FINENESS: f64 = 10.0;
/// The drawing library divides font sizes by this when it writes SVG.
const SIZE_DIVISOR: f64 = 1.24;
/// Line height of the face in units of its size: (1901 + 483) / 2048, from its header.
const LINE_HEIGHT: f64 = 2384.0 / 2048.0;
/// Nothing is drawn further out than this, px.
const FURTHEST_PX: f64 = 20_000.0;

/// A place on the canvas: px from the left, px from the top.
pub type Place = (f64, f64);

/// A colour and how much of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ink {
    /// The colour.
    pub colour: Colour,
    /// 0 is clear, 1 is opaque.
    pub opacity: f64,
}

impl From<Colour> for Ink {
    fn from(colour: Colour) -> Self {
        Self { colour, opacity: 1.0 }
    }
}

impl Colour {
    /// The colour as a veil of the given opacity.
    pub const fn veil(self, opacity: f64) -> Ink {
        Ink { colour: self, opacity }
    }
}

/// Which end of a text lies at its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Its beginning.
    Start,
    /// Its middle.
    Middle,
    /// Its end.
    End,
}

/// How a text is set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Type {
    /// Size of the type, px.
    pub size_px: f64,
    /// Whether it is bold.
    pub bold: bool,
    /// Its colour.
    pub colour: Colour,
    /// Which end lies at the place.
    pub anchor: Anchor,
    /// Whether it runs upwards.
    pub upwards: bool,
}

impl Type {
    /// Regular, level type that begins at its place.
    pub const fn new(size_px: f64, colour: Colour) -> Self {
        Self {
            size_px,
            bold: false,
            colour,
            anchor: Anchor::Start,
            upwards: false,
        }
    }

    /// The same, bold.
    pub const fn bold(self) -> Self {
        Self { bold: true, ..self }
    }

    /// The same with another end at its place.
    pub const fn anchored(self, anchor: Anchor) -> Self {
        Self { anchor, ..self }
    }

    /// The same, running upwards.
    pub const fn upwards(self) -> Self {
        Self { upwards: true, ..self }
    }

    /// How wide a text comes out, px.
    pub fn width_px(&self, text: &str) -> f64 {
        // A face that cannot be read is reported when the figure is finished; until then widths are guessed.
        let _ = register_faces();
        // Measured a hundred times larger, as the library answers in whole pixels.
        let font = FontDesc::new(
            FontFamily::Name(FAMILY),
            self.size_px * LINE_HEIGHT * 100.0,
            self.style(),
        );
        font.layout_box(text).map_or_else(
            |_| 0.6 * self.size_px * text.chars().count() as f64,
            |(_, (width, _))| f64::from(width) / 100.0,
        )
    }

    /// `text` cut to a width, with an ellipsis where something was cut.
    pub fn fit(&self, text: &str, most_px: f64) -> String {
        let text = printable(text).replace(['\n', '\t'], " ");
        // No glyph is narrower than a fifth of the size: a longer text cannot fit and need not be measured whole.
        let longest = (most_px.max(0.0) / (0.2 * self.size_px)) as usize + 1;
        let mut kept: Vec<char> = text.chars().take(longest).collect();
        let whole = kept.len() == text.chars().count();
        if whole && self.width_px(&text) <= most_px {
            return text;
        }
        while !kept.is_empty() {
            let cut: String = kept.iter().collect::<String>().trim_end().to_owned() + "…";
            if self.width_px(&cut) <= most_px {
                return cut;
            }
            kept.pop();
        }
        "…".to_owned()
    }

    const fn style(&self) -> FontStyle {
        if self.bold { FontStyle::Bold } else { FontStyle::Normal }
    }
}

/// One thing drawn, in fine steps.
#[derive(Debug, Clone)]
enum Mark {
    Rectangle([(i32, i32); 2], Ink),
    Line(Vec<(i32, i32)>, Ink, u32),
    Area(Vec<(i32, i32)>, Ink),
    Disc((i32, i32), u32, Ink),
    Ring((i32, i32), u32, Ink, u32),
    Text((i32, i32), String, Type),
}

/// A figure being drawn.
#[derive(Debug)]
pub struct Canvas {
    width_px: f64,
    height_px: f64,
    marks: Vec<Mark>,
}

impl Canvas {
    /// White paper of a size.
    pub fn new(width_px: f64, height_px: f64) -> Self {
        let mut canvas = Self {
            width_px: width_px.clamp(1.0, FURTHEST_PX).round(),
            height_px: height_px.clamp(1.0, FURTHEST_PX).round(),
            marks: Vec::new(),
        };
        canvas.rectangle((0.0, 0.0), (width_px, height_px), PAPER);
        canvas
    }

    /// A filled rectangle between two corners.
    pub fn rectangle(&mut self, one: Place, other: Place, ink: impl Into<Ink>) {
        if let (Some(one), Some(other)) = (fine(one), fine(other)) {
            let upper_left = (one.0.min(other.0), one.1.min(other.1));
            let lower_right = (one.0.max(other.0), one.1.max(other.1));
            self.marks.push(Mark::Rectangle([upper_left, lower_right], ink.into()));
        }
    }

    /// A line through places; those that are no numbers are left out.
    pub fn line(&mut self, through: impl IntoIterator<Item = Place>, ink: impl Into<Ink>, width_px: f64) {
        let places: Vec<_> = through.into_iter().filter_map(fine).collect();
        if places.len() >= 2 {
            self.marks.push(Mark::Line(places, ink.into(), steps(width_px)));
        }
    }

    /// A filled area within places.
    pub fn area(&mut self, within: impl IntoIterator<Item = Place>, ink: impl Into<Ink>) {
        let places: Vec<_> = within.into_iter().filter_map(fine).collect();
        if places.len() >= 3 {
            self.marks.push(Mark::Area(places, ink.into()));
        }
    }

    /// A filled circle.
    pub fn disc(&mut self, centre: Place, radius_px: f64, ink: impl Into<Ink>) {
        if let Some(centre) = fine(centre) {
            self.marks.push(Mark::Disc(centre, steps(radius_px), ink.into()));
        }
    }

    /// A circle's edge, opaque.
    pub fn ring(&mut self, centre: Place, radius_px: f64, colour: Colour, width_px: f64) {
        if let Some(centre) = fine(centre) {
            let (radius, width) = (steps(radius_px), steps(width_px));
            self.marks.push(Mark::Ring(centre, radius, colour.into(), width));
        }
    }

    /// A text whose x-height is centred on its place.
    pub fn text(&mut self, at: Place, text: impl AsRef<str>, style: Type) {
        if let Some(at) = fine(at) {
            let text = printable(text.as_ref()).into_owned();
            self.marks.push(Mark::Text(at, text, style));
        }
    }

    /// A text on a veil of paper, so that lines beneath do not disturb it.
    pub fn text_on_paper(&mut self, at: Place, text: impl AsRef<str>, style: Type) {
        let width_px = style.width_px(text.as_ref());
        let left_px = match style.anchor {
            Anchor::Start => at.0,
            Anchor::Middle => at.0 - 0.5 * width_px,
            Anchor::End => at.0 - width_px,
        };
        let half_px = 0.62 * style.size_px;
        let (upper_left, lower_right) = (
            (left_px - 2.0, at.1 - half_px),
            (left_px + width_px + 2.0, at.1 + half_px),
        );
        self.rectangle(upper_left, lower_right, PAPER.veil(0.76));
        self.text(at, text, style);
    }

    /// The figure as an SVG document with title and description.
    ///
    /// # Errors
    ///
    /// [`ReportError::Font`] or [`ReportError::Drawing`].
    pub fn finish(self, name: &'static str, title: &str, description: &str) -> Result<String, ReportError> {
        register_faces()?;
        let (width, height) = (steps(self.width_px), steps(self.height_px));
        let mut drawn = String::new();
        draw(&self.marks, (width, height), &mut drawn).map_err(|cause| ReportError::Drawing { figure: name, cause })?;
        let body = plain_opacity(drawn.split_once('>').map_or("", |(_, body)| body));
        let (width_px, height_px) = (self.width_px, self.height_px);
        let (title, description) = (escaped(title), escaped(description));
        Ok(format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width_px}\" height=\"{height_px}\" \
             viewBox=\"0 0 {width} {height}\" role=\"img\" aria-labelledby=\"{name}-title {name}-desc\" \
             stroke-linejoin=\"round\">\n<title id=\"{name}-title\">{title}</title>\n\
             <desc id=\"{name}-desc\">{description}</desc>{body}"
        ))
    }
}

/// Says opacity of the fill or the line instead of the element, which would be drawn on a layer of its own, and not
/// at all where it is 1. The library writes one element a line, and each is either filled or a line.
fn plain_opacity(body: &str) -> String {
    let mut plain = String::with_capacity(body.len());
    for line in body.lines() {
        let of = if line.starts_with("<polyline") {
            " stroke-opacity=\""
        } else {
            " fill-opacity=\""
        };
        match line.split_once(" opacity=\"") {
            Some((before, after)) if line.starts_with('<') => {
                plain.push_str(before);
                match after.strip_prefix("1\"") {
                    Some(rest) => plain.push_str(rest),
                    None => {
                        plain.push_str(of);
                        plain.push_str(after);
                    }
                }
            }
            _ => plain.push_str(line),
        }
        plain.push('\n');
    }
    plain
}

/// Draws marks in order with the plotting library.
fn draw(marks: &[Mark], size: (u32, u32), into: &mut String) -> Result<(), String> {
    let mut backend = SVGBackend::with_string(into, size);
    for mark in marks {
        match mark {
            Mark::Rectangle([one, other], ink) => backend.draw_rect(*one, *other, &shape(*ink, 1), true),
            Mark::Line(places, ink, width) => backend.draw_path(places.iter().copied(), &shape(*ink, *width)),
            Mark::Area(places, ink) => backend.fill_polygon(places.iter().copied(), &shape(*ink, 1)),
            Mark::Disc(centre, radius, ink) => backend.draw_circle(*centre, *radius, &shape(*ink, 1), true),
            Mark::Ring(centre, radius, ink, width) => {
                backend.draw_circle(*centre, *radius, &shape(*ink, *width), false)
            }
            Mark::Text(at, text, style) => backend.draw_text(text, &text_style(style), *at),
        }
        .map_err(|error| error.to_string())?;
    }
    backend.present().map_err(|error| error.to_string())
}

fn shape(ink: Ink, width: u32) -> ShapeStyle {
    ShapeStyle {
        color: rgba(ink),
        filled: true,
        stroke_width: width,
    }
}

fn rgba(ink: Ink) -> RGBAColor {
    RGBAColor(ink.colour.red, ink.colour.green, ink.colour.blue, ink.opacity)
}

fn text_style(style: &Type) -> TextStyle<'static> {
    let size = style.size_px * FINENESS * SIZE_DIVISOR;
    let font = FontDesc::new(FontFamily::Name(FAMILY), size, style.style());
    let font = if style.upwards {
        font.transform(FontTransform::Rotate270)
    } else {
        font
    };
    let across = match style.anchor {
        Anchor::Start => HPos::Left,
        Anchor::Middle => HPos::Center,
        Anchor::End => HPos::Right,
    };
    font.color(&rgba(style.colour.into()))
        .pos(Pos::new(across, VPos::Center))
}

/// A place in fine steps; `None` when it is not a number.
fn fine((x_px, y_px): Place) -> Option<(i32, i32)> {
    #[expect(clippy::cast_possible_truncation, reason = "clamped to a canvas that an i32 holds")]
    let step = |px: f64| (px.clamp(-FURTHEST_PX, FURTHEST_PX) * FINENESS).round() as i32;
    (x_px.is_finite() && y_px.is_finite()).then(|| (step(x_px), step(y_px)))
}

/// A length in fine steps, at least one.
fn steps(length_px: f64) -> u32 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to what a u32 holds"
    )]
    let steps = (length_px.clamp(0.0, FURTHEST_PX) * FINENESS).round() as u32;
    steps.max(1)
}

/// Gives the plotting library the built-in faces, once.
fn register_faces() -> Result<(), ReportError> {
    static READ: OnceLock<[bool; 2]> = OnceLock::new();
    let [regular, bold] = READ.get_or_init(|| {
        [(FontStyle::Normal, REGULAR_FACE), (FontStyle::Bold, BOLD_FACE)]
            .map(|(style, bytes)| register_font(FAMILY, style, bytes).is_ok())
    });
    for (read, face) in [(regular, "DejaVuSans.ttf"), (bold, "DejaVuSans-Bold.ttf")] {
        if !read {
            return Err(ReportError::Font { face });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::colour::INK;

    fn drawn(draw: impl FnOnce(&mut Canvas)) -> String {
        let mut canvas = Canvas::new(100.0, 50.0);
        draw(&mut canvas);
        canvas.finish("sample", "Title & more", "<desc>").unwrap()
    }

    #[test]
    fn a_figure_has_size_view_box_title_and_description() {
        let svg = drawn(|_| {});
        assert!(svg.contains("width=\"100\" height=\"50\" viewBox=\"0 0 1000 500\""));
        assert!(svg.contains("<title id=\"sample-title\">Title &amp; more</title>"));
        assert!(svg.contains("<desc id=\"sample-desc\">&lt;desc&gt;</desc>"));
        assert!(svg.trim_end().ends_with("</svg>"));
    }

    #[test]
    fn places_are_kept_to_a_tenth_of_a_pixel_and_numbers_that_are_none_are_left_out() {
        let svg = drawn(|canvas| canvas.line([(1.25, 2.0), (f64::NAN, 3.0), (7.04, 9.0)], INK, 1.0));
        assert!(svg.contains("points=\"13,20 70,90 \""), "{svg}");
    }

    #[test]
    fn a_veil_is_said_of_the_fill_or_of_the_line() {
        let svg = drawn(|canvas| {
            canvas.area([(0.0, 0.0), (5.0, 0.0), (5.0, 5.0)], INK.veil(0.5));
            canvas.line([(0.0, 0.0), (5.0, 0.0)], INK.veil(0.25), 1.0);
            canvas.text((5.0, 5.0), " opacity=\"1\"", Type::new(10.0, INK));
        });
        assert!(svg.contains("<polygon fill-opacity=\"0.5\""));
        assert!(svg.contains("stroke-opacity=\"0.25\""));
        assert!(!svg.contains(" opacity=\""));
        assert!(svg.contains(" opacity=&quot;1&quot;"));
    }

    #[test]
    fn a_text_is_cut_to_its_room() {
        let style = Type::new(12.0, INK);
        assert_eq!(style.fit("ileum", 200.0), "ileum");
        let cut = style.fit(&"jejunum ".repeat(1000), 80.0);
        assert!(cut.ends_with('…') && style.width_px(&cut) <= 80.0);
        assert_eq!(style.fit("jejunum", 0.0), "…");
    }

    #[test]
    fn widths_are_those_of_the_face() {
        // DejaVu Sans: ten figures advance 1303 of 2048 units each.
        let width_px = Type::new(20.48, INK).width_px("0123456789");
        assert!((width_px - 130.3).abs() < 0.1, "{width_px}");
        assert!(Type::new(20.48, INK).bold().width_px("0123456789") > width_px + 5.0);
    }
}
