//! The path in the three anatomical planes, all at one scale: a picture each, and one of all three for the page.
//!
//! The pictures are laid out as radiologists hang them: coronal as when facing the patient and axial as seen from the
//! feet, so that the patient's right is on the left of both; sagittal with the front on the left.

use alvine::{LandmarkKind, Phase, Position, Torso, TrackPoint};
use alvine_study::results::summary::PhaseResult;

use crate::report::axes::{TICK_PX, round_ticks, signed};
use crate::report::canvas::{Anchor, Canvas, Place, Type};
use crate::report::clock::Clock;
use crate::report::colour::{BODY, Colour, GRID, INK, NOTHING, PAPER, SOFT_INK, of_phase, of_phase_name};
use crate::report::placement::{Area, Placement};
use crate::report::{Figure, ReportError, ReportInput, words};

/// Half axes of the ellipse that holds a normal pair with 90 %: √χ²₂(0.9) = √4.605 standard deviations.
const ELLIPSE_90: f64 = 2.146;
/// Hours beyond this are not marked.
const MOST_HOURS: u32 = 72;
/// How many ellipses are drawn along the track.
const ELLIPSES: usize = 14;
/// A path is drawn with no more places than this.
const MOST_PLACES: usize = 6000;
/// Places nearer to each other than this are never told apart, px.
const FINEST_PX: f64 = 0.4;
/// No path is thinned more coarsely than this, px.
const COARSEST_PX: f64 = 20.0;
/// A landmark is marked where the track has a point no further from it in time than this, s.
const NEAR_S: f64 = 60.0;
/// The track is broken where it tells nothing for longer than this, s.
const BREAK_S: f64 = 30.0;
/// Nothing further from the umbilicus than this widens the picture, mm.
const FURTHEST_MM: f64 = 2000.0;
/// Room round the picture: left, top, right, bottom, px.
const MARGIN_PX: [f64; 4] = [66.0, 14.0, 24.0, 84.0];
/// The key needs this, px.
const LEAST_WIDTH_PX: f64 = 400.0;
/// The three planes beside each other are no higher than this, px.
const HIGHEST_TOGETHER_PX: f64 = 330.0;
/// Sites' names are written out where there are no more than so many.
const NAMED_SITES: usize = 12;

