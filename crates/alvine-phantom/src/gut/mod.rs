//! The gut: one curve from mouth to anus, with the arc at which each part begins.

mod cavity;
mod coils;
mod colon;
mod ct;
mod curve;
mod upper;

use alvine::{LandmarkKind, Part, Phase, Position, Torso};
use rand::Rng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::chance::normal;
use crate::error::PhantomError;
use crate::streams::{Purpose, stream};
use cavity::Cavity;
pub(crate) use cavity::within_skin;
pub use ct::Anatomy;
use curve::Curve;

/// Length of jejunum and ileum along the midline in a living person, mm: mean.
///
/// # Source
///
/// Methods differ threefold. 3560 mm is that of Gondolesi et al. (Am. J. Transplant. 2012, organ donors taller than
/// 151 cm); it lies between the 2233 mm of the midline of one person's CT (dataset `gut-centrelines`) and the 5060 mm
/// measured at laparotomy by Teitelbaum et al. (Clin. Anat. 2013), which are taken as the least and the most.
const COILS_MEAN_MM: f64 = 3560.0;
/// Spread of that, mm: the coefficient of variation of Teitelbaum et al. (Clin. Anat. 2013), 105 / 506.
const COILS_SPREAD_MM: f64 = 739.0;
const COILS_RANGE_MM: (f64, f64) = (2233.0, 5060.0);

/// Length of the colon along the midline, mm: mean and spread, and the least and the most seen.
///
/// # Source
///
/// CT centre lines of 295 people, 150.3 ± 18.5 cm (109.7–195.9): Utano et al. 2022, PMC8891197. Where the frame with
/// its widest undulation is shorter than the length drawn, it stays so.
const COLON_MEAN_MM: f64 = 1503.0;
/// Spread of that, mm (same source).
const COLON_SPREAD_MM: f64 = 185.0;
const COLON_RANGE_MM: (f64, f64) = (1097.0, 1959.0);

/// Planes of the abdomen vary by about ± 20 mm between people: each gut is shifted by up to this, mm.
const SHIFT_MM: f64 = 15.0;

/// A gut in a torso.
#[derive(Debug, Clone)]
pub struct Gut {
    torso: Torso,
    curve: Curve,
    landmarks_mm: [f64; 6],
    part_ends_mm: [f64; 8],
    measured_mm: Option<(f64, f64)>,
}

/// Which control points end the parts that no landmark ends.
#[derive(Debug, Default)]
struct PartEnds {
    /// End of the jejunum; `None` for two fifths of the way from flexure to valve.
    junction: Option<usize>,
    /// Ends of caecum, ascending, transverse and descending colon.
    colon: [usize; 4],
}

impl Gut {
    /// The gut of an anatomy: the one that a seed gives in a torso, or a scan's own in its own torso.
    ///
    /// In a drawn one heights over the navel are stretched by a factor.
    pub(crate) fn of(anatomy: Anatomy, torso: Torso, upwards: f64, seed: u64) -> Result<Self, PhantomError> {
        Ok(ct::gut(anatomy, seed)?.unwrap_or_else(|| Self::stretched(torso, upwards, seed)))
    }

    /// The gut that a seed gives in a torso.
    ///
    /// Places scale with the torso's breadth and depth; heights do not.
    #[must_use]
    pub fn new(torso: Torso, seed: u64) -> Self {
        Self::stretched(torso, 1.0, seed)
    }

    fn stretched(torso: Torso, upwards: f64, seed: u64) -> Self {
        let mut rng = stream(seed, Purpose::Anatomy);
        let cavity = Cavity::new(torso, upwards);
        let shift_mm = rng.random_range(-SHIFT_MM..SHIFT_MM);
        let mut controls = Controls::default();
        let place = |[x, y, z]: [f64; 3], rng: &mut _| {
            let jitter_mm = Position::from_fn(|_, _| Rng::random_range(rng, -5.0..5.0));
            cavity.in_body(cavity.scaled(Position::new(x, y, z + shift_mm) + jitter_mm))
        };

        for point in upper::OESOPHAGUS {
            controls.push(place(point, &mut rng));
        }
        controls.mark(place(upper::CARDIA, &mut rng));
        for point in upper::STOMACH {
            controls.push(place(point, &mut rng));
        }
        controls.mark(place(upper::PYLORUS, &mut rng));
        for point in upper::DUODENUM {
            controls.push(place(point, &mut rng));
        }
        let flexure_mm = place(upper::FLEXURE, &mut rng);
        controls.mark(flexure_mm);

        let valve_mm = cavity.among_coils(place([-80.0, 84.0, -45.0], &mut rng));
        let coils_mm = truncated_normal(COILS_MEAN_MM, COILS_SPREAD_MM, COILS_RANGE_MM, &mut rng);
        for point in coils::coils(&cavity, flexure_mm, valve_mm, coils_mm, &mut rng) {
            controls.push(point);
        }
        controls.mark(valve_mm);
        let valve = controls.points.len() - 1;

        let colon_mm = truncated_normal(COLON_MEAN_MM, COLON_SPREAD_MM, COLON_RANGE_MM, &mut rng);
        let (colon, points_a_span) = colon::colon(&cavity, valve_mm, colon_mm, &mut rng);
        for point in colon {
            controls.push(point);
        }
        let ends = PartEnds {
            junction: None,
            colon: [
                colon::CAECUM_END,
                colon::ASCENDING_END,
                colon::TRANSVERSE_END,
                colon::DESCENDING_END,
            ]
            .map(|spans| valve + spans * points_a_span),
        };
        Self::through(torso, &controls, &ends)
    }

