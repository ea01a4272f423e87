//! From a recording to a track: one interface, and the fix-then-smooth chain behind it.
//!
//! Noise and static shadowing go different ways. Both spread a single reading, and so a fix's covariance C; but only
//! noise is new at each instant. The chain therefore smooths with the noise's share of C, and adds the shadowing's
//! share afterwards, unlessened, at the smoothed place:
//!
//! ```text
//! R = (1 − f) C,   P_total = P_smoothed + f C(x),   f = σ_shadowing² / (σ_shadowing² + σ_noise²)
//! ```
//!
//! This errs on the careful side where a moving capsule averages some of the shadowing away.

use rayon::prelude::*;
use thiserror::Error;

use crate::bounds::{BoundOptions, fisher_information};
use crate::fix::{Fix, FixError, FixOptions, FixSolver, FixWorkspace, Level, bounded_covariance_mm2};
use crate::loosening::{Loosening, is_loose};
use crate::recording::Recording;
use crate::setup::Setup;
use crate::smoother::{ConstantVelocity, Measurement, Smoothed, SmootherError};
use crate::track::{Flags, Track, TrackPoint};

/// Why a track cannot be computed.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum EstimateError {
    /// The fix's options do not do.
    #[error(transparent)]
    Fix(#[from] FixError),
    /// The smoother's options do not do.
    #[error(transparent)]
    Smoother(#[from] SmootherError),
    /// The recording is of another layout.
    #[error("the recording has {recorded} sites, the layout {expected}")]
    OtherLayout {
        /// Sites of the recording.
        recorded: usize,
        /// Sites of the layout.
        expected: usize,
    },
}

/// Refuses a recording of another layout than the setup's.
pub(crate) fn check_layout(setup: &Setup, recording: &Recording) -> Result<(), EstimateError> {
    let (recorded, expected) = (recording.sites(), setup.layout.len());
    if recorded == expected {
        Ok(())
    } else {
        Err(EstimateError::OtherLayout { recorded, expected })
    }
}

/// A way from a recording to a track.
pub trait TrackEstimator {
    /// Its name in results, such as `fix and smooth`.
    fn name(&self) -> &'static str;

    /// The track of a recording. `loosenings` are spans in which a site is not to be trusted; `progress` is told the
    /// share of the work done, 0 to 1, from any thread.
    ///
    /// # Errors
    ///
    /// [`EstimateError`] when the options or the recording do not fit the setup.
    fn estimate(
        &self,
        setup: &Setup,
        recording: &Recording,
        loosenings: &[Loosening],
        progress: &(dyn Fn(f64) + Sync),
    ) -> Result<Track, EstimateError>;
}

/// A fix for each instant, then a constant-velocity smoother over the fixes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FixThenSmooth {
    /// How each fix is computed.
    pub fix: FixOptions,
    /// How they are smoothed.
    pub smoother: ConstantVelocity,
    /// Instants further than this from any fix get no point, s.
    pub longest_bridge_s: f64,
}

impl FixThenSmooth {
    /// Spread of the level about the study's transmit power, dB: a capsule turns, a battery sags, a cable bends (common
    /// practice, no source).
    pub const LEVEL_PRIOR_DB: f64 = 2.0;
}

impl Default for FixThenSmooth {
    /// Huber's loss, the level known to [`FixThenSmooth::LEVEL_PRIOR_DB`], the default smoother, bridges of a minute.
    fn default() -> Self {
        Self {
            fix: FixOptions {
                level: Level::Unknown {
                    prior_db: Some(Self::LEVEL_PRIOR_DB),
                },
                ..FixOptions::default()
            },
            smoother: ConstantVelocity::default(),
            longest_bridge_s: 60.0,
        }
    }
}

impl TrackEstimator for FixThenSmooth {
    fn name(&self) -> &'static str {
        "fix and smooth"
    }

    fn estimate(
        &self,
        setup: &Setup,
        recording: &Recording,
        loosenings: &[Loosening],
        progress: &(dyn Fn(f64) + Sync),
    ) -> Result<Track, EstimateError> {
        let fixes = self.fixes(setup, recording, loosenings, &|share| progress(0.6 * share))?;
        let measurements: Vec<Option<Measurement>> = fixes.iter().map(|fix| fix.measurement).collect();
        let smoothed = self.smoother.smooth(recording.time_s(), &measurements)?;
        drop(measurements);
        progress(0.9);
        let track = self.track(setup, recording.time_s(), &fixes, &smoothed);
        progress(1.0);
        Ok(track)
    }
}

/// What the smoother and the track need of one instant's fix.
#[derive(Debug, Clone, Copy)]
struct Fixed {
    measurement: Option<Measurement>,
    sites_used: u16,
    flags: Flags,
}