/// One plane: which coordinates go across and up, and what their ends are called.
struct Plane {
    name: &'static str,
    title: &'static str,
    view: &'static str,
    across: usize,
    up: usize,
    /// Whether the second coordinate grows downwards on the page.
    downwards: bool,
    across_name: &'static str,
    up_name: &'static str,
    /// Letters at the left, right, upper and lower edge.
    letters: [&'static str; 4],
}

const PLANES: [Plane; 3] = [
    Plane {
        name: "coronal",
        title: "Coronal plane",
        view: "seen from the front, as when facing the patient: the patient's right is on the left of the picture",
        across: 0,
        up: 2,
        downwards: false,
        across_name: "Patient's right  ←  x, mm  →  left",
        up_name: "z, mm above the umbilicus",
        letters: ["R", "L", "S", "I"],
    },
    Plane {
        name: "sagittal",
        title: "Sagittal plane",
        view: "seen from the patient's left: the front is on the left of the picture",
        across: 1,
        up: 2,
        downwards: false,
        across_name: "Front  ←  y, mm deep  →  back",
        up_name: "z, mm above the umbilicus",
        letters: ["A", "P", "S", "I"],
    },
    Plane {
        name: "axial",
        title: "Axial plane",
        view: "seen from the feet: the patient's right is on the left of the picture, the front is at the top",
        across: 0,
        up: 1,
        downwards: true,
        across_name: "Patient's right  ←  x, mm  →  left",
        up_name: "y, mm deep",
        letters: ["R", "L", "A", "P"],
    },
];

/// Draws each of the three planes, and the three beside each other.
pub fn draw(input: &ReportInput<'_>) -> Result<Vec<Figure>, ReportError> {
    let bounds = Bounds::of(input).fitting([366.0, 320.0, 500.0]);
    let mut figures = PLANES
        .iter()
        .map(|plane| draw_plane(input, plane, &bounds))
        .collect::<Result<Vec<_>, _>>()?;
    figures.push(draw_together(input)?);
    Ok(figures)
}

fn draw_plane(input: &ReportInput<'_>, plane: &Plane, bounds: &Bounds) -> Result<Figure, ReportError> {
    let view = View::new(plane, bounds);
    let mut canvas = Canvas::new(view.width_px, view.height_px);
    view.draw(&mut canvas, input);
    view.draw_key(&mut canvas, input);
    let title = plane.title.to_owned();
    let description = describe(input, plane);
    Figure::drawn(canvas, plane.name, title, description)
}

/// The three planes in one picture as wide as those that run over time.
fn draw_together(input: &ReportInput<'_>) -> Result<Figure, ReportError> {
    let [left, top, right, bottom] = MARGIN_PX;
    let bounds = Bounds::of(input);
    let size_mm = bounds.greatest_mm - bounds.least_mm;
    let room_px = super::WIDE_PX - 3.0 * (left + right);
    let across_mm = 2.0 * size_mm.x + size_mm.y;
    let bounds = bounds.fitting([room_px * size_mm.x / across_mm, f64::INFINITY, HIGHEST_TOGETHER_PX]);
    let highest_px = size_mm.y.max(size_mm.z) * bounds.px_per_mm;
    let mut canvas = Canvas::new(super::WIDE_PX, top + highest_px + bottom);
    // What is left over stands at both sides.
    let mut left_px = 0.5 * (room_px - across_mm * bounds.px_per_mm).max(0.0);
    for plane in &PLANES {
        let mut view = View::new(plane, &bounds);
        view.panel = Area {
            left: left_px + left,
            top,
            right: left_px + left + size_mm[plane.across] * bounds.px_per_mm,
            bottom: top + size_mm[plane.up] * bounds.px_per_mm,
        };
        view.names_sites = false;
        view.draw(&mut canvas, input);
        left_px = view.panel.right + right;
        if plane.name == PLANES[0].name {
            view.panel.bottom = top + highest_px;
            view.draw_key(&mut canvas, input);
        }
    }
    let title = "The path in three planes".to_owned();
    let description = PLANES.map(|plane| format!("{}: {}", plane.title, describe(input, &plane)));
    Figure::drawn(canvas, "planes", title, description.join(" "))
}

/// What the three pictures must hold, mm, and their common scale.
struct Bounds {
    least_mm: Position,
    greatest_mm: Position,
    px_per_mm: f64,
}

impl Bounds {
    /// Torso, sites and track.
    fn of(input: &ReportInput<'_>) -> Self {
        let torso = &input.study.setup.torso;
        let half_mm = 0.5 * torso.breadth_mm();
        let mut least_mm = Position::new(-half_mm, 0.0, Torso::LOWEST_MM);
        let mut greatest_mm = Position::new(half_mm, torso.depth_mm(), Torso::HIGHEST_MM);
        let sites = input.study.setup.layout.sites().iter().map(|site| site.position_mm);
        let track = input.track.points.iter().map(|point| point.position_mm);
        for place_mm in sites.chain(track) {
            if place_mm.iter().all(|value| value.abs() <= FURTHEST_MM) {
                least_mm = least_mm.inf(&place_mm);
                greatest_mm = greatest_mm.sup(&place_mm);
            }
        }
        let pad_mm = Position::repeat(30.0);
        let (least_mm, greatest_mm) = (least_mm - pad_mm, greatest_mm + pad_mm);
        Self {
            least_mm,
            greatest_mm,
            px_per_mm: 1.0,
        }
    }

    /// The same at the largest scale that needs no more room than this along x, y and z, px.
    fn fitting(self, room_px: [f64; 3]) -> Self {
        let size_mm = self.greatest_mm - self.least_mm;
        let scales = room_px
            .iter()
            .zip(size_mm.iter())
            .map(|(room_px, size_mm)| room_px / size_mm);
        Self {
            px_per_mm: scales.fold(f64::INFINITY, f64::min),
            ..self
        }
    }
}

/// One plane laid on a page.
struct View<'a> {
    plane: &'a Plane,
    bounds: &'a Bounds,
    panel: Area,
    width_px: f64,
    height_px: f64,
    /// Whether there is room to write out the sites' names.
    names_sites: bool,
}

