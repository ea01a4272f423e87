//! Rivals: the mirror image of a place, and the distant place that it is most easily taken for.
//!
//! Sites on one side of the body lie nearly in a sheet, and a place and its mirror image behind the sheet are heard
//! alike. Where the mirror image lies outside the body nothing is lost; where it lies inside, or where two places are
//! merely both far from every site, a fix can end at the wrong one, which no covariance tells.
//!
//! The *mirror image* of a place is its reflection in the plane that fits the sites best, where that is inside the torso.
//! The *rival* of a place x is, over all places y of the torso at least so far from x,
//!
//! ```text
//! argmin d(x, y),   d² = (Σ δᵢ² − (Σ δᵢ)² / (m + σ²/τ²)) / σ²,   δᵢ = max(μᵢ(x), floor) − max(μᵢ(y), floor)
//! μᵢ median level at site i, dBm; σ spread of a reading, dB; τ prior spread of the level, dB; m number of sites
//! ```
//!
//! d is the distance of the two places in standard deviations of what is heard: a choice between just the two by the
//! greater likelihood goes wrong with probability `Φ(−d/2)`. Levels below the floor count as the floor, as only that
//! much is heard.
//!
//! # Source
//!
//! The error of the choice between two Gaussian means of one covariance: any text on detection; here the covariance is
//! `σ² I + τ² 1 1ᵀ`, inverted by the Sherman–Morrison formula.

use nalgebra::Matrix3;
use rayon::prelude::*;

use super::organs::OrganSet;
use super::survey::SurveyOptions;
use super::volume::{Volume, VolumeError};
use crate::normal;
use crate::propagation::Propagation;
use crate::setup::Setup;
use crate::torso::Position;

/// How rivals are looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RivalOptions {
    /// Spread and level prior.
    pub radio: SurveyOptions,
    /// Spacing of the places judged, mm.
    pub spacing_mm: f64,
    /// Spacing of the places they are held against, mm, beside those just so far away as asked; the best of them is then
    /// refined to an eighth of it.
    pub rival_spacing_mm: f64,
    /// A rival is at least this far away, mm.
    pub apart_mm: f64,
}

impl Default for RivalOptions {
    /// Places 20 mm apart, rivals 20 mm apart and refined to 2.5 mm, at least 60 mm away: beyond that another organ is
    /// meant (common practice, no source).
    fn default() -> Self {
        Self {
            radio: SurveyOptions::default(),
            spacing_mm: 20.0,
            rival_spacing_mm: 20.0,
            apart_mm: 60.0,
        }
    }
}

/// A place's rival.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rival {
    /// Where the rival is, mm.
    pub place_mm: Position,
    /// Distance of what is heard at the two places, in standard deviations.
    pub deviations: f64,
}

impl Rival {
    /// Probability that a choice between the two places by the greater likelihood goes wrong.
    #[must_use]
    pub fn mistaken(&self) -> f64 {
        normal::cdf(-0.5 * self.deviations)
    }

    /// How far it is from the place whose rival it is, mm.
    #[must_use]
    pub fn apart_mm(&self, from_mm: &Position) -> f64 {
        (self.place_mm - from_mm).norm()
    }
}

/// What a place may be taken for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rivals {
    /// The distant place most like it; `None` where the torso has no place so far away.
    pub rival: Option<Rival>,
    /// Its mirror image in the plane of the sites; `None` where that is outside the torso.
    pub mirror: Option<Rival>,
}

/// Every place of a volume with what it may be taken for.
#[derive(Debug, Clone, PartialEq)]
pub struct RivalMap {
    /// The places.
    pub volume: Volume,
    /// One entry a place, in the volume's order.
    pub rivals: Vec<Rivals>,
}

impl RivalMap {
    /// Mean over the gut of the probability to be taken for the rival.
    #[must_use]
    pub fn mean_mistaken(&self) -> f64 {
        let of_gut = self.of_gut().filter_map(|(_, rivals)| rivals.rival);
        super::survey::mean(of_gut.map(|rival| rival.mistaken()))
    }

    /// The share of the gut whose mirror image is inside the torso.
    #[must_use]
    pub fn mirrored_share(&self) -> f64 {
        let of_gut = self
            .of_gut()
            .map(|(_, rivals)| f64::from(u8::from(rivals.mirror.is_some())));
        super::survey::mean(of_gut)
    }

    /// Mean over the gut of the probability to be taken for the mirror image; nought where that is outside the torso.
    #[must_use]
    pub fn mean_mirrored(&self) -> f64 {
        let mistaken = |mirror: Option<Rival>| mirror.map_or(0.0, |mirror| mirror.mistaken());
        super::survey::mean(self.of_gut().map(|(_, rivals)| mistaken(rivals.mirror)))
    }

