//! Invented studies with their results, for the report's tests: likely ones, odd ones, and empty ones.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use alvine::{
    Flags, LandmarkKind, Law, Layout, LogDistance, NoiseModel, Part, Phase, Position, Receiver, Recording, Setup, Site,
    Torso, Track, TrackPoint, Transmitter,
};
use alvine_study::results::summary::{
    Completeness, CompletenessStatus, FindingResult, IntervalResult, LandmarkResult, LooseningResult, Method,
    MotilityResult, MotionResult, PhaseResult, QualityResult, RhythmHourResult, RhythmResult, RivalResult,
    SUMMARY_FORMAT, SiteQualityResult, Source, StudyHead, Summary, TransitResult, TransitTime,
};
use alvine_study::{Started, Study};
use jiff::civil::date;
use jiff::tz::Offset;
use nalgebra::Matrix3;
use ndarray::Array2;

use super::ReportInput;
use crate::analysis::PartShares;

/// What sets one invented study apart.
#[derive(Debug, Clone, Copy)]
pub struct Scene {
    /// Its name, also that of its folder.
    pub name: &'static str,
    pub hours: f64,
    pub rate_hz: f64,
    pub sites: usize,
    pub valve_reached: bool,
    pub findings: usize,
    pub started: bool,
    /// Twenty minutes without a packet at any site, and a leap of the clock.
    pub gaps: bool,
    /// The second site never hears anything.
    pub dead_site: bool,
    /// Whether the study's texts try to be markup.
    pub hostile: bool,
    /// No track, no phases, no landmarks.
    pub nothing_told: bool,
}

/// The common case, from which the others differ.
pub const USUAL: Scene = Scene {
    name: "usual",
    hours: 8.0,
    rate_hz: 2.0,
    sites: 8,
    valve_reached: true,
    findings: 3,
    started: true,
    gaps: true,
    dead_site: false,
    hostile: false,
    nothing_told: false,
};

/// Every scene that the tests look at.
pub const SCENES: [Scene; 8] = [
    USUAL,
    Scene {
        name: "valve-not-reached",
        valve_reached: false,
        dead_site: true,
        findings: 0,
        gaps: false,
        ..USUAL
    },
    Scene {
        name: "hostile",
        hostile: true,
        findings: 2,
        ..USUAL
    },
    Scene {
        name: "nothing-told",
        nothing_told: true,
        findings: 1,
        started: false,
        ..USUAL
    },
    Scene {
        name: "four-sites",
        sites: 4,
        started: false,
        ..USUAL
    },
    Scene {
        name: "forty-sites",
        sites: 40,
        findings: 30,
        ..USUAL
    },
    Scene {
        name: "one-instant",
        hours: 0.0,
        nothing_told: true,
        findings: 0,
        gaps: false,
        ..USUAL
    },
    Scene {
        name: "long",
        hours: 12.0,
        rate_hz: 6.0,
        ..USUAL
    },
];

/// A scene's study with its results.
#[derive(Debug)]
pub struct Fixture {
    pub study: Study,
    pub track: Track,
    pub summary: Summary,
    pub parts: PartShares,
}

const SWALLOW_S: f64 = 412.0;
const CARDIA_S: f64 = 424.0;
const PYLORUS_S: f64 = 3540.0;
const FLEXURE_S: f64 = 4700.0;
const VALVE_S: f64 = 17_900.0;
const GAP_S: std::ops::Range<f64> = 12_000.0..13_200.0;
const LOOSE_S: std::ops::Range<f64> = 15_500.0..21_000.0;