impl<'a> View<'a> {
    fn new(plane: &'a Plane, bounds: &'a Bounds) -> Self {
        let size_mm = bounds.greatest_mm - bounds.least_mm;
        let across_px = size_mm[plane.across] * bounds.px_per_mm;
        let up_px = size_mm[plane.up] * bounds.px_per_mm;
        let [left, top, right, bottom] = MARGIN_PX;
        // All three pictures are equally wide, so that a page that scales them keeps them at one scale.
        let widest_px = size_mm.x.max(size_mm.y) * bounds.px_per_mm;
        let inset_px = 0.5 * (widest_px - across_px);
        Self {
            plane,
            bounds,
            panel: Area {
                left: left + inset_px,
                top,
                right: left + inset_px + across_px,
                bottom: top + up_px,
            },
            width_px: (left + widest_px + right).max(LEAST_WIDTH_PX),
            height_px: top + up_px + bottom,
            names_sites: plane.name == "coronal",
        }
    }

    fn draw(&self, canvas: &mut Canvas, input: &ReportInput<'_>) {
        let torso = &input.study.setup.torso;
        canvas.area(self.skin(torso), BODY);
        self.draw_axes(canvas);
        self.draw_skin(canvas, torso);
        self.draw_ellipses(canvas, input);
        self.draw_path(canvas, input);
        self.draw_marks(canvas, input);
    }

    /// Where a place lies on the page; places beyond the picture lie on its edge.
    fn place(&self, place_mm: &Position) -> Place {
        let across_mm = place_mm[self.plane.across] - self.bounds.least_mm[self.plane.across];
        let up_mm = place_mm[self.plane.up] - self.bounds.least_mm[self.plane.up];
        let y_px = if self.plane.downwards {
            self.panel.top + up_mm * self.bounds.px_per_mm
        } else {
            self.panel.bottom - up_mm * self.bounds.px_per_mm
        };
        let x_px = self.panel.left + across_mm * self.bounds.px_per_mm;
        (
            x_px.clamp(self.panel.left, self.panel.right),
            y_px.clamp(self.panel.top, self.panel.bottom),
        )
    }

    /// The skin's outline: an ellipse from below, a rectangle from the front and the side.
    fn skin(&self, torso: &Torso) -> Vec<Place> {
        let (a, b) = torso.semi_axes_mm();
        if self.plane.downwards {
            let at = |k: u32| (std::f64::consts::TAU * f64::from(k) / 120.0).sin_cos();
            let around = (0..=120).map(at);
            return around
                .map(|(sin, cos)| self.place(&Position::new(a * cos, b + b * sin, 0.0)))
                .collect();
        }
        let (low, high) = (Torso::LOWEST_MM, Torso::HIGHEST_MM);
        [(-1.0, low), (-1.0, high), (1.0, high), (1.0, low)]
            .map(|(side, z_mm)| self.place(&Position::new(side * a, b + side * b, z_mm)))
            .to_vec()
    }

    /// The skin as lines, open at the top and the bottom, where the body goes on.
    fn draw_skin(&self, canvas: &mut Canvas, torso: &Torso) {
        let outline = self.skin(torso);
        if self.plane.downwards {
            canvas.line(outline, SOFT_INK, 1.4);
        } else {
            for side in outline.chunks(2) {
                canvas.line(side.iter().copied(), SOFT_INK, 1.4);
            }
        }
    }

