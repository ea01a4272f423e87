//! What is to become least: an error over the places of the gut, boiled down to one length.

use super::super::information::{Information, Symmetric};
use super::super::survey::{SurveyOptions, mean, quantile};
use crate::fix::Level;
use crate::torso::Position;

/// How the covariances C of many places become one number, in mm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Criterion {
    /// Mean over the places of `√ tr C`.
    Mean,
    /// 95th percentile over the places of `√ tr C`.
    Percentile95,
    /// Largest over the places of `√ tr C`.
    Worst,
    /// A-optimal: root mean over the places of `tr C`.
    A,
    /// D-optimal: geometric mean over the places of `(det C)^(1/6)`, the radius of the ball as large as the ellipsoid.
    D,
    /// E-optimal: root mean over the places of the largest eigenvalue of C, the longest axis.
    E,
}

impl Criterion {
    /// Every criterion.
    pub const ALL: [Criterion; 6] = [
        Criterion::Mean,
        Criterion::Percentile95,
        Criterion::Worst,
        Criterion::A,
        Criterion::D,
        Criterion::E,
    ];

    /// The name used in files and on the command line.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Criterion::Mean => "mean",
            Criterion::Percentile95 => "percentile95",
            Criterion::Worst => "worst",
            Criterion::A => "a-optimal",
            Criterion::D => "d-optimal",
            Criterion::E => "e-optimal",
        }
    }

    /// A criterion by its name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|criterion| criterion.as_str() == name)
    }

    /// What one place counts for, from the information on it; infinite where it is not determined.
    #[inline]
    fn of_place(self, information: &Symmetric) -> f64 {
        let found = match self {
            Criterion::Mean | Criterion::Percentile95 | Criterion::Worst => information.inverse_trace().map(f64::sqrt),
            Criterion::A => information.inverse_trace(),
            Criterion::D => information.determinant().map(|determinant| -determinant.ln() / 6.0),
            Criterion::E => information.least_eigenvalue().map(|least| 1.0 / least),
        };
        found.unwrap_or(f64::INFINITY)
    }

    /// The number for many places.
    fn of_places(self, mut values: Vec<f64>) -> f64 {
        match self {
            Criterion::Mean => mean(values.into_iter()),
            Criterion::Worst => values.into_iter().fold(0.0, f64::max),
            Criterion::Percentile95 => {
                values.sort_unstable_by(f64::total_cmp);
                quantile(&values, 0.95)
            }
            Criterion::A | Criterion::E => mean(values.into_iter()).sqrt(),
            Criterion::D => mean(values.into_iter()).exp(),
        }
    }
}

/// What a design minimises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Objective {
    /// How the places' errors become one number.
    pub criterion: Criterion,
    /// Whether the number is the one left after the loss of the site that is missed most.
    pub survive_loss: bool,
    /// Spread and level prior.
    pub radio: SurveyOptions,
    /// Spacing of the places judged, mm.
    pub spacing_mm: f64,
}

impl Default for Objective {
    /// The mean error with all sites, over places 20 mm apart.
    fn default() -> Self {
        Self {
            criterion: Criterion::Mean,
            survive_loss: false,
            radio: SurveyOptions::default(),
            spacing_mm: 20.0,
        }
    }
}

impl Objective {
    /// The number for what each place is told by all sites together.
    pub(super) fn value_mm(&self, sums: impl Iterator<Item = Information>) -> f64 {
        let level = Level::Unknown {
            prior_db: Some(self.radio.level_prior_db),
        };
        let values = sums.map(|sum| self.criterion.of_place(&sum.on_place(level)));
        self.criterion.of_places(values.collect())
    }

    /// The number for sites given as what each tells of every place.
    pub(super) fn value_of_parts_mm(&self, parts: &[&[Information]], places: usize) -> f64 {
        let total = |place: usize| {
            let of_place = parts.iter().map(|part| &part[place]);
            of_place.fold(Information::default(), |sum, part| sum.plus(part))
        };
        let totals: Vec<Information> = (0..places).map(total).collect();
        self.value_of_totals_mm(&totals, parts.iter().copied(), f64::INFINITY)
    }

    /// The same, with the sums over all sites already made. Where the loss of a part leaves `limit_mm` or more, no
    /// further loss is looked at: name first the parts that are missed most.
    pub(super) fn value_of_totals_mm<'p>(
        &self,
        totals: &[Information],
        parts: impl IntoIterator<Item = &'p [Information]>,
        limit_mm: f64,
    ) -> f64 {
        if !self.survive_loss {
            return self.value_mm(totals.iter().copied());
        }
        let mut worst_mm = 0.0;
        for part in parts {
            worst_mm = self.without_mm(totals, part).max(worst_mm);
            if worst_mm >= limit_mm {
                break;
            }
        }
        worst_mm
    }

    /// The number after the loss of one part.
    pub(super) fn without_mm(&self, totals: &[Information], part: &[Information]) -> f64 {
        self.value_mm(totals.iter().zip(part).map(|(total, lost)| total.minus(lost)))
    }

    /// The mean error that counts the torso as known, for sites too few to determine a place.
    pub(super) fn value_in_torso_mm(&self, sums: impl Iterator<Item = Information>, prior: &Position) -> f64 {
        let level = Level::Unknown {
            prior_db: Some(self.radio.level_prior_db),
        };
        let error = |sum: Information| sum.with_place_prior(prior).on_place(level).inverse_trace();
        mean(sums.map(|sum| error(sum).map_or(f64::INFINITY, f64::sqrt)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn criteria_of_a_known_covariance_are_what_their_letters_say() {
        // C = diag(4, 9, 16) mm² at every place.
        let information = Symmetric {
            xx: 1.0 / 4.0,
            xy: 0.0,
            xz: 0.0,
            yy: 1.0 / 9.0,
            yz: 0.0,
            zz: 1.0 / 16.0,
        };
        for (criterion, expected_mm) in [
            (Criterion::Mean, 29.0_f64.sqrt()),
            (Criterion::Percentile95, 29.0_f64.sqrt()),
            (Criterion::Worst, 29.0_f64.sqrt()),
            (Criterion::A, 29.0_f64.sqrt()),
            (Criterion::D, 24.0_f64.cbrt()),
            (Criterion::E, 4.0),
        ] {
            let values = vec![criterion.of_place(&information); 3];
            assert_relative_eq!(criterion.of_places(values), expected_mm, max_relative = 1e-12);
        }
    }

    #[test]
    fn criteria_of_unlike_places_weigh_them_as_they_say() {
        let places = [1.0_f64, 2.0, 5.0];
        assert_relative_eq!(Criterion::Mean.of_places(places.to_vec()), 8.0 / 3.0);
        assert_relative_eq!(Criterion::Worst.of_places(places.to_vec()), 5.0);
        assert_relative_eq!(Criterion::Percentile95.of_places(places.to_vec()), 4.7);
        assert_relative_eq!(Criterion::A.of_places(places.to_vec()), (8.0_f64 / 3.0).sqrt());
        let logs = places.map(f64::ln).to_vec();
        assert_relative_eq!(Criterion::D.of_places(logs), 10.0_f64.cbrt());
    }

    #[test]
    fn every_name_reads_back_as_itself() {
        for criterion in Criterion::ALL {
            assert_eq!(Criterion::named(criterion.as_str()), Some(criterion));
        }
        assert_eq!(Criterion::named("best"), None);
    }
}
