//! The check before the swallow: does each antenna hear, and is each where its label says?
//!
//! For about a minute the capsule is held near each site in turn, about 5 cm in front of the antenna. [`find_turns`] finds the
//! turns in the recording where their times are not given, and [`check_antennas`] answers: go, look again, or stop.
//!
//! A swap is found from the pattern of all levels and not from the loudest alone. Two antennas that are neighbours look more alike
//! than two that are far apart. Measured on the phantom's `Held::usual`, with the default eight sites on a torso of 330 mm × 230 mm
//! (`cargo run -p alvine-benches --bin swap_detection -- 50`, and `-- 30 8` for 8 dB of shadowing in air, both invented):
//!
//! ```text
//!                   4 dB of shadowing (1400 swaps)      8 dB (840 swaps)
//! apart, mm         named   told   missed               named   told   missed
//! up to 110          83 %   15 %    2 %                    4 %   41 %   55 %
//! 110 to 160         96 %    4 %    0 %                   18 %   53 %   28 %
//! 160 to 210        100 %    0 %    0 %                   42 %   49 %   10 %
//! beyond            100 %    0 %    0 %                   59 %   37 %    4 %
//! ```
//!
//! *Named* is the right pair at a probability of [`SURE`] or more; *told* any doubt about labels. No swap was named wrongly in
//! either. Of sound belts 50 of 50 were let go at 4 dB, and 26 of 30 at 8 dB, where 4 were to be looked at again, one of them for its
//! labels. A recording in which no capsule was held is none of these: see [`AntennaFinding::NotHeld`].

mod assignment;
mod labelling;
mod levels;
mod turns;

use thiserror::Error;

use crate::recording::Recording;
use crate::setup::Setup;

pub use labelling::Labelling;
use labelling::labelling;
use levels::{Levels, median};
pub use turns::{Turn, find_turns};

/// Why no check can be made.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum AntennaCheckError {
    /// Fewer turns than tell anything about labels.
    #[error("{found} turns; expected at least {FEWEST_TURNS}")]
    TooFewTurns {
        /// How many there are.
        found: usize,
    },
    /// No such site.
    #[error("site {index}; expected less than {sites}, the number of sites")]
    UnknownSite {
        /// The index.
        index: usize,
        /// How many sites there are.
        sites: usize,
    },
    /// Too little time for the turns.
    #[error("the recording lasts {duration_s:.1} s; expected at least {needed_s:.0} s for {turns} turns")]
    TooShort {
        /// How long it lasts, s.
        duration_s: f64,
        /// How long it must, s.
        needed_s: f64,
        /// How many turns it holds.
        turns: usize,
    },
    /// A turn in which nothing was recorded.
    #[error("turn {}: nothing was recorded from {start_s} to {end_s} s", turn + 1)]
    EmptyTurn {
        /// Index of the turn.
        turn: usize,
        /// Its beginning, s.
        start_s: f64,
        /// Its end, s.
        end_s: f64,
    },
    /// A recording of another number of columns than the layout has sites.
    #[error("the recording has {columns} columns, and the layout {sites} sites")]
    ColumnsMismatch {
        /// Columns of the recording.
        columns: usize,
        /// Sites of the layout.
        sites: usize,
    },
}

/// The fewest turns that tell anything about labels (invented).
const FEWEST_TURNS: usize = 3;
/// An antenna that hears less than this share of all instants is dead (common practice, no source).
const DEAD_SHARE: f64 = 0.05;
/// A capsule held near an antenna is heard by it at more than this share of the instants (common practice, no source).
const NEAR_SHARE: f64 = 0.5;
/// An antenna is weak when it hears so much less than the others would in its place, dB (common practice, no source).
const WEAK_DB: f64 = 10.0;
/// The level of an antenna that works changes at least so much as the capsule goes round, dB (common practice, no source).
const LEAST_SPAN_DB: f64 = 5.0;
/// From instant to instant the level of a held capsule varies less than this, dB (common practice, no source) ...
const UNSTEADY_DB: f64 = 5.0;
/// ... or than this many times what it does at the other antennas (common practice, no source).
const UNSTEADY_TIMES: f64 = 3.0;
/// Two turns at two sites differ by more than this at some antenna, dB (common practice, no source).
const ALIKE_DB: f64 = 4.0;
/// In at least this share of the turns the nearest antenna is the loudest, gains allowed for (common practice, no source).
const HELD_SHARE: f64 = 0.6;
/// Labels are sure at this probability, and a swap is at this (common practice, no source).
pub const SURE: f64 = 0.9;
/// A site has a mirror image when another site lies so near to it, mm (common practice, no source).
const MIRROR_MM: f64 = 20.0;

