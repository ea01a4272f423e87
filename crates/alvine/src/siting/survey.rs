//! The survey: what a layout can do at every place of the abdomen.
//!
//! For each place of a [`Volume`]:
//!
//! - the Cramér–Rao bound on the root-mean-square error of one fix, `√ tr F⁻¹` (see [`crate::bounds`]), with the level
//!   known, known to a prior, and unknown; and the error that is left once it counts that the capsule is inside the
//!   torso, `√ tr (F + T⁻¹)⁻¹` (see [`crate::fix::bounded_covariance_mm2`]);
//! - the coverage: the sites whose median level is above the floor, the number to be expected over the spread, and the
//!   probability that at least four are heard;
//! - the geometric dilution, `√ tr (Σ uᵢ uᵢᵀ)⁻¹` over the sites above the floor, uᵢ the direction from site to place:
//!   the error of the place for each millimetre of error in every range, whatever the radio does.
//!
//! The spread of a reading is shadowing and noise together, as for a fix on its own, and sites err independently.

use rayon::prelude::*;

use super::information::{Information, Radio, SiteTerm, torso_prior_per_mm2};
use super::organs::{OrganRegion, OrganSet};
use super::volume::Volume;
use crate::estimator::FixThenSmooth;
use crate::fix::Level;
use crate::layout::FEWEST_SITES;
use crate::setup::Setup;
use crate::torso::Position;

/// What a survey takes for granted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurveyOptions {
    /// Spread of a reading about the law, dB; shadowing and noise of the setup together where `None`.
    pub spread_db: Option<f64>,
    /// Prior spread of the level, dB, for [`Outlook::rmse_mm`].
    pub level_prior_db: f64,
}

impl Default for SurveyOptions {
    /// The setup's own spread, and the level known as well as the estimator takes it to be.
    fn default() -> Self {
        Self {
            spread_db: None,
            level_prior_db: FixThenSmooth::LEVEL_PRIOR_DB,
        }
    }
}

impl SurveyOptions {
    /// The spread of a reading under a setup, dB.
    #[must_use]
    pub fn spread_db(&self, setup: &Setup) -> f64 {
        self.spread_db
            .unwrap_or_else(|| setup.noise.total_db(setup.receiver.step_db()))
    }
}

/// What can be expected at one place. An error is infinite where the readings do not determine the place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlook {
    /// Least root-mean-square error of a fix with the level known to the prior, mm.
    pub rmse_mm: f32,
    /// The same with the level known, mm.
    pub rmse_level_known_mm: f32,
    /// The same with the level unknown, mm.
    pub rmse_level_unknown_mm: f32,
    /// The same with the prior, once it counts that the capsule is inside the torso, mm; always finite.
    pub rmse_in_torso_mm: f32,
    /// Error of the place for each unit of error in the ranges.
    pub dilution: f32,
    /// Sites to be heard on average.
    pub sites_expected: f32,
    /// Probability that at least four sites are heard.
    pub four_heard: f32,
    /// Sites whose median level is above the floor.
    pub sites_above_floor: u16,
}

/// Every place of a volume with its outlook.
#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// The places.
    pub volume: Volume,
    /// One outlook a place, in the volume's order.
    pub outlooks: Vec<Outlook>,
    /// The organs at each place, in the same order.
    pub organs: Vec<OrganSet>,
}