    /// The place of the gut whose rival is hardest to tell from it, with that rival.
    #[must_use]
    pub fn worst(&self) -> Option<(Position, Rival)> {
        self.of_gut()
            .filter_map(|(place, rivals)| Some((place, rivals.rival?)))
            .min_by(|(_, one), (_, other)| one.deviations.total_cmp(&other.deviations))
    }

    fn of_gut(&self) -> impl Iterator<Item = (Position, &Rivals)> {
        let torso = self.volume.torso();
        let places = self.volume.places_mm().zip(&self.rivals);
        places.filter(|(place, _)| OrganSet::at(torso, place).is_gut())
    }
}

/// Finds the rival of each place of a torso.
///
/// # Errors
///
/// [`VolumeError`] when one of the spacings gives too many places or none.
pub fn rivals(setup: &Setup, options: &RivalOptions) -> Result<RivalMap, VolumeError> {
    let volume = Volume::new(setup.torso, options.spacing_mm)?;
    let field = Field::new(setup, options, Volume::new(setup.torso, options.rival_spacing_mm)?);
    let rivals = (0..volume.len())
        .into_par_iter()
        .map_init(
            || vec![0.0_f32; 2 * field.places_mm.len()],
            |work, index| {
                let place_mm = volume.place_mm(index);
                Rivals {
                    rival: field.rival(&place_mm, work),
                    mirror: field.mirror(&place_mm),
                }
            },
        )
        .collect();
    Ok(RivalMap { volume, rivals })
}

/// The levels at all places that may be rivals.
struct Field<'a> {
    setup: &'a Setup,
    places_mm: Vec<Position>,
    /// Levels, dBm: site after site, each as long as `places_mm`.
    levels_dbm: Vec<f32>,
    spacing_mm: f64,
    apart_mm: f64,
    per_db2: f64,
    /// `m + σ²/τ²`.
    level_sum: f64,
    /// A point of the plane that fits the sites best, and its normal.
    plane: (Position, Position),
}

impl<'a> Field<'a> {
    fn new(setup: &'a Setup, options: &RivalOptions, volume: Volume) -> Self {
        let places_mm: Vec<Position> = volume.places_mm().collect();
        let levels_dbm = (0..setup.layout.len())
            .flat_map(|site| places_mm.iter().map(move |place| level_dbm(setup, place, site) as f32))
            .collect();
        let spread_db = options.radio.spread_db(setup);
        Self {
            setup,
            places_mm,
            levels_dbm,
            spacing_mm: options.rival_spacing_mm,
            apart_mm: options.apart_mm,
            per_db2: 1.0 / (spread_db * spread_db),
            level_sum: setup.layout.len() as f64 + (spread_db / options.radio.level_prior_db).powi(2),
            plane: best_plane(setup),
        }
    }

    /// The mirror image of one place in the plane of the sites, where it is inside.
    fn mirror(&self, of_mm: &Position) -> Option<Rival> {
        let (point_mm, normal) = self.plane;
        let place_mm = of_mm - normal * (2.0 * (of_mm - point_mm).dot(&normal));
        let inside = self.setup.torso.contains(&place_mm);
        inside.then(|| Rival {
            place_mm,
            deviations: self.squared(of_mm, &place_mm).max(0.0).sqrt(),
        })
    }

    /// The rival of one place; `work` is room for two numbers a place.
    fn rival(&self, from_mm: &Position, work: &mut [f32]) -> Option<Rival> {
        let (squares, sums) = work.split_at_mut(self.places_mm.len());
        squares.fill(0.0);
        sums.fill(0.0);
        for (site, levels) in self.levels_dbm.chunks_exact(self.places_mm.len()).enumerate() {
            let own_dbm = level_dbm(self.setup, from_mm, site) as f32;
            for ((square, sum), level) in squares.iter_mut().zip(sums.iter_mut()).zip(levels) {
                let difference = own_dbm - level;
                *square += difference * difference;
                *sum += difference;
            }
        }
        let share = 1.0 / self.level_sum as f32;
        let distant = self
            .places_mm
            .iter()
            .zip(squares.iter().zip(sums))
            .filter(|(place, _)| (*place - from_mm).norm_squared() >= self.apart_mm * self.apart_mm)
            .map(|(place, (square, sum))| (place, *square - *sum * *sum * share))
            .min_by(|(_, one), (_, other)| one.total_cmp(other))
            .map(|(place, _)| (*place, self.squared(from_mm, place)));
        let best = distant
            .into_iter()
            .chain(self.nearest_allowed(from_mm))
            .min_by(|(_, one), (_, other)| one.total_cmp(other))?;
        Some(self.refined(from_mm, best.0))
    }

