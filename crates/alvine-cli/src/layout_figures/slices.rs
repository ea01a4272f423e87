//! Maps as slices in three planes, all at one scale, with the sites and the usual lie of the organs.
//!
//! Coronal as when facing the patient and axial as seen from the feet, so that the patient's right is on the left of
//! both; sagittal with the front on the left.

use alvine::siting::{OrganRegion, RivalMap, Survey, Volume};
use alvine::{Position, Setup, Torso};

use super::ramp::Ramp;
use crate::report::axes::{TICK_PX, round_ticks, signed};
use crate::report::canvas::{Anchor, Canvas, Place, Type};
use crate::report::colour::{GRID, INK, PAPER, SOFT_INK};
use crate::report::placement::{Area, Placement};
use crate::report::words::plain;
use crate::report::{Figure, ReportError};

/// All three slices of one figure have this scale where the torso is no larger than most.
const PX_PER_MM: f64 = 0.72;
/// No figure's slices are wider in all than this, px.
const WIDEST_PX: f64 = 720.0;
/// A site within this of a slice is drawn full, mm.
const NEAR_MM: f64 = 40.0;
/// Neighbouring cells overlap by this, so that no seam shows, px.
const SEAM_PX: f64 = 0.3;

/// Where the slices cross unless said otherwise: the middle of the gut, mm.
pub fn middle_of_gut_mm(torso: &Torso) -> Position {
    Position::new(0.0, 0.4 * torso.depth_mm(), 30.0)
}

/// The maps of one layout.
pub struct Maps<'a> {
    /// Its name.
    pub name: &'a str,
    /// The layout and all about it.
    pub setup: &'a Setup,
    /// The survey.
    pub survey: &'a Survey,
    /// The rivals.
    pub rivals: &'a RivalMap,
    /// Where the slices cross, mm.
    pub through_mm: Position,
}

/// Two layouts of one torso.
pub struct Difference<'a> {
    /// The one that is judged.
    pub setup: &'a Setup,
    /// The one it is judged by.
    pub reference: &'a Setup,
    /// Survey of the first.
    pub survey: &'a Survey,
    /// Survey of the second, over the same volume.
    pub reference_survey: &'a Survey,
    /// Where the slices cross, mm.
    pub through_mm: Position,
}

/// Draws the error, the coverage, the dilution and the rivals.
pub fn maps(maps: &Maps<'_>) -> Result<Vec<Figure>, ReportError> {
    let survey = maps.survey;
    let of = |value: fn(&alvine::siting::Outlook) -> f32| -> Vec<f64> {
        survey
            .outlooks
            .iter()
            .map(|outlook| f64::from(value(outlook)))
            .collect()
    };
    let rivals: Vec<f64> = survey
        .volume
        .places_mm()
        .map(|place_mm| {
            let nearest = maps.rivals.volume.nearest(&place_mm);
            let rival = nearest.and_then(|nearest| maps.rivals.rivals[nearest].rival);
            rival.map_or(f64::NAN, |rival| 100.0 * rival.mistaken())
        })
        .collect();
    let sheets = [
        Sheet {
            name: "error",
            title: format!("Least error of one fix, layout {}", maps.name),
            key: "Root-mean-square error, mm (Cramér–Rao bound)",
            values: of(|outlook| outlook.rmse_mm),
            more_is_worse: true,
        },
        Sheet {
            name: "coverage",
            title: format!("Sites that hear the capsule, layout {}", maps.name),
            key: "Sites heard on average",
            values: of(|outlook| outlook.sites_expected),
            more_is_worse: false,
        },
        Sheet {
            name: "dilution",
            title: format!("Geometric dilution, layout {}", maps.name),
            key: "Error for each unit of error in the ranges",
            values: of(|outlook| outlook.dilution),
            more_is_worse: true,
        },
        Sheet {
            name: "rivals",
            title: format!("Taken for a distant place, layout {}", maps.name),
            key: "Chance to be taken for the place most like it 60 mm or more away, %",
            values: rivals,
            more_is_worse: true,
        },
    ];
    sheets.iter().map(|sheet| draw_map(maps, sheet)).collect()
}

