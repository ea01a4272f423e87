//! Symmetric block-tridiagonal systems whose off-diagonal blocks are sparse, by block elimination.
//!
//! For a chain of states with diagonal blocks Dₖ and blocks Eₖ from state k to k + 1,
//!
//! ```text
//! S₀ = D₀,   Sₖ₊₁ = Dₖ₊₁ − Eₖ Sₖ⁻¹ Eₖᵀ          forward
//! xₖ = Sₖ⁻¹ (yₖ − Eₖᵀ xₖ₊₁)                       back
//! Σₖ = Sₖ⁻¹ + Tₖᵀ Σₖ₊₁ Tₖ,   Tₖ = Eₖ Sₖ⁻¹         covariance;  cov(xₖ, xₖ₊₁) = −Tₖᵀ Σₖ₊₁
//! ```
//!
//! at a cost of a few d³ a state, linear in their number. Matrices are row-major slices of d × d: the size follows from the
//! number of sites, and the usual one is spelt out so that the compiler unrolls it.
//!
//! # Source
//!
//! Block elimination is textbook (G. H. Golub, C. F. Van Loan, *Matrix Computations*, section 4.5); the backward pass is the
//! smoother of Rauch, Tung and Striebel in information form.

/// An off-diagonal block: position and velocity couple alike along each axis, every other state only to itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Motion {
    /// Rows position, velocity of the later state; columns of the earlier.
    pub block: [[f64; 2]; 2],
}

/// Position and velocity come first in a state: three of each.
pub(crate) const KINEMATIC: usize = 6;

/// A factored chain.
#[derive(Debug, Clone)]
pub(crate) struct Chain {
    size: usize,
    /// Sₖ⁻¹ of each state.
    inverse: Vec<f64>,
    /// yₖ of each state.
    reduced: Vec<f64>,
    motion: Vec<Motion>,
    /// Off-diagonal entries of the states after the kinematic ones, `size − KINEMATIC` a link.
    others: Vec<f64>,
    scratch: Vec<f64>,
}

/// A pivot was not positive: the system is not positive definite.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct NotPositive;

impl Chain {
    /// Working space for chains of states of `size` numbers.
    pub fn new(size: usize) -> Self {
        Self {
            size,
            inverse: Vec::new(),
            reduced: Vec::new(),
            motion: Vec::new(),
            others: Vec::new(),
            scratch: vec![0.0; size * size],
        }
    }

    /// Forgets the states, keeps the space.
    pub fn clear(&mut self) {
        self.inverse.clear();
        self.reduced.clear();
        self.motion.clear();
        self.others.clear();
    }

    /// Eliminates the first state, or the next one linked to the last by `motion` and `others`. `block` is its diagonal block,
    /// `right` its right-hand side.
    ///
    /// # Errors
    ///
    /// [`NotPositive`] where what is left of the block is not positive definite.
    pub fn push(
        &mut self,
        link: Option<(Motion, &[f64])>,
        block: &mut [f64],
        right: &mut [f64],
    ) -> Result<(), NotPositive> {
        match self.size {
            // Eight sites: the size is a constant to the compiler.
            16 => self.push_sized(16, link, block, right),
            size => self.push_sized(size, link, block, right),
        }
    }

    #[inline(always)]
    fn push_sized(
        &mut self,
        d: usize,
        link: Option<(Motion, &[f64])>,
        block: &mut [f64],
        right: &mut [f64],
    ) -> Result<(), NotPositive> {
        if let Some((motion, others)) = link {
            let before = self.inverse.len() - d * d;
            coupled(d, &motion, others, &self.inverse[before..], &mut self.scratch);
            let reduced = &self.reduced[self.reduced.len() - d..];
            for row in 0..d {
                let t = &self.scratch[row * d..(row + 1) * d];
                right[row] -= dot(t, reduced);
                // T Eᵀ: columns of the later state gather those of the earlier.
                let out = &mut block[row * d..(row + 1) * d];
                for axis in 0..3 {
                    let (p, v) = (t[axis], t[axis + 3]);
                    out[axis] -= motion.block[0][0] * p + motion.block[0][1] * v;
                    out[axis + 3] -= motion.block[1][0] * p + motion.block[1][1] * v;
                }
                for ((out, t), e) in out[KINEMATIC..].iter_mut().zip(&t[KINEMATIC..]).zip(others) {
                    *out -= t * e;
                }
            }
            self.motion.push(motion);
            self.others.extend_from_slice(others);
        }
        invert(d, block)?;
        self.inverse.extend_from_slice(block);
        self.reduced.extend_from_slice(right);
        Ok(())
    }

    /// Numbers in a state.
    pub const fn size(&self) -> usize {
        self.size
    }

    /// Number of states.
    pub fn len(&self) -> usize {
        self.reduced.len() / self.size
    }

