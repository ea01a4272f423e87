//! How the capsule moves through each stretch of gut: the slow movement as steps, and the rhythm on top of it.

use rand::Rng;
use rand::seq::SliceRandom;
use rand_xoshiro::Xoshiro256PlusPlus;

use super::backbone::{Backbone, Knot, Step};
use super::rhythm::Rhythm;
use crate::chance::exponential;

/// Share of the small bowel's time in bursts, and share of its length made in them.
///
/// # Source
///
/// Bursts in less than 5 % of the time made more than 50 % of the distance in the first two hours: Worsøe et al., BMC
/// Gastroenterol. 2011; 11: 145.
const BURST_TIME: f64 = 0.04;
const BURST_DISTANCE: f64 = 0.58;
/// One burst, s (common practice, no source).
const BURST_S: f64 = 15.0;
/// Bursts come with the migrating motor complex: 97 min apart in the mean (Kerlin and Phillips, Gastroenterology 1982).
const COMPLEX_S: f64 = 97.0 * 60.0;
/// Giant contractions of the colon a day: 1 to 2 (Adv. Funct. Mater. 2021; 31: 2009289, table 7).
const GIANTS_A_DAY: f64 = 1.5;

/// The oesophagus has no to-and-fro.
pub(super) const OESOPHAGUS: Rhythm = Rhythm {
    per_minute: [0.0; 2],
    reach_mm: [0.0; 2],
};
/// Antral waves, 3 a minute (Adv. Funct. Mater. 2021; 31: 2009289, table 7); the reach has no source.
pub(super) const STOMACH: Rhythm = Rhythm {
    per_minute: [3.0; 2],
    reach_mm: [2.0, 14.0],
};
/// Duodenum, 12 a minute (from memory; jejunum 12.5, Kerlin and Phillips 1982); the reach has no source.
pub(super) const DUODENUM: Rhythm = Rhythm {
    per_minute: [12.0; 2],
    reach_mm: [5.0; 2],
};
/// Jejunum to terminal ileum, 12.5 falling to 8.6 a minute (Kerlin and Phillips 1982); the reach has no source.
pub(super) const COILS: Rhythm = Rhythm {
    per_minute: [12.5, 8.6],
    reach_mm: [5.0, 3.0],
};
/// Simultaneous pressure waves, 1.4 a minute (Adv. Funct. Mater. 2021; 31: 2009289, table 7); the reach has no source.
pub(super) const COLON: Rhythm = Rhythm {
    per_minute: [1.4; 2],
    reach_mm: [4.0; 2],
};

/// Down the oesophagus: a short rest at the throat, then steadily down.
pub(super) fn oesophagus(lasting_s: f64, length_mm: f64) -> Backbone {
    let steps = [(0.1, 0.02), (0.45, 0.5), (0.1, 0.03), (0.35, 0.45)]
        .map(|(lasting_s, moving_mm)| Step { lasting_s, moving_mm });
    Backbone::of_steps(&steps, lasting_s, length_mm)
}

/// About the stomach: down to the body, then to and fro between body and antrum, and out through the pylorus at the
/// end, if there is an end. Dwells and moves have no source.
pub(super) fn stomach(lasting_s: f64, length_mm: f64, leaves: bool, rng: &mut Xoshiro256PlusPlus) -> Backbone {
    let arrival_s = (0.2 * lasting_s).min(rng.random_range(20.0..90.0));
    let exit_s = if leaves { (0.25 * lasting_s).min(60.0) } else { 0.0 };
    let mut knots = vec![Knot {
        time_s: 0.0,
        arc_mm: 0.0,
    }];
    let mut time_s = arrival_s;
    let mut share = rng.random_range(0.25..0.45);
    loop {
        knots.push(Knot {
            time_s,
            arc_mm: share * length_mm,
        });
        let dwell_s = 20.0 + 240.0 * exponential(rng);
        let travel_s = rng.random_range(20.0..60.0);
        if time_s + dwell_s + travel_s > lasting_s - exit_s {
            break;
        }
        knots.push(Knot {
            time_s: time_s + dwell_s,
            arc_mm: share * length_mm,
        });
        time_s += dwell_s + travel_s;
        share = if rng.random_bool(0.65) {
            rng.random_range(0.2..0.5)
        } else {
            rng.random_range(0.6..0.9)
        };
    }
    knots.push(Knot {
        time_s: (lasting_s - exit_s).max(time_s),
        arc_mm: share * length_mm,
    });
    if leaves {
        let antrum_s = lasting_s - 0.5 * exit_s;
        knots.push(Knot {
            time_s: antrum_s,
            arc_mm: 0.85 * length_mm,
        });
        knots.push(Knot {
            time_s: lasting_s,
            arc_mm: length_mm,
        });
    }
    Backbone::new(knots)
}

