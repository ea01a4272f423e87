//! The midlines of two living people's guts, from CT, as anatomies: as they are, shifted but not stretched.
//!
//! What the CT lacks is filled in and told apart ([`Gut::measured_mm`](super::Gut::measured_mm)):
//!
//! - `ct-whole` lacks mouth and oesophagus but for its lowest 57 mm: those of the drawn guts lead to it.
//! - `ct-inflated` lacks all down to the ileum: mouth to flexure are those of a drawn gut in this torso, and a jejunum of
//!   two thirds of the ileum's length (the convention of two fifths to three fifths) is drawn by the seed between flexure
//!   and ileum, as coils that do not know of the real ones beneath. Its colon is stretched by gas.
//! - In both the caecum begins at the appendix's mouth, some 40 mm below the valve: a straight span leads there.
//! - The navel's height is not in the source. In `ct-whole` it is set so that pylorus and valve lie as far from the planes
//!   on which the drawn guts have them (109 mm above it and 45 mm below), each 25 mm off; in `ct-inflated` so that the
//!   valve lies on its plane. ± 30 mm.
//! - Skin: the ellipse has the breadth and depth of the skin at the navel's height. Above and below it the real skin lies
//!   up to 20 mm before or behind.
//!
//! # Source
//!
//! Edinburgh Gut Cell Atlas; see the dataset `gut-centrelines`.

use std::sync::LazyLock;

use alvine::{Part, Position, Torso};

use super::cavity::Cavity;
use super::{Controls, Gut, PartEnds, coils, upper};
use crate::error::PhantomError;
use crate::streams::{Purpose, stream};

const CENTRELINES: &str = include_str!("../../../../datasets/gut-centrelines/centrelines.csv");

/// Whose gut it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Anatomy {
    /// Drawn by the seed, in the torso that the scenario names.
    #[default]
    Drawn,
    /// One person's whole small bowel and colon, in that person's torso.
    CtWhole,
    /// Another person's ileum and colon, inflated with gas, in that person's torso.
    CtInflated,
}

impl Anatomy {
    /// Every anatomy.
    pub const ALL: [Self; 3] = [Self::Drawn, Self::CtWhole, Self::CtInflated];

    /// Its name.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Drawn => "drawn",
            Self::CtWhole => "ct-whole",
            Self::CtInflated => "ct-inflated",
        }
    }

    /// The torso that belongs to it; `None` for a drawn one.
    pub(crate) fn torso(self) -> Result<Option<Torso>, PhantomError> {
        let Some(scan) = Scan::of(self) else { return Ok(None) };
        Ok(Some(Torso::new(scan.breadth_mm, scan.depth_mm)?))
    }
}

/// Where the scan's own frame lies, and how wide the skin is at the navel.
struct Scan {
    /// The navel, in the scan's frame, mm.
    navel_mm: [f64; 3],
    breadth_mm: f64,
    depth_mm: f64,
}

impl Scan {
    fn of(anatomy: Anatomy) -> Option<Self> {
        match anatomy {
            Anatomy::Drawn => None,
            Anatomy::CtWhole => Some(Self {
                navel_mm: [213.4, 113.8, 224.0],
                breadth_mm: 349.2,
                depth_mm: 224.2,
            }),
            Anatomy::CtInflated => Some(Self {
                navel_mm: [207.35, 38.7, 292.0],
                breadth_mm: 390.7,
                depth_mm: 318.9,
            }),
        }
    }
}

/// A point of a midline, in the scan's frame.
struct Point {
    body: &'static str,
    part: &'static str,
    place_mm: Position,
}

static POINTS: LazyLock<Vec<Point>> = LazyLock::new(|| {
    let point = |line: &'static str| {
        let mut cells = line.split(',');
        let (body, _path, part, _arc) = (cells.next()?, cells.next()?, cells.next()?, cells.next()?);
        let mut number = || cells.next()?.parse().ok();
        let place_mm = Position::new(number()?, number()?, number()?);
        Some(Point { body, part, place_mm })
    };
    CENTRELINES.lines().skip(1).filter_map(point).collect()
});

/// The gut of a scan; `None` for an anatomy that is drawn.
pub(super) fn gut(anatomy: Anatomy, seed: u64) -> Result<Option<Gut>, PhantomError> {
    let (Some(scan), Some(torso)) = (Scan::of(anatomy), anatomy.torso()?) else {
        return Ok(None);
    };
    let navel_mm = Position::from(scan.navel_mm);
    let points = || POINTS.iter().filter(|point| point.body == anatomy.as_str());
    let mut controls = Controls::default();
    let cavity = Cavity::new(torso, 1.0);
    let has = |part: &str| points().any(|point| point.part == part);
    let drawn = |table: &[[f64; 3]]| {
        upper::places(table)
            .map(|place| cavity.scaled(place))
            .collect::<Vec<_>>()
    };
    if has("oesophagus") {
        // Mouth and throat, to just above where the CT begins.
        drawn(&upper::OESOPHAGUS[..5])
            .into_iter()
            .for_each(|place| controls.push(place));
    } else {
        before_the_ileum(&cavity, points(), navel_mm, seed, &mut controls);
    }
    controls.measured_from = Some(controls.points.len());
    let mut ends = PartEnds::default();
    let mut before = "";
    for point in points() {
        let place_mm = point.place_mm - navel_mm;
        if point.part != before {
            begin(point.part, &mut controls, &mut ends);
            before = point.part;
        }
        controls.push(place_mm);
    }
    Ok(Some(Gut::through(torso, &controls, &ends)))
}

/// Notes that a part begins with the next control point; the one before it ends the part before.
fn begin(part: &str, controls: &mut Controls, ends: &mut PartEnds) {
    let next = controls.points.len();
    match part {
        // Cardia, pylorus and flexure are the first points of what they open.
        "stomach" | "duodenum" | "jejunum" => controls.marks.push(next),
        "ileum" => ends.junction = Some(next),
        // The valve is the last point of the ileum.
        "caecum" => controls.marks.push(next - 1),
        "ascending" => ends.colon[0] = next,
        "transverse" => ends.colon[1] = next,
        "descending" => ends.colon[2] = next,
        "rectosigmoid" => ends.colon[3] = next,
        _ => {}
    }
}

/// Mouth to the end of the jejunum, for a scan that begins with the ileum.
fn before_the_ileum<'a>(
    cavity: &Cavity,
    points: impl Iterator<Item = &'a Point>,
    navel_mm: Position,
    seed: u64,
    controls: &mut Controls,
) {
    let place = |place: [f64; 3]| cavity.in_body(cavity.scaled(Position::from(place)));
    upper::OESOPHAGUS
        .into_iter()
        .for_each(|point| controls.push(place(point)));
    controls.mark(place(upper::CARDIA));
    upper::STOMACH.into_iter().for_each(|point| controls.push(place(point)));
    controls.mark(place(upper::PYLORUS));
    upper::DUODENUM
        .into_iter()
        .for_each(|point| controls.push(place(point)));
    let flexure_mm = place(upper::FLEXURE);
    controls.mark(flexure_mm);
    let ileum: Vec<Position> = points
        .filter(|point| point.part == Part::Ileum.as_str())
        .map(|point| point.place_mm - navel_mm)
        .collect();
    let Some(&begins_mm) = ileum.first() else { return };
    let ileum_mm: f64 = ileum.windows(2).map(|pair| (pair[1] - pair[0]).norm()).sum();
    let mut rng = stream(seed, Purpose::Anatomy);
    for point in coils::coils(cavity, flexure_mm, begins_mm, ileum_mm * 2.0 / 3.0, &mut rng) {
        controls.push(point);
    }
}
