//! What one instant's readings tell of a place, as sums over sites: the kernel of every map and every design.
//!
//! The same as [`crate::bounds::fisher_information`] for a single place, laid out so that sites can be added and taken
//! away, and without a matrix on the heap:
//!
//! ```text
//! F = Σ kᵢ ∇Lᵢ ∇Lᵢᵀ / σ²,   c = Σ kᵢ ∇Lᵢ / σ²,   l = Σ kᵢ / σ²
//! covariance of the place = (F − c cᵀ / (l + 1/τ²))⁻¹
//! σ spread of a reading, dB; τ prior spread of the level, dB (0: known, ∞: unknown); kᵢ share above the floor
//! ```

use crate::bounds::uncensored_share_and_censored;
use crate::fix::Level;
use crate::layout::Site;
use crate::propagation::{NEAREST_MM, Propagation};
use crate::setup::Setup;
use crate::torso::{Position, Torso};

/// The sums F, c and l.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Information {
    xx: f64,
    xy: f64,
    xz: f64,
    yy: f64,
    yz: f64,
    zz: f64,
    cross: [f64; 3],
    level: f64,
}

/// What one site adds at one place.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SiteTerm {
    /// Gradient of the loss, dB/mm.
    pub gradient: Position,
    /// Direction from site to place; zero on the site itself.
    pub towards: Position,
    /// Information on the level, 1/dB².
    pub weight: f64,
    /// Median level in spreads above the floor.
    pub above_floor: f64,
    /// Probability that a reading is above the floor.
    pub heard: f64,
}

/// What is the same for all places and sites.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Radio<'a> {
    setup: &'a Setup,
    spread_db: f64,
    per_db2: f64,
}

impl<'a> Radio<'a> {
    /// Readings of a setup with a spread about the law, dB.
    pub fn new(setup: &'a Setup, spread_db: f64) -> Self {
        Self {
            setup,
            spread_db,
            per_db2: 1.0 / (spread_db * spread_db),
        }
    }

    /// The body.
    pub const fn torso(&self) -> &'a Torso {
        &self.setup.torso
    }

    /// What a site adds at a place.
    #[inline]
    pub fn term(&self, site: &Site, place_mm: &Position) -> SiteTerm {
        let offset = place_mm - site.position_mm;
        let distance_mm = offset.norm();
        let loss = self.setup.law.at_distance(distance_mm.max(NEAREST_MM));
        let median_dbm = self.setup.transmitter.power_dbm() + site.gain_db - loss.loss_db;
        let above_floor = (median_dbm - self.setup.receiver.floor_dbm()) / self.spread_db;
        let towards = if distance_mm > NEAREST_MM {
            offset / distance_mm
        } else {
            Position::zeros()
        };
        let (share, censored) = uncensored_share_and_censored(-above_floor);
        SiteTerm {
            gradient: towards * loss.slope_db_per_mm,
            towards,
            weight: share * self.per_db2,
            above_floor,
            heard: 1.0 - censored,
        }
    }
}

impl Information {
    /// What a whole layout tells at a place.
    pub fn of(radio: &Radio<'_>, sites: &[Site], place_mm: &Position) -> Self {
        let mut sum = Self::default();
        for site in sites {
            sum.add(&radio.term(site, place_mm));
        }
        sum
    }

    /// Adds a site.
    #[inline]
    pub fn add(&mut self, term: &SiteTerm) {
        self.add_weighted(&term.gradient, term.weight);
    }

    #[inline]
    fn add_weighted(&mut self, gradient: &Position, weight: f64) {
        let scaled = gradient * weight;
        self.xx += scaled.x * gradient.x;
        self.xy += scaled.x * gradient.y;
        self.xz += scaled.x * gradient.z;
        self.yy += scaled.y * gradient.y;
        self.yz += scaled.y * gradient.z;
        self.zz += scaled.z * gradient.z;
        for (sum, part) in self.cross.iter_mut().zip(scaled.iter()) {
            *sum += part;
        }
        self.level += weight;
    }

