//! Where along the gut the capsule is at each instant, and where that puts it in the body.

mod backbone;
mod organs;
mod residence;
mod rhythm;
mod stretches;

use alvine::{LandmarkKind, Phase};
use rand::Rng;
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::gut::Gut;
use crate::streams::{Purpose, stream};
use backbone::Backbone;
pub(crate) use organs::Organs;
pub(crate) use residence::MOST_S;
pub use residence::{Residence, Transit};
use rhythm::{Contractions, Rhythm};

/// Time from pylorus to duodenojejunal flexure: median 5 min (from memory), at most a fifth of the small bowel's time.
const DUODENUM: Residence = Residence::Drawn {
    median_s: 300.0,
    sd_ln: 0.6,
};

/// The least time in each stretch, s, so that no draw is absurd.
const LEAST_OESOPHAGUS_S: f64 = 2.0;
const LEAST_STOMACH_S: f64 = 60.0;
const LEAST_SMALL_BOWEL_S: f64 = 1200.0;
const LEAST_DUODENUM_S: f64 = 30.0;
const LEAST_COLON_S: f64 = 1200.0;

/// When the capsule passes each landmark, seconds since the recording began; infinite where it never does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Passage {
    times_s: [f64; 6],
}

impl Passage {
    /// Draws a passage that begins with the swallow.
    pub(crate) fn draw(swallowed_s: f64, transit: &Transit, seed: u64) -> Self {
        let mut rng = stream(seed, Purpose::Transit);
        let cardia_s = swallowed_s + transit.oesophagus.draw_s(LEAST_OESOPHAGUS_S, &mut rng);
        let pylorus_s = cardia_s + transit.stomach.draw_s(LEAST_STOMACH_S, &mut rng);
        let small_bowel_s = transit.small_bowel.draw_s(LEAST_SMALL_BOWEL_S, &mut rng);
        let colon_s = transit.colon.draw_s(LEAST_COLON_S, &mut rng);
        let duodenum_s = DUODENUM.draw_s(LEAST_DUODENUM_S, &mut rng).min(0.2 * small_bowel_s);
        let valve_s = pylorus_s + small_bowel_s + transit.stasis_s;
        Self {
            times_s: [
                swallowed_s,
                cardia_s,
                pylorus_s,
                pylorus_s + duodenum_s,
                valve_s,
                valve_s + colon_s,
            ],
        }
    }

    /// When a landmark is passed, s; infinite for never.
    pub(crate) const fn time_s(&self, kind: LandmarkKind) -> f64 {
        self.times_s[kind as usize]
    }

    /// The phase at a time.
    pub(crate) fn phase_at(&self, time_s: f64) -> Phase {
        let passed = |kind| time_s >= self.time_s(kind);
        if passed(LandmarkKind::Expulsion) || !passed(LandmarkKind::Swallow) {
            Phase::Outside
        } else if passed(LandmarkKind::IleocaecalValve) {
            Phase::Colon
        } else if passed(LandmarkKind::Pylorus) {
            Phase::SmallBowel
        } else if passed(LandmarkKind::Cardia) {
            Phase::Stomach
        } else {
            Phase::Oesophagus
        }
    }
}

/// One stretch of gut between two landmarks, with how it is passed.
#[derive(Debug)]
struct Stretch {
    start_s: f64,
    end_s: f64,
    start_mm: f64,
    length_mm: f64,
    backbone: Backbone,
    contractions: Contractions,
    cursor: usize,
}

impl Stretch {
    fn arc_mm(&mut self, time_s: f64, step_s: f64) -> f64 {
        let (elapsed_s, left_s) = (time_s - self.start_s, self.end_s - time_s);
        let slow_mm = self.backbone.arc_mm(elapsed_s, &mut self.cursor);
        let share = slow_mm / self.length_mm;
        let fast_mm = self.contractions.excursion_mm(elapsed_s, left_s, step_s, share);
        self.start_mm + (slow_mm + fast_mm).clamp(0.0, self.length_mm)
    }
}

/// The capsule's way along the gut, asked in the order of time.
#[derive(Debug)]
pub(crate) struct Journey {
    stretches: Vec<Stretch>,
    current: usize,
}

impl Journey {
    /// A journey through a gut at the times of a passage; stretches that outlast the recording by far are not followed
    /// beyond `until_s`. For the last `stasis_s` before the valve the capsule rests there.
    pub(crate) fn new(gut: &Gut, passage: &Passage, stasis_s: f64, until_s: f64, seed: u64) -> Self {
        let mut rng = stream(seed, Purpose::Motion);
        let mut stretches = Vec::new();
        for (from, to) in LandmarkKind::ALL.into_iter().zip(LandmarkKind::ALL.into_iter().skip(1)) {
            let start_s = passage.time_s(from);
            if !start_s.is_finite() {
                break;
            }
            let leaves = passage.time_s(to).is_finite();
            let end_s = if leaves {
                passage.time_s(to)
            } else {
                until_s.max(start_s) + 3600.0
            };
            let start_mm = gut.landmark_mm(from);
            let length_mm = gut.landmark_mm(to) - start_mm;
            let (backbone, rhythm) = how_passed(from, end_s - start_s, length_mm, leaves.then_some(stasis_s), &mut rng);
            stretches.push(Stretch {
                start_s,
                end_s,
                start_mm,
                length_mm,
                backbone,
                contractions: Contractions::new(rhythm, &mut rng),
                cursor: 0,
            });
        }
        Self { stretches, current: 0 }
    }

    /// The arc from the mouth at a time, `step_s` after the last call; `None` before the swallow and after expulsion.
    pub(crate) fn arc_mm(&mut self, time_s: f64, step_s: f64) -> Option<f64> {
        while self.stretches.get(self.current)?.end_s <= time_s {
            self.current += 1;
        }
        let stretch = &mut self.stretches[self.current];
        (time_s >= stretch.start_s).then(|| stretch.arc_mm(time_s, step_s))
    }
}

/// Slow movement and rhythm of the stretch that a landmark opens; the capsule leaves it after a stasis of so long at the
/// valve, or never.
fn how_passed(
    from: LandmarkKind,
    lasting_s: f64,
    length_mm: f64,
    leaves_after_s: Option<f64>,
    rng: &mut Xoshiro256PlusPlus,
) -> (Backbone, Rhythm) {
    let leaves = leaves_after_s.is_some();
    // A stream of its own a stretch: one that takes longer leaves the others as they were.
    let mut own = rng.clone();
    rng.jump();
    let rng = &mut own;
    // A capsule that never leaves small bowel or colon comes to rest on the way.
    let way_mm = if leaves {
        length_mm
    } else {
        length_mm * rng.random_range(0.5..0.9)
    };
    match from {
        LandmarkKind::Swallow => (stretches::oesophagus(lasting_s, way_mm), stretches::OESOPHAGUS),
        LandmarkKind::Cardia => (
            stretches::stomach(lasting_s, length_mm, leaves, rng),
            stretches::STOMACH,
        ),
        LandmarkKind::Pylorus => (stretches::duodenum(lasting_s, way_mm, rng), stretches::DUODENUM),
        LandmarkKind::DuodenojejunalFlexure => (
            stretches::coils(lasting_s, way_mm, leaves_after_s, rng),
            stretches::COILS,
        ),
        LandmarkKind::IleocaecalValve | LandmarkKind::Expulsion => {
            (stretches::colon(lasting_s, way_mm, rng), stretches::COLON)
        }
    }
}
