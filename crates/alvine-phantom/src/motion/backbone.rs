//! The slow part of the capsule's movement through one stretch of gut: rests and moves between knots of time and arc.

/// A point through which the slow movement passes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Knot {
    /// Seconds since the stretch was entered.
    pub(crate) time_s: f64,
    /// Arc since the start of the stretch, mm.
    pub(crate) arc_mm: f64,
}

/// One episode of movement: so long, and so far; negative is backwards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Step {
    pub(crate) lasting_s: f64,
    pub(crate) moving_mm: f64,
}

/// Knots in the order of time, at least two.
#[derive(Debug, Clone)]
pub(crate) struct Backbone {
    knots: Vec<Knot>,
}

impl Backbone {
    /// A backbone through knots that are in order; two zeros where there are none.
    pub(crate) fn new(mut knots: Vec<Knot>) -> Self {
        while knots.len() < 2 {
            knots.push(knots.last().copied().unwrap_or(Knot {
                time_s: 0.0,
                arc_mm: 0.0,
            }));
        }
        Self { knots }
    }

    /// The steps one after the other, stretched so that together they last `lasting_s` and lead `moving_mm` on.
    ///
    /// Times and distances keep their proportions; on the way the arc stays within the stretch.
    pub(crate) fn of_steps(steps: &[Step], lasting_s: f64, moving_mm: f64) -> Self {
        let longer = ratio(lasting_s, steps.iter().map(|step| step.lasting_s).sum());
        let further = ratio(moving_mm, steps.iter().map(|step| step.moving_mm).sum());
        let mut knots = vec![Knot {
            time_s: 0.0,
            arc_mm: 0.0,
        }];
        let (mut time_s, mut arc_mm) = (0.0, 0.0);
        for step in steps {
            time_s += longer * step.lasting_s;
            arc_mm += further * step.moving_mm;
            knots.push(Knot {
                time_s,
                arc_mm: arc_mm.clamp(0.0, moving_mm),
            });
        }
        // Rounding must not keep the capsule from the end.
        if let Some(last) = knots.last_mut() {
            *last = Knot {
                time_s: lasting_s,
                arc_mm: moving_mm,
            };
        }
        Self::new(knots)
    }

    /// The knots, to be added to.
    pub(crate) fn into_knots(self) -> Vec<Knot> {
        self.knots
    }

    /// The knots.
    #[cfg(test)]
    pub(crate) fn knots(&self) -> &[Knot] {
        &self.knots
    }

    /// The arc at a time, mm; `cursor` remembers the knot before it, so that a sweep forwards costs nothing.
    pub(crate) fn arc_mm(&self, time_s: f64, cursor: &mut usize) -> f64 {
        while *cursor + 2 < self.knots.len() && self.knots[*cursor + 1].time_s <= time_s {
            *cursor += 1;
        }
        let (from, to) = (self.knots[*cursor], self.knots[*cursor + 1]);
        let share = ratio(time_s - from.time_s, to.time_s - from.time_s).clamp(0.0, 1.0);
        // Speed is zero at both ends of a move.
        let eased = share * share * (3.0 - 2.0 * share);
        from.arc_mm + eased * (to.arc_mm - from.arc_mm)
    }
}

/// `of / by`, and 0 where there is nothing to divide by.
fn ratio(of: f64, by: f64) -> f64 {
    if by > 0.0 { of / by } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn steps_keep_their_proportions_and_end_exactly() {
        let steps = [(1.0, 2.0), (2.0, 0.0), (1.0, -1.0), (1.0, 4.0)]
            .map(|(lasting_s, moving_mm)| Step { lasting_s, moving_mm });
        let backbone = Backbone::of_steps(&steps, 10.0, 50.0);
        let mut cursor = 0;
        let arcs = [0.0, 2.0, 6.0, 8.0, 10.0].map(|time_s| backbone.arc_mm(time_s, &mut cursor));
        for (arc_mm, expected_mm) in arcs.into_iter().zip([0.0, 20.0, 20.0, 10.0, 50.0]) {
            assert_relative_eq!(arc_mm, expected_mm, epsilon = 1e-9);
        }
        assert_eq!(backbone.knots().last().unwrap().arc_mm, 50.0);
    }

    #[test]
    fn a_move_starts_and_ends_at_rest() {
        let backbone = Backbone::of_steps(
            &[Step {
                lasting_s: 1.0,
                moving_mm: 1.0,
            }],
            1.0,
            100.0,
        );
        let at = |time_s| backbone.arc_mm(time_s, &mut 0);
        assert!(at(0.01) < 0.1 && at(0.99) > 99.9);
        assert_relative_eq!(at(0.5), 50.0, epsilon = 1e-9);
    }
}