    /// The sum with another.
    #[inline]
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        self.with(other, 1.0)
    }

    /// The sum without another, which must be part of it.
    #[inline]
    #[must_use]
    pub fn minus(&self, other: &Self) -> Self {
        self.with(other, -1.0)
    }

    #[inline]
    fn with(&self, other: &Self, sign: f64) -> Self {
        Self {
            xx: self.xx + sign * other.xx,
            xy: self.xy + sign * other.xy,
            xz: self.xz + sign * other.xz,
            yy: self.yy + sign * other.yy,
            yz: self.yz + sign * other.yz,
            zz: self.zz + sign * other.zz,
            cross: std::array::from_fn(|axis| self.cross[axis] + sign * other.cross[axis]),
            level: self.level + sign * other.level,
        }
    }

    /// The sum with independent knowledge of each coordinate, 1/mm².
    #[inline]
    #[must_use]
    pub fn with_place_prior(&self, per_mm2: &Position) -> Self {
        Self {
            xx: self.xx + per_mm2.x,
            yy: self.yy + per_mm2.y,
            zz: self.zz + per_mm2.z,
            ..*self
        }
    }

    /// Information on the place alone, the level marginalised.
    #[inline]
    #[must_use]
    pub fn on_place(&self, level: Level) -> Symmetric {
        let level_sum = match level {
            Level::Known => f64::INFINITY,
            Level::Unknown { prior_db } => self.level + prior_db.map_or(0.0, |prior_db| 1.0 / (prior_db * prior_db)),
        };
        let share = if level_sum > 0.0 { 1.0 / level_sum } else { 0.0 };
        let [cx, cy, cz] = self.cross;
        Symmetric {
            xx: self.xx - cx * cx * share,
            xy: self.xy - cx * cy * share,
            xz: self.xz - cx * cz * share,
            yy: self.yy - cy * cy * share,
            yz: self.yz - cy * cz * share,
            zz: self.zz - cz * cz * share,
        }
    }
}

/// A symmetric 3 × 3 matrix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Symmetric {
    pub xx: f64,
    pub xy: f64,
    pub xz: f64,
    pub yy: f64,
    pub yz: f64,
    pub zz: f64,
}

/// Below this share of the product of its diagonal a determinant is rounding, not information.
const SINGULAR: f64 = 1e-12;

impl Symmetric {
    /// Determinant, where the matrix is positive definite beyond rounding.
    #[inline]
    pub fn determinant(&self) -> Option<f64> {
        let minor = self.xx * self.yy - self.xy * self.xy;
        let determinant = self.xx * (self.yy * self.zz - self.yz * self.yz)
            - self.xy * (self.xy * self.zz - self.yz * self.xz)
            + self.xz * (self.xy * self.yz - self.yy * self.xz);
        let bulk = self.xx * self.yy * self.zz;
        let definite = self.xx > 0.0 && minor > 0.0 && determinant > SINGULAR * bulk && bulk > 0.0;
        definite.then_some(determinant)
    }

    /// Trace of the inverse, by cofactors; `None` where the matrix is not positive definite.
    #[inline]
    pub fn inverse_trace(&self) -> Option<f64> {
        let determinant = self.determinant()?;
        let cofactors = (self.yy * self.zz - self.yz * self.yz)
            + (self.xx * self.zz - self.xz * self.xz)
            + (self.xx * self.yy - self.xy * self.xy);
        Some(cofactors / determinant)
    }

    /// Least eigenvalue, by the trigonometric solution of the characteristic cubic (O. K. Smith, *Eigenvalues of a
    /// symmetric 3 × 3 matrix*, Comm. ACM 4 (1961)); `None` where the matrix is not positive definite.
    #[inline]
    pub fn least_eigenvalue(&self) -> Option<f64> {
        let determinant = self.determinant()?;
        let mean = (self.xx + self.yy + self.zz) / 3.0;
        let (dx, dy, dz) = (self.xx - mean, self.yy - mean, self.zz - mean);
        let across = self.xy * self.xy + self.xz * self.xz + self.yz * self.yz;
        let size = ((dx * dx + dy * dy + dz * dz + 2.0 * across) / 6.0).sqrt();
        if size <= 0.0 {
            return Some(mean);
        }
        // det(A − q I) from det A: both are at hand, and the first is what the angle needs.
        let shifted = dx * (dy * dz - self.yz * self.yz) - self.xy * (self.xy * dz - self.yz * self.xz)
            + self.xz * (self.xy * self.yz - dy * self.xz);
        let cosine = (shifted / (2.0 * size * size * size)).clamp(-1.0, 1.0);
        let angle = cosine.acos() / 3.0;
        let largest = mean + 2.0 * size * angle.cos();
        let least = mean + 2.0 * size * (angle + std::f64::consts::TAU / 3.0).cos();
        let middle = 3.0 * mean - largest - least;
        // The product of the three is the determinant: where they lie far apart this keeps the least one's digits.
        Some(determinant / (largest * middle)).filter(|least| *least > 0.0)
    }