/// What is not as it should be.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum AntennaFinding {
    /// An antenna that hears nothing.
    Dead {
        /// Index of the site.
        site: usize,
    },
    /// An antenna that loses most packets of a capsule held near it.
    Lossy {
        /// Index of the site.
        site: usize,
        /// Share of the instants heard, 0 to 1.
        heard: f64,
    },
    /// An antenna that hears less than the others would in its place.
    Weak {
        /// Index of the site.
        site: usize,
        /// How much less, dB.
        below_db: f64,
    },
    /// An antenna that hears nearly the same wherever the capsule is: a high floor, interference, or another cable.
    Flat {
        /// Index of the site.
        site: usize,
        /// How much its level changes, dB.
        span_db: f64,
        /// Its median level, dBm.
        level_dbm: f64,
    },
    /// An antenna whose level is restless while the capsule is held still.
    Unsteady {
        /// Index of the site.
        site: usize,
        /// Spread from instant to instant, dB.
        spread_db: f64,
    },
    /// Two antennas that seem to have each other's place.
    Swapped {
        /// Index of the one site.
        one: usize,
        /// Index of the other.
        other: usize,
        /// The probability of just this labelling.
        probability: f64,
    },
    /// Three or more antennas in each other's places.
    Mislabelled {
        /// Their told sites.
        sites: Vec<usize>,
        /// Where each of them seems to be.
        seem_at: Vec<usize>,
        /// The probability of just this labelling.
        probability: f64,
    },
    /// An antenna of which it is not sure that it is where its label says.
    Unsure {
        /// Index of the site.
        site: usize,
        /// The probability that it is there.
        as_told: f64,
    },
    /// Two turns that follow each other and look alike: a site may have been left out.
    TurnsAlike {
        /// Index of the first of the two.
        turn: usize,
    },
    /// A recording that is none of a capsule held near these sites in turn.
    NotHeld {
        /// In how many turns the antenna that should be nearest was the loudest.
        loudest: usize,
        /// Of so many turns.
        turns: usize,
    },
    /// A site without a mirror image across the midline, in a layout whose other sites mostly have one.
    NoMirror {
        /// Index of the site.
        site: usize,
        /// How far the nearest site is from where the mirror image would be, mm.
        off_mm: f64,
    },
}

/// What to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Answer {
    /// All is as it should be.
    Go,
    /// Something should be looked at, and the check made again.
    LookAgain,
    /// Do not give the capsule before this is put right.
    Stop,
}

impl AntennaFinding {
    /// What follows from it.
    #[must_use]
    pub fn answer(&self) -> Answer {
        match self {
            AntennaFinding::Dead { .. } => Answer::Stop,
            AntennaFinding::Swapped { probability, .. } | AntennaFinding::Mislabelled { probability, .. }
                if *probability >= SURE =>
            {
                Answer::Stop
            }
            _ => Answer::LookAgain,
        }
    }
}

/// How one antenna did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AntennaState {
    /// Share of all instants of the turns at which it heard the capsule, 0 to 1.
    pub heard: f64,
    /// Median level while the capsule was held near its site, dBm; `None` where it had no turn, or heard nothing.
    pub near_dbm: Option<f64>,
    /// Greatest less least median level over the turns, dB.
    pub span_db: f64,
    /// Spread from instant to instant, the median over the turns, dB.
    pub spread_db: f64,
    /// How much more it hears than the median antenna would in its place, dB; `None` where it has no say.
    pub gain_db: Option<f64>,
}

/// The answer of a check, and what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct AntennaCheck {
    /// The turns.
    pub turns: Vec<Turn>,
    /// One an antenna, in the layout's order.
    pub antennas: Vec<AntennaState>,
    /// Which antenna belongs where.
    pub labelling: Labelling,
    /// What is not as it should be, the gravest first.
    pub findings: Vec<AntennaFinding>,
    /// What to do.
    pub answer: Answer,
}