/// One map to be drawn.
struct Sheet {
    name: &'static str,
    title: String,
    key: &'static str,
    /// One value a place of the survey's volume.
    values: Vec<f64>,
    more_is_worse: bool,
}

fn draw_map(maps: &Maps<'_>, sheet: &Sheet) -> Result<Figure, ReportError> {
    let volume = &maps.survey.volume;
    // Bands where the capsule can be; what is better or worse elsewhere has the outermost.
    let of_gut = sheet.values.iter().zip(&maps.survey.organs);
    let of_gut = of_gut.filter(|(_, organs)| organs.is_gut()).map(|(value, _)| *value);
    let ramp = Ramp::over(of_gut, sheet.more_is_worse);
    let page = Page::new(volume, maps.through_mm, &sheet.title);
    let mut canvas = page.canvas();
    page.draw_values(&mut canvas, &sheet.values, &ramp);
    page.draw_frame(&mut canvas, &sheet.title);
    page.draw_sites(&mut canvas, maps.setup, true);
    page.draw_key(
        &mut canvas,
        &ramp,
        sheet.key,
        &[("site, full within 40 mm of the slice", true)],
    );
    let description = format!(
        "{}. Slices in the coronal, sagittal and axial plane through x {}, y {}, z {} mm; the darker, the worse.",
        sheet.key,
        signed(maps.through_mm.x),
        signed(maps.through_mm.y),
        signed(maps.through_mm.z)
    );
    let svg = canvas.finish(sheet.name, &sheet.title, &description)?;
    Ok(Figure {
        name: sheet.name,
        title: sheet.title.clone(),
        description,
        svg,
    })
}

/// Draws by how much one layout's error differs from another's.
pub fn difference(of: &Difference<'_>) -> Result<Figure, ReportError> {
    const NAME: &str = "difference";
    const KEY: &str = "Change of the root-mean-square error against the default eight, %: teal is less";
    let pairs = of.survey.outlooks.iter().zip(&of.reference_survey.outlooks);
    let values: Vec<f64> = pairs
        .map(|(own, other)| 100.0 * (f64::from(own.rmse_mm) / f64::from(other.rmse_mm) - 1.0))
        .collect();
    let ramp = Ramp::of_change();
    let title = format!(
        "Where {} designed sites beat the default eight, and where not",
        of.setup.layout.len()
    );
    let page = Page::new(&of.survey.volume, of.through_mm, &title);
    let mut canvas = page.canvas();
    page.draw_values(&mut canvas, &values, &ramp);
    page.draw_frame(&mut canvas, &title);
    page.draw_sites(&mut canvas, of.reference, false);
    page.draw_sites(&mut canvas, of.setup, true);
    let marks = [("designed site", true), ("default site", false)];
    page.draw_key(&mut canvas, &ramp, KEY, &marks);
    let description = format!("{KEY}, ochre is more. Slices in three planes.");
    Figure::drawn(canvas, NAME, title, description)
}

/// One plane: the axes that go across and up, and their names with the directions of the patient.
#[derive(Debug, Clone, Copy)]
struct Plane {
    title: &'static str,
    across: usize,
    up: usize,
    through: usize,
    /// Whether the second coordinate grows downwards on the page.
    downwards: bool,
    names: [&'static str; 2],
}

const PLANES: [Plane; 3] = [
    Plane {
        title: "Coronal",
        across: 0,
        up: 2,
        through: 1,
        downwards: false,
        names: ["R  ←  x, mm  →  L", "I  ←  z, mm  →  S"],
    },
    Plane {
        title: "Sagittal",
        across: 1,
        up: 2,
        through: 0,
        downwards: false,
        names: ["A  ←  y, mm  →  P", "I  ←  z, mm  →  S"],
    },
    Plane {
        title: "Axial",
        across: 0,
        up: 1,
        through: 2,
        downwards: true,
        names: ["R  ←  x, mm  →  L", "P  ←  y, mm  →  A"],
    },
];

/// One figure: three slices beside each other and a key below the axial one.
struct Page<'a> {
    volume: &'a Volume,
    through_mm: Position,
    least_mm: Position,
    greatest_mm: Position,
    px_per_mm: f64,
    panels: [Area; 3],
    width_px: f64,
    height_px: f64,
}