/// Surveys a setup over a volume of its torso.
///
/// # Examples
///
/// ```
/// use alvine::siting::{SurveyOptions, Volume, survey};
/// use alvine::{NoiseModel, Receiver, Setup, Torso};
///
/// let torso = Torso::new(330.0, 230.0)?;
/// let setup = Setup::default_eight(torso, NoiseModel::new(7.85, 2.0)?, Receiver::new(-100.0, None, None)?);
/// let survey = survey(&setup, Volume::new(torso, 10.0)?, &SurveyOptions::default());
/// let gut = survey.gut();
/// // The bound grows away from the sites: the worst place is well above the mean.
/// assert!(gut.worst_mm > 1.3 * gut.mean_mm);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[must_use]
pub fn survey(setup: &Setup, volume: Volume, options: &SurveyOptions) -> Survey {
    let radio = Radio::new(setup, options.spread_db(setup));
    let prior = torso_prior_per_mm2(&setup.torso);
    let found: Vec<(Outlook, OrganSet)> = (0..volume.len())
        .into_par_iter()
        .map(|index| {
            let place_mm = volume.place_mm(index);
            let outlook = look(setup, &radio, &place_mm, &prior, options.level_prior_db);
            (outlook, OrganSet::at(&setup.torso, &place_mm))
        })
        .collect();
    let (outlooks, organs) = found.into_iter().unzip();
    Survey {
        volume,
        outlooks,
        organs,
    }
}

/// The outlook at one place of a setup's torso.
#[must_use]
pub fn outlook(setup: &Setup, place_mm: &Position, options: &SurveyOptions) -> Outlook {
    let radio = Radio::new(setup, options.spread_db(setup));
    let prior = torso_prior_per_mm2(&setup.torso);
    look(setup, &radio, place_mm, &prior, options.level_prior_db)
}

fn look(setup: &Setup, radio: &Radio<'_>, place_mm: &Position, prior: &Position, level_prior_db: f64) -> Outlook {
    let mut sum = Information::default();
    let mut geometry = Information::default();
    let mut coverage = Coverage::default();
    for site in setup.layout.sites() {
        let term = radio.term(site, place_mm);
        sum.add(&term);
        coverage.add(&term);
        if term.above_floor > 0.0 {
            geometry.add(&SiteTerm {
                gradient: term.towards,
                weight: 1.0,
                ..term
            });
        }
    }
    let level = Level::Unknown {
        prior_db: Some(level_prior_db),
    };
    let error = |trace: Option<f64>| trace.map_or(f32::INFINITY, |trace| trace.sqrt() as f32);
    let under = |level| error(sum.on_place(level).inverse_trace());
    Outlook {
        rmse_mm: under(level),
        rmse_level_known_mm: under(Level::Known),
        rmse_level_unknown_mm: under(Level::Unknown { prior_db: None }),
        rmse_in_torso_mm: error(sum.with_place_prior(prior).on_place(level).inverse_trace()),
        dilution: error(geometry.on_place(Level::Known).inverse_trace()),
        sites_expected: coverage.expected as f32,
        four_heard: coverage.enough() as f32,
        sites_above_floor: coverage.above_floor,
    }
}

/// How many sites hear the capsule: the law of a sum of independent yes-or-no events, as far as four.
#[derive(Debug, Clone, Copy)]
struct Coverage {
    above_floor: u16,
    expected: f64,
    /// Probability of exactly 0, 1, 2 and 3 sites.
    fewer: [f64; FEWEST_SITES],
}

impl Default for Coverage {
    fn default() -> Self {
        Self {
            above_floor: 0,
            expected: 0.0,
            fewer: [1.0, 0.0, 0.0, 0.0],
        }
    }
}

impl Coverage {
    #[inline]
    fn add(&mut self, term: &SiteTerm) {
        self.above_floor += u16::from(term.above_floor > 0.0);
        self.expected += term.heard;
        for count in (1..FEWEST_SITES).rev() {
            self.fewer[count] += term.heard * (self.fewer[count - 1] - self.fewer[count]);
        }
        self.fewer[0] *= 1.0 - term.heard;
    }

    /// Probability of four or more.
    fn enough(&self) -> f64 {
        (1.0 - self.fewer.iter().sum::<f64>()).clamp(0.0, 1.0)
    }
}

