//! The study's numbers inside the page, for its script: one JSON text with lists packed as base64.
//!
//! Everything in it stands in the study and its results as well; nothing else does, so that the page can say no more
//! about a person than they do.

mod base64;
mod packing;
mod places;
mod spans;

use alvine::{Flags, Phase, Torso};
use alvine_study::results::summary::IntervalResult;
use serde::Serialize;

use super::clock::Clock;
use super::escape::printable;
use super::{ReportError, ReportInput, words};
use crate::analysis::PartShares;
use packing::{LENGTH_STEP_MM, LEVEL_STEP_DB, NOWHERE};
use places::Places;
use spans::{Heard, Spans, heard_in};

pub use base64::base64;

/// What the page's script reads.
#[derive(Debug, Serialize)]
pub struct Data {
    start_s: f64,
    end_s: f64,
    /// The time from which elapsed time counts.
    origin_s: f64,
    since: &'static str,
    /// Seconds from midnight to the recording's beginning; `None` where the time of day is not known.
    wall_s: Option<f64>,
    torso: TorsoData,
    sites: Vec<SiteData>,
    signal: SignalData,
    track: TrackData,
    parts: Option<PartsData>,
    phases: Vec<PhaseData>,
    events: Vec<EventData>,
    dropouts: Vec<[f64; 2]>,
    clock_jumps: Vec<[f64; 2]>,
    flags: Vec<&'static str>,
}

#[derive(Debug, Serialize)]
struct TorsoData {
    breadth_mm: f64,
    depth_mm: f64,
    lowest_mm: f64,
    highest_mm: f64,
}

#[derive(Debug, Serialize)]
struct SiteData {
    name: String,
    position_mm: [f64; 3],
    /// From when to when it seems to have been loose, s, and by how much weaker it was then, dB.
    loose: Vec<[f64; 3]>,
}

/// Spans: those of the first site, then those of the next.
#[derive(Debug, Serialize)]
struct SignalData {
    width_s: f64,
    count: usize,
    /// The level that is written as 1, dBm.
    least_dbm: f64,
    greatest_dbm: f64,
    floor_dbm: f64,
    step_db: f64,
    /// 0 where none was heard.
    weakest: String,
    strongest: String,
    silence: String,
}

#[derive(Debug, Serialize)]
struct TrackData {
    width_s: f64,
    count: usize,
    step_mm: f64,
    nowhere: i16,
    /// x, y, z of each place.
    place: String,
    /// Standard deviations along x, y, z.
    deviation: String,
    /// Correlations xy, xz, yz.
    correlation: String,
    flags: String,
    #[serde(skip)]
    departure_mm: f64,
}

/// Probabilities: those of the first stage, then those of the next.
#[derive(Debug, Serialize)]
struct PartsData {
    start_s: f64,
    width_s: f64,
    stages: Vec<StageData>,
    probability: String,
}

#[derive(Debug, Serialize)]
struct StageData {
    phase: &'static str,
    name: String,
}

#[derive(Debug, Serialize)]
struct PhaseData {
    phase: String,
    name: String,
    start_s: f64,
    end_s: f64,
}

/// A landmark or a finding.
#[derive(Debug, Serialize)]
struct EventData {
    kind: &'static str,
    name: String,
    time_s: f64,
    interval90_s: Option<[f64; 2]>,
}

impl Data {
    /// The numbers of a report.
    pub fn of(input: &ReportInput<'_>) -> Self {
        let clock = Clock::of(input);
        let (recording, torso) = (&input.study.recording, &input.study.setup.torso);
        let start_s = recording.time_s().first().copied().unwrap_or(0.0);
        let quality = &input.summary.quality;
        Self {
            start_s,
            end_s: start_s + recording.duration_s(),
            origin_s: clock.origin_s(),
            since: clock.since(),
            wall_s: clock.wall_phase_s(),
            torso: TorsoData {
                breadth_mm: torso.breadth_mm(),
                depth_mm: torso.depth_mm(),
                lowest_mm: Torso::LOWEST_MM,
                highest_mm: Torso::HIGHEST_MM,
            },
            sites: sites(input),
            signal: signal(input),
            track: track(&Places::of(recording, input.track)),
            parts: input.parts.map(parts),
            phases: phases(input),
            events: events(input),
            dropouts: quality.dropouts.iter().map(ends).collect(),
            clock_jumps: quality.clock_jumps.iter().map(ends).collect(),
            flags: Flags::NAMED.iter().map(|(_, name)| words::flag(name)).collect(),
        }
    }