    fn through(torso: Torso, controls: &Controls, ends: &PartEnds) -> Self {
        let (curve, arcs) = Curve::through(&controls.points);
        let length_mm = curve.length_mm();
        let mark = |index: usize| arcs[controls.marks[index]];
        let (cardia, pylorus, flexure, valve) = (mark(0), mark(1), mark(2), mark(3));
        // Jejunum two fifths, ileum three fifths of the mesenteric small bowel: convention, no border in the tissue.
        let junction = ends
            .junction
            .map_or(flexure + 0.4 * (valve - flexure), |index| arcs[index]);
        Self {
            torso,
            landmarks_mm: [0.0, cardia, pylorus, flexure, valve, length_mm],
            part_ends_mm: [
                flexure,
                junction,
                valve,
                arcs[ends.colon[0]],
                arcs[ends.colon[1]],
                arcs[ends.colon[2]],
                arcs[ends.colon[3]],
                length_mm,
            ],
            measured_mm: controls.measured_from.map(|index| (arcs[index], length_mm)),
            curve,
        }
    }

    /// The torso it lies in.
    #[must_use]
    pub const fn torso(&self) -> &Torso {
        &self.torso
    }

    /// Arc from mouth to anus, mm.
    #[must_use]
    pub fn length_mm(&self) -> f64 {
        self.curve.length_mm()
    }

    /// The place at an arc from the mouth, mm; the ends beyond the ends.
    #[must_use]
    pub fn at(&self, arc_mm: f64) -> Position {
        self.curve.at(arc_mm)
    }

    /// Places about 1 mm of arc apart, from mouth to anus.
    #[must_use]
    pub fn places(&self) -> &[Position] {
        self.curve.places()
    }

    /// The arcs between which the midline is a living person's, from CT; `None` for a gut that is drawn.
    #[must_use]
    pub const fn measured_mm(&self) -> Option<(f64, f64)> {
        self.measured_mm
    }

    /// The arc at which a landmark lies, mm from the mouth.
    #[must_use]
    pub const fn landmark_mm(&self, kind: LandmarkKind) -> f64 {
        self.landmarks_mm[kind as usize]
    }

    /// The arcs between which a part lies, mm from the mouth.
    #[must_use]
    pub fn part_mm(&self, part: Part) -> (f64, f64) {
        let index = part as usize;
        let start_mm = if index == 0 {
            self.landmark_mm(LandmarkKind::Pylorus)
        } else {
            self.part_ends_mm[index - 1]
        };
        (start_mm, self.part_ends_mm[index])
    }

    /// The part of an arc within a phase; `None` where the phase has no parts.
    #[must_use]
    pub fn part_at(&self, phase: Phase, arc_mm: f64) -> Option<Part> {
        let parts = match phase {
            Phase::SmallBowel => &Part::ALL[..3],
            Phase::Colon => &Part::ALL[3..],
            Phase::Outside | Phase::Oesophagus | Phase::Stomach => return None,
        };
        let within = parts.iter().find(|&&part| arc_mm < self.part_mm(part).1);
        within.or(parts.last()).copied()
    }
}

/// Control points, and which of them are landmarks.
#[derive(Default)]
struct Controls {
    points: Vec<Position>,
    marks: Vec<usize>,
    /// The first that comes from CT, as do all after it.
    measured_from: Option<usize>,
}

impl Controls {
    fn push(&mut self, place: Position) {
        self.points.push(place);
    }

    fn mark(&mut self, place: Position) {
        self.marks.push(self.points.len());
        self.points.push(place);
    }
}

/// A normal draw, taken again until it lies in the range.
fn truncated_normal(mean: f64, spread: f64, (least, most): (f64, f64), rng: &mut Xoshiro256PlusPlus) -> f64 {
    loop {
        let drawn = mean + spread * normal(rng);
        if (least..=most).contains(&drawn) {
            return drawn;
        }
    }
}

#[cfg(test)]
mod tests;
