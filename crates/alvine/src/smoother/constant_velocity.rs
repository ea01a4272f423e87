//! A constant-velocity Kalman filter with Rauch–Tung–Striebel smoothing.
//!
//! The state is position and velocity, driven by white noise on acceleration of spectral density q:
//!
//! ```text
//! x(t + Δ) = F x(t) + w,   F = [ I  ΔI ]   cov w = q [ Δ³/3 I  Δ²/2 I ]
//!                              [ 0   I ]             [ Δ²/2 I   Δ I   ]
//! z = [ I 0 ] x + v,       cov v = R, one for each instant
//! ```
//!
//! Steps may be of any length, so that gaps need no special case: the covariance grows over them as Δ³.
//!
//! # Source
//!
//! H. E. Rauch, F. Tung, C. T. Striebel, *Maximum likelihood estimates of linear dynamic systems*, AIAA J. 3 (1965);
//! the discretised noise as in Y. Bar-Shalom, X. R. Li, T. Kirubarajan, *Estimation with Applications to Tracking and
//! Navigation* (2001), section 6.2.2.

use nalgebra::{Matrix3, Matrix6, SMatrix, Vector6};
use thiserror::Error;

use super::{Measurement, Smoothed};

/// Why a smoother cannot be as asked, or cannot run.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum SmootherError {
    /// A parameter outside its range, or not a number.
    #[error("smoother {what} is {found}; expected {expected}")]
    ImpossibleOption {
        /// Which parameter.
        what: &'static str,
        /// What was found.
        found: f64,
        /// What would do.
        expected: &'static str,
    },
    /// As many measurements as times are needed.
    #[error("{measurements} measurements for {times} times")]
    LengthMismatch {
        /// Number of times.
        times: usize,
        /// Number of measurements.
        measurements: usize,
    },
    /// A covariance that is not positive definite.
    #[error("the covariance of the measurement at instant {} is not positive definite", instant + 1)]
    NotPositiveDefinite {
        /// Index of the instant.
        instant: usize,
    },
}

/// The smoother and its parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ConstantVelocity {
    acceleration_density: f64,
    first_speed_mm_per_s: f64,
    outlier_gate: Option<f64>,
}

impl ConstantVelocity {
    /// A smoother from the density of white noise on acceleration, mm²/s³, and the standard deviation of each
    /// component of velocity at the start, mm/s.
    ///
    /// # Errors
    ///
    /// [`SmootherError::ImpossibleOption`] unless both are positive numbers.
    pub fn new(acceleration_density_mm2_per_s3: f64, first_speed_mm_per_s: f64) -> Result<Self, SmootherError> {
        for (what, found) in [
            ("acceleration density", acceleration_density_mm2_per_s3),
            ("first speed", first_speed_mm_per_s),
        ] {
            if !(found > 0.0 && found.is_finite()) {
                return Err(SmootherError::ImpossibleOption {
                    what,
                    found,
                    expected: "a number above 0",
                });
            }
        }
        Ok(Self {
            acceleration_density: acceleration_density_mm2_per_s3,
            first_speed_mm_per_s,
            outlier_gate: None,
        })
    }

    /// Gives measurements further than `gate` standard deviations from the forecast less weight: their covariance is
    /// scaled so that they stand `gate` away (a bounded influence that cannot lock the filter out).
    #[must_use]
    pub fn with_outlier_gate(mut self, gate: f64) -> Self {
        self.outlier_gate = Some(gate);
        self
    }

    /// Smooths measurements at strictly increasing times; `None` where there is none. The result begins at the first
    /// measurement: earlier instants get `None`.
    ///
    /// # Errors
    ///
    /// [`SmootherError::LengthMismatch`] and [`SmootherError::NotPositiveDefinite`].
    pub fn smooth(
        &self,
        time_s: &[f64],
        measurements: &[Option<Measurement>],
    ) -> Result<Vec<Option<Smoothed>>, SmootherError> {
        if time_s.len() != measurements.len() {
            return Err(SmootherError::LengthMismatch {
                times: time_s.len(),
                measurements: measurements.len(),
            });
        }
        let Some(first) = measurements.iter().position(Option::is_some) else {
            return Ok(vec![None; time_s.len()]);
        };
        let filtered = self.filter(&time_s[first..], &measurements[first..], first)?;
        let mut smoothed = vec![None; first];
        smoothed.extend(self.smooth_back(&time_s[first..], &filtered).into_iter().map(Some));
        Ok(smoothed)
    }

