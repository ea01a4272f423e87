//! What the rows of many studies say together. Everything here follows from the tables on disk and from nothing else.

use std::collections::HashMap;

use jiff::Timestamp;
use jiff::tz::Offset;
use serde::Serialize;

use crate::antennas::{Failure, SiteAudit, sites};
use crate::control_chart::ControlChart;
use crate::kaplan_meier::{KaplanMeier, Observation, Quantile};
use crate::measures::Verdict;
use crate::proportion::Proportion;
use crate::row::{COLONIC, GASTRIC, SMALL_BOWEL, StudyRow, TRANSITS, VALVE, WHOLE_GUT};

/// Reader and signal further apart than this are worth a look, s; as in the cautions of a report (common practice, no source).
const FAR_S: f64 = 900.0;
/// Fewer sites heard at once than this make a rough place: three coordinates and a level are four unknowns.
const FEW_SITES: f64 = 4.0;
/// Silence of all sites for a larger share of the recording than this is worth a look (common practice, no source).
const MUCH_SILENCE: f64 = 0.1;

/// An audit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Audit {
    /// Studies that were found.
    pub studies: usize,
    /// Those that could be analysed: everything below is of them.
    pub analysed: usize,
    /// Those that could not, and why.
    pub faults: Vec<Faulty>,
    /// How many reached the colon.
    pub completion: Completion,
    /// How long each part took.
    pub transits: Vec<TransitAudit>,
    /// The antennas, by site.
    pub sites: Vec<SiteAudit>,
    /// How well the belts heard, from study to study.
    pub hearing: Hearing,
    /// How many reached the colon, from month to month.
    pub months: Months,
    /// Studies that need a second look, those with most reasons first.
    pub second_look: Vec<SecondLook>,
}

/// A study that could not be analysed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Faulty {
    /// Its path.
    pub study: String,
    /// Why.
    pub fault: String,
}

/// How many reached the colon.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Completion {
    /// Those that did, of all that were analysed.
    pub complete: Proportion,
    /// The same if all that are unclear did too.
    pub at_most: Proportion,
    /// Those of which the signal does not tell.
    pub unclear: usize,
    /// Those of the complete whose valve a reader saw.
    pub seen_by_reader: usize,
    /// The sum of the probabilities: what is expected of the count.
    pub expected: f64,
}

impl Completion {
    /// What it says of a threshold: met by the complete alone, or missed even if all that are unclear were complete too.
    #[must_use]
    pub fn verdict(&self, threshold: f64) -> Verdict {
        if Verdict::of(&self.complete, threshold) == Verdict::Met {
            Verdict::Met
        } else if Verdict::of(&self.at_most, threshold) == Verdict::Missed {
            Verdict::Missed
        } else {
            Verdict::Open
        }
    }
}

/// One transit time over all studies.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TransitAudit {
    /// Its name.
    pub name: &'static str,
    /// When a quarter, half and three quarters have passed.
    pub quartiles: [Quantile; 3],
    /// The curve.
    pub curve: KaplanMeier,
}

/// The share of the instants at which a site heard the capsule, mean over the sites, from study to study.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Hearing {
    /// The studies in the chart's order: by their beginning, then by path.
    pub studies: Vec<String>,
    /// When they began, µs since 1970 UTC.
    pub started_us: Vec<Option<i64>>,
    /// The chart; `None` of too few studies.
    pub chart: Option<ControlChart>,
}

/// Completion from month to month.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Months {
    /// Months with studies, such as `2026-03`, by the clock on the wall.
    pub months: Vec<String>,
    /// The complete of each.
    pub complete: Vec<Proportion>,
    /// Studies that do not say when they began, and are in no month.
    pub undated: usize,
    /// The chart; `None` without a dated study.
    pub chart: Option<ControlChart>,
}

/// A study that needs a second look.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SecondLook {
    /// Its path.
    pub study: String,
    /// Its pseudonym.
    pub id: Option<String>,
    /// Why, in words.
    pub reasons: Vec<String>,
}

