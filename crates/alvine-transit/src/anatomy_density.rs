//! Where each part of the gut lies: soft densities in the torso.
//!
//! A part is a Gaussian about its usual place on a reference torso of 330 mm × 230 mm, scaled sideways by breadth and in
//! depth by depth; heights are left as they are.
//!
//! # Source
//!
//! Jejunum and ileum, whose coils no plane tells of, lie where the midlines of two living people's guts from CT do
//! (`datasets/gut-centrelines`, CC BY 4.0; the navel's level is estimated there): means over n people of each one's mean, and
//!
//! ```text
//! spread² = variance along a midline + (1 + 1 / n) b²,   b 15 mm sideways and in depth, 21 mm in height
//! ```
//!
//! with b how places differ between people: sideways and in depth those of the parts that both people have, in height that of the iliac
//! crest over the navel (ANSUR II, 5th to 95th percentile −27 to 42 mm). A test computes them anew. n is one for the jejunum. The last 15 %
//! of the ileum are left to the terminal ileum.
//!
//! Means of all others are rounded between those midlines, the transpyloric and transtubercular planes, and textbook order; their spreads
//! are the midlines' own, widened for differences between people: common practice, no source.

use alvine::{Position, PositionPrior, Torso};
use nalgebra::{Matrix3, Vector3};

/// Breadth and depth of the torso on which the densities are given, mm.
const REFERENCE_MM: (f64, f64) = (330.0, 230.0);

/// Where a part usually lies on the reference torso: mean and standard deviation along x, y and z, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct UsualPlace {
    pub mean_mm: [f64; 3],
    pub spread_mm: [f64; 3],
}

impl UsualPlace {
    pub const OESOPHAGUS: Self = Self::new([10.0, 140.0, 300.0], [30.0, 40.0, 60.0]);
    pub const STOMACH: Self = Self::new([35.0, 80.0, 135.0], [45.0, 35.0, 45.0]);
    pub const DUODENUM: Self = Self::new([-20.0, 95.0, 85.0], [30.0, 30.0, 40.0]);
    pub const JEJUNUM: Self = Self::new([55.0, 80.0, 25.0], [40.0, 27.0, 70.0]);
    pub const ILEUM: Self = Self::new([0.0, 75.0, -60.0], [40.0, 28.0, 45.0]);
    pub const TERMINAL_ILEUM: Self = Self::new([-55.0, 90.0, -45.0], [30.0, 32.0, 30.0]);
    pub const CAECUM: Self = Self::new([-85.0, 95.0, -35.0], [25.0, 32.0, 35.0]);
    pub const ASCENDING: Self = Self::new([-95.0, 105.0, 35.0], [28.0, 32.0, 50.0]);
    pub const TRANSVERSE: Self = Self::new([20.0, 65.0, 85.0], [65.0, 30.0, 50.0]);
    pub const DESCENDING: Self = Self::new([105.0, 115.0, 25.0], [30.0, 32.0, 75.0]);
    pub const RECTOSIGMOID: Self = Self::new([10.0, 150.0, -110.0], [40.0, 40.0, 40.0]);

    const fn new(mean_mm: [f64; 3], spread_mm: [f64; 3]) -> Self {
        Self { mean_mm, spread_mm }
    }
}

/// The density of one part in one torso.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PartDensity {
    mean_mm: Position,
    covariance_mm2: Matrix3<f64>,
}

/// A place anywhere in the search region of the reference torso has this log-density, 1/mm³: the share of any part's
/// density that is spread evenly, so that no place is impossible.
const LN_UNIFORM: f64 = -17.1;
const SPREAD_SHARE: f64 = 0.02;

impl PartDensity {
    pub fn new(usual: &UsualPlace, torso: &Torso) -> Self {
        let (breadth, depth) = (torso.breadth_mm() / REFERENCE_MM.0, torso.depth_mm() / REFERENCE_MM.1);
        let scale = Vector3::new(breadth, depth, 1.0);
        let spread = Vector3::from(usual.spread_mm).component_mul(&scale);
        Self {
            mean_mm: Position::from(usual.mean_mm).component_mul(&scale),
            covariance_mm2: Matrix3::from_diagonal(&spread.component_mul(&spread)),
        }
    }