/// Checks antennas and labels from a recording in which a capsule was held near sites in turn.
///
/// # Errors
///
/// [`AntennaCheckError`] where there are fewer than three turns, a turn without an instant, or a site that the layout lacks.
pub fn check_antennas(setup: &Setup, recording: &Recording, turns: &[Turn]) -> Result<AntennaCheck, AntennaCheckError> {
    check_sites(setup, turns.iter().map(|turn| turn.site))?;
    if recording.sites() != setup.layout.len() {
        return Err(AntennaCheckError::ColumnsMismatch {
            columns: recording.sites(),
            sites: setup.layout.len(),
        });
    }
    for (index, turn) in turns.iter().enumerate() {
        let any = recording
            .time_s()
            .iter()
            .any(|time_s| (turn.start_s..=turn.end_s).contains(time_s));
        if !any {
            return Err(AntennaCheckError::EmptyTurn {
                turn: index,
                start_s: turn.start_s,
                end_s: turn.end_s,
            });
        }
    }
    let levels = Levels::of(setup, recording, turns);
    let held_at: Vec<usize> = turns.iter().map(|turn| turn.site).collect();
    let mut antennas: Vec<AntennaState> = (0..setup.layout.len())
        .map(|site| state(&levels, &held_at, site))
        .collect();
    let has_say: Vec<bool> = antennas
        .iter()
        .map(|antenna| !is_dead(antenna) && !is_flat(antenna))
        .collect();
    let labelling = labelling(&setup.layout, &held_at, levels.median_dbm.view(), &has_say);
    for ((antenna, &gain_db), &say) in antennas.iter_mut().zip(&labelling.gain_db).zip(&has_say) {
        antenna.gain_db = say.then_some(gain_db);
    }
    let mut findings = of_antennas(&antennas, &levels, &held_at);
    findings.extend(of_labels(&labelling));
    findings.extend(of_turns(&levels, &held_at));
    findings.extend(not_held(&levels, &held_at, &labelling, &has_say));
    findings.extend(of_layout(setup));
    findings.sort_by_key(|finding| std::cmp::Reverse(finding.answer()));
    Ok(AntennaCheck {
        turns: turns.to_vec(),
        answer: findings.first().map_or(Answer::Go, AntennaFinding::answer),
        antennas,
        labelling,
        findings,
    })
}

/// Checks that there are enough turns, each at a site that there is.
fn check_sites(setup: &Setup, sites_held: impl ExactSizeIterator<Item = usize>) -> Result<(), AntennaCheckError> {
    let (found, sites) = (sites_held.len(), setup.layout.len());
    if found < FEWEST_TURNS {
        return Err(AntennaCheckError::TooFewTurns { found });
    }
    for index in sites_held {
        if index >= sites {
            return Err(AntennaCheckError::UnknownSite { index, sites });
        }
    }
    Ok(())
}

fn state(levels: &Levels, held_at: &[usize], site: usize) -> AntennaState {
    let medians = levels.median_dbm.column(site);
    let near = held_at.iter().position(|&at| at == site);
    let range = |mut least_and_most: (f64, f64), &level: &f64| {
        least_and_most.0 = least_and_most.0.min(level);
        least_and_most.1 = least_and_most.1.max(level);
        least_and_most
    };
    let (least, most) = medians.iter().fold((f64::INFINITY, f64::NEG_INFINITY), range);
    AntennaState {
        heard: levels.heard.column(site).mean().unwrap_or(0.0),
        near_dbm: near
            .filter(|&turn| levels.heard[(turn, site)] > 0.0)
            .map(|turn| levels.median_dbm[(turn, site)]),
        span_db: most - least,
        spread_db: median(levels.spread_db.column(site).iter().copied()).unwrap_or(0.0),
        gain_db: None,
    }
}

fn is_dead(antenna: &AntennaState) -> bool {
    antenna.heard < DEAD_SHARE
}

fn is_flat(antenna: &AntennaState) -> bool {
    antenna.span_db < LEAST_SPAN_DB
}