    /// The most alike among places just as far away as a rival must be, where most rivals are: the directions are those of
    /// a Fibonacci lattice (Á. González, Math. Geosci. 42 (2010)).
    fn nearest_allowed(&self, from_mm: &Position) -> Option<(Position, f64)> {
        const DIRECTIONS: u32 = 100;
        let golden = std::f64::consts::TAU * 0.5 * (5.0_f64.sqrt() - 1.0);
        let direction = |k: u32| {
            let up = 1.0 - (2.0 * f64::from(k) + 1.0) / f64::from(DIRECTIONS);
            let (sin, cos) = (golden * f64::from(k)).sin_cos();
            let across = (1.0 - up * up).sqrt();
            Position::new(across * cos, across * sin, up)
        };
        (0..DIRECTIONS)
            .map(|k| from_mm + direction(k) * (self.apart_mm * (1.0 + 1e-12)))
            .filter(|place| self.setup.torso.contains(place))
            .map(|place| (place, self.squared(from_mm, &place)))
            .min_by(|(_, one), (_, other)| one.total_cmp(other))
    }

    /// The rival moved to the best place about it, by halving steps to an eighth of the spacing.
    fn refined(&self, from_mm: &Position, mut at_mm: Position) -> Rival {
        let mut best = self.squared(from_mm, &at_mm);
        let mut step_mm = 0.5 * self.spacing_mm;
        for _ in 0..3 {
            let centre_mm = at_mm;
            for neighbour in 0..27 {
                let offset = Position::new(
                    f64::from(neighbour % 3 - 1),
                    f64::from(neighbour / 3 % 3 - 1),
                    f64::from(neighbour / 9 - 1),
                );
                let tried_mm = self.pushed_away(from_mm, centre_mm + offset * step_mm);
                if !self.setup.torso.contains(&tried_mm) {
                    continue;
                }
                let squared = self.squared(from_mm, &tried_mm);
                if squared < best {
                    best = squared;
                    at_mm = tried_mm;
                }
            }
            step_mm *= 0.5;
        }
        Rival {
            place_mm: at_mm,
            deviations: best.max(0.0).sqrt(),
        }
    }

    /// The place moved straight away from another until it is far enough.
    fn pushed_away(&self, from_mm: &Position, place_mm: Position) -> Position {
        let offset = place_mm - from_mm;
        let distance_mm = offset.norm();
        if distance_mm >= self.apart_mm || distance_mm <= 0.0 {
            return place_mm;
        }
        // A hair further, so that rounding leaves it no nearer than asked.
        from_mm + offset * (self.apart_mm / distance_mm * (1.0 + 1e-12))
    }

    /// d².
    fn squared(&self, one_mm: &Position, other_mm: &Position) -> f64 {
        let (mut squares, mut sum) = (0.0, 0.0);
        for site in 0..self.setup.layout.len() {
            let difference = level_dbm(self.setup, one_mm, site) - level_dbm(self.setup, other_mm, site);
            squares += difference * difference;
            sum += difference;
        }
        (squares - sum * sum / self.level_sum) * self.per_db2
    }
}

/// The middle of the sites, and the direction in which they spread least.
fn best_plane(setup: &Setup) -> (Position, Position) {
    let sites = setup.layout.sites();
    let middle_mm = sites.iter().map(|site| site.position_mm).sum::<Position>() / sites.len() as f64;
    let offsets = sites.iter().map(|site| site.position_mm - middle_mm);
    let scatter: Matrix3<f64> = offsets.map(|offset| offset * offset.transpose()).sum();
    let axes = scatter.symmetric_eigen();
    (
        middle_mm,
        axes.eigenvectors.column(axes.eigenvalues.imin()).into_owned(),
    )
}

/// The median level that is heard, dBm: no lower than the floor.
fn level_dbm(setup: &Setup, place_mm: &Position, site: usize) -> f64 {
    let site = &setup.layout.sites()[site];
    let loss_db = setup.law.loss_db(place_mm, &site.position_mm);
    (setup.transmitter.power_dbm() + site.gain_db - loss_db).max(setup.receiver.floor_dbm())
}

#[cfg(test)]
mod tests {
    use super::super::information::tests::{cube_setup, default_setup};
    use super::*;
    use crate::layout::{Layout, Site};
    use crate::recording::Receiver;
    use approx::assert_relative_eq;

    /// Eight sites all but in the plane y = 115 mm, which halves the torso.
    fn sheet() -> Setup {
        let at = |k: usize, x: f64, y: f64, z: f64| Site::new(format!("s{k}"), Position::new(x, y, z));
        let mut setup = cube_setup();
        setup.layout = Layout::new(vec![
            at(0, -120.0, 112.5, 100.0),
            at(1, 0.0, 117.5, 120.0),
            at(2, 120.0, 112.5, 100.0),
            at(3, -140.0, 117.5, 0.0),
            at(4, 140.0, 117.5, 10.0),
            at(5, -110.0, 112.5, -100.0),
            at(6, 10.0, 117.5, -110.0),
            at(7, 110.0, 112.5, -90.0),
        ])
        .unwrap();
        setup
    }