    fn draw_axes(&self, canvas: &mut Canvas) {
        let Area {
            left,
            top,
            right,
            bottom,
        } = self.panel;
        let tick = Type::new(TICK_PX, SOFT_INK);
        let ticks = |index: usize, length_px: f64| {
            let (least, greatest) = (self.bounds.least_mm[index], self.bounds.greatest_mm[index]);
            round_ticks(least, greatest, length_px / 38.0)
        };
        for x_mm in ticks(self.plane.across, right - left) {
            let mut at_mm = self.bounds.least_mm;
            at_mm[self.plane.across] = x_mm;
            let (x, _) = self.place(&at_mm);
            canvas.line([(x, top), (x, bottom)], GRID, if x_mm == 0.0 { 1.6 } else { 0.7 });
            canvas.line([(x, bottom), (x, bottom + 5.0)], SOFT_INK, 1.0);
            canvas.text((x, bottom + 14.0), signed(x_mm), tick.anchored(Anchor::Middle));
        }
        for y_mm in ticks(self.plane.up, bottom - top) {
            let mut at_mm = self.bounds.least_mm;
            at_mm[self.plane.up] = y_mm;
            let (_, y) = self.place(&at_mm);
            canvas.line([(left, y), (right, y)], GRID, if y_mm == 0.0 { 1.6 } else { 0.7 });
            canvas.line([(left - 5.0, y), (left, y)], SOFT_INK, 1.0);
            canvas.text((left - 8.0, y), signed(y_mm), tick.anchored(Anchor::End));
        }
        canvas.line([(left, top), (left, bottom), (right, bottom)], SOFT_INK, 1.0);
        let name = Type::new(12.0, INK).anchored(Anchor::Middle);
        let (middle_x, middle_y) = (0.5 * (left + right), 0.5 * (top + bottom));
        canvas.text((middle_x, bottom + 33.0), self.plane.across_name, name);
        canvas.text((left - 50.0, middle_y), self.plane.up_name, name.upwards());
        let letter = Type::new(15.0, INK).bold().anchored(Anchor::Middle);
        let [at_left, at_right, at_top, at_bottom] = self.plane.letters;
        canvas.text((left + 12.0, middle_y), at_left, letter);
        canvas.text((right - 12.0, middle_y), at_right, letter);
        canvas.text((middle_x, top + 12.0), at_top, letter);
        canvas.text((middle_x, bottom - 13.0), at_bottom, letter);
    }

    /// 90 % ellipses at equal steps along the track.
    fn draw_ellipses(&self, canvas: &mut Canvas, input: &ReportInput<'_>) {
        let points = &input.track.points;
        let shown = ELLIPSES.min(points.len());
        for k in 0..shown {
            let point = &points[(2 * k + 1) * points.len() / (2 * shown)];
            let ink = colour_at(&input.summary.phases, point.time_s);
            let outline = self.ellipse(point);
            canvas.area(outline.iter().copied(), ink.veil(0.07));
            canvas.line(outline, ink.veil(0.55), 0.8);
        }
    }

    /// The outline of the ellipse that holds the place with 90 %: `c + r L (cos θ, sin θ)`, with `L Lᵀ` the
    /// covariance in the plane.
    fn ellipse(&self, point: &TrackPoint) -> Vec<Place> {
        let (i, j) = (self.plane.across, self.plane.up);
        let covariance_mm2 = &point.covariance_mm2;
        let l11 = covariance_mm2[(i, i)].max(0.0).sqrt();
        let l21 = if l11 > 0.0 { covariance_mm2[(j, i)] / l11 } else { 0.0 };
        let l22 = (covariance_mm2[(j, j)] - l21 * l21).max(0.0).sqrt();
        (0..=48)
            .map(|k| {
                let (sin, cos) = (std::f64::consts::TAU * f64::from(k) / 48.0).sin_cos();
                let mut place_mm = point.position_mm;
                place_mm[i] += ELLIPSE_90 * l11 * cos;
                place_mm[j] += ELLIPSE_90 * (l21 * cos + l22 * sin);
                self.place(&place_mm)
            })
            .collect()
    }

