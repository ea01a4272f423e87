//! Dense positive-definite systems by halves: Cholesky's factor, its inverse and the inverse of the whole, most of the work in
//! products of large blocks, which run several times faster than column by column.

use nalgebra::{DMatrix, DMatrixViewMut};

/// The matrix is not positive definite.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct NotPositive;

/// Blocks up to this size are factored column by column.
const LEAF: usize = 24;

/// Cholesky's factor of a symmetric matrix, of which only the lower triangle is read: lower triangular, zero above.
pub(crate) fn factor(mut matrix: DMatrix<f64>) -> Result<DMatrix<f64>, NotPositive> {
    factor_in_place(&mut matrix.as_view_mut())?;
    matrix.fill_upper_triangle(0.0, 1);
    Ok(matrix)
}

fn factor_in_place(matrix: &mut DMatrixViewMut<'_, f64>) -> Result<(), NotPositive> {
    let size = matrix.nrows();
    if size <= LEAF {
        return factor_leaf(matrix);
    }
    let half = size / 2;
    factor_in_place(&mut matrix.view_range_mut(..half, ..half).as_view_mut())?;
    // L₂₁ = A₂₁ L₁₁⁻ᵀ
    let first = inverse_of_lower(&matrix.view_range(..half, ..half).clone_owned());
    let below = matrix.view_range(half.., ..half) * first.transpose();
    matrix.view_range_mut(half.., ..half).copy_from(&below);
    let mut rest = matrix.view_range_mut(half.., half..);
    rest.gemm(-1.0, &below, &below.transpose(), 1.0);
    factor_in_place(&mut rest.as_view_mut())
}

fn factor_leaf(matrix: &mut DMatrixViewMut<'_, f64>) -> Result<(), NotPositive> {
    let size = matrix.nrows();
    for column in 0..size {
        for earlier in 0..column {
            let share = matrix[(column, earlier)];
            for row in column..size {
                matrix[(row, column)] -= share * matrix[(row, earlier)];
            }
        }
        let square = matrix[(column, column)];
        if !(square > 0.0 && square.is_finite()) {
            return Err(NotPositive);
        }
        let root = square.sqrt();
        for row in column..size {
            matrix[(row, column)] /= root;
        }
    }
    Ok(())
}

/// The inverse of a lower triangular matrix; what is above the diagonal is not read.
pub(crate) fn inverse_of_lower(lower: &DMatrix<f64>) -> DMatrix<f64> {
    let mut inverse = DMatrix::zeros(lower.nrows(), lower.nrows());
    invert_lower(lower, 0, lower.nrows(), &mut inverse);
    inverse
}

fn invert_lower(lower: &DMatrix<f64>, from: usize, to: usize, inverse: &mut DMatrix<f64>) {
    if to - from <= LEAF {
        for column in from..to {
            inverse[(column, column)] = 1.0 / lower[(column, column)];
            for row in column + 1..to {
                let sum: f64 = (column..row)
                    .map(|inner| lower[(row, inner)] * inverse[(inner, column)])
                    .sum();
                inverse[(row, column)] = -sum / lower[(row, row)];
            }
        }
        return;
    }
    let half = from.midpoint(to);
    invert_lower(lower, from, half, inverse);
    invert_lower(lower, half, to, inverse);
    let across = lower.view_range(half..to, from..half) * inverse.view_range(from..half, from..half);
    let product = inverse.view_range(half..to, half..to) * across;
    inverse.view_range_mut(half..to, from..half).copy_from(&-product);
}

/// The inverse of the matrix whose factor is given, `L⁻ᵀ L⁻¹`.
pub(crate) fn inverse(factor: &DMatrix<f64>) -> DMatrix<f64> {
    let lower = inverse_of_lower(factor);
    lower.transpose() * lower
}

/// Half the logarithm of the determinant of the matrix whose factor is given.
pub(crate) fn half_ln_determinant(factor: &DMatrix<f64>) -> f64 {
    factor.diagonal().iter().map(|root| root.ln()).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn positive(size: usize) -> DMatrix<f64> {
        let root = DMatrix::from_fn(size, size, |row, column| ((row * 7 + column * 3) as f64).sin());
        &root * root.transpose() + DMatrix::identity(size, size)
    }

    #[test]
    fn factor_and_inverse_are_those_of_nalgebra() {
        for size in [1, 5, 24, 25, 60, 131] {
            let matrix = positive(size);
            let lower = factor(matrix.clone()).unwrap();
            let theirs = matrix.clone().cholesky().unwrap();
            assert!((&lower - theirs.l()).amax() < 1e-9, "{size}");
            assert!((inverse(&lower) - theirs.inverse()).amax() < 1e-9, "{size}");
            assert!((half_ln_determinant(&lower) - 0.5 * theirs.ln_determinant()).abs() < 1e-9);
        }
    }

    #[test]
    fn what_is_not_positive_definite_is_told() {
        let mut matrix = positive(40);
        matrix[(30, 30)] = -1.0;
        assert_eq!(factor(matrix), Err(NotPositive));
        assert_eq!(factor(DMatrix::from_element(1, 1, f64::NAN)), Err(NotPositive));
    }
}
