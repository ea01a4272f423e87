//! Rhythm: the to-and-fro of a contracting gut, near 3 a minute in the stomach and 8 to 13 in the small bowel.
//!
//! Each site's spectrum in a window is divided by its own neighbourhood (see [`crate::spectrum`]), and the sites are held against a
//! rhythm of f cycles a minute and power ρ that they share (see [`pattern`]). Frequency and power are followed from window to window by a
//! filter on a grid, as both change slowly and contractions come and go; so is the pattern over the sites. The evidence of a window is its
//! likelihood given those before. It needs no threshold, and a rhythm too weak to be seen in one window still counts over many.
//!
//! Breathing is no rhythm: what the sites share in many lines side by side is brought down first (see [`breathing`]).
//!
//! # Where it is silent
//!
//! Where fewer than three sites hear in a tenth of a window's steps (a silence counts as a level just below the floor); the band of the
//! stomach at steps longer than 5 s, that of the small bowel at steps longer than 2 s, as a rhythm needs more than two readings a cycle,
//! and breathing would fold into it.
//!
//! # Source
//!
//! Stomach about 3 a minute (Adv. Funct. Mater. 2021; 31: 2009289, quoted in table 7 of PMC8553224); jejunum 12.5 to 10.5, ileum 10.9
//! to 9.3, terminal ileum 10.0 to 8.6 (Kerlin and Phillips, *Variability of motility of the ileum and jejunum in healthy humans*,
//! Gastroenterology 1982; 82: 694-700). That a swallowed thing shows the small bowel's rhythm, about 10 a minute: Worsøe and others, BMC
//! Gastroenterol. 2011; 11: 145, by a magnet.

mod breathing;
mod follower;
mod live;
mod pattern;
mod series;
mod strength;
mod window;

use alvine::{Recording, Setup};

use crate::bins::Bins;
use breathing::Breathing;
use follower::Speaker;
pub(crate) use live::{LiveRhythms, Word};
use series::Series;
use strength::Hourly;
pub use strength::{RhythmHour, RhythmStrength};
use window::Windows;

/// A band in which a rhythm is sought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Band {
    Stomach,
    /// Duodenum and jejunum.
    Jejunum,
    Ileum,
    TerminalIleum,
}

impl Band {
    pub const ALL: [Self; 4] = [Self::Stomach, Self::Jejunum, Self::Ileum, Self::TerminalIleum];

    /// Those that share windows of one length.
    const OF_ONE_WINDOW: [&[Self]; 2] = [&[Self::Stomach], &[Self::Jejunum, Self::Ileum, Self::TerminalIleum]];

    /// Its name in files.
    pub const fn name(self) -> &'static str {
        match self {
            Band::Stomach => "stomach",
            Band::Jejunum => "jejunum",
            Band::Ileum => "ileum",
            Band::TerminalIleum => "terminal-ileum",
        }
    }

    /// The longest step between readings at which it may speak, s.
    const fn longest_step_s(self) -> f64 {
        match self {
            Band::Stomach => 5.0,
            Band::Jejunum | Band::Ileum | Band::TerminalIleum => 2.0,
        }
    }

    /// What one window tells that others do not: of four overlapping Hann windows two are worth one, and neighbouring windows share what is
    /// not noise, such as breathing (common practice, no source; chosen on simulated studies: twice as much makes intervals too sure).
    const fn own_share(self) -> f64 {
        match self {
            Band::Stomach => 0.2,
            Band::Jejunum | Band::Ileum | Band::TerminalIleum => 0.3,
        }
    }

    /// The length of a window: long for the weaker rhythms of the small bowel, s.
    const fn window_s(self) -> f64 {
        match self {
            Band::Stomach => 240.0,
            Band::Jejunum | Band::Ileum | Band::TerminalIleum => 480.0,
        }
    }
}

/// Least and greatest cycles a minute of each band, in the order of [`Band::ALL`].
pub(crate) type Ranges = [[f64; 2]; 4];

/// Windows begin a quarter of their length apart.
const HOPS: usize = 4;
/// Readings are brought to steps no shorter than this, s.
const SHORTEST_STEP_S: f64 = 0.5;
/// Powers over the neighbourhood that are tried. The least is not nothing, so that a part whose rhythm is not heard for a long time comes to
/// be doubted: contractions come and go, but not for hours (common practice, no source; chosen on simulated studies, whose gut is never still
/// for longer than minutes; a person's may be, between two migrating complexes).
const POWERS: [f64; 5] = [0.3, 0.5, 1.5, 4.0, 10.0];

/// Readings are brought to steps of this length, s: the median one, where there are two at least.
fn step_s(median_step_s: Option<f64>) -> f64 {
    median_step_s.unwrap_or(Band::Stomach.window_s()).max(SHORTEST_STEP_S)
}

/// The evidence of every band, and how strong the rhythms are hour by hour.
pub(crate) struct Rhythms {
    step_s: f64,
    heard: [Vec<f64>; 4],
    hours: Vec<RhythmHour>,
}