    /// The path in the colours of its phases, edged with paper so that crossings can be followed.
    fn draw_path(&self, canvas: &mut Canvas, input: &ReportInput<'_>) {
        for (colour, places) in self.thinned_path(input) {
            canvas.line(places.iter().copied(), PAPER.veil(0.7), 3.2);
            canvas.line(places, colour, 1.5);
        }
        if input.track.points.is_empty() {
            let middle = (
                0.5 * (self.panel.left + self.panel.right),
                0.5 * (self.panel.top + self.panel.bottom) - 24.0,
            );
            let style = Type::new(12.0, INK).anchored(Anchor::Middle);
            canvas.text_on_paper(middle, "No position could be told", style);
        }
    }

    /// The path cut by phase and at gaps, thinned until it is small enough. First, places nearer than
    /// [`FINEST_PX`] to the last one kept are dropped; then, where too many are left, those within a tolerance that
    /// grows until few enough remain.
    fn thinned_path(&self, input: &ReportInput<'_>) -> Vec<(Colour, Vec<Place>)> {
        let whole = self.path(input);
        let count = |path: &[(Colour, Vec<Place>)]| path.iter().map(|(_, places)| places.len()).sum::<usize>();
        let mut tolerance_px = FINEST_PX;
        let mut path = whole.clone();
        while count(&path) > MOST_PLACES && tolerance_px < COARSEST_PX {
            tolerance_px *= 1.6;
            let thinned = whole
                .iter()
                .map(|(colour, places)| (*colour, thinned(places, tolerance_px)));
            path = thinned.collect();
        }
        path
    }

    fn path(&self, input: &ReportInput<'_>) -> Vec<(Colour, Vec<Place>)> {
        let phases = &input.summary.phases;
        let colours: Vec<Colour> = phases.iter().map(|phase| of_phase_name(&phase.phase)).collect();
        let mut path: Vec<(Colour, Vec<Place>)> = Vec::new();
        let mut last: Option<(f64, Place)> = None;
        let mut phase = 0;
        for point in &input.track.points {
            while phase + 1 < phases.len() && point.time_s >= phases[phase].end_s {
                phase += 1;
            }
            let colour = colours.get(phase).copied().unwrap_or(NOTHING);
            let place = self.place(&point.position_mm);
            let before = last.replace((point.time_s, place));
            let joined = before.filter(|(time_s, _)| point.time_s - time_s <= BREAK_S);
            match (path.last_mut(), joined) {
                (Some((of, places)), Some(_)) if *of == colour => {
                    if places.last().is_none_or(|kept| apart(*kept, place, FINEST_PX)) {
                        places.push(place);
                    }
                }
                _ => {
                    let start = joined.map(|(_, before)| before);
                    path.push((colour, start.into_iter().chain([place]).collect()));
                }
            }
        }
        path
    }

    /// Sites, landmarks and findings with their names.
    fn draw_marks(&self, canvas: &mut Canvas, input: &ReportInput<'_>) {
        let mut room = Placement::new(self.panel);
        let sites = self.draw_sites(canvas, input, &mut room);
        let landmarks = landmark_places(input);
        let hours = self.hours(input);
        for (_, place) in &hours {
            room.take(Area::around(*place, 10.0, 10.0));
        }
        for (_, place_mm) in &landmarks {
            room.take(Area::around(self.place(place_mm), 16.0, 16.0));
        }
        let findings = finding_places(input);
        for (_, place_mm) in &findings {
            room.take(Area::around(self.place(place_mm), 14.0, 14.0));
        }
        for (kind, place_mm) in landmarks {
            let (x, y) = self.place(&place_mm);
            let lozenge = |r: f64| [(x, y - r), (x + r, y), (x, y + r), (x - r, y)];
            canvas.area(lozenge(8.5), PAPER);
            canvas.area(lozenge(6.5), INK);
            let style = Type::new(12.0, INK).bold();
            label(canvas, &mut room, (x, y), &words::titled(kind.as_str()), style, 190.0);
        }
        for (id, place_mm) in findings {
            let (x, y) = self.place(&place_mm);
            canvas.area([(x, y - 9.5), (x + 9.0, y + 7.5), (x - 9.0, y + 7.5)], PAPER);
            canvas.area([(x, y - 6.5), (x + 6.0, y + 5.5), (x - 6.0, y + 5.5)], INK);
            label(canvas, &mut room, (x, y), id, Type::new(11.5, INK), 110.0);
        }
        for (hour, place) in hours {
            canvas.disc(place, 4.6, PAPER);
            canvas.disc(place, 3.2, INK);
            label(
                canvas,
                &mut room,
                place,
                &format!("{hour} h"),
                Type::new(10.5, INK),
                60.0,
            );
        }
        if self.names_sites && sites.len() <= NAMED_SITES {
            for (place, name) in sites {
                label(canvas, &mut room, place, name, Type::new(11.0, SOFT_INK), 140.0);
            }
        }
    }