/// A survey in brief, over some of its places. Errors are those with the level known to the prior unless named
/// otherwise; infinite where some place is not determined.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RegionSummary {
    /// How many places.
    pub places: usize,
    /// Mean of the error, mm.
    pub mean_mm: f64,
    /// 95th percentile of the error, mm, linear between order statistics.
    pub percentile95_mm: f64,
    /// Largest error, mm.
    pub worst_mm: f64,
    /// Where that is, mm.
    pub worst_place_mm: Position,
    /// Mean of the error with the level known, mm.
    pub mean_level_known_mm: f64,
    /// Mean of the error with the level unknown, mm.
    pub mean_level_unknown_mm: f64,
    /// Mean of the error within the torso, mm.
    pub mean_in_torso_mm: f64,
    /// Mean of the geometric dilution over the places that have one.
    pub mean_dilution: f64,
    /// Mean of the sites above the floor.
    pub mean_sites_above_floor: f64,
    /// Mean of the sites to be expected.
    pub mean_sites_expected: f64,
    /// Share of places at which four sites are heard with at least 90 %.
    pub covered_share: f64,
}

/// Four sites heard with at least this make a place covered.
const COVERED_FROM: f32 = 0.9;

impl Survey {
    /// In brief over one organ; `None` where no place belongs to it.
    #[must_use]
    pub fn organ(&self, region: OrganRegion) -> Option<RegionSummary> {
        self.summarise(|set| set.has(region))
    }

    /// In brief over every place that belongs to some organ.
    #[must_use]
    pub fn gut(&self) -> RegionSummary {
        self.summarise(OrganSet::is_gut).unwrap_or_else(|| self.abdomen())
    }

    /// In brief over the whole volume.
    #[must_use]
    pub fn abdomen(&self) -> RegionSummary {
        self.summarise(|_| true).unwrap_or(RegionSummary {
            places: 0,
            mean_mm: f64::INFINITY,
            percentile95_mm: f64::INFINITY,
            worst_mm: f64::INFINITY,
            worst_place_mm: Position::zeros(),
            mean_level_known_mm: f64::INFINITY,
            mean_level_unknown_mm: f64::INFINITY,
            mean_in_torso_mm: f64::INFINITY,
            mean_dilution: f64::INFINITY,
            mean_sites_above_floor: 0.0,
            mean_sites_expected: 0.0,
            covered_share: 0.0,
        })
    }

    /// In brief over the places whose organs satisfy a condition; `None` where there are none.
    fn summarise(&self, chosen: impl Fn(OrganSet) -> bool) -> Option<RegionSummary> {
        let indices: Vec<usize> = (0..self.outlooks.len())
            .filter(|&index| chosen(self.organs[index]))
            .collect();
        let worst = indices.iter().copied().max_by(|&one, &other| {
            let (one, other) = (self.outlooks[one].rmse_mm, self.outlooks[other].rmse_mm);
            one.total_cmp(&other)
        })?;
        let of = |value: fn(&Outlook) -> f32| {
            let outlooks = &self.outlooks;
            indices.iter().map(move |&index| f64::from(value(&outlooks[index])))
        };
        let mut errors: Vec<f64> = of(|outlook| outlook.rmse_mm).collect();
        errors.sort_by(f64::total_cmp);
        let dilutions = || of(|outlook| outlook.dilution).filter(|dilution| dilution.is_finite());
        Some(RegionSummary {
            places: indices.len(),
            mean_mm: mean(errors.iter().copied()),
            percentile95_mm: quantile(&errors, 0.95),
            worst_mm: f64::from(self.outlooks[worst].rmse_mm),
            worst_place_mm: self.volume.place_mm(worst),
            mean_level_known_mm: mean(of(|outlook| outlook.rmse_level_known_mm)),
            mean_level_unknown_mm: mean(of(|outlook| outlook.rmse_level_unknown_mm)),
            mean_in_torso_mm: mean(of(|outlook| outlook.rmse_in_torso_mm)),
            mean_dilution: mean(dilutions()),
            mean_sites_above_floor: mean(of(|outlook| f32::from(outlook.sites_above_floor))),
            mean_sites_expected: mean(of(|outlook| outlook.sites_expected)),
            covered_share: mean(of(|outlook| f32::from(u8::from(outlook.four_heard >= COVERED_FROM)))),
        })
    }
}