const TOP_PX: f64 = 66.0;
const LEFT_PX: f64 = 56.0;
const GAP_PX: f64 = 60.0;
const BOTTOM_PX: f64 = 50.0;
const KEY_PX: f64 = 150.0;
const PAD_MM: f64 = 12.0;

impl<'a> Page<'a> {
    fn new(volume: &'a Volume, through_mm: Position, title: &str) -> Self {
        let torso = volume.torso();
        let (a, _) = torso.semi_axes_mm();
        let pad = Position::repeat(PAD_MM);
        let least_mm = Position::new(-a, 0.0, Torso::LOWEST_MM) - pad;
        let greatest_mm = Position::new(a, torso.depth_mm(), Torso::HIGHEST_MM) + pad;
        let size_mm = greatest_mm - least_mm;
        let px_per_mm = PX_PER_MM.min(WIDEST_PX / (2.0 * size_mm.x + size_mm.y));
        let mut left = LEFT_PX;
        let panels = PLANES.map(|plane| {
            let (across, up) = (size_mm[plane.across] * px_per_mm, size_mm[plane.up] * px_per_mm);
            let area = Area {
                left,
                top: TOP_PX,
                right: left + across,
                bottom: TOP_PX + up,
            };
            left += across + GAP_PX;
            area
        });
        let title_px = Type::new(15.0, INK).bold().width_px(title) + 40.0;
        let lowest = panels[0].bottom + BOTTOM_PX;
        Self {
            volume,
            through_mm,
            least_mm,
            greatest_mm,
            px_per_mm,
            panels,
            width_px: (left - GAP_PX + 26.0).max(title_px),
            height_px: lowest.max(panels[2].bottom + BOTTOM_PX + KEY_PX),
        }
    }

    fn canvas(&self) -> Canvas {
        Canvas::new(self.width_px, self.height_px)
    }

    /// Where a place lies on a panel; places beyond it lie on its edge.
    fn place(&self, panel: usize, place_mm: &Position) -> Place {
        let (plane, area) = (&PLANES[panel], self.panels[panel]);
        let across = (place_mm[plane.across] - self.least_mm[plane.across]) * self.px_per_mm;
        let up = (place_mm[plane.up] - self.least_mm[plane.up]) * self.px_per_mm;
        let y = if plane.downwards {
            area.top + up
        } else {
            area.bottom - up
        };
        (
            (area.left + across).clamp(area.left, area.right),
            y.clamp(area.top, area.bottom),
        )
    }

    /// The slices' cells, each row in runs of one band.
    fn draw_values(&self, canvas: &mut Canvas, values: &[f64], ramp: &Ramp) {
        let laid = self.volume.spread_out(values.iter().copied(), f64::NAN);
        let [nx, ny, _] = self.volume.counts();
        for (panel, plane) in PLANES.iter().enumerate() {
            let coordinates = [0, 1, 2].map(|axis| self.volume.coordinates_mm(axis));
            let slice = nearest(&coordinates[plane.through], self.through_mm[plane.through]);
            let half_mm = 0.5 * self.volume.spacing_mm();
            for row in 0..coordinates[plane.up].len() {
                let band_at = |column: usize| {
                    let mut cell = [0; 3];
                    (cell[plane.across], cell[plane.up], cell[plane.through]) = (column, row, slice);
                    let value = laid[cell[0] + nx * (cell[1] + ny * cell[2])];
                    (!value.is_nan()).then(|| ramp.band(value))
                };
                let columns = coordinates[plane.across].len();
                let mut from = 0;
                while from < columns {
                    let band = band_at(from);
                    let mut to = from + 1;
                    while to < columns && band_at(to) == band {
                        to += 1;
                    }
                    if let Some(band) = band {
                        let mut corners = [Position::zeros(); 2];
                        for (corner, (column, side)) in corners.iter_mut().zip([(from, -half_mm), (to - 1, half_mm)]) {
                            corner[plane.across] = coordinates[plane.across][column] + side;
                            corner[plane.up] = coordinates[plane.up][row] + side;
                        }
                        let (one, other) = (self.place(panel, &corners[0]), self.place(panel, &corners[1]));
                        let (top, bottom) = (one.1.min(other.1), one.1.max(other.1));
                        canvas.rectangle(
                            (one.0 - SEAM_PX, top - SEAM_PX),
                            (other.0 + SEAM_PX, bottom + SEAM_PX),
                            ramp.colour(band),
                        );
                    }
                    from = to;
                }
            }
        }
    }