    /// Where the capsule was at each full hour: so the order of the path is seen without colour.
    fn hours(&self, input: &ReportInput<'_>) -> Vec<(u32, Place)> {
        let origin_s = Clock::of(input).origin_s();
        (1..=MOST_HOURS)
            .filter_map(|hour| {
                let place_mm = place_at(&input.track.points, origin_s + 3600.0 * f64::from(hour))?;
                Some((hour, self.place(&place_mm)))
            })
            .collect()
    }

    /// Each site as its number in the layout's order; sites that fall together share a mark.
    fn draw_sites<'s>(
        &self,
        canvas: &mut Canvas,
        input: &'s ReportInput<'_>,
        room: &mut Placement,
    ) -> Vec<(Place, &'s str)> {
        let sites = input.study.setup.layout.sites();
        let mut groups: Vec<(Place, Vec<usize>)> = Vec::new();
        let mut places = Vec::with_capacity(sites.len());
        for (number, site) in (1..).zip(sites) {
            let place = self.place(&site.position_mm);
            places.push((place, site.name.as_str()));
            let near = |other: &Place| (other.0 - place.0).abs() < 26.0 && (other.1 - place.1).abs() < 15.0;
            match groups.iter_mut().find(|(other, _)| near(other)) {
                Some((other, numbers)) => {
                    let count = numbers.len() as f64;
                    *other = (
                        (other.0 * count + place.0) / (count + 1.0),
                        (other.1 * count + place.1) / (count + 1.0),
                    );
                    numbers.push(number);
                }
                None => groups.push((place, vec![number])),
            }
        }
        let style = Type::new(10.5, INK).anchored(Anchor::Middle);
        for ((x, y), numbers) in groups {
            let text = numbers.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
            let text = style.fit(&text, 90.0);
            let half_px = (0.5 * style.width_px(&text) + 4.0).max(8.0);
            let x = x
                .min(self.panel.right + 8.0 - half_px)
                .max(self.panel.left - 8.0 + half_px);
            let (left, right, top, bottom) = (x - half_px, x + half_px, y - 8.0, y + 8.0);
            canvas.rectangle((left, top), (right, bottom), PAPER);
            let frame = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)];
            canvas.line(frame, SOFT_INK, 1.2);
            canvas.text((x, y), text, style);
            room.take(Area::around((x, y), 2.0 * half_px, 16.0));
        }
        places
    }

    /// The phases' colours by name, and what the other marks are.
    fn draw_key(&self, canvas: &mut Canvas, input: &ReportInput<'_>) {
        let style = Type::new(11.0, SOFT_INK);
        let y = self.panel.bottom + 54.0;
        let mut x = 12.0;
        for phase in Phase::INSIDE {
            if !input.summary.phases.iter().any(|seen| seen.phase == phase.as_str()) {
                continue;
            }
            canvas.rectangle((x, y - 4.0), (x + 14.0, y + 4.0), of_phase(phase));
            let name = words::titled(phase.as_str());
            canvas.text((x + 18.0, y), &name, style);
            x += 18.0 + style.width_px(&name) + 11.0;
        }
        let y = self.panel.bottom + 72.0;
        let frame = [
            (12.0, y - 6.0),
            (26.0, y - 6.0),
            (26.0, y + 6.0),
            (12.0, y + 6.0),
            (12.0, y - 6.0),
        ];
        canvas.line(frame, SOFT_INK, 1.2);
        canvas.text((30.0, y), "site", style);
        canvas.ring((72.0, y), 6.5, SOFT_INK, 0.9);
        canvas.text((83.0, y), "90 % region", style);
        canvas.area([(174.0, y - 6.5), (180.5, y), (174.0, y + 6.5), (167.5, y)], INK);
        canvas.text((185.0, y), "landmark", style);
        canvas.area([(258.0, y - 6.5), (264.0, y + 5.5), (252.0, y + 5.5)], INK);
        canvas.text((268.0, y), "finding", style);
        canvas.disc((322.0, y), 3.2, INK);
        canvas.text((329.0, y), "full hour", style);
    }
}