/// Instants a thread takes at a time.
const CHUNK: usize = 4096;

impl FixThenSmooth {
    /// One fix an instant, in parallel; the result does not depend on the number of threads.
    fn fixes(
        &self,
        setup: &Setup,
        recording: &Recording,
        loosenings: &[Loosening],
        progress: &(dyn Fn(f64) + Sync),
    ) -> Result<Vec<Fixed>, EstimateError> {
        check_layout(setup, recording)?;
        let solver = FixSolver::new(setup, self.fix)?;
        let done = std::sync::atomic::AtomicUsize::new(0);
        let instants: Vec<usize> = (0..recording.len()).collect();
        let chunks: Vec<Vec<Fixed>> = instants
            .par_chunks(CHUNK)
            .map(|chunk| {
                let mut work = solver.workspace();
                let fixed = chunk
                    .iter()
                    .map(|&instant| fix_instant(&solver, recording, instant, loosenings, &mut work))
                    .collect();
                let before = done.fetch_add(chunk.len(), std::sync::atomic::Ordering::Relaxed);
                progress((before + chunk.len()) as f64 / recording.len() as f64);
                fixed
            })
            .collect();
        Ok(chunks.concat())
    }

    fn track(&self, setup: &Setup, time_s: &[f64], fixes: &[Fixed], smoothed: &[Option<Smoothed>]) -> Track {
        let away_s = time_from_measurement_s(time_s, fixes);
        let static_share = setup.noise.static_share(setup.receiver.step_db());
        let options = BoundOptions {
            spread_db: setup.noise.total_db(setup.receiver.step_db()),
            level: self.fix.level,
            floor: true,
        };
        let mut points = Vec::with_capacity(fixes.len());
        for (instant, (fix, point)) in fixes.iter().zip(smoothed).enumerate() {
            let Some(point) = point else { continue };
            if away_s[instant] > self.longest_bridge_s {
                continue;
            }
            let position_mm = setup.space().clamp(&point.position_mm, 1.0);
            let information = fisher_information(setup, &position_mm, &options);
            let shadowing_mm2 = bounded_covariance_mm2(&information, &setup.space()) * static_share;
            let mut flags = fix.flags;
            if fix.measurement.is_none() {
                flags |= Flags::BRIDGED;
            }
            if point.outlier {
                flags |= Flags::OUTLIER;
            }
            points.push(TrackPoint {
                instant,
                time_s: time_s[instant],
                position_mm,
                covariance_mm2: point.covariance_mm2 + shadowing_mm2,
                sites_used: fix.sites_used,
                flags,
            });
        }
        Track { points }
    }
}

/// Fixes one instant from the sites that are to be trusted then, and splits off what smoothing may lessen.
fn fix_instant(
    solver: &FixSolver<'_>,
    recording: &Recording,
    instant: usize,
    loosenings: &[Loosening],
    work: &mut FixWorkspace,
) -> Fixed {
    let time_s = recording.time_s()[instant];
    let row = recording.row(instant);
    let mut flags = Flags::NONE;
    let levels = row.iter().enumerate().map(|(site, &level_dbm)| {
        if is_loose(loosenings, site, time_s) {
            flags |= Flags::LOOSE_SITE;
            f32::NAN
        } else {
            level_dbm
        }
    });
    let fix: Option<Fix> = solver.fix_with(levels, work);
    let Some(fix) = fix else {
        return Fixed {
            measurement: None,
            sites_used: 0,
            flags,
        };
    };
    let setup = solver.setup();
    let noise_share = 1.0 - setup.noise.static_share(setup.receiver.step_db());
    Fixed {
        measurement: Some(Measurement {
            position_mm: fix.position_mm,
            covariance_mm2: fix.bounded_covariance_mm2(&setup.space()) * noise_share,
        }),
        sites_used: fix.heard + fix.censored,
        flags: flags | fix.flags,
    }
}

/// For each instant, the time to the nearest one with a fix, s.
fn time_from_measurement_s(time_s: &[f64], fixes: &[Fixed]) -> Vec<f64> {
    let mut away_s = vec![f64::INFINITY; fixes.len()];
    let mut last_s = f64::NEG_INFINITY;
    for (index, fix) in fixes.iter().enumerate() {
        if fix.measurement.is_some() {
            last_s = time_s[index];
        }
        away_s[index] = time_s[index] - last_s;
    }
    let mut next_s = f64::INFINITY;
    for (index, fix) in fixes.iter().enumerate().rev() {
        if fix.measurement.is_some() {
            next_s = time_s[index];
        }
        away_s[index] = away_s[index].min(next_s - time_s[index]);
    }
    away_s
}