    /// Title, axes, skin, organs, and where the other slices are.
    fn draw_frame(&self, canvas: &mut Canvas, title: &str) {
        canvas.text((20.0, 24.0), title, Type::new(15.0, INK).bold());
        for (panel, plane) in PLANES.iter().enumerate() {
            self.draw_axes(canvas, panel, plane);
            self.draw_skin(canvas, panel, plane);
            self.draw_organs(canvas, panel, plane);
        }
    }

    fn draw_axes(&self, canvas: &mut Canvas, panel: usize, plane: &Plane) {
        let area = self.panels[panel];
        let tick = Type::new(TICK_PX, SOFT_INK);
        let heading = format!(
            "{} at {} = {} mm",
            plane.title,
            ["x", "y", "z"][plane.through],
            signed(self.through_mm[plane.through])
        );
        canvas.text((area.left, area.top - 14.0), heading, Type::new(12.0, INK).bold());
        let middle = (0.5 * (area.left + area.right), 0.5 * (area.top + area.bottom));
        for value in round_ticks(self.least_mm[plane.across], self.greatest_mm[plane.across], 4.0) {
            let mut at_mm = self.least_mm;
            at_mm[plane.across] = value;
            let (x, _) = self.place(panel, &at_mm);
            canvas.line([(x, area.bottom), (x, area.bottom + 4.0)], SOFT_INK, 1.0);
            canvas.text((x, area.bottom + 13.0), signed(value), tick.anchored(Anchor::Middle));
        }
        for value in round_ticks(self.least_mm[plane.up], self.greatest_mm[plane.up], 5.0) {
            let mut at_mm = self.least_mm;
            at_mm[plane.up] = value;
            let (_, y) = self.place(panel, &at_mm);
            canvas.line([(area.left - 4.0, y), (area.left, y)], SOFT_INK, 1.0);
            canvas.text((area.left - 7.0, y), signed(value), tick.anchored(Anchor::End));
        }
        let edge = [
            (area.left, area.top),
            (area.left, area.bottom),
            (area.right, area.bottom),
        ];
        canvas.line(edge, SOFT_INK, 1.0);
        let name = Type::new(TICK_PX, INK).anchored(Anchor::Middle);
        canvas.text((middle.0, area.bottom + 30.0), plane.names[0], name);
        canvas.text((area.left - 40.0, middle.1), plane.names[1], name.upwards());
    }

    /// The skin where the slice cuts it, and lines where the other slices are.
    fn draw_skin(&self, canvas: &mut Canvas, panel: usize, plane: &Plane) {
        let torso = self.volume.torso();
        let (a, b) = torso.semi_axes_mm();
        if plane.through == 2 {
            let around = (0..=120).map(|k| (std::f64::consts::TAU * f64::from(k) / 120.0).sin_cos());
            let outline = around.map(|(sin, cos)| self.place(panel, &Position::new(a * sin, b - b * cos, 0.0)));
            canvas.line(outline, INK, 1.3);
        } else {
            // How far the slice is from the axis decides how wide the body is there.
            let (off, across, middle) = if plane.through == 1 {
                ((self.through_mm.y - b) / b, a, 0.0)
            } else {
                (self.through_mm.x / a, b, b)
            };
            let half_mm = across * (1.0 - off * off).max(0.0).sqrt();
            for side in [-half_mm, half_mm] {
                let ends = [Torso::LOWEST_MM, Torso::HIGHEST_MM].map(|z_mm| {
                    let mut at_mm = Position::new(0.0, 0.0, z_mm);
                    at_mm[plane.across] = middle + side;
                    self.place(panel, &at_mm)
                });
                canvas.line(ends, INK, 1.3);
            }
        }
        for axis in [plane.across, plane.up] {
            let (mut one, mut other) = (self.least_mm, self.greatest_mm);
            (one[axis], other[axis]) = (self.through_mm[axis], self.through_mm[axis]);
            canvas.line(
                [self.place(panel, &one), self.place(panel, &other)],
                PAPER.veil(0.55),
                1.0,
            );
        }
    }

