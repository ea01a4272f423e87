//! Cautions: what the reader of a report must mind, in plain sentences. Information, never advice.

use alvine::{LandmarkKind, Phase};
use alvine_study::results::summary::{Completeness, CompletenessStatus};
use alvine_transit::LandmarkSource;

use super::Found;

/// A capsule still in the stomach this long after the swallow is worth a word, s.
///
/// # Source
///
/// J. Cotter and others, *Finding the solution for incomplete small bowel capsule endoscopy*, World J. Gastrointest. Endosc.
/// 5 (2013): 17 % of patients at one hour.
const LINGERS_S: f64 = 3600.0;

pub(super) fn cautions(found: &Found<'_>, completeness: &Completeness) -> Vec<String> {
    let mut cautions = vec![
        "Computed from signal strength with stated uncertainty: information for the reader of the examination, not a \
         diagnosis. Local protocol and clinical judgement decide."
            .to_owned(),
    ];
    if completeness.status != CompletenessStatus::Complete {
        cautions.push(
            "A recording that ends before the colon is incomplete; it does not show that the capsule is retained. Retention \
             is defined as a capsule in the digestive tract for at least two weeks (ICCE consensus, Endoscopy 2005; 37: \
             1065–1067), which no single recording can prove. Follow local protocol on confirming passage."
                .to_owned(),
        );
    }
    cautions.extend(told_law(found));
    cautions.extend(stomach(found));
    cautions.extend(loose_sites(found));
    cautions.extend(few_sites(found));
    cautions.extend(disagreements(found));
    cautions.extend(two_swallows(found));
    cautions.extend(outside(found));
    cautions
}

/// Readings that lie far from what the study says of them.
fn told_law(found: &Found<'_>) -> Option<String> {
    let told = found.told.as_ref().filter(|told| told.is_contradicted())?;
    Some(format!(
        "The signal does not fit the stated law: along the path that fits best readings lie {:.0} dB from it, where the study states a \
         spread of {:.1} dB. Check [propagation], power_dbm and the places of the sites. Covariances were widened by {:.1} squared; \
         neither places nor the times of landmarks are to be trusted.",
        told.missed_db,
        told.stated_db,
        told.ratio()
    ))
}

fn stomach(found: &Found<'_>) -> Option<String> {
    let stomach = found.phases.iter().find(|passed| passed.phase == Phase::Stomach)?;
    (stomach.duration.length_s() > LINGERS_S).then(|| {
        format!(
            "The capsule stayed in the stomach for {}{:.0} min. That alone says nothing of delayed emptying: 17 % of patients \
             had it there after one hour (Cotter et al. 2013).",
            if stomach.duration.censored { "at least " } else { "" },
            stomach.duration.length_s() / 60.0
        )
    })
}

fn loose_sites(found: &Found<'_>) -> Vec<String> {
    let sites = found.study.setup.layout.sites();
    found
        .loosenings
        .iter()
        .map(|span| {
            format!(
                "The antenna at {} seems to have worked loose from {:.0} s to {:.0} s: it heard about {:.0} dB less while the \
                 others hardly changed. The track leaves it out there. On simulated studies 29 of 31 such remarks were right, and \
                 fewer than half of the antennas that worked loose were remarked on: look at the signals.",
                sites[span.site].name, span.start_s, span.end_s, span.loss_db
            )
        })
        .collect()
}

fn few_sites(found: &Found<'_>) -> Option<String> {
    (found.quality.median_sites_heard < 4.0).then(|| {
        format!(
            "At half of the instants no more than {:.0} sites heard the capsule: positions are rough.",
            found.quality.median_sites_heard
        )
    })
}

/// A reader's landmark far from where the signal puts it; the reader's stands.
fn disagreements(found: &Found<'_>) -> Vec<String> {
    const FAR_S: f64 = 900.0;
    found
        .landmarks
        .iter()
        .filter(|landmark| landmark.kind != LandmarkKind::Swallow)
        .filter_map(|landmark| Some((landmark.kind, landmark.time_s?, landmark.signal_time_s?)))
        .filter(|(_, reader_s, signal_s)| (reader_s - signal_s).abs() > FAR_S)
        .map(|(kind, reader_s, signal_s)| {
            format!("The reader puts the {kind} at {reader_s:.0} s, the signal alone at {signal_s:.0} s; the reader's time was used.")
        })
        .collect()
}

/// A swallow that the reader and the study put at different times; the reader's stands.
fn two_swallows(found: &Found<'_>) -> Option<String> {
    const FAR_S: f64 = 60.0;
    let stated_s = found.study.swallowed_s?;
    let read = found
        .study
        .landmarks
        .iter()
        .find(|landmark| landmark.kind == LandmarkKind::Swallow)?;
    ((stated_s - read.time_s).abs() > FAR_S).then(|| {
        format!(
            "The study states that the capsule was swallowed at {stated_s:.0} s, the reader gives {:.0} s; the reader's time was used.",
            read.time_s
        )
    })
}

/// Landmarks that were given outside the recording: what they do to the answer is said.
fn outside(found: &Found<'_>) -> Vec<String> {
    let time_s = found.study.recording.time_s();
    let (first_s, last_s) = (time_s[0], time_s[time_s.len() - 1]);
    let given = found
        .landmarks
        .iter()
        .filter(|landmark| landmark.source != LandmarkSource::Estimated);
    given
        .filter_map(|landmark| Some((landmark.kind, landmark.time_s?)))
        // A swallow before the recording is no slip.
        .filter(|&(kind, at_s)| at_s > last_s || at_s < first_s && kind != LandmarkKind::Swallow)
        .map(|(kind, at_s)| {
            let counts = if at_s > last_s { "not passed within it" } else { "passed before it" };
            format!(
                "The {kind} is given at {at_s:.0} s, outside the recording ({first_s:.0} s to {last_s:.0} s): it counts as {counts}, whatever \
                 the signal says. Check the time."
            )
        })
        .collect()
}