    /// The forward pass; the first measurement exists.
    fn filter(
        &self,
        time_s: &[f64],
        measurements: &[Option<Measurement>],
        offset: usize,
    ) -> Result<Vec<Packed>, SmootherError> {
        let mut filtered = Vec::with_capacity(time_s.len());
        let mut state = State::default();
        for (index, (&now_s, measurement)) in time_s.iter().zip(measurements).enumerate() {
            let mut outlier = false;
            if index > 0 {
                state = self.forecast(&state, now_s - time_s[index - 1]);
            }
            if let Some(measurement) = measurement {
                let bad = SmootherError::NotPositiveDefinite {
                    instant: offset + index,
                };
                if index == 0 {
                    state = self.begin(measurement);
                } else {
                    outlier = self.update(&mut state, measurement).ok_or(bad)?;
                }
            }
            filtered.push(Packed::new(&state, outlier));
        }
        Ok(filtered)
    }

    fn begin(&self, measurement: &Measurement) -> State {
        let mut state = State::default();
        state.mean.fixed_rows_mut::<3>(0).copy_from(&measurement.position_mm);
        state
            .covariance
            .fixed_view_mut::<3, 3>(0, 0)
            .copy_from(&measurement.covariance_mm2);
        let variance = self.first_speed_mm_per_s.powi(2);
        state
            .covariance
            .fixed_view_mut::<3, 3>(3, 3)
            .copy_from(&Matrix3::from_diagonal_element(variance));
        state
    }

    /// F x and F P Fᵀ + Q, by 3 × 3 blocks.
    fn forecast(&self, from: &State, step_s: f64) -> State {
        let q = self.acceleration_density;
        let mut to = *from;
        let velocity = from.mean.fixed_rows::<3>(3).into_owned();
        let moved = from.mean.fixed_rows::<3>(0) + velocity * step_s;
        to.mean.fixed_rows_mut::<3>(0).copy_from(&moved);
        let pp = from.covariance.fixed_view::<3, 3>(0, 0);
        let pv = from.covariance.fixed_view::<3, 3>(0, 3);
        let vv = from.covariance.fixed_view::<3, 3>(3, 3).into_owned();
        let diagonal = Matrix3::from_diagonal_element;
        let new_pp = pp + (pv + pv.transpose()) * step_s + vv * (step_s * step_s) + diagonal(q * step_s.powi(3) / 3.0);
        let new_pv = pv + vv * step_s + diagonal(q * step_s * step_s / 2.0);
        to.set_blocks(&new_pp, &new_pv, &(vv + diagonal(q * step_s)));
        to
    }

    /// Joseph's form of the update; whether the measurement was an outlier, or `None` when its covariance or the
    /// innovation's is not positive definite.
    fn update(&self, state: &mut State, measurement: &Measurement) -> Option<bool> {
        let mut noise = measurement.covariance_mm2;
        noise.cholesky()?;
        let pp = state.covariance.fixed_view::<3, 3>(0, 0).into_owned();
        let innovation = measurement.position_mm - state.mean.fixed_rows::<3>(0);
        let mut factor = (pp + noise).cholesky()?;
        let mut outlier = false;
        if let Some(gate) = self.outlier_gate {
            let distance = innovation.dot(&factor.solve(&innovation)).sqrt();
            if distance > gate {
                outlier = true;
                noise *= (distance / gate).powi(2);
                factor = (pp + noise).cholesky()?;
            }
        }
        let cross: SMatrix<f64, 6, 3> = state.covariance.fixed_columns::<3>(0).into_owned();
        let gain = factor.solve(&cross.transpose()).transpose();
        state.mean += gain * innovation;
        let mut keep = Matrix6::identity();
        let mut left = keep.fixed_columns_mut::<3>(0);
        left -= gain;
        let covariance = keep * state.covariance * keep.transpose() + gain * noise * gain.transpose();
        // Rounding makes it lopsided by an ulp an update, which grows over hundreds of thousands of them.
        state.covariance = 0.5 * (covariance + covariance.transpose());
        Some(outlier)
    }

    /// The backward pass.
    fn smooth_back(&self, time_s: &[f64], filtered: &[Packed]) -> Vec<Smoothed> {
        let mut smoothed = Vec::with_capacity(filtered.len());
        let mut next: Option<(f64, State)> = None;
        for (&now_s, packed) in time_s.iter().zip(filtered).rev() {
            let here = packed.unpack();
            let state = match &next {
                None => here,
                Some((next_s, later)) => self.back(&here, later, next_s - now_s),
            };
            smoothed.push(Smoothed {
                position_mm: state.mean.fixed_rows::<3>(0).into_owned(),
                velocity_mm_per_s: state.mean.fixed_rows::<3>(3).into_owned(),
                covariance_mm2: state.covariance.fixed_view::<3, 3>(0, 0).into_owned(),
                outlier: packed.outlier,
            });
            next = Some((now_s, state));
        }
        smoothed.reverse();
        smoothed
    }

