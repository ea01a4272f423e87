//! From a scenario to a recording with its truth.

use alvine::{LandmarkKind, Layout, Position, ReaderFinding, Recording, Setup, Torso, TrueLandmark, Truth, TruthPoint};
use ndarray::Array2;
use rand::Rng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::error::PhantomError;
use crate::gut::{Gut, within_skin};
use crate::motion::{Journey, Organs, Passage};
use crate::radio::{Loosening, Radio, TrueRadio};
use crate::scenario::Scenario;
use crate::streams::{Purpose, stream};
use crate::wander::Wander;

/// The hand that holds the capsule before the swallow, in front of the mouth, mm: well over 300 mm from any site on the
/// abdomen, so that it is mostly not heard.
const HAND_MM: [f64; 3] = [60.0, -320.0, 470.0];
/// How far the hand wanders along each axis, mm, and for how long, s (invented).
const HAND_WANDERS_MM: f64 = 25.0;
const HAND_WANDERS_S: f64 = 3.0;

/// What is found, in the invented words of an invented reader.
const NOTES: [&str; 5] = ["angioectasia", "erosion", "small polyp", "red spot", "lymphangiectasia"];

/// A simulated examination, with its truth.
#[derive(Debug, Clone)]
pub struct Simulated {
    /// What the study is told: the torso, the planned sites, the law, the spreads, transmitter and receiver.
    pub setup: Setup,
    /// When the capsule was swallowed, s since the recording began; negative where it was before.
    pub swallowed_s: f64,
    /// What the sites heard.
    pub recording: Recording,
    /// What happened, one point an instant. A landmark outside the recording has no time.
    pub truth: Truth,
    /// Invented findings in the small bowel, within the recording, in the order of time.
    pub findings: Vec<ReaderFinding>,
    /// The gut.
    pub gut: Gut,
    /// How the air really was.
    pub radio: TrueRadio,
}

/// Simulates a scenario.
///
/// One scenario gives the same bytes on any number of threads and any machine.
///
/// # Errors
///
/// [`PhantomError`] where a parameter is absurd or a loose site does not exist.
pub fn simulate(scenario: &Scenario) -> Result<Simulated, PhantomError> {
    scenario.validate()?;
    let own = scenario.anatomy.torso()?;
    let torso = own.map_or_else(|| scenario.torso.torso(scenario.seed), Ok)?;
    let setup = setup(scenario, torso)?;
    let gut = Gut::of(
        scenario.anatomy,
        torso,
        scenario.torso.height_factor(scenario.seed),
        scenario.seed,
    )?;
    let passage = Passage::draw(scenario.swallowed_s, &scenario.transit, scenario.seed);
    let time_s = instants_s(scenario);
    let mut radio = Radio::new(scenario, &setup, scenario.duration_s())?;
    let mut capsule = Capsule::new(scenario, &gut, &passage);

    let mut rssi_dbm = Array2::zeros((time_s.len(), setup.layout.len()));
    let mut points = Vec::with_capacity(time_s.len());
    let mut previous_s = time_s.first().copied().unwrap_or(0.0);
    for (&now_s, mut row) in time_s.iter().zip(rssi_dbm.rows_mut()) {
        let step_s = now_s - previous_s;
        previous_s = now_s;
        let (point, heard_from_mm) = capsule.at(now_s, step_s);
        if let Some(levels_dbm) = row.as_slice_mut() {
            radio.hear(now_s, step_s, heard_from_mm.as_ref(), levels_dbm);
        }
        points.push(point);
    }
    let last_s = previous_s;
    let truth = Truth {
        points,
        landmarks: true_landmarks(&passage, last_s),
        loosenings: radio.true_loosenings(),
    };
    Ok(Simulated {
        radio: radio.into_truth(),
        findings: findings(scenario, &passage, last_s),
        recording: Recording::new(time_s, rssi_dbm)?,
        swallowed_s: scenario.swallowed_s,
        setup,
        truth,
        gut,
    })
}

/// What the study is told.
fn setup(scenario: &Scenario, torso: Torso) -> Result<Setup, PhantomError> {
    let layout = scenario.layout.clone().unwrap_or_else(|| Layout::default_eight(&torso));
    if let Loosening::Fixed { site, .. } = scenario.loosening
        && site >= layout.len()
    {
        return Err(PhantomError::NoSuchSite {
            site,
            sites: layout.len(),
        });
    }
    Ok(Setup {
        torso,
        room: None,
        layout,
        law: scenario.law,
        noise: scenario.noise,
        transmitter: scenario.transmitter,
        receiver: scenario.receiver,
    })
}