    /// Log-density of an estimated place with its covariance, both uncertainties added.
    pub fn ln_density(&self, place_mm: &Position, covariance_mm2: &Matrix3<f64>) -> f64 {
        const LN_TAU: f64 = 1.837_877_066_409_345_3;
        let total = self.covariance_mm2 + covariance_mm2;
        let Some(factor) = total.cholesky() else {
            return LN_UNIFORM;
        };
        let offset = place_mm - self.mean_mm;
        let squared = offset.dot(&factor.solve(&offset));
        let ln_gaussian = -0.5 * (3.0 * LN_TAU + squared) - factor.ln_determinant() * 0.5;
        ((1.0 - SPREAD_SHARE) * ln_gaussian.exp() + SPREAD_SHARE * LN_UNIFORM.exp()).ln()
    }
}

/// The mixture of usual places by their shares, as one Gaussian of the same mean and covariance; `None` where less than half of
/// the shares has a place.
pub(crate) fn mixture(
    places: &[Option<UsualPlace>],
    shares: impl Iterator<Item = f64>,
    torso: &Torso,
) -> Option<PositionPrior> {
    let (mut sum, mut mean_mm, mut square_mm2) = (0.0, Position::zeros(), Matrix3::zeros());
    for (usual, share) in places.iter().zip(shares) {
        let Some(usual) = usual else { continue };
        let density = PartDensity::new(usual, torso);
        sum += share;
        mean_mm += density.mean_mm * share;
        square_mm2 += (density.covariance_mm2 + density.mean_mm * density.mean_mm.transpose()) * share;
    }
    if sum < 0.5 {
        return None;
    }
    mean_mm /= sum;
    let covariance_mm2 = square_mm2 / sum - mean_mm * mean_mm.transpose();
    Some(PositionPrior {
        mean_mm,
        information_per_mm2: covariance_mm2.cholesky()?.inverse(),
    })
}

/// Log-density of a place of which nothing is known.
pub(crate) const fn ln_anywhere() -> f64 {
    LN_UNIFORM
}

#[cfg(test)]
mod tests {
    use super::*;

    const CENTRELINES: &str = include_str!("../../../datasets/gut-centrelines/centrelines.csv");

    /// A body's name, its navel in the scan's frame, and breadth and depth of its skin there, mm: as in `alvine-phantom`, module
    /// `gut::ct`.
    const BODIES: [(&str, [f64; 3], (f64, f64)); 2] = [
        ("ct-whole", [213.4, 113.8, 224.0], (349.2, 224.2)),
        ("ct-inflated", [207.35, 38.7, 292.0], (390.7, 318.9)),
    ];

    /// The share of the ileum's length that is terminal.
    const TERMINAL_SHARE: f64 = 0.15;

    /// Arc and place of each point of a part of a body, the place on the reference torso.
    fn midline(body: &str, part: &str) -> Vec<(f64, Vector3<f64>)> {
        let (_, navel_mm, (breadth_mm, depth_mm)) = BODIES.into_iter().find(|(name, ..)| *name == body).unwrap();
        let scale = Vector3::new(REFERENCE_MM.0 / breadth_mm, REFERENCE_MM.1 / depth_mm, 1.0);
        let rows = CENTRELINES
            .lines()
            .skip(1)
            .map(|line| line.split(',').collect::<Vec<_>>());
        rows.filter(|row| row[0] == body && row[2] == part)
            .map(|row| {
                let number = |column: usize| row[column].parse::<f64>().unwrap();
                let place_mm = Vector3::new(number(4), number(5), number(6)) - Vector3::from(navel_mm);
                (number(3), place_mm.component_mul(&scale))
            })
            .collect()
    }