impl Audit {
    /// The audit of these studies, which are taken in the order of their paths whatever the order given.
    #[must_use]
    pub fn of(mut studies: Vec<StudyRow>) -> Self {
        studies.sort_by(|one, other| one.study.cmp(&other.study));
        let analysed: Vec<StudyRow> = studies.iter().filter(|row| row.is_analysed()).cloned().collect();
        let hearing = hearing(&analysed);
        Self {
            studies: studies.len(),
            analysed: analysed.len(),
            faults: faults(&studies),
            completion: completion(&analysed),
            transits: [GASTRIC, SMALL_BOWEL, COLONIC, WHOLE_GUT]
                .map(|which| transit(&analysed, which))
                .into(),
            sites: sites(&analysed),
            months: months(&analysed),
            second_look: second_look(&studies, &hearing),
            hearing,
        }
    }
}

fn faults(studies: &[StudyRow]) -> Vec<Faulty> {
    let faulty = studies.iter().filter_map(|row| {
        Some(Faulty {
            study: row.study.clone(),
            fault: row.fault.clone()?,
        })
    });
    faulty.collect()
}

fn is(row: &StudyRow, completeness: &str) -> bool {
    row.completeness.as_deref() == Some(completeness)
}

fn completion(studies: &[StudyRow]) -> Completion {
    let by_reader = |row: &&StudyRow| is(row, "complete") && row.landmarks[VALVE].source.as_deref() == Some("reader");
    Completion {
        complete: Proportion::of(studies, |row| is(row, "complete")),
        at_most: Proportion::of(studies, |row| is(row, "complete") || is(row, "unclear")),
        unclear: studies.iter().filter(|row| is(row, "unclear")).count(),
        seen_by_reader: studies.iter().filter(by_reader).count(),
        expected: studies.iter().filter_map(|row| row.probability_complete).sum(),
    }
}

fn transit(studies: &[StudyRow], which: usize) -> TransitAudit {
    let seen = studies.iter().filter_map(|row| {
        let transit = &row.transits[which];
        Some(Observation {
            time_s: transit.time_s?,
            passed: !transit.censored?,
        })
    });
    let curve = KaplanMeier::of(seen);
    TransitAudit {
        name: TRANSITS[which],
        quartiles: [0.25, 0.5, 0.75].map(|passed| curve.quantile(passed)),
        curve,
    }
}

fn hearing(studies: &[StudyRow]) -> Hearing {
    let mut heard: Vec<&StudyRow> = studies.iter().filter(|row| row.hearing_share.is_some()).collect();
    heard.sort_by_key(|row| (row.started_us.is_none(), row.started_us));
    let values: Vec<f64> = heard.iter().filter_map(|row| row.hearing_share).collect();
    Hearing {
        studies: heard.iter().map(|row| row.study.clone()).collect(),
        started_us: heard.iter().map(|row| row.started_us).collect(),
        chart: ControlChart::of_individuals(&values, [0.0, 1.0]),
    }
}

fn months(studies: &[StudyRow]) -> Months {
    let mut dated: Vec<(String, bool)> = studies
        .iter()
        .filter_map(|row| Some((month(row)?, is(row, "complete"))))
        .collect();
    dated.sort();
    let (mut months, mut complete) = (Vec::new(), Vec::new());
    for together in dated.chunk_by(|one, other| one.0 == other.0) {
        months.push(together[0].0.clone());
        complete.push(Proportion::of(together, |(_, complete)| *complete));
    }
    Months {
        undated: studies.len() - dated.len(),
        chart: ControlChart::of_shares(&complete),
        months,
        complete,
    }
}

/// The month in which a recording began, by the clock on the wall.
fn month(row: &StudyRow) -> Option<String> {
    let seconds = i32::try_from(row.utc_offset_min.unwrap_or(0).checked_mul(60)?).ok()?;
    let moment = Timestamp::from_microsecond(row.started_us?).ok()?;
    let date = Offset::from_seconds(seconds).ok()?.to_datetime(moment).date();
    Some(format!("{:04}-{:02}", date.year(), date.month()))
}

