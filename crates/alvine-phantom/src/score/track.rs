//! A track against the truth: error of position in space, by plane and by phase, and whether the covariance is honest.

use alvine::{Phase, Position, Track, TrackPoint, Truth, TruthPoint};

use super::consistency::Consistency;
use super::summary::ErrorSummary;

/// Track points that could not be compared, by reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Uncompared {
    /// Beyond the first or last instant of the truth.
    pub beyond_truth: usize,
    /// The capsule was outside the body, where the truth has no place.
    pub outside_body: usize,
    /// The estimate is not a finite place.
    pub not_finite: usize,
}

/// A track against the truth.
#[derive(Debug, Clone, PartialEq)]
pub struct TrackScore {
    /// Distance in space; `None` where nothing could be compared, as for the planes.
    pub space_mm: Option<ErrorSummary>,
    /// Distance in the coronal plane, x and z.
    pub coronal_mm: Option<ErrorSummary>,
    /// Distance in the sagittal plane, y and z.
    pub sagittal_mm: Option<ErrorSummary>,
    /// Distance in the axial plane, x and y.
    pub axial_mm: Option<ErrorSummary>,
    /// Distance in space by phase, for the phases in which there is any.
    pub by_phase: Vec<(Phase, ErrorSummary)>,
    /// Mean of estimated less true place, mm; `None` where nothing could be compared.
    pub bias_mm: Option<Position>,
    /// Whether the covariance is honest; `None` where no covariance can be inverted.
    pub consistency: Option<Consistency>,
    /// The same by phase.
    pub consistency_by_phase: Vec<(Phase, Consistency)>,
    /// Points with a covariance that cannot be inverted: compared, but without part in the consistency.
    pub singular: usize,
    /// Points compared.
    pub compared: usize,
    /// Points left uncompared.
    pub uncompared: Uncompared,
    /// Instants of the truth at which the capsule was in the body, with a track point or without.
    pub true_inside: usize,
}

/// Scores a track against the truth.
///
/// The truth is interpolated between its instants; its phase is that of the instant before.
#[must_use]
pub fn score_track(track: &Track, truth: &Truth) -> TrackScore {
    let mut tally = Tally::default();
    for point in &track.points {
        tally.take(point, true_at(&truth.points, point.time_s));
    }
    tally.score(truth.points.iter().filter(|point| point.position_mm.is_some()).count())
}

/// What the truth says of a time.
enum TrueAt {
    Beyond,
    Outside,
    Inside(Position, Phase),
}

fn true_at(points: &[TruthPoint], time_s: f64) -> TrueAt {
    let after = points.partition_point(|point| point.time_s <= time_s);
    let Some(before) = after.checked_sub(1).map(|index| &points[index]) else {
        return TrueAt::Beyond;
    };
    let next = points.get(after);
    if next.is_none() && before.time_s < time_s {
        return TrueAt::Beyond;
    }
    let Some(from_mm) = before.position_mm else {
        return TrueAt::Outside;
    };
    let place_mm = match next.and_then(|next| Some((next.time_s, next.position_mm?))) {
        Some((next_s, to_mm)) => from_mm.lerp(&to_mm, (time_s - before.time_s) / (next_s - before.time_s)),
        None => from_mm,
    };
    TrueAt::Inside(place_mm, before.phase)
}

/// Errors as they are met.
#[derive(Default)]
struct Tally {
    errors_mm: Vec<(Position, Phase)>,
    nees: Vec<(f64, Phase)>,
    singular: usize,
    uncompared: Uncompared,
}

impl Tally {
    fn take(&mut self, point: &TrackPoint, truth: TrueAt) {
        if !point.position_mm.iter().all(|coordinate| coordinate.is_finite()) {
            self.uncompared.not_finite += 1;
            return;
        }
        match truth {
            TrueAt::Beyond => self.uncompared.beyond_truth += 1,
            TrueAt::Outside => self.uncompared.outside_body += 1,
            TrueAt::Inside(place_mm, phase) => {
                let error_mm = point.position_mm - place_mm;
                self.errors_mm.push((error_mm, phase));
                match point.covariance_mm2.cholesky() {
                    Some(root) => self.nees.push((error_mm.dot(&root.solve(&error_mm)), phase)),
                    None => self.singular += 1,
                }
            }
        }
    }

    fn score(self, true_inside: usize) -> TrackScore {
        let summary = |kept: [f64; 3]| {
            let kept = Position::from(kept);
            let distances = self
                .errors_mm
                .iter()
                .map(|(error, _)| error.component_mul(&kept).norm());
            ErrorSummary::of(distances.collect())
        };
        TrackScore {
            space_mm: summary([1.0, 1.0, 1.0]),
            coronal_mm: summary([1.0, 0.0, 1.0]),
            sagittal_mm: summary([0.0, 1.0, 1.0]),
            axial_mm: summary([1.0, 1.0, 0.0]),
            by_phase: Phase::ALL
                .into_iter()
                .filter_map(|phase| Some((phase, self.summary_of(phase)?)))
                .collect(),
            bias_mm: self.bias_mm(),
            consistency: Consistency::of(&self.nees.iter().map(|&(nees, _)| nees).collect::<Vec<_>>()),
            consistency_by_phase: Phase::ALL
                .into_iter()
                .filter_map(|phase| Some((phase, self.consistency_of(phase)?)))
                .collect(),
            singular: self.singular,
            compared: self.errors_mm.len(),
            uncompared: self.uncompared,
            true_inside,
        }
    }

    fn bias_mm(&self) -> Option<Position> {
        let sum: Position = self.errors_mm.iter().map(|(error, _)| error).sum();
        (!self.errors_mm.is_empty()).then(|| sum / self.errors_mm.len() as f64)
    }