    /// The same as a matrix.
    #[cfg(test)]
    pub fn matrix(&self) -> nalgebra::Matrix3<f64> {
        nalgebra::Matrix3::new(
            self.xx, self.xy, self.xz, self.xy, self.yy, self.yz, self.xz, self.yz, self.zz,
        )
    }
}

/// What is known of a place from its being somewhere in the region searched: the inverse variances of a uniform place,
/// 1/mm², as in [`crate::fix::bounded_covariance_mm2`].
pub(crate) fn torso_prior_per_mm2(torso: &Torso) -> Position {
    let (a, b) = torso.semi_axes_mm();
    let height_mm = Torso::HIGHEST_MM - Torso::LOWEST_MM;
    Position::new(4.0 / (a * a), 4.0 / (b * b), 12.0 / (height_mm * height_mm))
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::bounds::{BoundOptions, cramer_rao_mm2, fisher_information};
    use crate::fix::bounded_covariance_mm2;
    use crate::layout::Layout;
    use crate::noise::NoiseModel;
    use crate::propagation::{DistanceAndTissue, Law};
    use crate::recording::Receiver;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    /// The default eight on the reference torso with the deep-tissue law.
    pub(crate) fn default_setup() -> Setup {
        let torso = Torso::new(330.0, 230.0).unwrap();
        Setup::default_eight(
            torso,
            NoiseModel::new(7.85, 2.0).unwrap(),
            Receiver::new(-100.0, None, None).unwrap(),
        )
    }

    /// Eight corners of a cube at 100 mm from its centre, which lies on the torso's axis.
    pub(crate) fn cube_setup() -> Setup {
        let half = 100.0 / 3.0_f64.sqrt();
        let corners = (0..8)
            .map(|corner| {
                let side = |bit: i32| if corner & bit == 0 { -half } else { half };
                Site::new(
                    format!("corner-{corner}"),
                    Position::new(side(1), 115.0 + side(2), side(4)),
                )
            })
            .collect();
        Setup {
            layout: Layout::new(corners).unwrap(),
            receiver: Receiver::new(-200.0, None, None).unwrap(),
            ..default_setup()
        }
    }

    fn levels() -> [Level; 3] {
        [
            Level::Known,
            Level::Unknown { prior_db: Some(2.0) },
            Level::Unknown { prior_db: None },
        ]
    }

    proptest! {
        #[test]
        fn sums_match_the_bounds_module(
            x in -150.0..150.0_f64, y in 15.0..215.0_f64, z in -170.0..250.0_f64, spread in 0.5..12.0_f64,
        ) {
            // The slow twin is `bounds`, which builds each matrix and factors it.
            let place = Position::new(x, y, z);
            let mut tissue = default_setup();
            tissue.law = Law::DistanceAndTissue(DistanceAndTissue::new(50.0, 40.0, 2.0, 1.68).unwrap());
            for setup in [default_setup(), tissue] {
                let all = BoundOptions { spread_db: spread, level: Level::Known, floor: false };
                // Rounding is relative to what is told without a floor and with the level known: what is taken off for
                // them leaves little of a place that is far from all sites.
                let scale = fisher_information(&setup, &place, &all).norm();
                for level in levels() {
                    let options = BoundOptions { level, floor: true, ..all };
                    let slow = fisher_information(&setup, &place, &options);
                    let radio = Radio::new(&setup, spread);
                    let sum = Information::of(&radio, setup.layout.sites(), &place);
                    let found = sum.on_place(level);
                    prop_assert!((found.matrix() - slow).norm() <= 1e-13 * scale);
                    if let (Some(trace), Some(bound)) =
                        (found.inverse_trace(), cramer_rao_mm2(&setup, &place, &options))
                    {
                        let lost = 1e-13 * scale / slow.symmetric_eigenvalues().min();
                        prop_assert!((trace - bound.trace()).abs() <= 10.0 * lost * bound.trace());
                    }
                }
                let radio = Radio::new(&setup, spread);
                let sum = Information::of(&radio, setup.layout.sites(), &place);
                let prior = torso_prior_per_mm2(&setup.torso);
                let bounded = bounded_covariance_mm2(&sum.on_place(Level::Known).matrix(), &setup.space());
                let found = sum.with_place_prior(&prior).on_place(Level::Known).inverse_trace().unwrap();
                prop_assert!((found - bounded.trace()).abs() <= 1e-9 * bounded.trace());
            }
        }
    }

    #[test]
    fn cube_corners_match_the_closed_form() {
        // R √(9/8) / b with b = 10 n / (σ ln 10), R = 100 mm, n = 4.26, σ = 7.85 dB: 45.0041 mm.
        let setup = cube_setup();
        let radio = Radio::new(&setup, 7.85);
        let rmse_mm = |place: Position, level| {
            let sum = Information::of(&radio, setup.layout.sites(), &place);
            sum.on_place(level).inverse_trace().unwrap().sqrt()
        };
        let centre = Position::new(0.0, 115.0, 0.0);
        let aside = centre + Position::new(20.0, 10.0, -5.0);
        for level in levels() {
            assert_relative_eq!(rmse_mm(centre, level), 45.0041, epsilon = 1e-4);
        }
        assert_relative_eq!(rmse_mm(aside, Level::Known), 44.8136, epsilon = 1e-4);
        assert_relative_eq!(
            rmse_mm(aside, Level::Unknown { prior_db: None }),
            44.9617,
            epsilon = 1e-4
        );
    }

    #[test]
    fn a_site_taken_away_leaves_what_the_others_tell() {
        let setup = default_setup();
        let radio = Radio::new(&setup, 8.1);
        let place = Position::new(-30.0, 90.0, 60.0);
        let (last, others) = setup.layout.sites().split_last().unwrap();
        let all = Information::of(&radio, setup.layout.sites(), &place);
        let one = Information::of(&radio, std::slice::from_ref(last), &place);
        let rest = Information::of(&radio, others, &place);
        let level = Level::Unknown { prior_db: Some(2.0) };
        assert_relative_eq!(
            all.minus(&one).on_place(level).matrix(),
            rest.on_place(level).matrix(),
            max_relative = 1e-9
        );
        assert_relative_eq!(
            rest.plus(&one).on_place(level).matrix(),
            all.on_place(level).matrix(),
            max_relative = 1e-12
        );
    }

    #[test]
    fn the_least_eigenvalue_is_that_of_the_general_solver() {
        let setup = default_setup();
        let radio = Radio::new(&setup, 8.1);
        for place in crate::siting::Volume::new(setup.torso, 40.0).unwrap().places_mm() {
            let sum = Information::of(&radio, setup.layout.sites(), &place);
            for level in levels() {
                let found = sum.on_place(level);
                let general = found.matrix().symmetric_eigenvalues().min();
                assert_relative_eq!(found.least_eigenvalue().unwrap(), general, max_relative = 1e-6);
            }
        }
        let round = Symmetric {
            xx: 2.0,
            xy: 0.0,
            xz: 0.0,
            yy: 2.0,
            yz: 0.0,
            zz: 2.0,
        };
        assert_relative_eq!(round.least_eigenvalue().unwrap(), 2.0);
    }

    #[test]
    fn two_sites_determine_no_place() {
        let setup = default_setup();
        let radio = Radio::new(&setup, 4.0);
        let place = Position::new(-30.0, 90.0, 60.0);
        let two = Information::of(&radio, &setup.layout.sites()[..2], &place);
        for level in levels() {
            assert_eq!(two.on_place(level).inverse_trace(), None);
        }
    }
}