    /// Mean and variance along each axis.
    fn moments(places_mm: &[Vector3<f64>]) -> (Vector3<f64>, Vector3<f64>) {
        let count = places_mm.len() as f64;
        let mean = places_mm.iter().sum::<Vector3<f64>>() / count;
        let squares = places_mm.iter().map(|place| (place - mean).map(|off| off * off));
        (mean, squares.sum::<Vector3<f64>>() / count)
    }

    /// Mean and variance of a part in each body that has it.
    fn by_body(part: &str) -> Vec<(Vector3<f64>, Vector3<f64>)> {
        let of_body = |(body, ..): (&str, [f64; 3], (f64, f64))| {
            let line = midline(body, part);
            let (first_mm, last_mm) = (line.first()?.0, line.last()?.0);
            let border_mm = last_mm - TERMINAL_SHARE * (last_mm - first_mm);
            let within = line
                .iter()
                .filter(|(arc_mm, _)| part != "ileum" || *arc_mm <= border_mm);
            Some(moments(&within.map(|(_, place_mm)| *place_mm).collect::<Vec<_>>()))
        };
        BODIES.into_iter().filter_map(of_body).collect()
    }

    /// Source: `datasets/gut-centrelines`; between people in height, ANSUR II.
    #[test]
    fn coils_lie_where_the_midlines_of_two_people_do() {
        let shared = [
            "ileum",
            "caecum",
            "ascending",
            "transverse",
            "descending",
            "rectosigmoid",
        ];
        let apart: Vec<_> = shared
            .iter()
            .map(|part| {
                let bodies = by_body(part);
                (bodies[0].0 - bodies[1].0).map(|apart| apart * apart / 2.0)
            })
            .collect();
        let between = (apart.iter().sum::<Vector3<f64>>() / apart.len() as f64).map(f64::sqrt);
        assert!(
            (between.x - 15.0).abs() < 2.0 && (between.y - 15.0).abs() < 2.0,
            "{between}"
        );
        let between = Vector3::new(15.0, 15.0, 21.0);
        for (part, usual) in [("jejunum", UsualPlace::JEJUNUM), ("ileum", UsualPlace::ILEUM)] {
            let bodies = by_body(part);
            let count = bodies.len() as f64;
            let mean = bodies.iter().map(|(mean, _)| mean).sum::<Vector3<f64>>() / count;
            let along = bodies.iter().map(|(_, variance)| variance).sum::<Vector3<f64>>() / count;
            let spread = (along + between.component_mul(&between) * (1.0 + 1.0 / count)).map(f64::sqrt);
            let off = (mean - Vector3::from(usual.mean_mm)).amax();
            assert!(off < 3.0, "{part}: {mean}");
            assert!(
                (spread - Vector3::from(usual.spread_mm)).amax() < 2.5,
                "{part}: {spread}"
            );
        }
    }

    #[test]
    fn each_part_is_likeliest_at_its_own_place() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let none = Matrix3::from_diagonal_element(100.0);
        let places = [
            UsualPlace::OESOPHAGUS,
            UsualPlace::STOMACH,
            UsualPlace::DUODENUM,
            UsualPlace::CAECUM,
            UsualPlace::ASCENDING,
            UsualPlace::DESCENDING,
            UsualPlace::RECTOSIGMOID,
        ];
        for own in places {
            let density = |usual: &UsualPlace| PartDensity::new(usual, &torso).ln_density(&own.mean_mm.into(), &none);
            let best = places.into_iter().max_by(|a, b| density(a).total_cmp(&density(b)));
            assert_eq!(best, Some(own));
        }
    }

    #[test]
    fn no_place_is_impossible() {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let density = PartDensity::new(&UsualPlace::CAECUM, &torso);
        let far = density.ln_density(
            &Position::new(160.0, 220.0, 250.0),
            &Matrix3::from_diagonal_element(1.0),
        );
        assert!(far > LN_UNIFORM - 5.0);
    }
}