    /// One step back: `xₛ = x + G (x'ₛ − F x)`, `Pₛ = P + G (P'ₛ − P') Gᵀ`, `G = P Fᵀ P'⁻¹`.
    fn back(&self, here: &State, later: &State, step_s: f64) -> State {
        let forecast = self.forecast(here, step_s);
        // The forecast covariance holds Q, which is positive definite for every positive step.
        let Some(factor) = forecast.covariance.cholesky() else {
            return *here;
        };
        // F P: position rows gain Δ times the velocity rows.
        let mut moved = here.covariance;
        let velocity_rows = here.covariance.fixed_rows::<3>(3) * step_s;
        let mut top = moved.fixed_rows_mut::<3>(0);
        top += velocity_rows;
        let gain = factor.solve(&moved).transpose();
        let covariance = here.covariance + gain * (later.covariance - forecast.covariance) * gain.transpose();
        State {
            mean: here.mean + gain * (later.mean - forecast.mean),
            covariance: 0.5 * (covariance + covariance.transpose()),
        }
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct State {
    mean: Vector6<f64>,
    covariance: Matrix6<f64>,
}

impl State {
    fn set_blocks(&mut self, pp: &Matrix3<f64>, pv: &Matrix3<f64>, vv: &Matrix3<f64>) {
        self.covariance.fixed_view_mut::<3, 3>(0, 0).copy_from(pp);
        self.covariance.fixed_view_mut::<3, 3>(0, 3).copy_from(pv);
        self.covariance.fixed_view_mut::<3, 3>(3, 0).copy_from(&pv.transpose());
        self.covariance.fixed_view_mut::<3, 3>(3, 3).copy_from(vv);
    }
}

/// A filtered state with half of its symmetric covariance, as a recording has hundreds of thousands of them.
#[derive(Debug, Clone, Copy)]
struct Packed {
    mean: [f64; 6],
    lower: [f64; 21],
    outlier: bool,
}

impl Packed {
    fn new(state: &State, outlier: bool) -> Self {
        let mut lower = [0.0; 21];
        for (slot, (row, column)) in lower.iter_mut().zip(lower_triangle()) {
            *slot = state.covariance[(row, column)];
        }
        Self {
            mean: state.mean.into(),
            lower,
            outlier,
        }
    }

    fn unpack(&self) -> State {
        let mut covariance = Matrix6::zeros();
        for (&value, (row, column)) in self.lower.iter().zip(lower_triangle()) {
            covariance[(row, column)] = value;
            covariance[(column, row)] = value;
        }
        State {
            mean: self.mean.into(),
            covariance,
        }
    }
}

fn lower_triangle() -> impl Iterator<Item = (usize, usize)> {
    (0..6).flat_map(|row| (0..=row).map(move |column| (row, column)))
}

impl Default for ConstantVelocity {
    /// 0.02 mm²/s³, 5 mm/s and a gate of 4 standard deviations (common practice, no source: on simulated studies the error
    /// changes by under 3 % from 0.001 to 1 mm²/s³, as shadowing outweighs motion).
    fn default() -> Self {
        Self {
            acceleration_density: 0.02,
            first_speed_mm_per_s: 5.0,
            outlier_gate: Some(4.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::torso::Position;
    use approx::assert_relative_eq;

    fn measurement(position_mm: Position, variance_mm2: f64) -> Option<Measurement> {
        Some(Measurement {
            position_mm,
            covariance_mm2: Matrix3::from_diagonal_element(variance_mm2),
        })
    }

    #[test]
    fn a_steady_course_is_found_exactly() {
        let smoother = ConstantVelocity::new(1e-6, 100.0).unwrap();
        let time_s: Vec<f64> = (0..50).map(f64::from).collect();
        let course = |t: f64| Position::new(2.0 * t, 80.0 - t, 10.0 + 0.5 * t);
        let measured: Vec<_> = time_s.iter().map(|&t| measurement(course(t), 1e-2)).collect();
        let smoothed = smoother.smooth(&time_s, &measured).unwrap();
        for (&t, point) in time_s.iter().zip(&smoothed) {
            let point = point.unwrap();
            // The prior on speed (100 mm/s) pulls by about R / (σ_v² T²) ≈ 1e-9 of the course.
            assert_relative_eq!(point.position_mm, course(t), epsilon = 1e-4);
        }
    }

    #[test]
    fn smoothing_equals_the_batch_solution_of_least_squares() {
        // The slow twin: minimise Σ|z − p|²/R + Σ wᵀQ⁻¹w + prior over all states at once, in one dimension (the axes
        // are independent for scalar R), by solving the normal equations densely.
        let q = 0.8;
        let time_s = [0.0, 0.7, 1.9, 2.0, 5.5, 6.0];
        let z = [3.0, f64::NAN, 5.5, 4.0, -2.0, 1.0];
        let r = 4.0;
        let first_speed = 3.0_f64;
        let n = time_s.len();
        let mut normal = nalgebra::DMatrix::<f64>::zeros(2 * n, 2 * n);
        let mut right = nalgebra::DVector::<f64>::zeros(2 * n);
        for k in 0..n {
            if !z[k].is_nan() {
                normal[(2 * k, 2 * k)] += 1.0 / r;
                right[2 * k] += z[k] / r;
            }
        }
        normal[(1, 1)] += 1.0 / first_speed.powi(2);
        for k in 0..n - 1 {
            let dt: f64 = time_s[k + 1] - time_s[k];
            let cov = nalgebra::Matrix2::new(q * dt.powi(3) / 3.0, q * dt * dt / 2.0, q * dt * dt / 2.0, q * dt);
            let weight = cov.try_inverse().unwrap();
            // w = [p' − p − Δ v, v' − v]
            let rows = nalgebra::Matrix2x4::new(-1.0, -dt, 1.0, 0.0, 0.0, -1.0, 0.0, 1.0);
            let block = rows.transpose() * weight * rows;
            let mut view = normal.view_mut((2 * k, 2 * k), (4, 4));
            view += block;
        }
        let inverse = normal.try_inverse().unwrap();
        let batch = &inverse * right;

        let smoother = ConstantVelocity::new(q, first_speed).unwrap();
        let measured: Vec<_> = z
            .iter()
            .map(|&z| {
                if z.is_nan() {
                    None
                } else {
                    measurement(Position::new(z, 0.0, 0.0), r)
                }
            })
            .collect();
        let smoothed = smoother.smooth(&time_s, &measured).unwrap();
        for (k, point) in smoothed.iter().enumerate() {
            let point = point.unwrap();
            assert_relative_eq!(point.position_mm.x, batch[2 * k], epsilon = 1e-9);
            assert_relative_eq!(point.velocity_mm_per_s.x, batch[2 * k + 1], epsilon = 1e-9);
            assert_relative_eq!(point.covariance_mm2[(0, 0)], inverse[(2 * k, 2 * k)], epsilon = 1e-9);
        }
    }

    #[test]
    fn a_wild_measurement_is_marked_and_moves_the_track_little() {
        let smoother = ConstantVelocity::new(1.0, 5.0).unwrap().with_outlier_gate(4.0);
        let time_s: Vec<f64> = (0..40).map(f64::from).collect();
        let mut measured: Vec<_> = time_s
            .iter()
            .map(|_| measurement(Position::new(0.0, 90.0, 0.0), 25.0))
            .collect();
        measured[20] = measurement(Position::new(300.0, 90.0, 0.0), 25.0);
        let smoothed = smoother.smooth(&time_s, &measured).unwrap();
        assert!(smoothed[20].unwrap().outlier);
        assert!(smoothed[20].unwrap().position_mm.x < 15.0);
        assert_eq!(smoothed.iter().filter(|point| point.unwrap().outlier).count(), 1);
    }

    #[test]
    fn bad_parameters_and_inputs_are_refused() {
        assert!(ConstantVelocity::new(0.0, 1.0).is_err());
        assert!(ConstantVelocity::new(1.0, f64::NAN).is_err());
        let smoother = ConstantVelocity::default();
        assert!(matches!(
            smoother.smooth(&[0.0], &[]),
            Err(SmootherError::LengthMismatch { .. })
        ));
        let flat = [measurement(Position::zeros(), 1.0), measurement(Position::zeros(), 0.0)];
        assert_eq!(
            smoother.smooth(&[0.0, 1.0], &flat).unwrap_err(),
            SmootherError::NotPositiveDefinite { instant: 1 }
        );
        assert_eq!(smoother.smooth(&[0.0, 1.0], &[None, None]).unwrap(), vec![None, None]);
    }
}