impl Fixture {
    /// Makes a scene's study.
    pub fn of(scene: &Scene) -> Self {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let setup = Setup {
            torso,
            room: None,
            layout: layout(scene, &torso),
            law: Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE),
            noise: NoiseModel::new(7.85, 2.0).unwrap(),
            transmitter: Transmitter::new(433.0, -20.0, Some(12.0)).unwrap(),
            receiver: Receiver::new(-100.0, Some(-48.0), Some(1.0)).unwrap(),
        };
        let time_s = times(scene);
        let recording = recording(scene, &setup, &time_s);
        let study = Study {
            id: text(scene, "invented-07", "</title><script>alert('id')</script>"),
            started: scene.started.then(|| Started {
                civil: date(2026, 3, 2).at(8, 14, 0, 0),
                offset: Offset::constant(1),
            }),
            swallowed_s: Some(SWALLOW_S),
            setup,
            landmarks: Vec::new(),
            findings: Vec::new(),
            recording,
            auxiliary: Vec::new(),
        };
        let track = if scene.nothing_told {
            Track::default()
        } else {
            track(scene, &time_s)
        };
        let summary = summary(scene, &study, &track);
        let parts = parts(scene, study.recording.duration_s());
        Self {
            study,
            track,
            summary,
            parts,
        }
    }

    /// The input of the report.
    pub fn input(&self) -> ReportInput<'_> {
        ReportInput {
            study: &self.study,
            track: &self.track,
            summary: &self.summary,
            parts: Some(&self.parts),
        }
    }
}

fn text(scene: &Scene, plain: &str, hostile: &str) -> String {
    if scene.hostile { hostile } else { plain }.to_owned()
}

fn layout(scene: &Scene, torso: &Torso) -> Layout {
    let eight = Layout::default_eight(torso);
    let mut sites = match scene.sites {
        8 => eight.sites().to_vec(),
        4 => [1, 3, 4, 6].map(|index| eight.sites()[index].clone()).to_vec(),
        count => (0..count)
            .map(|k| {
                let x_mm = -132.0 + 264.0 * (k % 5) as f64 / 4.0;
                let z_mm = 170.0 - 300.0 * (k / 5) as f64 / (count / 5) as f64;
                let place_mm = Position::new(x_mm, torso.front_skin_y_mm(x_mm), z_mm);
                Site::new(format!("array-{}", k + 1), place_mm)
            })
            .collect(),
    };
    if scene.hostile {
        sites[0].name = "<img src=x onerror=alert(1)>".to_owned();
        sites[1].name = "a&b ]]> <!-- 'c' and a name that is very much longer than any name ought to be".to_owned();
    }
    Layout::new(sites).unwrap()
}

fn times(scene: &Scene) -> Vec<f64> {
    let count = (scene.hours * 3600.0 * scene.rate_hz) as usize + 1;
    let leap_s = |k: usize| if scene.gaps && 2 * k > count { 240.0 } else { 0.0 };
    (0..count).map(|k| k as f64 / scene.rate_hz + leap_s(k)).collect()
}