    /// How far they were thinned.
    pub fn thinning(&self) -> Thinning {
        Thinning {
            signal_s: self.signal.width_s,
            track_s: self.track.width_s,
            // Rounding moves a place by half a step along each axis at most.
            departure_mm: self.track.departure_mm + 0.5 * 3_f64.sqrt() * LENGTH_STEP_MM,
        }
    }

    /// The numbers as JSON in which nothing can end the element that holds it.
    ///
    /// # Errors
    ///
    /// [`ReportError::Data`] when a number cannot be written.
    pub fn json(&self) -> Result<String, ReportError> {
        let text = serde_json::to_string(self).map_err(|error| ReportError::Data {
            cause: error.to_string(),
        })?;
        // These stand in strings only, where an escape means the same.
        Ok(text
            .replace('<', "\\u003c")
            .replace('>', "\\u003e")
            .replace('&', "\\u0026"))
    }
}

/// How the page thinned what it shows: for the words beside it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Thinning {
    /// Width of a span of the signals, s.
    pub signal_s: f64,
    /// Width of a span of the track, s.
    pub track_s: f64,
    /// No point of the track lies further than this from the drawn one at its time, mm.
    pub departure_mm: f64,
}

fn sites(input: &ReportInput<'_>) -> Vec<SiteData> {
    let loosenings = &input.summary.quality.loosenings;
    let sites = input.study.setup.layout.sites().iter();
    sites
        .map(|site| SiteData {
            name: shown(&site.name),
            position_mm: site.position_mm.into(),
            loose: loosenings
                .iter()
                .filter(|loose| loose.site == site.name)
                .map(|loose| [loose.start_s, loose.end_s, loose.loss_db.abs()])
                .collect(),
        })
        .collect()
}

fn signal(input: &ReportInput<'_>) -> SignalData {
    let (recording, receiver) = (&input.study.recording, &input.study.setup.receiver);
    let spans = Spans::of_signals(recording);
    let heard = heard_in(recording, receiver, &spans);
    let levels = heard.iter().flatten().filter_map(|span| span.levels_dbm);
    let floor_dbm = receiver.floor_dbm();
    let (least_dbm, greatest_dbm) = levels.fold((floor_dbm, floor_dbm), |(least, greatest), (weakest, strongest)| {
        (least.min(weakest), greatest.max(strongest))
    });
    let least_dbm = least_dbm.floor();
    let packed = |which: fn((f64, f64)) -> f64| {
        let byte = |span: &Heard| {
            span.levels_dbm
                .map_or(0, |levels| packing::level(which(levels), least_dbm))
        };
        packing::bytes(heard.iter().flatten().map(byte))
    };
    SignalData {
        width_s: spans.width_s(),
        count: spans.count(),
        least_dbm,
        greatest_dbm,
        floor_dbm,
        step_db: LEVEL_STEP_DB,
        weakest: packed(|(weakest, _)| weakest),
        strongest: packed(|(_, strongest)| strongest),
        silence: packing::bytes(heard.iter().flatten().map(packing::silence)),
    }
}

fn track(places: &Places<'_>) -> TrackData {
    let points = &places.points;
    let deviation_mm = |k: usize| {
        points
            .iter()
            .map(move |point| point.map_or(0.0, |point| point.covariance_mm2[(k, k)].max(0.0).sqrt()))
    };
    let [x, y, z] = [0, 1, 2].map(|k| deviation_mm(k).collect::<Vec<_>>());
    let deviations_mm = x.iter().zip(&y).zip(&z).flat_map(|((&x, &y), &z)| [x, y, z]);
    let correlations = points.iter().flat_map(|point| {
        [(0, 1), (0, 2), (1, 2)].map(|(i, j)| {
            let covariance_mm2 = point.map(|point| &point.covariance_mm2);
            covariance_mm2.map_or(0, |matrix| {
                let scale = (matrix[(i, i)] * matrix[(j, j)]).max(0.0).sqrt();
                packing::correlation(if scale > 0.0 { matrix[(i, j)] / scale } else { 0.0 })
            })
        })
    });
    let coordinates = points.iter().flat_map(|point| {
        point.map_or([NOWHERE; 3], |point| {
            let [x_mm, y_mm, z_mm] = point.position_mm.into();
            [x_mm, y_mm, z_mm].map(packing::coordinate)
        })
    });
    TrackData {
        width_s: places.spans.width_s(),
        count: places.spans.count(),
        step_mm: LENGTH_STEP_MM,
        nowhere: NOWHERE,
        place: packing::signed_words(coordinates),
        deviation: packing::words(deviations_mm.map(packing::length)),
        correlation: packing::signed_bytes(correlations),
        flags: packing::words(places.flags.iter().copied()),
        departure_mm: places.departure_mm,
    }
}