fn of_antennas(antennas: &[AntennaState], levels: &Levels, held_at: &[usize]) -> Vec<AntennaFinding> {
    let usual_db = median(antennas.iter().map(|antenna| antenna.spread_db)).unwrap_or(0.0);
    let mut findings = Vec::new();
    for (site, antenna) in antennas.iter().enumerate() {
        if is_dead(antenna) {
            findings.push(AntennaFinding::Dead { site });
            continue;
        }
        let near = held_at.iter().position(|&at| at == site);
        if let Some(heard) = near
            .map(|turn| levels.heard[(turn, site)])
            .filter(|&heard| heard < NEAR_SHARE)
        {
            findings.push(AntennaFinding::Lossy { site, heard });
        }
        if is_flat(antenna) {
            findings.push(AntennaFinding::Flat {
                site,
                span_db: antenna.span_db,
                level_dbm: median(levels.median_dbm.column(site).iter().copied()).unwrap_or(0.0),
            });
        }
        if let Some(gain_db) = antenna.gain_db.filter(|&gain_db| gain_db <= -WEAK_DB) {
            findings.push(AntennaFinding::Weak {
                site,
                below_db: -gain_db,
            });
        }
        if antenna.spread_db > UNSTEADY_DB.max(UNSTEADY_TIMES * usual_db) {
            findings.push(AntennaFinding::Unsteady {
                site,
                spread_db: antenna.spread_db,
            });
        }
    }
    findings
}

/// The most probable labelling where it is another than the one that was told, or else the labels that are not sure.
fn of_labels(labelling: &Labelling) -> Vec<AntennaFinding> {
    let moved: Vec<usize> = labelling
        .site_of
        .iter()
        .enumerate()
        .filter(|(told, at)| told != *at)
        .map(|(told, _)| told)
        .collect();
    let probability = labelling.best;
    match moved[..] {
        [] => {
            let columns = labelling.column_as_told.iter().enumerate();
            columns
                .filter(|(_, as_told)| **as_told < SURE)
                .map(|(site, &as_told)| AntennaFinding::Unsure { site, as_told })
                .collect()
        }
        [one, other] => vec![AntennaFinding::Swapped {
            one,
            other,
            probability,
        }],
        _ => vec![AntennaFinding::Mislabelled {
            seem_at: moved.iter().map(|&told| labelling.site_of[told]).collect(),
            sites: moved,
            probability,
        }],
    }
}

fn of_turns(levels: &Levels, held_at: &[usize]) -> Vec<AntennaFinding> {
    let differs = |turn: usize| {
        let (one, other) = (levels.median_dbm.row(turn), levels.median_dbm.row(turn + 1));
        one.iter()
            .zip(other)
            .map(|(one, other)| (one - other).abs())
            .fold(0.0, f64::max)
    };
    let pairs = 0..held_at.len().saturating_sub(1);
    let alike = pairs.filter(|&turn| held_at[turn] != held_at[turn + 1] && differs(turn) < ALIKE_DB);
    alike.map(|turn| AntennaFinding::TurnsAlike { turn }).collect()
}

/// Whether the antenna that should be nearest is the loudest in too few turns for anything to follow from them.
fn not_held(levels: &Levels, held_at: &[usize], labelling: &Labelling, has_say: &[bool]) -> Option<AntennaFinding> {
    let nearest = |site: usize| {
        labelling
            .site_of
            .iter()
            .position(|&at| at == site)
            .filter(|&column| has_say[column])
    };
    let level_db = |turn: usize, column: usize| levels.median_dbm[(turn, column)] - labelling.gain_db[column];
    let (mut loudest, mut turns) = (0, 0);
    for (turn, &site) in held_at.iter().enumerate() {
        let Some(near) = nearest(site) else { continue };
        turns += 1;
        let others = (0..has_say.len()).filter(|&column| has_say[column] && column != near);
        loudest += usize::from(
            others
                .into_iter()
                .all(|column| level_db(turn, column) <= level_db(turn, near)),
        );
    }
    ((loudest as f64) < HELD_SHARE * turns as f64).then_some(AntennaFinding::NotHeld { loudest, turns })
}

/// Sites without a mirror image, where more than half of the layout has one.
fn of_layout(setup: &Setup) -> Vec<AntennaFinding> {
    let sites = setup.layout.sites();
    let off_mm = |site: usize| {
        let mut mirrored = sites[site].position_mm;
        mirrored.x = -mirrored.x;
        sites
            .iter()
            .map(|other| (other.position_mm - mirrored).norm())
            .fold(f64::INFINITY, f64::min)
    };
    let off_mm: Vec<f64> = (0..sites.len()).map(off_mm).collect();
    let lonely = || off_mm.iter().enumerate().filter(|(_, off_mm)| **off_mm > MIRROR_MM);
    if 2 * lonely().count() >= sites.len() {
        return Vec::new();
    }
    lonely()
        .map(|(site, &off_mm)| AntennaFinding::NoMirror { site, off_mm })
        .collect()
}

#[cfg(test)]
mod tests;