/// The mean; infinite for none.
pub(super) fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0_usize), |(sum, count), value| (sum + value, count + 1));
    if count == 0 { f64::INFINITY } else { sum / count as f64 }
}

/// A quantile of sorted values, linear between order statistics at (n − 1) p; infinite for none.
pub(super) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else {
        return f64::INFINITY;
    };
    let at = share.clamp(0.0, 1.0) * last as f64;
    let (below, above) = (sorted[at.floor() as usize], sorted[at.ceil() as usize]);
    if below == above {
        return below;
    }
    below + (above - below) * at.fract()
}

#[cfg(test)]
mod tests {
    use super::super::information::tests::{cube_setup, default_setup};
    use super::*;
    use crate::bounds::{BoundOptions, cramer_rao_mm2};
    use crate::layout::{Layout, Site};
    use crate::recording::Receiver;
    use approx::assert_relative_eq;

    fn coarse(setup: &Setup) -> Survey {
        let volume = Volume::new(setup.torso, 15.0).unwrap();
        survey(setup, volume, &SurveyOptions::default())
    }

    fn at(setup: &Setup, place_mm: Position) -> Outlook {
        outlook(setup, &place_mm, &SurveyOptions::default())
    }

    #[test]
    fn every_place_has_the_bound_that_the_bounds_module_gives() {
        let setup = default_setup();
        let survey = coarse(&setup);
        let spread_db = setup.noise.total_db(None);
        for (index, outlook) in survey.outlooks.iter().enumerate().step_by(7) {
            let place = survey.volume.place_mm(index);
            for (level, found) in [
                (Level::Known, outlook.rmse_level_known_mm),
                (Level::Unknown { prior_db: Some(2.0) }, outlook.rmse_mm),
                (Level::Unknown { prior_db: None }, outlook.rmse_level_unknown_mm),
            ] {
                let options = BoundOptions {
                    spread_db,
                    level,
                    floor: true,
                };
                let slow = cramer_rao_mm2(&setup, &place, &options).unwrap().trace().sqrt();
                // Values are kept in single precision.
                assert_relative_eq!(f64::from(found), slow, max_relative = 1e-6);
            }
        }
    }

    #[test]
    fn knowing_more_never_makes_the_bound_worse() {
        for outlook in coarse(&default_setup()).outlooks {
            assert!(outlook.rmse_level_known_mm <= outlook.rmse_mm);
            assert!(outlook.rmse_mm <= outlook.rmse_level_unknown_mm);
            assert!(outlook.rmse_in_torso_mm < outlook.rmse_mm);
        }
    }

    #[test]
    fn dilution_at_the_centre_of_a_cube_is_that_of_the_closed_form() {
        // Σ u uᵀ = 8/3 I for eight corners: √(3 · 3/8) = √(9/8).
        let outlook = at(&cube_setup(), Position::new(0.0, 115.0, 0.0));
        assert_relative_eq!(f64::from(outlook.dilution), (9.0_f64 / 8.0).sqrt(), max_relative = 1e-6);
        assert_eq!(outlook.sites_above_floor, 8);
        assert_relative_eq!(f64::from(outlook.four_heard), 1.0, epsilon = 1e-6);
    }

    #[test]
    fn coverage_counts_as_the_sum_over_all_outcomes_does() {
        // The slow twin: all 2⁵ outcomes of five sites.
        let heard = [0.9, 0.2, 0.55, 0.7, 0.35];
        let mut coverage = Coverage::default();
        for probability in heard {
            coverage.add(&SiteTerm {
                gradient: Position::zeros(),
                towards: Position::zeros(),
                weight: 0.0,
                above_floor: probability - 0.5,
                heard: probability,
            });
        }
        let mut enough = 0.0;
        for outcome in 0..32_u32 {
            let each = heard.iter().enumerate();
            let probability: f64 = each
                .map(|(k, p)| if outcome >> k & 1 == 1 { *p } else { 1.0 - p })
                .product();
            if outcome.count_ones() >= 4 {
                enough += probability;
            }
        }
        assert_relative_eq!(coverage.enough(), enough, epsilon = 1e-12);
        assert_relative_eq!(coverage.expected, 2.7, epsilon = 1e-12);
        assert_eq!(coverage.above_floor, 3);
    }