fn parts(parts: &PartShares) -> PartsData {
    let stages = parts.stages.iter().map(|&(phase, part)| StageData {
        phase: phase.as_str(),
        name: part.map_or_else(|| words::plain(phase.as_str()), |part| words::plain(part.as_str())),
    });
    PartsData {
        start_s: parts.start_s,
        width_s: parts.bin_s,
        stages: stages.collect(),
        probability: packing::bytes(parts.shares.iter().flatten().map(|&share| packing::probability(share))),
    }
}

fn phases(input: &ReportInput<'_>) -> Vec<PhaseData> {
    let phases = input.summary.phases.iter();
    phases
        .map(|phase| PhaseData {
            phase: phase.phase.parse::<Phase>().map_or("nothing", Phase::as_str).to_owned(),
            name: words::titled(&phase.phase),
            start_s: phase.start_s,
            end_s: phase.end_s,
        })
        .collect()
}

/// Landmarks that were passed, and findings, in order of time.
fn events(input: &ReportInput<'_>) -> Vec<EventData> {
    let landmarks = input.summary.landmarks.iter().filter_map(|landmark| {
        Some(EventData {
            kind: "landmark",
            name: words::titled(&landmark.kind),
            time_s: landmark.time_s?,
            interval90_s: landmark.interval90_s,
        })
    });
    let findings = input.summary.findings.iter().map(|finding| EventData {
        kind: "finding",
        name: shown(&finding.id),
        time_s: finding.time_s,
        interval90_s: None,
    });
    let mut events: Vec<_> = landmarks.chain(findings).collect();
    events.sort_by(|one, other| one.time_s.total_cmp(&other.time_s));
    events
}

fn shown(text: &str) -> String {
    printable(text).into_owned()
}

fn ends(interval: &IntervalResult) -> [f64; 2] {
    [interval.start_s, interval.end_s]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::fixture::{Fixture, SCENES, USUAL};

    #[test]
    fn nothing_in_the_data_can_end_its_element_and_it_reads_back() {
        let scene = SCENES.iter().find(|scene| scene.hostile).unwrap();
        let fixture = Fixture::of(scene);
        let json = Data::of(&fixture.input()).json().unwrap();
        assert!(!json.contains(['<', '>', '&']));
        let read: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(read["sites"][0]["name"], fixture.study.setup.layout.sites()[0].name);
    }

    #[test]
    fn twelve_hours_at_six_hertz_take_less_than_two_megabytes() {
        let fixture = Fixture::of(SCENES.iter().find(|scene| scene.name == "long").unwrap());
        let data = Data::of(&fixture.input());
        let json = data.json().unwrap();
        assert!(json.len() < 2_000_000, "{} bytes", json.len());
        assert!(data.signal.width_s < 2.2, "{}", data.signal.width_s);
    }

    #[test]
    fn every_list_is_as_long_as_it_says() {
        for scene in &SCENES {
            let fixture = Fixture::of(scene);
            let data = Data::of(&fixture.input());
            let length = |text: &str| text.len() / 4 * 3 - text.matches('=').count();
            let spans = data.signal.count * data.sites.len();
            for list in [&data.signal.weakest, &data.signal.strongest, &data.signal.silence] {
                assert_eq!(length(list), spans, "{}", scene.name);
            }
            assert_eq!(length(&data.track.place), 6 * data.track.count);
            assert_eq!(length(&data.track.deviation), 6 * data.track.count);
            assert_eq!(length(&data.track.correlation), 3 * data.track.count);
            assert_eq!(length(&data.track.flags), 2 * data.track.count);
            let parts = data.parts.as_ref().unwrap();
            let shares = fixture.parts.shares.iter().map(Vec::len).sum::<usize>();
            assert_eq!(length(&parts.probability), shares);
        }
    }

    #[test]
    fn landmarks_without_a_time_are_no_events_and_the_rest_are_in_order() {
        let fixture = Fixture::of(&USUAL);
        let events = events(&fixture.input());
        assert!(events.windows(2).all(|pair| pair[0].time_s <= pair[1].time_s));
        let landmarks = fixture
            .summary
            .landmarks
            .iter()
            .filter(|landmark| landmark.time_s.is_some());
        assert_eq!(events.len(), landmarks.count() + fixture.summary.findings.len());
    }
}