/// A number in −1 to 1 that looks random and is always the same.
fn noise(k: usize, stream: usize) -> f64 {
    let mut z = (k as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ (stream as u64).wrapping_mul(0xD1B5_4A32_D192_ED03);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

fn valve_s(scene: &Scene) -> f64 {
    if scene.valve_reached { VALVE_S } else { f64::INFINITY }
}

/// Where the capsule is: down, a stay in the stomach, coils, and round the colon.
fn place(scene: &Scene, time_s: f64) -> Position {
    let between = |a: [f64; 3], b: [f64; 3], share: f64| {
        Position::from(a) + (Position::from(b) - Position::from(a)) * share.clamp(0.0, 1.0)
    };
    if time_s < CARDIA_S {
        return between(
            [0.0, 150.0, 250.0],
            [18.0, 120.0, 165.0],
            (time_s - SWALLOW_S) / (CARDIA_S - SWALLOW_S),
        );
    }
    let wobble = |period_s: f64, phase: f64| (TAU * time_s / period_s + phase).sin();
    if time_s < PYLORUS_S {
        let along = ((time_s - CARDIA_S) / (PYLORUS_S - CARDIA_S)).powi(3);
        let middle = between([62.0, 100.0, 130.0], [-22.0, 75.0, 92.0], along);
        return middle
            + Position::new(
                9.0 * wobble(170.0, 0.0),
                6.0 * wobble(230.0, 1.0),
                8.0 * wobble(310.0, 2.0),
            );
    }
    if time_s < valve_s(scene) {
        let along = (time_s - PYLORUS_S) / (VALVE_S - PYLORUS_S);
        let coil = TAU * 5.2 * along;
        let middle = between([-22.0, 80.0, 92.0], [-88.0, 70.0, -70.0], along);
        let size = (TAU * 0.5 * along.min(1.0)).sin().max(0.25);
        return middle
            + Position::new(
                (78.0 * coil.sin() + 4.0 * wobble(95.0, 0.3)) * size,
                (24.0 * (1.7 * coil).cos() + 3.0 * wobble(140.0, 1.1)) * size,
                (52.0 * (0.8 * coil).sin() + 4.0 * wobble(120.0, 2.2)) * size,
            );
    }
    let corners = [
        [-88.0, 70.0, -70.0],
        [-105.0, 90.0, 75.0],
        [0.0, 55.0, 60.0],
        [112.0, 110.0, 105.0],
        [108.0, 120.0, -60.0],
    ];
    let along = (time_s - VALVE_S) / 6500.0;
    let leg = (along as usize).min(corners.len() - 2);
    let middle = between(corners[leg], corners[leg + 1], along - leg as f64);
    middle
        + Position::new(
            3.0 * wobble(400.0, 0.0),
            2.0 * wobble(530.0, 1.0),
            4.0 * wobble(610.0, 2.0),
        )
}

fn silent(scene: &Scene, time_s: f64) -> bool {
    scene.gaps && GAP_S.contains(&time_s)
}

fn recording(scene: &Scene, setup: &Setup, time_s: &[f64]) -> Recording {
    let sites = setup.layout.len();
    let mut rssi_dbm = Array2::from_elem((time_s.len(), sites), f32::NAN);
    for (k, &time_s) in time_s.iter().enumerate() {
        let place_mm = place(scene, time_s);
        for site in 0..sites {
            let lost = noise(k, 3 * site) > 0.94 || silent(scene, time_s) || (scene.dead_site && site == 1);
            if lost {
                continue;
            }
            let inside_dbm = setup.median_dbm(&place_mm, site) + 6.0 * noise(site, 77) + 3.0 * noise(k, 3 * site + 1);
            let held_dbm = if time_s < SWALLOW_S {
                -47.0 - 4.0 * noise(k, 5).abs()
            } else {
                inside_dbm
            };
            let loose_db = if site == 2 && LOOSE_S.contains(&time_s) {
                9.0
            } else {
                0.0
            };
            rssi_dbm[(k, site)] = ((held_dbm - loose_db).round().clamp(-104.0, -40.0)) as f32;
        }
    }
    Recording::new(time_s.to_vec(), rssi_dbm).unwrap()
}

fn track(scene: &Scene, time_s: &[f64]) -> Track {
    let known = |&(_, &time_s): &(usize, &f64)| time_s >= SWALLOW_S && !silent(scene, time_s);
    let points = time_s.iter().enumerate().filter(known).map(|(instant, &time_s)| {
        let deep = 13.0 + 6.0 * (time_s / 4000.0).sin();
        let slant = Matrix3::new(1.0, 0.2, 0.3, 0.2, 1.8, 0.1, 0.3, 0.1, 1.2);
        TrackPoint {
            instant,
            time_s,
            position_mm: place(scene, time_s) + Position::new(noise(instant, 900), 0.0, noise(instant, 901)) * 0.4,
            covariance_mm2: slant * (deep * deep),
            sites_used: 6,
            flags: if instant % 97 == 0 {
                Flags::BRIDGED | Flags::FEW_SITES
            } else {
                Flags::NONE
            },
        }
    });
    Track {
        points: points.collect(),
    }
}

fn landmark(scene: &Scene, kind: LandmarkKind, time_s: Option<f64>, spread_s: f64) -> LandmarkResult {
    let time_s = time_s.filter(|_| !scene.nothing_told);
    let source = match kind {
        LandmarkKind::Swallow => Source::Recording,
        LandmarkKind::Pylorus => Source::Reader,
        _ => Source::Estimated,
    };
    let signal = matches!(source, Source::Reader).then_some(spread_s);
    LandmarkResult {
        kind: kind.as_str().to_owned(),
        time_s,
        interval50_s: time_s.map(|time_s| [time_s - 0.4 * spread_s, time_s + 0.4 * spread_s]),
        interval90_s: time_s.map(|time_s| [time_s - spread_s, time_s + 1.2 * spread_s]),
        probability_reached: if time_s.is_some() { 0.974 } else { 0.041 },
        source,
        signal_time_s: time_s.zip(signal).map(|(time_s, spread_s)| time_s + spread_s),
        reason: time_s.is_none().then(|| {
            text(
                scene,
                "not reached in this recording: the capsule was still in the small bowel when the recording stopped",
                "<b>not</b> reached & \"unknown\"",
            )
        }),
    }
}

fn phases(scene: &Scene, end_s: f64) -> Vec<PhaseResult> {
    if scene.nothing_told {
        return Vec::new();
    }
    let valve_s = valve_s(scene);
    let spans = [
        (Phase::Outside, 0.0, SWALLOW_S),
        (Phase::Oesophagus, SWALLOW_S, CARDIA_S),
        (Phase::Stomach, CARDIA_S, PYLORUS_S),
        (Phase::SmallBowel, PYLORUS_S, valve_s.min(end_s)),
        (Phase::Colon, valve_s, end_s),
    ];
    let seen = spans.into_iter().filter(|&(_, start_s, end_s)| start_s < end_s);
    seen.map(|(phase, start_s, until_s)| PhaseResult {
        phase: phase.as_str().to_owned(),
        start_s,
        end_s: until_s,
        duration_s: until_s - start_s,
        interval90_s: (until_s < end_s && start_s > 0.0)
            .then_some([0.95 * (until_s - start_s), 1.06 * (until_s - start_s)]),
        censored: until_s >= end_s || start_s <= 0.0,
    })
    .collect()
}

fn transit_time(duration_s: Option<f64>, censored: bool, reference: Option<[f64; 3]>) -> TransitTime {
    TransitTime {
        duration_s,
        interval90_s: duration_s
            .filter(|_| !censored)
            .map(|length_s| [0.95 * length_s, 1.05 * length_s]),
        censored,
        reference_median_s: reference.map(|[_, median_s, _]| median_s),
        reference_range_s: reference.map(|[from_s, _, to_s]| [from_s, to_s]),
        reference_kind: reference.map(|_| "interquartile range".to_owned()),
        reference_source: reference
            .map(|_| "O'Grady et al., Endosc. Int. Open 2020; 8: E396–E400, 71 healthy volunteers, fasting".to_owned()),
    }
}

/// Parts that fade into each other over a few minutes.
fn parts(scene: &Scene, duration_s: f64) -> PartShares {
    const BIN_S: f64 = 60.0;
    let stages = [
        (Phase::Outside, None, 0.0),
        (Phase::Stomach, None, SWALLOW_S),
        (Phase::SmallBowel, Some(Part::Duodenum), PYLORUS_S),
        (Phase::SmallBowel, Some(Part::Jejunum), FLEXURE_S),
        (Phase::SmallBowel, Some(Part::Ileum), 0.5 * (FLEXURE_S + VALVE_S)),
        (Phase::Colon, Some(Part::Caecum), valve_s(scene)),
    ];
    let bins = (duration_s / BIN_S) as usize + 1;
    let begun = |start_s: f64, bin: usize| 1.0 / (1.0 + ((start_s - BIN_S * (bin as f64 + 0.5)) / 200.0).exp());
    let share = |k: usize, bin: usize| {
        let next = stages.get(k + 1).map_or(0.0, |&(_, _, start_s)| begun(start_s, bin));
        (if k == 0 { 1.0 } else { begun(stages[k].2, bin) }) - next
    };
    PartShares {
        start_s: 0.0,
        bin_s: BIN_S,
        stages: stages.iter().map(|&(phase, part, _)| (phase, part)).collect(),
        shares: (0..stages.len())
            .map(|k| (0..bins).map(|bin| share(k, bin)).collect())
            .collect(),
    }
}

fn findings(scene: &Scene) -> Vec<FindingResult> {
    let made = (0..scene.findings).map(|k| {
        let time_s = 5200.0 + 11_000.0 * k as f64 / scene.findings.max(2) as f64;
        let told = !scene.nothing_told && k != 2;
        FindingResult {
            id: text(scene, &format!("f{}", k + 1), "<script>f</script>"),
            time_s,
            note: Some(text(scene, "angioectasia, two small spots", "\"><svg onload=alert(2)>")),
            phase: if told { "small-bowel" } else { "unclear" }.to_owned(),
            part: told.then(|| "jejunum".to_owned()),
            time_fraction: told.then_some(0.12 + 0.02 * k as f64),
            time_fraction_interval90: told.then_some([0.10, 0.15]),
            path_fraction: told.then_some(0.18 + 0.02 * k as f64),
            interval90: told.then_some([0.11, 0.29]),
            position_mm: told.then(|| place(scene, time_s).into()),
            radius90_mm: told.then_some(34.0),
            route: told
                .then(|| "From above: a place in the oral part is usually reached through the mouth.".to_owned()),
            reason: (!told).then(|| "no site heard the capsule at that time".to_owned()),
        }
    });
    made.collect()
}

fn quality(scene: &Scene, study: &Study, track: &Track) -> QualityResult {
    let sites = study.setup.layout.sites().iter().enumerate().map(|(k, site)| {
        let dead = scene.dead_site && k == 1;
        let heard = if dead { 0.0 } else { 0.93 - 0.09 * (k % 8) as f64 };
        let missing = if dead { 1.0 } else { 0.031 };
        SiteQualityResult {
            name: site.name.clone(),
            heard,
            censored: (1.0 - heard - missing).max(0.0),
            missing,
            saturated: 0.0,
            median_dbm: (!dead).then_some(-81.0 - k as f64),
        }
    });
    let gap = IntervalResult {
        start_s: GAP_S.start,
        end_s: GAP_S.end,
    };
    let leap_s = 0.5 * scene.hours * 3600.0;
    let leap = IntervalResult {
        start_s: leap_s,
        end_s: leap_s + 240.0,
    };
    let mut flags = BTreeMap::new();
    for (flag, name) in Flags::NAMED {
        flags.insert(name.to_owned(), track.count(flag));
    }
    QualityResult {
        sites: sites.collect(),
        loosenings: (scene.sites > 2 && scene.gaps)
            .then(|| LooseningResult {
                site: study.setup.layout.sites()[2].name.clone(),
                start_s: LOOSE_S.start,
                end_s: LOOSE_S.end,
                loss_db: 9.2,
                probability: 0.97,
            })
            .into_iter()
            .collect(),
        rivals: scene
            .gaps
            .then(|| RivalResult {
                start_s: LOOSE_S.start,
                end_s: LOOSE_S.end,
                position_mm: [-62.0, 84.0, -31.0],
                probability: 0.31,
            })
            .into_iter()
            .collect(),
        dropouts: scene.gaps.then_some(gap).into_iter().collect(),
        clock_jumps: scene.gaps.then_some(leap).into_iter().collect(),
        median_step_s: (scene.hours > 0.0).then_some(1.0 / scene.rate_hz),
        median_sites_heard: 6.0,
        sites_carrying: 8.min(scene.sites),
        instants_located: track.points.len(),
        flags,
    }
}

fn summary(scene: &Scene, study: &Study, track: &Track) -> Summary {
    let end_s = study.recording.time_s()[study.recording.len() - 1];
    let valve = scene.valve_reached.then_some(VALVE_S);
    let told = |time_s: Option<f64>| time_s.filter(|_| !scene.nothing_told);
    Summary {
        format: SUMMARY_FORMAT,
        study: StudyHead {
            id: study.id.clone(),
            started: None,
            duration_s: study.recording.duration_s(),
            instants: study.recording.len(),
            sites: study.setup.layout.names(),
        },
        method: Method {
            version: "0.1.0".to_owned(),
            smoother: "constant-velocity".to_owned(),
            level_known: true,
            usual_places: true,
            rounds: Some(2),
            settled: Some(true),
            calibration: None,
            prior: "fasting".to_owned(),
            median_radius90_mm: (!scene.nothing_told).then_some(31.4),
        },
        completeness: completeness(scene),
        landmarks: [
            (LandmarkKind::Swallow, Some(SWALLOW_S), 2.0),
            (LandmarkKind::Cardia, Some(CARDIA_S), 6.0),
            (LandmarkKind::Pylorus, Some(PYLORUS_S), 240.0),
            (LandmarkKind::DuodenojejunalFlexure, Some(FLEXURE_S), 500.0),
            (LandmarkKind::IleocaecalValve, valve, 900.0),
            (LandmarkKind::Expulsion, None, 1.0),
        ]
        .map(|(kind, time_s, spread_s)| landmark(scene, kind, time_s, spread_s))
        .to_vec(),
        phases: phases(scene, end_s),
        transit: TransitResult {
            oesophageal: transit_time(told(Some(12.0)), false, None),
            gastric: transit_time(told(Some(3116.0)), false, Some([600.0, 1320.0, 2880.0])),
            small_bowel: transit_time(
                told(Some(VALVE_S.min(end_s) - PYLORUS_S)),
                !scene.valve_reached,
                Some([9420.0, 11_910.0, 14_430.0]),
            ),
            colonic: transit_time(
                told(valve.map(|valve_s| end_s - valve_s)),
                scene.valve_reached,
                Some([57_240.0, 77_976.0, 104_040.0]),
            ),
            whole_gut: transit_time(
                told(Some(end_s - SWALLOW_S)),
                true,
                Some([82_800.0, 102_456.0, 134_640.0]),
            ),
        },
        motility: Some(motility(scene, end_s)),
        findings: findings(scene),
        quality: quality(scene, study, track),
        cautions: vec![text(
            scene,
            "The pylorus was read from the images; the signal alone would place it 4 min later.",
            "<style>*{display:none}</style>",
        )],
    }
}

fn motility(scene: &Scene, end_s: f64) -> MotilityResult {
    let told = !scene.nothing_told;
    let motion = |phase: &str, told: bool| MotionResult {
        phase: phase.to_owned(),
        share_moving: told.then_some(0.21),
        share_moving_interval: told.then_some([0.17, 0.6]),
        speed_mm_per_min: told.then_some([None, None, Some(13.5)]),
        moving_speed_mm_per_min: told.then_some([12.8, 16.0, 24.1]),
        minutes: told.then_some(230.0),
        reason: (!told).then(|| "less than half an hour of it has a place".to_owned()),
    };
    let rhythm = |strength_db, per_minute, seen| RhythmResult {
        strength_db,
        per_minute,
        seen,
    };
    MotilityResult {
        phases: vec![
            motion("stomach", told),
            motion("small-bowel", told),
            motion("colon", told && scene.valve_reached),
        ],
        retrograde_share: None,
        retrograde_reason: "which way a step leads along the gut cannot be told".to_owned(),
        rhythm_hours: (0..(end_s / 3600.0) as usize)
            .map(|hour| RhythmHourResult {
                start_s: 3600.0 * hour as f64,
                end_s: 3600.0 * (hour + 1) as f64,
                gastric: (hour != 3).then(|| rhythm(if hour == 0 { 4.1 } else { 0.4 }, 2.9, hour == 0)),
                small_bowel: told.then(|| rhythm(2.2, 11.5, hour > 0)),
            })
            .collect(),
    }
}

fn completeness(scene: &Scene) -> Completeness {
    let (status, probability_complete, last_phase, statement) = if scene.nothing_told {
        (
            CompletenessStatus::Unclear,
            0.5,
            "outside",
            "The signal does not tell whether the colon was reached.",
        )
    } else if scene.valve_reached {
        (
            CompletenessStatus::Complete,
            0.974,
            "colon",
            "The capsule passed the ileocaecal valve; the small bowel was traversed within the recording.",
        )
    } else {
        (
            CompletenessStatus::Incomplete,
            0.041,
            "small-bowel",
            "The capsule was still in the small bowel when the recording stopped.",
        )
    };
    Completeness {
        status,
        probability_complete,
        last_phase: last_phase.to_owned(),
        ended_by: "recording-stopped".to_owned(),
        statement: statement.to_owned(),
    }
}