    #[test]
    fn where_hardly_anything_is_heard_the_bound_says_so_and_the_torso_still_limits_the_error() {
        let mut setup = default_setup();
        setup.receiver = Receiver::new(-60.0, None, None).unwrap();
        let outlook = at(&setup, Position::new(0.0, 210.0, 240.0));
        assert_eq!(outlook.sites_above_floor, 0);
        assert!(outlook.dilution.is_infinite());
        assert!(outlook.four_heard < 0.01);
        assert!(outlook.rmse_mm > 1000.0);
        // A uniform place in the torso: √(a²/4 + b²/4 + h²/12).
        let uniform_mm = (165.0_f64.powi(2) / 4.0 + 115.0_f64.powi(2) / 4.0 + 440.0_f64.powi(2) / 12.0).sqrt();
        assert_relative_eq!(f64::from(outlook.rmse_in_torso_mm), uniform_mm, max_relative = 0.02);
    }

    #[test]
    fn a_place_on_a_site_has_an_outlook() {
        let setup = default_setup();
        let outlook = at(&setup, setup.layout.sites()[1].position_mm);
        assert!(outlook.rmse_mm.is_finite() && outlook.dilution.is_finite());
    }

    #[test]
    fn one_thread_gives_what_many_give() {
        let setup = default_setup();
        let single = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
        let one = single.install(|| coarse(&setup));
        assert_eq!(one, coarse(&setup));
    }

    #[test]
    fn summaries_follow_from_the_places() {
        let survey = coarse(&default_setup());
        let gut = survey.gut();
        let mut errors: Vec<f64> = Vec::new();
        for (outlook, organs) in survey.outlooks.iter().zip(&survey.organs) {
            if organs.is_gut() {
                errors.push(f64::from(outlook.rmse_mm));
            }
        }
        assert_eq!(gut.places, errors.len());
        assert_relative_eq!(
            gut.mean_mm,
            errors.iter().sum::<f64>() / errors.len() as f64,
            max_relative = 1e-12
        );
        assert_eq!(gut.worst_mm, errors.iter().copied().fold(0.0, f64::max));
        let above = errors.iter().filter(|&&error| error > gut.percentile95_mm).count() as f64;
        assert!((above / errors.len() as f64 - 0.05).abs() < 0.01);
        let organs: usize = OrganRegion::ALL
            .iter()
            .map(|&region| survey.organ(region).unwrap().places)
            .sum();
        assert!(organs > gut.places && gut.places < survey.abdomen().places);
    }

    #[test]
    fn another_site_never_makes_the_bound_worse() {
        let setup = default_setup();
        let mut more = setup.clone();
        let mut sites = setup.layout.sites().to_vec();
        sites.push(Site::new("back", Position::new(0.0, 230.0, 20.0)));
        more.layout = Layout::new(sites).unwrap();
        for (before, after) in coarse(&setup).outlooks.iter().zip(coarse(&more).outlooks) {
            assert!(after.rmse_mm <= before.rmse_mm);
            assert!(after.dilution <= before.dilution * (1.0 + 1e-6));
        }
    }

    #[test]
    fn quantiles_are_linear_between_order_statistics() {
        assert_relative_eq!(quantile(&[1.0, 2.0, 4.0], 0.75), 3.0);
        assert_eq!(quantile(&[7.0], 0.95), 7.0);
        assert_eq!(quantile(&[1.0, f64::INFINITY, f64::INFINITY], 0.75), f64::INFINITY);
        assert_eq!(quantile(&[], 0.5), f64::INFINITY);
    }
}