    /// The organs' ellipsoids where the slice cuts them.
    fn draw_organs(&self, canvas: &mut Canvas, panel: usize, plane: &Plane) {
        let torso = self.volume.torso();
        let mut placement = Placement::new(self.panels[panel]);
        let style = Type::new(9.5, INK).anchored(Anchor::Middle);
        let mut labels = Vec::new();
        for region in OrganRegion::ALL {
            let (centre_mm, half_mm) = region.ellipsoid_mm(torso);
            let off = (self.through_mm[plane.through] - centre_mm[plane.through]) / half_mm[plane.through];
            let share = 1.0 - off * off;
            if share <= 0.02 {
                continue;
            }
            let root = share.sqrt();
            let outline = (0..=72).map(|k| {
                let (sin, cos) = (std::f64::consts::TAU * f64::from(k) / 72.0).sin_cos();
                let mut at_mm = centre_mm;
                at_mm[plane.across] += root * half_mm[plane.across] * cos;
                at_mm[plane.up] += root * half_mm[plane.up] * sin;
                self.place(panel, &at_mm)
            });
            canvas.line(outline, INK.veil(0.5), 0.8);
            // The panels are narrow: only the widest has room for names.
            if plane.through == 1 {
                labels.push((self.place(panel, &centre_mm), plain(region.as_str())));
            }
        }
        for (at, name) in labels {
            let width_px = style.width_px(&name);
            // The first place tried lies to the right of what is named: so the centre comes first.
            let beside = (at.0 - 0.5 * width_px - 4.0, at.1);
            if let Some(centre) = placement.near(beside, width_px + 4.0, 12.0, 2.0) {
                canvas.text_on_paper(centre, name, style);
            }
        }
    }

    /// Sites as they lie in front of each slice.
    fn draw_sites(&self, canvas: &mut Canvas, setup: &Setup, full: bool) {
        for (panel, plane) in PLANES.iter().enumerate() {
            for site in setup.layout.sites() {
                let at = self.place(panel, &site.position_mm);
                let near = (site.position_mm[plane.through] - self.through_mm[plane.through]).abs() <= NEAR_MM;
                draw_site(canvas, at, full, near);
            }
        }
    }

    /// The key: bands with their edges, and what the marks are.
    fn draw_key(&self, canvas: &mut Canvas, ramp: &Ramp, name: &str, marks: &[(&str, bool)]) {
        let area = self.panels[2];
        let (left, right) = (area.left, area.right);
        let mut top = area.bottom + 56.0;
        let style = Type::new(11.0, INK);
        for line in broken(name, right - left, style) {
            canvas.text((left, top), line, style);
            top += 15.0;
        }
        let (top, bottom) = (top - 2.0, top + 12.0);
        let bands = ramp.colours.len();
        let width_px = (right - left) / bands as f64;
        for band in 0..bands {
            let from = left + width_px * band as f64;
            canvas.rectangle((from, top), (from + width_px, bottom), ramp.colour(band));
        }
        let outline = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
        canvas.line(outline, GRID, 0.8);
        let tick = Type::new(10.0, SOFT_INK).anchored(Anchor::Middle);
        for (band, edge) in ramp.edges.iter().enumerate() {
            let x = left + width_px * (band + 1) as f64;
            canvas.line([(x, bottom), (x, bottom + 3.0)], SOFT_INK, 1.0);
            canvas.text((x, bottom + 11.0), edge_text(*edge), tick);
        }
        for (k, (mark, full)) in marks.iter().enumerate() {
            let y = bottom + 32.0 + 18.0 * k as f64;
            draw_site(canvas, (left + 6.0, y), *full, true);
            canvas.text((left + 18.0, y), mark, style);
        }
        let y = bottom + 32.0 + 18.0 * marks.len() as f64;
        canvas.line([(left, y), (left + 12.0, y)], INK.veil(0.5), 0.8);
        canvas.text((left + 18.0, y), "where organs usually lie", style);
    }
}