fn second_look(studies: &[StudyRow], hearing: &Hearing) -> Vec<SecondLook> {
    let mut ids: HashMap<&str, usize> = HashMap::new();
    for id in studies.iter().filter_map(|row| row.id.as_deref()) {
        *ids.entry(id).or_default() += 1;
    }
    let points = hearing.chart.iter().flat_map(|chart| &chart.points);
    let outside: HashMap<&str, f64> = hearing
        .studies
        .iter()
        .zip(points)
        .filter(|(_, point)| point.outside && point.value < point.limits[0])
        .map(|(study, point)| (study.as_str(), point.value))
        .collect();
    let mut looks: Vec<SecondLook> = studies
        .iter()
        .filter_map(|row| {
            let mut reasons = reasons(row);
            if row
                .id
                .as_deref()
                .is_some_and(|id| ids.get(id).is_some_and(|&count| count > 1))
            {
                reasons.push("another study has the same pseudonym: one examination may be counted twice".to_owned());
            }
            if let Some(share) = outside.get(row.study.as_str()) {
                let percent = 100.0 * share;
                reasons.push(format!(
                    "its belt heard less than the control limit: {percent:.0} % of the time"
                ));
            }
            (!reasons.is_empty()).then(|| SecondLook {
                study: row.study.clone(),
                id: row.id.clone(),
                reasons,
            })
        })
        .collect();
    // Stable: among those with as many reasons the order of paths stays.
    looks.sort_by_key(|look| std::cmp::Reverse(look.reasons.len()));
    looks
}