    /// The last state's Gaussian given all before it: mean, as the solution offsets it from `about`, and information.
    ///
    /// # Errors
    ///
    /// [`NotPositive`] where rounding has left it no Gaussian.
    pub fn last(&self, about: &[f64]) -> Result<(Vec<f64>, Vec<f64>), NotPositive> {
        let d = self.size;
        let last = self.len() - 1;
        let (covariance, reduced) = (self.inverse(last), &self.reduced[last * d..]);
        let mean = about
            .iter()
            .zip(covariance.chunks_exact(d))
            .map(|(about, row)| about + dot(row, reduced))
            .collect();
        let mut information = covariance.to_vec();
        invert(d, &mut information)?;
        for row in 0..d {
            for column in 0..row {
                let mean = 0.5 * (information[row * d + column] + information[column * d + row]);
                (information[row * d + column], information[column * d + row]) = (mean, mean);
            }
        }
        Ok((mean, information))
    }

    /// The last state's covariance given all before it, size × size.
    pub fn last_covariance(&self) -> &[f64] {
        self.inverse(self.len() - 1)
    }

    fn others(&self, link: usize) -> &[f64] {
        let width = self.size - KINEMATIC;
        &self.others[link * width..(link + 1) * width]
    }

    fn inverse(&self, state: usize) -> &[f64] {
        let area = self.size * self.size;
        &self.inverse[state * area..(state + 1) * area]
    }

    /// The solution, states × size.
    pub fn solve(&self) -> Vec<f64> {
        let d = self.size;
        let states = self.len();
        let mut solution = vec![0.0; states * d];
        let mut right = vec![0.0; d];
        for state in (0..states).rev() {
            right.copy_from_slice(&self.reduced[state * d..(state + 1) * d]);
            if state + 1 < states {
                let later = &solution[(state + 1) * d..(state + 2) * d];
                let e = &self.motion[state].block;
                for axis in 0..3 {
                    let (p, v) = (later[axis], later[axis + 3]);
                    right[axis] -= e[0][0] * p + e[1][0] * v;
                    right[axis + 3] -= e[0][1] * p + e[1][1] * v;
                }
                for ((right, later), e) in right[KINEMATIC..]
                    .iter_mut()
                    .zip(&later[KINEMATIC..])
                    .zip(self.others(state))
                {
                    *right -= e * later;
                }
            }
            let inverse = self.inverse(state);
            for row in 0..d {
                solution[state * d + row] = dot(&inverse[row * d..(row + 1) * d], &right);
            }
        }
        solution
    }

    /// Calls `visit(state, Σₖ, cov(xₖ, xₖ₊₁))` from the last state to the first; the last has no cross-covariance.
    pub fn covariances(&mut self, mut visit: impl FnMut(usize, &[f64], Option<&[f64]>)) {
        match self.size {
            16 => self.covariances_sized(16, &mut visit),
            size => self.covariances_sized(size, &mut visit),
        }
    }

    #[inline(always)]
    fn covariances_sized(&mut self, d: usize, visit: &mut impl FnMut(usize, &[f64], Option<&[f64]>)) {
        let states = self.len();
        let Some(last) = states.checked_sub(1) else { return };
        let mut later = self.inverse(last).to_vec();
        visit(last, &later, None);
        let (mut coupled_inverse, mut product) = (vec![0.0; d * d], vec![0.0; d * d]);
        let (mut here, mut cross) = (vec![0.0; d * d], vec![0.0; d * d]);
        for state in (0..last).rev() {
            let inverse = self.inverse(state);
            coupled(
                d,
                &self.motion[state],
                self.others(state),
                inverse,
                &mut coupled_inverse,
            );
            multiply(d, &later, &coupled_inverse, &mut product);
            here.copy_from_slice(inverse);
            add_transposed_product(d, &coupled_inverse, &product, &mut here);
            // cov(xₖ, xₖ₊₁) = −Tᵀ Σ' = −(Σ' T)ᵀ, as Σ' is symmetric.
            for row in 0..d {
                for column in 0..d {
                    cross[row * d + column] = -product[column * d + row];
                }
            }
            visit(state, &here, Some(&cross));
            std::mem::swap(&mut here, &mut later);
        }
    }
}

/// `E M` into `out`.
#[inline(always)]
fn coupled(d: usize, motion: &Motion, others: &[f64], matrix: &[f64], out: &mut [f64]) {
    let e = &motion.block;
    for axis in 0..3 {
        let (p, v) = (
            &matrix[axis * d..(axis + 1) * d],
            &matrix[(axis + 3) * d..(axis + 4) * d],
        );
        for column in 0..d {
            out[axis * d + column] = e[0][0] * p[column] + e[0][1] * v[column];
            out[(axis + 3) * d + column] = e[1][0] * p[column] + e[1][1] * v[column];
        }
    }
    for (other, &e) in others.iter().enumerate() {
        let row = KINEMATIC + other;
        for column in 0..d {
            out[row * d + column] = e * matrix[row * d + column];
        }
    }
}

#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// `A B` into `out`.
#[inline(always)]
fn multiply(d: usize, a: &[f64], b: &[f64], out: &mut [f64]) {
    out[..d * d].fill(0.0);
    for row in 0..d {
        for inner in 0..d {
            let factor = a[row * d + inner];
            let b = &b[inner * d..(inner + 1) * d];
            for (out, b) in out[row * d..(row + 1) * d].iter_mut().zip(b) {
                *out += factor * b;
            }
        }
    }
}