impl Rhythms {
    pub fn new(setup: &Setup, recording: &Recording, bins: &Bins, ranges: &Ranges) -> Self {
        let until_s = bins.begin_s(bins.bins.len());
        let series = Series::new(setup, recording, until_s);
        let mut made = Self {
            step_s: series.step_s,
            heard: Band::ALL.map(|_| vec![0.0; bins.bins.len()]),
            hours: Vec::new(),
        };
        let [gastric, small_bowel] = Band::OF_ONE_WINDOW.map(|bands| made.listen(bands, ranges, &series, bins.width_s));
        made.hours = strength::hours(bins.start_s, until_s, &gastric, &small_bowel);
        made
    }

    /// How strong the rhythms are, hour by hour.
    pub fn hours(&self) -> &[RhythmHour] {
        &self.hours
    }

    /// Takes all windows of the length that suits the bands; their spectra by hour.
    fn listen(&mut self, bands: &[Band], ranges: &Ranges, series: &Series, width_s: f64) -> Hourly {
        let windows = Windows::new(bands, ranges, series.step_s);
        let speaker = |&band| (band, Speaker::new(band, ranges, windows.per_minute(), series.step_s));
        let mut speakers: Vec<(Band, Speaker)> = bands.iter().map(speaker).collect();
        let mut breathing = windows.breathing();
        let mut hourly = Hourly::new(bands, ranges, &windows, series.step_s);
        for (window, first) in windows.whole(series.count) {
            let mut spectra = windows.spectra(series.window(first, &windows));
            hourly.take(&windows, window, spectra.as_ref().map(|spectra| &spectra.ratios[..]));
            if let Some(spectra) = &mut spectra {
                breathing.bring_down(&mut spectra.lines);
            }
            let lines = spectra.as_ref().map(|spectra| &spectra.lines);
            let bins = windows.bins(window, width_s);
            for (band, speaker) in &mut speakers {
                let value = speaker.take(lines);
                let slots = self.heard[*band as usize].iter_mut().take(bins.end).skip(bins.start);
                slots.for_each(|slot| *slot += value / bins.len().max(1) as f64);
            }
        }
        hourly
    }

    /// The span over which a window's word is spread evenly, s: when a rhythm ends is told no more finely. Zero for a band that is silent.
    pub fn grain_s(&self, band: Band) -> f64 {
        if self.step_s > band.longest_step_s() {
            0.0
        } else {
            band.window_s() / HOPS as f64
        }
    }

    /// Log-likelihood of each bin with a rhythm in a band against that without.
    pub fn of(&self, band: Band) -> &[f64] {
        &self.heard[band as usize]
    }
}