/// Through the duodenum: few, quick moves and some waiting at the flexures.
pub(super) fn duodenum(lasting_s: f64, length_mm: f64, rng: &mut Xoshiro256PlusPlus) -> Backbone {
    let moves = rng.random_range(4..8);
    let mut steps = Vec::new();
    for _ in 0..moves {
        steps.push(Step {
            lasting_s: 4.0 + 60.0 * exponential(rng),
            moving_mm: 0.0,
        });
        if rng.random_bool(0.3) {
            steps.push(Step {
                lasting_s: 8.0,
                moving_mm: -rng.random_range(0.1..0.3),
            });
        }
        steps.push(Step {
            lasting_s: rng.random_range(6.0..20.0),
            moving_mm: rng.random_range(0.5..1.5),
        });
    }
    Backbone::of_steps(&steps, lasting_s, length_mm)
}

/// Through jejunum and ileum: creeping, resting and now and then slipping back, with bursts that make most of the way;
/// slower towards the end, and a stay before the valve, longer by a stasis; one that never leaves does not come there.
pub(super) fn coils(
    lasting_s: f64,
    length_mm: f64,
    leaves_after_s: Option<f64>,
    rng: &mut Xoshiro256PlusPlus,
) -> Backbone {
    let leaves = leaves_after_s.is_some();
    let stasis = leaves_after_s.map_or(0.0, |stasis_s| (stasis_s / lasting_s).min(0.98));
    let waiting = if leaves {
        stasis + (1.0 - stasis) * rng.random_range(0.02..0.15)
    } else {
        0.0
    };
    let last_mm = if leaves { (0.02 * length_mm).min(50.0) } else { 0.0 };
    let moving_s = (1.0 - waiting) * lasting_s;
    let steps = coil_steps(moving_s, rng);
    let mut knots = Backbone::of_steps(&steps, moving_s, length_mm - last_mm).into_knots();
    if leaves {
        let passage_s = (0.3 * waiting * lasting_s).min(20.0);
        knots.push(Knot {
            time_s: lasting_s - passage_s,
            arc_mm: length_mm - last_mm,
        });
        knots.push(Knot {
            time_s: lasting_s,
            arc_mm: length_mm,
        });
    }
    Backbone::new(knots)
}

/// Creeps, rests, retreats and bursts in the order of time; lengths are shares of the whole.
fn coil_steps(moving_s: f64, rng: &mut Xoshiro256PlusPlus) -> Vec<Step> {
    let mut creeps = Vec::new();
    let mut total_s = 0.0;
    while total_s < (1.0 - BURST_TIME) * moving_s {
        let lasting_s = 15.0 + 75.0 * exponential(rng);
        let moving_mm = match rng.random_range(0.0..1.0) {
            kind if kind < 0.4 => 0.0,
            kind if kind < 0.52 => -rng.random_range(0.0..0.5),
            _ => rng.random_range(0.2..1.0),
        };
        creeps.push(Step { lasting_s, moving_mm });
        total_s += lasting_s;
    }
    let slow = |index: usize, count: usize| 1.6 - 1.2 * index as f64 / count.max(1) as f64;
    let count = creeps.len();
    for (index, step) in creeps.iter_mut().enumerate() {
        step.moving_mm *= slow(index, count);
    }
    scale(&mut creeps, (1.0 - BURST_TIME) * moving_s, 1.0 - BURST_DISTANCE);

    let burst_count = (BURST_TIME * moving_s / BURST_S).round().max(2.0) as usize;
    let mut places = burst_places(burst_count, creeps.len(), moving_s, rng);
    places.sort_unstable();
    let mut bursts: Vec<Step> = places
        .iter()
        .map(|&place| Step {
            lasting_s: rng.random_range(0.6..1.4),
            moving_mm: rng.random_range(0.4..1.6) * slow(place, creeps.len()),
        })
        .collect();
    scale(&mut bursts, BURST_TIME * moving_s, BURST_DISTANCE);

    let mut steps = Vec::with_capacity(creeps.len() + bursts.len());
    let mut next = places.into_iter().zip(bursts).peekable();
    for (index, creep) in creeps.into_iter().enumerate() {
        while let Some((_, burst)) = next.next_if(|&(place, _)| place <= index) {
            steps.push(burst);
        }
        steps.push(creep);
    }
    steps.extend(next.map(|(_, burst)| burst));
    steps
}

/// Before which creep each burst comes: likelier while the migrating complex passes.
fn burst_places(bursts: usize, creeps: usize, moving_s: f64, rng: &mut Xoshiro256PlusPlus) -> Vec<usize> {
    let phase = rng.random_range(0.0..std::f64::consts::TAU);
    let mut places = Vec::with_capacity(bursts);
    while places.len() < bursts {
        let share = rng.random_range(0.0..1.0);
        let wave = libm::cos(std::f64::consts::TAU * share * moving_s / COMPLEX_S + phase);
        if rng.random_bool(0.5 + 0.4 * wave) {
            places.push((share * creeps as f64) as usize);
        }
    }
    places
}