/// Whether two places are at least so far apart.
fn apart(one: Place, other: Place, least_px: f64) -> bool {
    (one.0 - other.0).powi(2) + (one.1 - other.1).powi(2) >= least_px * least_px
}

/// The places without those nearer than a tolerance to the last one kept; the last place is always kept.
fn thinned(places: &[Place], tolerance_px: f64) -> Vec<Place> {
    let mut kept: Vec<Place> = Vec::new();
    for (k, &place) in places.iter().enumerate() {
        if k + 1 == places.len() || kept.last().is_none_or(|last| apart(*last, place, tolerance_px)) {
            kept.push(place);
        }
    }
    kept
}

/// A name beside its mark, with a line to it where it had to go further off; nothing where there is no room.
fn label(canvas: &mut Canvas, room: &mut Placement, mark: Place, text: &str, style: Type, most_px: f64) {
    let text = style.fit(text, most_px);
    let width_px = style.width_px(&text) + 4.0;
    let Some(centre) = room.near(mark, width_px, 15.0, 10.0) else {
        return;
    };
    let end = (
        mark.0.clamp(centre.0 - 0.5 * width_px, centre.0 + 0.5 * width_px),
        centre.1,
    );
    let length_px = (end.0 - mark.0).hypot(end.1 - mark.1);
    if length_px > 22.0 {
        let edge = 9.0 / length_px;
        let start = (mark.0 + (end.0 - mark.0) * edge, mark.1 + (end.1 - mark.1) * edge);
        canvas.line([start, end], INK, 0.8);
    }
    canvas.text_on_paper(centre, text, style.anchored(Anchor::Middle));
}

/// The colour of the phase at a time.
fn colour_at(phases: &[PhaseResult], time_s: f64) -> Colour {
    phases
        .iter()
        .find(|phase| (phase.start_s..=phase.end_s).contains(&time_s))
        .map_or(NOTHING, |phase| of_phase_name(&phase.phase))
}

/// Where the landmarks within the body were passed, as far as the track tells.
fn landmark_places(input: &ReportInput<'_>) -> Vec<(LandmarkKind, Position)> {
    let within = |kind: &LandmarkKind| !matches!(kind, LandmarkKind::Swallow | LandmarkKind::Expulsion);
    let landmarks = input.summary.landmarks.iter();
    landmarks
        .filter_map(|landmark| {
            let kind = landmark.kind.parse().ok().filter(within)?;
            Some((kind, place_at(&input.track.points, landmark.time_s?)?))
        })
        .collect()
}

/// Where the findings were made, as the summary has it, or else the track.
fn finding_places<'a>(input: &ReportInput<'a>) -> Vec<(&'a str, Position)> {
    let findings = input.summary.findings.iter();
    findings
        .filter_map(|finding| {
            let place_mm = finding
                .position_mm
                .map(Position::from)
                .or_else(|| place_at(&input.track.points, finding.time_s))?;
            Some((finding.id.as_str(), place_mm))
        })
        .collect()
}

/// The track's place nearest in time, if it is near enough.
fn place_at(points: &[TrackPoint], time_s: f64) -> Option<Position> {
    let after = points.partition_point(|point| point.time_s < time_s);
    let neighbours = [after.checked_sub(1), Some(after)];
    neighbours
        .into_iter()
        .flatten()
        .filter_map(|index| points.get(index))
        .min_by(|a, b| (a.time_s - time_s).abs().total_cmp(&(b.time_s - time_s).abs()))
        .filter(|point| (point.time_s - time_s).abs() <= NEAR_S)
        .map(|point| point.position_mm)
}