/// The quickness at which each band's rhythm is strongest over a span of time of its own, cycles a minute, sought over all bands that
/// share its windows; `None` without a span, or where no rhythm is seen.
pub(crate) fn peaks(
    setup: &Setup,
    recording: &Recording,
    spans_s: &[Option<[f64; 2]>; 4],
    ranges: &Ranges,
) -> [Option<f64>; 4] {
    let time_s = recording.time_s();
    let (start_s, until_s) = (time_s[0], time_s[time_s.len() - 1]);
    let series = Series::new(setup, recording, until_s);
    let mut found = [None; 4];
    for bands in Band::OF_ONE_WINDOW {
        let windows = Windows::new(bands, ranges, series.step_s);
        let mut sums = Hourly::new(bands, ranges, &windows, series.step_s);
        for (window, first) in windows.whole(series.count) {
            let middle_s = start_s + windows.middle_s(window);
            let within = |band: &&Band| {
                spans_s[**band as usize].is_some_and(|[from_s, to_s]| (from_s..to_s).contains(&middle_s))
            };
            if let Some(&band) = bands.iter().find(within) {
                let spectra = windows.spectra(series.window(first, &windows));
                sums.add(band as usize, spectra.as_ref().map(|spectra| &spectra.ratios[..]));
            }
        }
        for &band in bands {
            let strength = sums.strength(band as usize).filter(|strength| strength.is_seen);
            found[band as usize] = strength.map(|strength| strength.per_minute);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use alvine::{NoiseModel, Receiver, Torso};
    use ndarray::Array2;

    /// Draws, near normal, of variance one: twelve of a linear congruential generator.
    fn normal() -> impl FnMut() -> f64 {
        let mut state = 1_u64;
        move || {
            (0..12)
                .map(|_| {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1_442_695_040_888_963_407);
                    (state >> 11) as f64 / (1_u64 << 53) as f64
                })
                .sum::<f64>()
                - 6.0
        }
    }

    /// Eight sites, in each a sine of the phases with its own sign, on noise of 2 dB about a level.
    fn rhythms_of(level_dbm: f64, step_s: f64, phases: &[f64], amplitude_db: f64) -> Rhythms {
        let torso = Torso::new(330.0, 230.0).unwrap();
        let setup = Setup::default_eight(
            torso,
            NoiseModel::new(4.0, 2.0).unwrap(),
            Receiver::new(-100.0, None, None).unwrap(),
        );
        let count = phases.len();
        let mut noise = normal();
        let levels = Array2::from_shape_fn((count, 8), |(row, site)| {
            let sign = if site % 2 == 0 { 1.0 } else { -1.0 };
            (level_dbm + sign * amplitude_db * phases[row].sin() + 2.0 * noise()) as f32
        });
        let time_s = (0..count).map(|row| row as f64 * step_s).collect();
        let recording = Recording::new(time_s, levels).unwrap();
        let bins = Bins::new(&setup, &recording, count as f64 * step_s);
        Rhythms::new(&setup, &recording, &bins, &crate::Prior::fasting().ranges())
    }

    /// An hour of a sine of so many cycles a minute.
    fn rhythms_at(level_dbm: f64, step_s: f64, per_minute: f64, amplitude_db: f64) -> Rhythms {
        let phase = |row: usize| std::f64::consts::TAU * per_minute / 60.0 * row as f64 * step_s;
        let phases: Vec<f64> = (0..(3600.0 / step_s) as usize).map(phase).collect();
        rhythms_of(level_dbm, step_s, &phases, amplitude_db)
    }

    fn rhythms(step_s: f64, per_minute: f64, amplitude_db: f64) -> Rhythms {
        rhythms_at(-70.0, step_s, per_minute, amplitude_db)
    }

    /// What each band says of it.
    fn hour(step_s: f64, per_minute: f64, amplitude_db: f64) -> Vec<(Band, f64)> {
        let rhythms = rhythms(step_s, per_minute, amplitude_db);
        Band::ALL.map(|band| (band, rhythms.of(band).iter().sum())).to_vec()
    }

    /// How strong its rhythms are.
    pub(super) fn hour_of(step_s: f64, per_minute: f64, amplitude_db: f64) -> Vec<RhythmHour> {
        rhythms(step_s, per_minute, amplitude_db).hours().to_vec()
    }

    #[test]
    fn each_band_hears_its_own_rhythm_and_no_other() {
        for (per_minute, own) in [(3.0, Band::Stomach), (11.9, Band::Jejunum), (8.5, Band::TerminalIleum)] {
            for (band, ln) in hour(0.5, per_minute, 1.0) {
                assert_eq!(ln > 10.0, band == own, "{per_minute} a minute, {band:?}: {ln}");
            }
        }
    }

    #[test]
    fn noise_alone_speaks_against_every_rhythm_but_not_loudly() {
        for (band, ln) in hour(0.5, 3.0, 0.0) {
            assert!((-12.0..2.0).contains(&ln), "{band:?}: {ln}");
        }
    }

    #[test]
    fn sites_at_the_floor_tell_a_rhythm_by_their_silences() {
        let told = |level_dbm: f64| -> f64 {
            rhythms_at(level_dbm, 0.5, 8.5, 1.0)
                .of(Band::TerminalIleum)
                .iter()
                .sum()
        };
        // At the floor of -100 dBm half of the readings are silent; what is left of a sine by clipping its lower half is a half, of the noise
        // two thirds (variances 1/4 and 0.34). At -106 dBm one in seven hundred is heard.
        let (heard, half, hardly) = (told(-70.0), told(-100.0), told(-106.0));
        assert!(half > 0.4 * heard && half < heard, "{heard} {half}");
        assert!(hardly == 0.0, "{hardly}");
    }

    #[test]
    fn breathing_at_twelve_and_a_half_a_minute_is_no_jejunum() {
        // Five hours at a pace that wanders by a tenth within half a minute.
        const STEP_S: f64 = 0.5;
        let kept = f64::exp(-STEP_S / 30.0);
        let (mut draw, mut wander, mut phase) = (normal(), 0.0, 0.0);
        let breaths: Vec<f64> = (0..36_000)
            .map(|_| {
                wander = kept * wander + 0.1 * (1.0 - kept * kept).sqrt() * draw();
                phase += std::f64::consts::TAU * 12.5 / 60.0 * (1.0 + wander) * STEP_S;
                phase
            })
            .collect();
        // Unheeded, the loudest spoke for a jejunum by 170 to 310 an hour, the faintest by 6 to 25.
        for amplitude_db in [0.4, 0.7, 1.5] {
            let breathing = rhythms_of(-70.0, STEP_S, &breaths, amplitude_db);
            let jejunum = breathing.of(Band::Jejunum);
            let hours: Vec<f64> = jejunum
                .chunks(jejunum.len() / 5)
                .map(|hour| hour.iter().sum())
                .collect();
            assert!(hours[1..].iter().all(|&ln| ln < 1.0), "{amplitude_db} dB: {hours:.1?}");
        }
    }

    #[test]
    fn a_recording_too_slow_for_a_rhythm_is_silent_on_it() {
        for (band, ln) in hour(4.0, 3.0, 1.5) {
            assert_eq!(ln != 0.0, band == Band::Stomach, "{band:?}: {ln}");
        }
        assert!(hour(10.0, 3.0, 1.5).iter().all(|(_, ln)| *ln == 0.0));
    }
}
