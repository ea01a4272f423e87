//! A row of an audit from the summary of one study.

use alvine_audit::{LANDMARKS, LandmarkTime, SiteRow, StudyRow, TransitTime};
use alvine_study::Study;
use alvine_study::results::summary::{LandmarkResult, QualityResult, Summary, TransitTime as SummaryTransit};

/// The row of a study that was analysed.
pub fn analysed(name: &str, study: &Study, summary: &Summary) -> StudyRow {
    let quality = &summary.quality;
    let began = study.started.and_then(|started| {
        let moment = started.offset.to_timestamp(started.civil).ok()?;
        Some((moment.as_microsecond(), i64::from(started.offset.seconds() / 60)))
    });
    let lengths = quality.dropouts.iter().map(|span| span.end_s - span.start_s);
    StudyRow {
        study: name.to_owned(),
        id: Some(summary.study.id.clone()),
        started_us: began.map(|(moment_us, _)| moment_us),
        utc_offset_min: began.map(|(_, offset_min)| offset_min),
        fault: None,
        version: summary.method.version.clone(),
        level_known: Some(summary.method.level_known),
        usual_places: Some(summary.method.usual_places),
        prior: Some(summary.method.prior.clone()),
        duration_s: Some(summary.study.duration_s),
        instants: Some(summary.study.instants as u64),
        completeness: Some(summary.completeness.status.as_str().to_owned()),
        probability_complete: Some(summary.completeness.probability_complete),
        last_phase: Some(summary.completeness.last_phase.clone()),
        ended_by: Some(summary.completeness.ended_by.clone()),
        landmarks: LANDMARKS.map(|kind| landmark(kind, &summary.landmarks)),
        transits: summary.transit.named().map(|(_, time)| transit(time)),
        findings: Some(summary.findings.len() as u64),
        hearing_share: hearing_share(quality),
        median_sites_heard: Some(quality.median_sites_heard),
        sites_carrying: Some(quality.sites_carrying as u64),
        median_step_s: quality.median_step_s,
        dropouts: Some(quality.dropouts.len() as u64),
        dropout_s: Some(lengths.sum()),
        clock_jumps: Some(quality.clock_jumps.len() as u64),
        instants_located: Some(quality.instants_located as u64),
        median_radius90_mm: summary.method.median_radius90_mm,
        sites: sites(name, quality),
    }
}

/// The row of a study that could not be.
pub fn faulty(name: &str, fault: String) -> StudyRow {
    StudyRow {
        study: name.to_owned(),
        fault: Some(fault),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        ..StudyRow::default()
    }
}

fn landmark(kind: &str, landmarks: &[LandmarkResult]) -> LandmarkTime {
    let Some(found) = landmarks.iter().find(|landmark| landmark.kind == kind) else {
        return LandmarkTime::default();
    };
    LandmarkTime {
        time_s: found.time_s,
        low90_s: found.interval90_s.map(|interval| interval[0]),
        high90_s: found.interval90_s.map(|interval| interval[1]),
        probability: Some(found.probability_reached),
        source: Some(found.source.as_str().to_owned()),
        signal_s: found.signal_time_s,
    }
}

fn transit(time: &SummaryTransit) -> TransitTime {
    TransitTime {
        time_s: time.duration_s,
        low90_s: time.interval90_s.map(|interval| interval[0]),
        high90_s: time.interval90_s.map(|interval| interval[1]),
        censored: time.duration_s.map(|_| time.censored),
    }
}

/// The mean over the sites of the share at which they heard the capsule.
fn hearing_share(quality: &QualityResult) -> Option<f64> {
    let sites = &quality.sites;
    let heard: f64 = sites.iter().map(|site| site.heard + site.saturated).sum();
    (!sites.is_empty()).then(|| heard / sites.len() as f64)
}

fn sites(name: &str, quality: &QualityResult) -> Vec<SiteRow> {
    let sites = quality.sites.iter().map(|site| {
        let loose = quality.loosenings.iter().filter(|span| span.site == site.name);
        let lengths = loose.clone().map(|span| span.end_s - span.start_s);
        SiteRow {
            study: name.to_owned(),
            site: site.name.clone(),
            heard: Some(site.heard),
            below_floor: Some(site.censored),
            missing: Some(site.missing),
            saturated: Some(site.saturated),
            median_dbm: site.median_dbm,
            loosenings: Some(loose.count() as u64),
            loosened_s: Some(lengths.sum()),
        }
    });
    sites.collect()
}