/// Why a study needs a second look, as far as it tells itself.
fn reasons(row: &StudyRow) -> Vec<String> {
    if let Some(fault) = &row.fault {
        return vec![format!("could not be analysed: {fault}")];
    }
    let mut reasons = Vec::new();
    if is(row, "unclear") {
        let percent = 100.0 * row.probability_complete.unwrap_or(0.5);
        reasons.push(format!(
            "whether the colon was reached is unclear (probability {percent:.0} %)"
        ));
    }
    if let Some((landmark, apart_s)) = row.greatest_disagreement()
        && apart_s > FAR_S
    {
        let minutes = apart_s / 60.0;
        reasons.push(format!(
            "reader and signal are {minutes:.0} min apart at the {landmark}"
        ));
    }
    if !is(row, "complete") && row.ended_by.as_deref() == Some("recording-stopped") {
        reasons.push("the recording was stopped before the colon while the capsule was still heard".to_owned());
    }
    for site in &row.sites {
        if let Some(failure) = Failure::of(site) {
            reasons.push(format!("the antenna at {} {}", site.site, failure.as_str()));
        }
    }
    if row.median_sites_heard.is_some_and(|heard| heard < FEW_SITES) {
        reasons.push("at half of the instants fewer than four sites heard the capsule".to_owned());
    }
    if let (Some(silent_s), Some(duration_s)) = (row.dropout_s, row.duration_s)
        && silent_s > MUCH_SILENCE * duration_s
    {
        reasons.push(format!(
            "no site heard anything for {:.0} min in the body",
            silent_s / 60.0
        ));
    }
    if row.clock_jumps.is_some_and(|jumps| jumps > 0) {
        reasons.push("its clock leapt".to_owned());
    }
    reasons
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::row::SiteRow;

    const DAY_US: i64 = 86_400_000_000;

    fn study(k: i64, completeness: &str) -> StudyRow {
        StudyRow {
            study: format!("s{k:02}"),
            id: Some(format!("id{k}")),
            completeness: Some(completeness.to_owned()),
            probability_complete: Some(0.5),
            // From 2026-01-20 on, one a day.
            started_us: Some((20_473 + k) * DAY_US),
            hearing_share: Some(0.6 + 0.01 * (k % 2) as f64),
            ..StudyRow::default()
        }
    }

    #[test]
    fn faulty_studies_are_told_and_count_in_nothing_else() {
        let mut studies: Vec<StudyRow> = (0..10).map(|k| study(k, "complete")).collect();
        studies[3].completeness = Some("unclear".to_owned());
        studies[4].completeness = Some("incomplete".to_owned());
        studies[9] = StudyRow {
            study: "s09".to_owned(),
            fault: Some("no study.toml".to_owned()),
            ..StudyRow::default()
        };
        studies.reverse();
        let audit = Audit::of(studies);
        assert_eq!((audit.studies, audit.analysed, audit.faults.len()), (10, 9, 1));
        assert_eq!(audit.completion.complete, Proportion::new(7, 9));
        assert_eq!(audit.completion.at_most, Proportion::new(8, 9));
        assert!((audit.completion.expected - 4.5).abs() < 1e-12);
        let of = |complete, unclear| Completion {
            complete: Proportion::new(complete, 1000),
            at_most: Proportion::new(complete + unclear, 1000),
            ..audit.completion.clone()
        };
        // The unclear ones may all be complete, or none: only what holds either way is told.
        assert_eq!(of(120, 620).verdict(0.80), Verdict::Missed);
        assert_eq!(of(120, 800).verdict(0.80), Verdict::Open);
        assert_eq!(of(850, 100).verdict(0.80), Verdict::Met);
        let looks: Vec<&str> = audit.second_look.iter().map(|look| look.study.as_str()).collect();
        assert_eq!(looks, ["s03", "s09"]);
    }

    #[test]
    fn months_follow_the_clock_on_the_wall() {
        let mut studies: Vec<StudyRow> = (0..30).map(|k| study(k, "complete")).collect();
        studies[5].started_us = None;
        let audit = Audit::of(studies.clone());
        assert_eq!(audit.months.months, ["2026-01", "2026-02"]);
        assert_eq!(
            audit.months.complete,
            [Proportion::new(11, 11), Proportion::new(18, 18)]
        );
        assert_eq!(audit.months.undated, 1);
        // Midnight of the first of February in UTC is still January two hours to the west.
        studies[12].utc_offset_min = Some(-120);
        let audit = Audit::of(studies);
        assert_eq!(audit.months.complete[0], Proportion::new(12, 12));
    }

    #[test]
    fn a_belt_that_heard_less_than_the_limit_a_twin_and_a_dead_antenna_need_a_second_look() {
        let mut studies: Vec<StudyRow> = (0..30).map(|k| study(k, "complete")).collect();
        studies[7].hearing_share = Some(0.2);
        studies[8].id = studies[9].id.clone();
        studies[10].sites = vec![SiteRow {
            site: "epigastric".to_owned(),
            missing: Some(1.0),
            ..SiteRow::default()
        }];
        let audit = Audit::of(studies);
        let looks: Vec<(&str, &str)> = audit
            .second_look
            .iter()
            .map(|look| (look.study.as_str(), look.reasons[0].split(' ').next().unwrap()))
            .collect();
        assert_eq!(
            looks,
            [("s07", "its"), ("s08", "another"), ("s09", "another"), ("s10", "the")]
        );
        assert_eq!(audit.hearing.chart.unwrap().outside(), 1);
    }

    #[test]
    fn a_censored_time_is_watched_and_not_passed() {
        let mut studies: Vec<StudyRow> = (0..4).map(|k| study(k, "complete")).collect();
        for (k, row) in studies.iter_mut().enumerate() {
            row.transits[GASTRIC].time_s = Some(600.0 * (k + 1) as f64);
            row.transits[GASTRIC].censored = Some(k == 1);
        }
        let audit = Audit::of(studies);
        let gastric = &audit.transits[0];
        assert_eq!(
            (gastric.name, gastric.curve.observations, gastric.curve.passed),
            ("gastric", 4, 3)
        );
        // Of four one passes at 600 s, of two one at 1800 s: three quarters, then three eighths remain.
        assert_eq!(gastric.quartiles[1].time_s, Some(1800.0));
    }

    #[test]
    fn no_study_at_all_is_an_audit_too() {
        let audit = Audit::of(Vec::new());
        assert_eq!((audit.studies, audit.completion.complete.share()), (0, None));
        assert!(audit.months.chart.is_none() && audit.hearing.chart.is_none() && audit.second_look.is_empty());
    }
}