/// A site's mark: a dot where it counts, a ring where it stands for comparison.
fn draw_site(canvas: &mut Canvas, at: Place, full: bool, near: bool) {
    if full {
        canvas.disc(at, 5.2, PAPER);
        if near {
            canvas.disc(at, 4.0, INK);
        } else {
            canvas.ring(at, 3.6, INK, 1.4);
        }
    } else {
        canvas.ring(at, 6.4, PAPER, 3.2);
        canvas.ring(at, 6.4, SOFT_INK, 1.4);
    }
}

/// The index of the coordinate nearest to a value.
fn nearest(coordinates: &[f64], value: f64) -> usize {
    let far = |k: &usize| (coordinates[*k] - value).abs();
    (0..coordinates.len())
        .min_by(|one, other| far(one).total_cmp(&far(other)))
        .unwrap_or(0)
}

/// An edge as short as it can be told.
fn edge_text(edge: f64) -> String {
    if (edge - edge.round()).abs() < 1e-9 {
        signed(edge)
    } else if edge < 0.0 {
        format!("−{:.1}", -edge)
    } else {
        format!("{edge:.1}")
    }
}

/// A text broken into lines of at most a width.
fn broken(text: &str, most_px: f64, style: Type) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(line) if style.width_px(&format!("{line} {word}")) <= most_px => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::siting::{RivalOptions, SurveyOptions, rivals, survey};
    use alvine_study::usual_setup;

    #[test]
    fn every_map_is_a_readable_figure_on_any_torso_and_through_any_place() {
        for (breadth, depth, through) in [
            (330.0, 230.0, [0.0, 90.0, 30.0]),
            (80.0, 80.0, [500.0, -3.0, 1e9]),
            (900.0, 900.0, [0.0, 0.0, -180.0]),
        ] {
            let torso = Torso::new(breadth, depth).unwrap();
            let setup = usual_setup(&torso).unwrap();
            let survey = survey(&setup, Volume::new(torso, 20.0).unwrap(), &SurveyOptions::default());
            let options = RivalOptions {
                spacing_mm: 40.0,
                rival_spacing_mm: 40.0,
                ..RivalOptions::default()
            };
            let rivals = rivals(&setup, &options).unwrap();
            let drawn = maps(&Maps {
                name: "sample <b>",
                setup: &setup,
                survey: &survey,
                rivals: &rivals,
                through_mm: Position::from(through),
            })
            .unwrap();
            let names: Vec<_> = drawn.iter().map(|figure| figure.name).collect();
            assert_eq!(names, ["error", "coverage", "dilution", "rivals"]);
            for figure in drawn {
                assert!(
                    figure.svg.len() < 1_000_000,
                    "{}: {} bytes",
                    figure.name,
                    figure.svg.len()
                );
                assert!(!figure.svg.contains("NaN") && !figure.svg.contains("<b>"));
                resvg::usvg::roxmltree::Document::parse(&figure.svg).unwrap();
            }
        }
    }

    #[test]
    fn the_patients_right_is_on_the_left_and_the_front_where_the_letters_say() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let volume = Volume::new(torso, 40.0).unwrap();
        let page = Page::new(&volume, middle_of_gut_mm(&torso), "title");
        let (right, left) = (Position::new(-100.0, 50.0, 0.0), Position::new(100.0, 50.0, 0.0));
        for panel in [0, 2] {
            assert!(page.place(panel, &right).0 < page.place(panel, &left).0);
        }
        let (front, back) = (Position::new(0.0, 10.0, 0.0), Position::new(0.0, 200.0, 0.0));
        assert!(page.place(1, &front).0 < page.place(1, &back).0);
        assert!(page.place(2, &front).1 < page.place(2, &back).1);
        let (head, feet) = (Position::new(0.0, 50.0, 100.0), Position::new(0.0, 50.0, -100.0));
        assert!(page.place(0, &head).1 < page.place(0, &feet).1);
    }
}
