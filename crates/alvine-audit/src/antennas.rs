//! Which antennas failed, and how often, by site.

use std::collections::HashMap;

use serde::Serialize;

use crate::proportion::Proportion;
use crate::row::{SiteRow, StudyRow};

/// An antenna whose packets were missing at this share of the instants or more was off (common practice, no source).
pub const OFF_MISSING: f64 = 0.5;
/// An antenna that sent packets and heard the capsule at a smaller share of the instants was deaf (common practice, no
/// source).
pub const DEAF_HEARD: f64 = 0.01;

/// How an antenna failed through a study.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Failure {
    /// It sent nothing at half of the instants or more.
    Off,
    /// It sent packets and heard next to nothing.
    Deaf,
}

impl Failure {
    /// How a site failed; `None` where it did not, or where it is not known.
    #[must_use]
    pub fn of(site: &SiteRow) -> Option<Self> {
        if site.missing? >= OFF_MISSING {
            return Some(Self::Off);
        }
        (site.heard? + site.saturated? < DEAF_HEARD).then_some(Self::Deaf)
    }

    /// In words.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Off => "sent no packets at half of the instants or more",
            Self::Deaf => "heard the capsule at less than 1 % of the instants",
        }
    }
}

/// One site over all studies that have it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SiteAudit {
    /// Its name.
    pub site: String,
    /// Studies in which it was off.
    pub off: Proportion,
    /// Studies in which it was deaf.
    pub deaf: Proportion,
    /// Studies in which it was either.
    pub failed: Proportion,
    /// Studies with a remark that it may have worked loose.
    pub loose: Proportion,
    /// Mean share of the instants inside the body at which it heard the capsule.
    pub mean_heard: Option<f64>,
}

#[derive(Default)]
struct Tally {
    of: usize,
    off: usize,
    deaf: usize,
    loose: usize,
    heard: f64,
    known: usize,
}

/// The sites of all studies, in the order in which they first occur.
#[must_use]
pub fn sites(studies: &[StudyRow]) -> Vec<SiteAudit> {
    let mut order: Vec<&str> = Vec::new();
    let mut tallies: HashMap<&str, Tally> = HashMap::new();
    for site in studies.iter().flat_map(|study| &study.sites) {
        let tally = tallies.entry(&site.site).or_insert_with(|| {
            order.push(&site.site);
            Tally::default()
        });
        tally.add(site);
    }
    order
        .into_iter()
        .filter_map(|name| Some(tallies.get(name)?.audit(name)))
        .collect()
}

impl Tally {
    fn add(&mut self, site: &SiteRow) {
        self.of += 1;
        match Failure::of(site) {
            Some(Failure::Off) => self.off += 1,
            Some(Failure::Deaf) => self.deaf += 1,
            None => {}
        }
        self.loose += usize::from(site.loosenings.is_some_and(|count| count > 0));
        if let (Some(heard), Some(saturated)) = (site.heard, site.saturated) {
            self.heard += heard + saturated;
            self.known += 1;
        }
    }

    fn audit(&self, name: &str) -> SiteAudit {
        SiteAudit {
            site: name.to_owned(),
            off: Proportion::new(self.off, self.of),
            deaf: Proportion::new(self.deaf, self.of),
            failed: Proportion::new(self.off + self.deaf, self.of),
            loose: Proportion::new(self.loose, self.of),
            mean_heard: (self.known > 0).then(|| self.heard / self.known as f64),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn site(name: &str, heard: f64, missing: f64) -> SiteRow {
        SiteRow {
            site: name.to_owned(),
            heard: Some(heard),
            missing: Some(missing),
            saturated: Some(0.0),
            below_floor: Some(1.0 - heard - missing),
            ..SiteRow::default()
        }
    }

    #[test]
    fn an_antenna_without_packets_is_off_and_one_that_hears_nothing_is_deaf() {
        let study = |sites: Vec<SiteRow>| StudyRow {
            sites,
            ..StudyRow::default()
        };
        let studies = [
            study(vec![site("a", 0.6, 0.1), site("b", 0.2, 0.8)]),
            study(vec![site("a", 0.001, 0.1), site("b", 0.4, 0.0)]),
            study(vec![site("a", 0.01, 0.0)]),
        ];
        let audit = sites(&studies);
        assert_eq!(
            audit.iter().map(|site| site.site.as_str()).collect::<Vec<_>>(),
            ["a", "b"]
        );
        assert_eq!((audit[0].off.count, audit[0].deaf.count, audit[0].failed.of), (0, 1, 3));
        assert_eq!((audit[1].off.count, audit[1].deaf.count, audit[1].failed.of), (1, 0, 2));
        assert!((audit[1].mean_heard.unwrap() - 0.3).abs() < 1e-12);
        assert_eq!(Failure::of(&SiteRow::default()), None);
    }
}