/// Through the colon: long rests, small moves to and fro, and rare mass movements.
pub(super) fn colon(lasting_s: f64, length_mm: f64, rng: &mut Xoshiro256PlusPlus) -> Backbone {
    let giants = ((GIANTS_A_DAY * lasting_s / 86_400.0).round() as usize).clamp(1, 4);
    let mut moves = vec![
        Step {
            lasting_s: 60.0,
            moving_mm: 0.0
        };
        giants
    ];
    for giant in &mut moves {
        giant.moving_mm = rng.random_range(0.12..0.2);
    }
    let made: f64 = moves.iter().map(|giant| giant.moving_mm).sum();
    let small = ((lasting_s / 900.0).round() as usize).max(6);
    let mut small_moves: Vec<Step> = (0..small)
        .map(|_| Step {
            lasting_s: rng.random_range(20.0..60.0),
            moving_mm: if rng.random_bool(0.3) {
                -rng.random_range(0.1..0.5)
            } else {
                rng.random_range(0.2..1.0)
            },
        })
        .collect();
    let small_s = small_moves.iter().map(|step| step.lasting_s).sum();
    scale(&mut small_moves, small_s, 1.0 - made);
    moves.append(&mut small_moves);
    moves.shuffle(rng);
    let mean_rest_s = (lasting_s - small_s).max(0.3 * lasting_s) / moves.len() as f64;
    let steps: Vec<Step> = moves
        .into_iter()
        .flat_map(|step| {
            [
                Step {
                    lasting_s: mean_rest_s * exponential(rng),
                    moving_mm: 0.0,
                },
                step,
            ]
        })
        .collect();
    Backbone::of_steps(&steps, lasting_s, length_mm)
}

/// Stretches steps so that they sum to a time and a distance; left as they are where they lead nowhere.
fn scale(steps: &mut [Step], lasting_s: f64, moving_mm: f64) {
    let total_s: f64 = steps.iter().map(|step| step.lasting_s).sum();
    let total_mm: f64 = steps.iter().map(|step| step.moving_mm).sum();
    if total_s > 0.0 && total_mm > 0.0 {
        for step in steps {
            step.lasting_s *= lasting_s / total_s;
            step.moving_mm *= moving_mm / total_mm;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::streams::{Purpose, stream};

    #[test]
    fn bursts_in_a_twentieth_of_the_time_make_half_the_way_through_the_coils() {
        for seed in 0..50 {
            let backbone = coils(198.5 * 60.0, 3500.0, Some(0.0), &mut stream(seed, Purpose::Motion));
            let mut moves: Vec<(f64, f64)> = backbone
                .knots()
                .windows(2)
                .map(|pair| (pair[1].arc_mm - pair[0].arc_mm, pair[1].time_s - pair[0].time_s))
                .filter(|&(_, lasting_s)| lasting_s > 0.0)
                .collect();
            moves.sort_by(|a, b| (b.0 / b.1).total_cmp(&(a.0 / a.1)));
            let (mut time_s, mut way_mm) = (0.0, 0.0);
            for (moving_mm, lasting_s) in moves {
                if time_s + lasting_s > 0.05 * 198.5 * 60.0 {
                    break;
                }
                time_s += lasting_s;
                way_mm += moving_mm;
            }
            assert!(way_mm > 0.5 * 3500.0, "seed {seed}: {way_mm} mm in {time_s} s");
        }
    }

    #[test]
    fn every_stretch_begins_at_nothing_and_ends_where_it_should() {
        for seed in 0..50 {
            let rng = &mut stream(seed, Purpose::Motion);
            for lasting_s in [30.0, 600.0, 12_000.0, 80_000.0] {
                for backbone in [
                    oesophagus(lasting_s, 400.0),
                    stomach(lasting_s, 400.0, true, rng),
                    duodenum(lasting_s, 400.0, rng),
                    coils(lasting_s, 400.0, Some(0.0), rng),
                    colon(lasting_s, 400.0, rng),
                ] {
                    let knots = backbone.knots();
                    assert_eq!(
                        knots[0],
                        Knot {
                            time_s: 0.0,
                            arc_mm: 0.0
                        }
                    );
                    let last = knots[knots.len() - 1];
                    assert_eq!(
                        last,
                        Knot {
                            time_s: lasting_s,
                            arc_mm: 400.0
                        }
                    );
                    assert!(knots.windows(2).all(|pair| pair[0].time_s <= pair[1].time_s + 1e-9));
                    assert!(knots.iter().all(|knot| (0.0..=400.0).contains(&knot.arc_mm)));
                }
            }
        }
    }

    #[test]
    fn a_retained_capsule_stays_short_of_the_pylorus() {
        for seed in 0..50 {
            let backbone = stomach(40_000.0, 190.0, false, &mut stream(seed, Purpose::Motion));
            assert!(backbone.knots().iter().all(|knot| knot.arc_mm <= 0.9 * 190.0));
        }
    }
}