fn describe(input: &ReportInput<'_>, plane: &Plane) -> String {
    let mut text = format!(
        "The path of the capsule {}. Millimetres from the umbilicus.",
        plane.view
    );
    for (kind, place_mm) in landmark_places(input) {
        text.push_str(&format!(
            " {} at {}, {} mm.",
            words::titled(kind.as_str()),
            signed(place_mm[plane.across]),
            signed(place_mm[plane.up])
        ));
    }
    if input.track.points.is_empty() {
        text.push_str(" No position could be told from this recording.");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fixture::{Fixture, SCENES, USUAL};

    #[test]
    fn a_thinned_path_keeps_its_ends_and_its_spikes() {
        let mut places: Vec<Place> = (0..1000).map(|k| (f64::from(k) * 0.01, 0.0)).collect();
        places[500].1 = 30.0;
        let kept = thinned(&places, 2.0);
        assert!(kept.len() < 20);
        assert_eq!((kept.first(), kept.last()), (places.first(), places.last()));
        assert!(kept.contains(&places[500]));
    }

    #[test]
    fn the_patients_right_is_on_the_left_and_the_front_is_where_the_letters_say() {
        let fixture = Fixture::of(&USUAL);
        let bounds = Bounds::of(&fixture.input());
        let [coronal, sagittal, axial] = [0, 1, 2].map(|k| View::new(&PLANES[k], &bounds));
        let (right, left) = (Position::new(-100.0, 50.0, 0.0), Position::new(100.0, 50.0, 0.0));
        for view in [&coronal, &axial] {
            assert!(view.place(&right).0 < view.place(&left).0);
            assert_eq!(view.plane.letters[..2], ["R", "L"]);
        }
        let (front, back) = (Position::new(0.0, 10.0, 0.0), Position::new(0.0, 200.0, 0.0));
        assert!(sagittal.place(&front).0 < sagittal.place(&back).0);
        assert!(axial.place(&front).1 < axial.place(&back).1);
        let (head, feet) = (Position::new(0.0, 50.0, 100.0), Position::new(0.0, 50.0, -100.0));
        assert!(coronal.place(&head).1 < coronal.place(&feet).1);
    }

    #[test]
    fn the_three_planes_have_one_scale_and_one_width() {
        for scene in &SCENES[..2] {
            let fixture = Fixture::of(scene);
            let bounds = Bounds::of(&fixture.input()).fitting([366.0, 320.0, 500.0]);
            let widths = [0, 1, 2].map(|k| View::new(&PLANES[k], &bounds).width_px);
            assert_eq!(widths[0], widths[1]);
            assert_eq!(widths[1], widths[2]);
        }
    }

    #[test]
    fn sites_far_from_the_body_still_make_pictures() {
        let mut fixture = Fixture::of(&SCENES[6]);
        let mut sites = fixture.study.setup.layout.sites().to_vec();
        for k in 0..12 {
            let place_mm = Position::new(2.0 * f64::from(k), 8.0 * f64::from(k), 1900.0);
            sites.push(alvine::Site::new(format!("pole-{k}"), place_mm));
        }
        sites.push(alvine::Site::new("wall", Position::new(-2000.0, 0.0, -1990.0)));
        fixture.study.setup.layout = alvine::Layout::new(sites).unwrap();
        for figure in draw(&fixture.input()).unwrap() {
            assert!(figure.svg.len() > 1000, "{}", figure.name);
        }
    }

    #[test]
    fn the_ellipse_holds_nine_tenths_of_a_normal_pair() {
        // P(r² ≤ c²) = 1 − exp(−c²/2) for two independent standard normal variables.
        let held: f64 = 1.0 - (-0.5 * ELLIPSE_90 * ELLIPSE_90).exp();
        assert!((held - 0.9).abs() < 1e-4);
    }
}