    #[test]
    fn the_rival_of_a_place_before_a_sheet_of_sites_is_its_mirror_image_behind() {
        let setup = sheet();
        let options = RivalOptions::default();
        let field = Field::new(&setup, &options, Volume::new(setup.torso, 20.0).unwrap());
        let mut work = vec![0.0; 2 * field.places_mm.len()];
        for place in [Position::new(20.0, 45.0, 30.0), Position::new(-60.0, 60.0, -40.0)] {
            let rival = field.rival(&place, &mut work).unwrap();
            let mirror = Position::new(place.x, 230.0 - place.y, place.z);
            // The sites' own unevenness of 2.5 mm moves it a little.
            assert!(
                (rival.place_mm - mirror).norm() < 15.0,
                "{} for {mirror}",
                rival.place_mm
            );
            assert!(rival.deviations < 0.5 && rival.mistaken() > 0.4);
            let reflected = field.mirror(&place).unwrap();
            assert!((reflected.place_mm - mirror).norm() < 15.0);
            assert!(reflected.deviations < 0.6);
        }
    }

    #[test]
    fn the_mirror_image_of_front_sites_is_before_the_skin_and_so_no_rival() {
        let map = rivals(&default_setup(), &RivalOptions::default()).unwrap();
        assert!(map.mirrored_share() < 0.2 && map.mean_mirrored() < 0.1);
        let halved = rivals(&sheet(), &RivalOptions::default()).unwrap();
        assert!(halved.mirrored_share() > 0.9 && halved.mean_mirrored() > 0.3);
    }

    #[test]
    fn sites_all_round_leave_no_rival_so_good() {
        // With 3 dB of spread the cube tells every two places apart that the sheet confuses.
        let radio = SurveyOptions {
            spread_db: Some(3.0),
            ..SurveyOptions::default()
        };
        let options = RivalOptions {
            radio,
            spacing_mm: 40.0,
            ..RivalOptions::default()
        };
        let worst = |setup: &Setup| rivals(setup, &options).unwrap().worst().unwrap().1.deviations;
        assert!(worst(&sheet()) < 0.3);
        assert!(worst(&cube_setup()) > 1.0);
    }

    #[test]
    fn rivals_are_as_far_as_asked_inside_and_no_place_of_the_lattice_is_better() {
        let setup = default_setup();
        let options = RivalOptions {
            spacing_mm: 40.0,
            ..RivalOptions::default()
        };
        let map = rivals(&setup, &options).unwrap();
        let lattice = Volume::new(setup.torso, 20.0).unwrap();
        let field = Field::new(&setup, &options, lattice.clone());
        for (place, rivals) in map.volume.places_mm().zip(&map.rivals) {
            let rival = rivals.rival.unwrap();
            assert!(rival.apart_mm(&place) >= 60.0 && setup.torso.contains(&rival.place_mm));
            let least = lattice
                .places_mm()
                .filter(|other| (other - place).norm() >= 60.0)
                .map(|other| field.squared(&place, &other))
                .fold(f64::INFINITY, f64::min);
            // Scores of the lattice are summed in single precision.
            assert!(rival.deviations <= least.sqrt() + 1e-3);
        }
    }

    #[test]
    fn the_distance_is_that_of_the_inverse_covariance() {
        // The slow twin: δᵀ (σ² I + τ² 1 1ᵀ)⁻¹ δ by a dense inverse.
        let setup = default_setup();
        let options = RivalOptions::default();
        let field = Field::new(&setup, &options, Volume::new(setup.torso, 40.0).unwrap());
        let (one, other) = (Position::new(-20.0, 80.0, 60.0), Position::new(60.0, 120.0, -40.0));
        let sigma2 = setup.noise.total_db(None).powi(2);
        let covariance = nalgebra::SMatrix::<f64, 8, 8>::from_fn(|i, j| 4.0 + if i == j { sigma2 } else { 0.0 });
        let delta = nalgebra::SVector::<f64, 8>::from_fn(|site, _| {
            level_dbm(&setup, &one, site) - level_dbm(&setup, &other, site)
        });
        let slow = delta.dot(&(covariance.try_inverse().unwrap() * delta));
        assert_relative_eq!(field.squared(&one, &other), slow, max_relative = 1e-10);
    }

    #[test]
    fn two_places_of_which_nothing_is_heard_are_one_to_the_receiver() {
        let mut setup = default_setup();
        setup.receiver = Receiver::new(-30.0, None, None).unwrap();
        let map = rivals(&setup, &RivalOptions::default()).unwrap();
        let (_, worst) = map.worst().unwrap();
        assert_eq!(worst.deviations, 0.0);
        assert_eq!(worst.mistaken(), 0.5);
    }
}