/// Adds `Aᵀ B` to `out`.
#[inline(always)]
fn add_transposed_product(d: usize, a: &[f64], b: &[f64], out: &mut [f64]) {
    for inner in 0..d {
        let b = &b[inner * d..(inner + 1) * d];
        for row in 0..d {
            let factor = a[inner * d + row];
            for (out, b) in out[row * d..(row + 1) * d].iter_mut().zip(b) {
                *out += factor * b;
            }
        }
    }
}

/// Inverts a symmetric positive definite matrix in place, by Gauss and Jordan; its pivots are those of Cholesky's factor,
/// squared, so that they need no exchange.
#[inline(always)]
fn invert(d: usize, a: &mut [f64]) -> Result<(), NotPositive> {
    for pivot in 0..d {
        let value = a[pivot * d + pivot];
        if !(value > 0.0 && value.is_finite()) {
            return Err(NotPositive);
        }
        let scale = 1.0 / value;
        a[pivot * d + pivot] = 1.0;
        for entry in &mut a[pivot * d..(pivot + 1) * d] {
            *entry *= scale;
        }
        let (above, rest) = a.split_at_mut(pivot * d);
        let (row, below) = rest.split_at_mut(d);
        for other in above.chunks_exact_mut(d).chain(below.chunks_exact_mut(d)) {
            let factor = other[pivot];
            other[pivot] = 0.0;
            for (entry, from) in other.iter_mut().zip(row.iter()) {
                *entry -= factor * from;
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::DMatrix;

    /// A chain of states with made-up, diagonally dominant blocks, and the dense matrix of it.
    fn chain(d: usize, states: usize) -> (Chain, DMatrix<f64>, DMatrix<f64>) {
        let mut chain = Chain::new(d);
        let mut dense = DMatrix::zeros(d * states, d * states);
        let mut right_dense = DMatrix::zeros(d * states, 1);
        for state in 0..states {
            let mut block = vec![0.0; d * d];
            for row in 0..d {
                for column in 0..d {
                    let wave = ((row * column + state) as f64).sin() * 0.3;
                    let symmetric = wave + ((row + column) as f64).cos() * 0.2;
                    block[row * d + column] = symmetric + if row == column { 12.0 } else { 0.0 };
                    dense[(state * d + row, state * d + column)] = block[row * d + column];
                }
            }
            let mut right: Vec<f64> = (0..d).map(|row| (row as f64 + 0.7 * state as f64).sin()).collect();
            for row in 0..d {
                right_dense[state * d + row] = right[row];
            }
            let motion = Motion {
                block: [[-1.0, 0.4], [-0.3, -0.8]],
            };
            let others: Vec<f64> = (KINEMATIC..d).map(|row| -0.5 - 0.1 * row as f64 / d as f64).collect();
            if state > 0 {
                let mut put = |row: usize, column: usize, value: f64| {
                    dense[(state * d + row, (state - 1) * d + column)] = value;
                    dense[((state - 1) * d + column, state * d + row)] = value;
                };
                for axis in 0..3 {
                    for (i, row) in motion.block.iter().enumerate() {
                        for (j, &value) in row.iter().enumerate() {
                            put(axis + 3 * i, axis + 3 * j, value);
                        }
                    }
                }
                for (other, &value) in others.iter().enumerate() {
                    put(KINEMATIC + other, KINEMATIC + other, value);
                }
            }
            let link = (state > 0).then_some((motion, others.as_slice()));
            chain.push(link, &mut block, &mut right).unwrap();
        }
        (chain, dense, right_dense)
    }

    #[test]
    fn solution_and_covariances_match_a_dense_inverse() {
        for d in [11, 16, 23] {
            let (mut chain, dense, right) = chain(d, 5);
            let inverse = dense.try_inverse().unwrap();
            let expected = &inverse * right;
            for (found, expected) in chain.solve().iter().zip(expected.iter()) {
                assert!((found - expected).abs() < 1e-12);
            }
            chain.covariances(|state, covariance, cross| {
                for row in 0..d {
                    for column in 0..d {
                        let here = inverse[(state * d + row, state * d + column)];
                        assert!((covariance[row * d + column] - here).abs() < 1e-12);
                        if let Some(cross) = cross {
                            let next = inverse[(state * d + row, (state + 1) * d + column)];
                            assert!((cross[row * d + column] - next).abs() < 1e-12);
                        }
                    }
                }
            });
        }
    }

    #[test]
    fn a_matrix_that_is_not_positive_definite_is_refused() {
        let mut chain = Chain::new(7);
        let mut block = vec![0.0; 49];
        for axis in 0..7 {
            block[axis * 8] = if axis == 4 { -1.0 } else { 1.0 };
        }
        assert_eq!(chain.push(None, &mut block, &mut [0.0; 7]), Err(NotPositive));
    }
}