    fn consistency_of(&self, phase: Phase) -> Option<Consistency> {
        let of_phase = self.nees.iter().filter(|&&(_, other)| other == phase);
        Consistency::of(&of_phase.map(|&(nees, _)| nees).collect::<Vec<_>>())
    }

    fn summary_of(&self, phase: Phase) -> Option<ErrorSummary> {
        let of_phase = self.errors_mm.iter().filter(|&&(_, other)| other == phase);
        ErrorSummary::of(of_phase.map(|(error, _)| error.norm()).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::streams::{Purpose, stream};
    use alvine::Flags;
    use approx::assert_relative_eq;
    use nalgebra::Matrix3;
    use rand::Rng;
    use rand_distr::StandardNormal;

    fn truth(count: usize) -> Truth {
        let point = |index: usize| TruthPoint {
            time_s: index as f64,
            position_mm: Some(Position::new(10.0 * index as f64, 80.0, 0.0)),
            phase: if index < 2 { Phase::Stomach } else { Phase::SmallBowel },
            part: None,
            arc_mm: None,
        };
        Truth {
            points: (0..count).map(point).collect(),
            ..Truth::default()
        }
    }

    fn estimate(time_s: f64, position_mm: [f64; 3], covariance_mm2: Matrix3<f64>) -> TrackPoint {
        TrackPoint {
            instant: 0,
            time_s,
            position_mm: Position::from(position_mm),
            covariance_mm2,
            sites_used: 8,
            flags: Flags::NONE,
        }
    }

    #[test]
    fn a_known_error_is_split_by_plane_and_phase() {
        let hundred = Matrix3::identity() * 100.0;
        let points = vec![
            estimate(0.0, [3.0, 84.0, 12.0], hundred),
            estimate(2.5, [25.0, 80.0, 10.0], hundred),
        ];
        let score = score_track(&Track { points }, &truth(4));
        assert_eq!(score.compared, 2);
        assert_relative_eq!(score.by_phase[0].1.median_mm, 13.0);
        assert_eq!(score.by_phase[0].0, Phase::Stomach);
        // Half way between the third and fourth instant the truth is at x = 25.
        assert_relative_eq!(score.by_phase[1].1.median_mm, 10.0);
        assert_relative_eq!(
            score.coronal_mm.unwrap().percentile95_mm,
            0.05 * 10.0 + 0.95 * 153.0_f64.sqrt()
        );
        assert_relative_eq!(score.sagittal_mm.unwrap().rmse_mm, 130.0_f64.sqrt());
        assert_relative_eq!(score.axial_mm.unwrap().median_mm, 2.5);
        assert_relative_eq!(
            score.consistency.unwrap().nees_mean,
            (1.69 + 1.0) / 2.0,
            epsilon = 1e-12
        );
        assert_eq!(score.consistency.unwrap().inside_50, 1.0);
        assert_relative_eq!(score.bias_mm.unwrap(), Position::new(1.5, 2.0, 11.0));
        let by_phase: Vec<f64> = score
            .consistency_by_phase
            .iter()
            .map(|(_, fit)| fit.nees_mean)
            .collect();
        assert_relative_eq!(by_phase[0], 1.69, epsilon = 1e-12);
        assert_relative_eq!(by_phase[1], 1.0, epsilon = 1e-12);
    }

    #[test]
    fn what_cannot_be_compared_is_counted_by_reason() {
        let mut truth = truth(4);
        truth.points[1].position_mm = None;
        let one = Matrix3::identity();
        let points = vec![
            estimate(-1.0, [0.0; 3], one),
            estimate(1.2, [0.0; 3], one),
            estimate(2.0, [f64::NAN, 0.0, 0.0], one),
            estimate(3.0, [30.0, 80.0, 0.0], Matrix3::zeros()),
            estimate(3.5, [0.0; 3], one),
        ];
        let score = score_track(&Track { points }, &truth);
        let expected = Uncompared {
            beyond_truth: 2,
            outside_body: 1,
            not_finite: 1,
        };
        assert_eq!(score.uncompared, expected);
        assert_eq!((score.compared, score.singular, score.true_inside), (1, 1, 3));
        assert_eq!(score.consistency, None);
    }

    #[test]
    fn gaussian_errors_of_the_stated_covariance_are_found_consistent() {
        let truth = truth(4000);
        let mut rng = stream(3, Purpose::Noise);
        let root = Matrix3::new(9.0, 0.0, 0.0, 4.0, 12.0, 0.0, -3.0, 5.0, 7.0);
        let points = truth
            .points
            .iter()
            .map(|point| {
                let normal = Position::from_fn(|_, _| rng.sample::<f64, _>(StandardNormal));
                let place = point.position_mm.unwrap() + root * normal;
                estimate(point.time_s, place.into(), root * root.transpose())
            })
            .collect();
        let found = score_track(&Track { points }, &truth).consistency.unwrap();
        // 4000 draws: the mean of χ²₃ has sd √(6 / 4000) = 0.039, shares √(p q / 4000) = 0.0079, 0.0047, 0.0034.
        assert!((found.nees_mean - 3.0).abs() < 4.0 * 0.039);
        assert!((found.inside_50 - 0.5).abs() < 4.0 * 0.0079);
        assert!((found.inside_90 - 0.9).abs() < 4.0 * 0.0047);
        assert!((found.inside_95 - 0.95).abs() < 4.0 * 0.0034);
    }

    #[test]
    fn an_empty_track_scores_nothing_rather_than_zero() {
        let score = score_track(&Track::default(), &truth(3));
        assert_eq!((score.space_mm, score.compared, score.true_inside), (None, 0, 3));
    }
}