/// Evenly spaced instants from 0 to just before the end.
fn instants_s(scenario: &Scenario) -> Vec<f64> {
    let count = (scenario.duration_s() * scenario.rate_hz).round().max(1.0) as usize;
    (0..count).map(|index| index as f64 / scenario.rate_hz).collect()
}

/// The landmarks that lie within the recording have a time.
fn true_landmarks(passage: &Passage, last_s: f64) -> Vec<TrueLandmark> {
    let within = |time_s: &f64| (0.0..=last_s).contains(time_s);
    LandmarkKind::ALL
        .into_iter()
        .map(|kind| TrueLandmark {
            kind,
            time_s: Some(passage.time_s(kind)).filter(within),
        })
        .collect()
}

/// The capsule on its way, asked in the order of time.
struct Capsule<'a> {
    gut: &'a Gut,
    passage: &'a Passage,
    journey: Journey,
    organs: Organs,
    hand: [Wander; 3],
    hand_rng: Xoshiro256PlusPlus,
}

impl<'a> Capsule<'a> {
    fn new(scenario: &Scenario, gut: &'a Gut, passage: &'a Passage) -> Self {
        let mut hand_rng = stream(scenario.seed, Purpose::Hand);
        Self {
            gut,
            passage,
            journey: Journey::new(
                gut,
                passage,
                scenario.transit.stasis_s,
                scenario.duration_s(),
                scenario.seed,
            ),
            organs: Organs::new(scenario),
            hand: [0; 3].map(|_| Wander::new(HAND_WANDERS_MM, HAND_WANDERS_S, &mut hand_rng)),
            hand_rng,
        }
    }

    /// The truth at a time, and the place from which the capsule is heard: also outside the body before the swallow,
    /// nowhere after expulsion.
    fn at(&mut self, time_s: f64, step_s: f64) -> (TruthPoint, Option<Position>) {
        let phase = self.passage.phase_at(time_s);
        let arc_mm = self.journey.arc_mm(time_s, step_s);
        let position_mm = arc_mm.map(|arc_mm| self.place_mm(arc_mm, step_s));
        let heard_from_mm =
            position_mm.or_else(|| (time_s < self.passage.time_s(LandmarkKind::Swallow)).then(|| self.hand_mm(step_s)));
        let point = TruthPoint {
            time_s,
            position_mm,
            phase,
            part: arc_mm.and_then(|arc_mm| self.gut.part_at(phase, arc_mm)),
            arc_mm,
        };
        (point, heard_from_mm)
    }

    /// The place in the body of an arc, where organs have moved to; inside the skin and above the pelvic floor.
    fn place_mm(&mut self, arc_mm: f64, step_s: f64) -> Position {
        let resting_mm = self.gut.at(arc_mm);
        let moved_mm = resting_mm + self.organs.displacement_mm(&resting_mm, step_s);
        let mut inside_mm = within_skin(self.gut.torso(), &moved_mm, 0.95);
        // The oesophagus reaches above where the torso ends, and a real rectum below.
        let lowest_mm = if self.gut.measured_mm().is_some() {
            f64::NEG_INFINITY
        } else {
            Torso::LOWEST_MM
        };
        inside_mm.z = moved_mm.z.max(lowest_mm);
        inside_mm
    }

    fn hand_mm(&mut self, step_s: f64) -> Position {
        let wandered = self.hand.each_mut().map(|axis| axis.step(step_s, &mut self.hand_rng));
        Position::from(HAND_MM) + Position::from(wandered)
    }
}

/// Findings at random times between pylorus and valve, as far as the recording goes.
fn findings(scenario: &Scenario, passage: &Passage, last_s: f64) -> Vec<ReaderFinding> {
    let start_s = passage.time_s(LandmarkKind::Pylorus).max(0.0);
    let end_s = passage.time_s(LandmarkKind::IleocaecalValve).min(last_s);
    if start_s >= end_s {
        return Vec::new();
    }
    let mut rng = stream(scenario.seed, Purpose::Findings);
    let mut times_s: Vec<f64> = (0..scenario.findings)
        .map(|_| rng.random_range(start_s..end_s).round().clamp(start_s, end_s))
        .collect();
    times_s.sort_by(f64::total_cmp);
    times_s
        .into_iter()
        .enumerate()
        .map(|(index, time_s)| ReaderFinding {
            id: format!("f{}", index + 1),
            time_s,
            note: Some(NOTES[rng.random_range(0..NOTES.len())].to_owned()),
        })
        .collect()
}

#[cfg(test)]
mod tests;
