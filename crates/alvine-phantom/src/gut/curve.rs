//! A smooth curve through control points, with its arc length.
//!
//! Between control points the curve is a centripetal Catmull–Rom spline (Barry and Goldman 1988), which neither loops
//! nor overshoots between uneven points. It is then cut into equal steps of arc, so that a place is found in constant
//! time.

use alvine::Position;

/// The curve is cut into steps of about this arc, mm.
const STEP_MM: f64 = 1.0;
/// Each span between control points is measured in this many chords; their sum is short of the true arc by less than
/// 0.1 % where a span turns by less than a right angle.
const CHORDS: usize = 24;

/// A curve cut into equal steps of arc.
#[derive(Debug, Clone)]
pub(crate) struct Curve {
    step_mm: f64,
    places: Vec<Position>,
}

impl Curve {
    /// The curve through `controls`, and the arc at each of them, mm. Neighbours that coincide count as one place.
    pub(crate) fn through(controls: &[Position]) -> (Self, Vec<f64>) {
        let (dense, at_control) = dense_polyline(controls);
        let arcs = cumulative_mm(&dense);
        let length_mm = arcs.last().copied().unwrap_or(0.0);
        let steps = (length_mm / STEP_MM).ceil().max(1.0);
        let step_mm = length_mm / steps;
        let mut places = Vec::with_capacity(steps as usize + 1);
        let mut span = 0;
        for step in 0..=steps as usize {
            let arc_mm = step as f64 * step_mm;
            while span + 2 < arcs.len() && arcs[span + 1] < arc_mm {
                span += 1;
            }
            let width_mm = arcs[span + 1] - arcs[span];
            let share = if width_mm > 0.0 {
                (arc_mm - arcs[span]) / width_mm
            } else {
                0.0
            };
            places.push(dense[span].lerp(&dense[span + 1], share.clamp(0.0, 1.0)));
        }
        let control_arcs = at_control.into_iter().map(|index| arcs[index]).collect();
        (Self { step_mm, places }, control_arcs)
    }

    /// Total arc, mm.
    pub(crate) fn length_mm(&self) -> f64 {
        self.step_mm * (self.places.len() - 1) as f64
    }

    /// The place at an arc, mm; the ends beyond the ends.
    pub(crate) fn at(&self, arc_mm: f64) -> Position {
        let last = self.places.len() - 1;
        let steps = (arc_mm / self.step_mm).clamp(0.0, last as f64);
        let index = (steps as usize).min(last.saturating_sub(1));
        self.places[index].lerp(&self.places[(index + 1).min(last)], steps - index as f64)
    }

    /// The places one step apart, from the first to the last.
    pub(crate) fn places(&self) -> &[Position] {
        &self.places
    }
}

/// Length of a polyline's chords up to each of its points, mm.
fn cumulative_mm(points: &[Position]) -> Vec<f64> {
    let mut sum_mm = 0.0;
    let mut arcs = vec![0.0];
    for pair in points.windows(2) {
        sum_mm += (pair[1] - pair[0]).norm();
        arcs.push(sum_mm);
    }
    arcs
}

/// The spline as many short chords, and the index of each control point among their ends.
fn dense_polyline(controls: &[Position]) -> (Vec<Position>, Vec<usize>) {
    let Some((&first, rest)) = controls.split_first() else {
        return (vec![Position::zeros(); 2], Vec::new());
    };
    let last = controls[controls.len() - 1];
    let mut dense = vec![first];
    let mut at_control = vec![0];
    for (index, &to) in rest.iter().enumerate() {
        let from = controls[index];
        // The ends are mirrored, so that the curve leaves them straight.
        let before = if index > 0 {
            controls[index - 1]
        } else {
            from * 2.0 - to
        };
        let after = controls.get(index + 2).copied().unwrap_or(last * 2.0 - from);
        let span = Span::new([before, from, to, after]);
        dense.extend((1..=CHORDS).map(|chord| span.at(chord as f64 / CHORDS as f64)));
        at_control.push(dense.len() - 1);
    }
    if dense.len() < 2 {
        dense.push(first);
    }
    (dense, at_control)
}

/// The centripetal spline between the second and third of four points; knots are a square root of distance apart.
struct Span {
    points: [Position; 4],
    knots: [f64; 4],
}

impl Span {
    fn new(points: [Position; 4]) -> Self {
        let mut knots = [0.0; 4];
        for index in 1..4 {
            knots[index] = knots[index - 1] + (points[index] - points[index - 1]).norm().sqrt().max(1e-6);
        }
        Self { points, knots }
    }

    /// The place at a share of the way from the second point to the third.
    fn at(&self, share: f64) -> Position {
        let knots = &self.knots;
        let t = knots[1] + share * (knots[2] - knots[1]);
        let mix = |a: Position, b: Position, ta: f64, tb: f64| (a * (tb - t) + b * (t - ta)) / (tb - ta);
        let a = [0, 1, 2].map(|i| mix(self.points[i], self.points[i + 1], knots[i], knots[i + 1]));
        let b = [0, 1].map(|i| mix(a[i], a[i + 1], knots[i], knots[i + 2]));
        mix(b[0], b[1], knots[1], knots[2])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn a_straight_line_keeps_its_length_and_its_places() {
        let controls = [0.0, 30.0, 100.0].map(|x| Position::new(x, 0.0, 0.0));
        let (curve, arcs) = Curve::through(&controls);
        assert_relative_eq!(curve.length_mm(), 100.0, epsilon = 1e-9);
        assert_relative_eq!(arcs[1], 30.0, epsilon = 1e-9);
        assert_relative_eq!(curve.at(72.5).x, 72.5, epsilon = 1e-9);
        assert_eq!(curve.at(-5.0), controls[0]);
        assert_relative_eq!(curve.at(500.0).x, 100.0, epsilon = 1e-9);
    }

    #[test]
    fn a_circle_through_twelve_points_has_nearly_its_circumference() {
        let controls: Vec<Position> = (0..=12)
            .map(|k| (f64::from(k) * std::f64::consts::TAU / 12.0).sin_cos())
            .map(|(s, c)| Position::new(100.0 * c, 100.0 * s, 0.0))
            .collect();
        let (curve, _) = Curve::through(&controls);
        // The inscribed polygon is 1.1 % short; the spline must do better, its mirrored ends being the worst of it.
        assert_relative_eq!(curve.length_mm(), 628.3185, max_relative = 0.004);
    }

    #[test]
    fn steps_are_of_equal_arc() {
        let controls = [
            Position::new(0.0, 0.0, 0.0),
            Position::new(40.0, 10.0, 0.0),
            Position::new(50.0, 60.0, 30.0),
        ];
        let (curve, _) = Curve::through(&controls);
        for pair in curve.places().windows(2) {
            assert_relative_eq!((pair[1] - pair[0]).norm(), curve.step_mm, max_relative = 0.01);
        }
    }
}
