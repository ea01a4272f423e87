//! The natural logarithm of several numbers side by side.
//!
//! ```text
//! x = 2ᵉ m,  √½ ≤ m < √2,   ln x = e ln 2 + 2 atanh s,   s = (m − 1) / (m + 1),   atanh s = s Σ s²ᵏ / (2k + 1)
//! ```
//!
//! Without a branch and without a call, so that the compiler keeps several in one register: a fix takes hundreds. The
//! series ends at s¹⁹ / 19, as |s| < 0.1716 leaves less than 1e-17 of atanh s beyond.
//!
//! # Source
//!
//! Any text on elementary functions; ln 2 is split in two, so that e times the first part is exact.

use super::LANES;

/// Bits of √½.
const ROOT_HALF: u64 = 0x3fe6_a09e_667f_3bcd;
/// The bits of 2⁵² as a number: a small integer in its last bits is that integer more.
const TWO_TO_52: u64 = 0x4330_0000_0000_0000;
const MANTISSA_BITS: u32 = 52;
/// Added to the exponent, so that it is positive while it is cut out.
const BIAS: u64 = 1024;
/// The first part of ln 2, with 20 zero bits at its end, and the rest.
const LN_2_HIGH: f64 = 0.693_147_180_369_123_8;
const LN_2_LOW: f64 = 1.908_214_929_270_587_7e-10;

/// `ln x` of each, for positive normal numbers; anything for others.
#[inline(always)]
pub(super) fn ln(x: &[f64; LANES]) -> [f64; LANES] {
    x.map(|x| {
        let bits = x.to_bits();
        let exponent = (bits.wrapping_sub(ROOT_HALF).wrapping_add(BIAS << MANTISSA_BITS)) >> MANTISSA_BITS;
        let m = f64::from_bits(bits.wrapping_sub(exponent.wrapping_sub(BIAS) << MANTISSA_BITS));
        let e = f64::from_bits(TWO_TO_52 | exponent) - (f64::from_bits(TWO_TO_52) + BIAS as f64);
        let s = (m - 1.0) / (m + 1.0);
        let z = s * s;
        let mut tail = 1.0 / 19.0;
        tail = tail * z + 1.0 / 17.0;
        tail = tail * z + 1.0 / 15.0;
        tail = tail * z + 1.0 / 13.0;
        tail = tail * z + 1.0 / 11.0;
        tail = tail * z + 1.0 / 9.0;
        tail = tail * z + 1.0 / 7.0;
        tail = tail * z + 1.0 / 5.0;
        tail = tail * z + 1.0 / 3.0;
        let twice = s + s;
        e * LN_2_HIGH + (twice + (twice * z * tail + e * LN_2_LOW))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::f64::consts::{FRAC_1_SQRT_2, SQRT_2};

    proptest! {
        #[test]
        fn logarithms_are_those_of_the_standard_library(exponent in -300.0..300.0_f64, near in 0.5..2.0_f64) {
            let x = [10_f64.powf(exponent), near, 1.0, 1.0 + f64::EPSILON, 1e-6, 9e8, FRAC_1_SQRT_2, SQRT_2];
            for (found, x) in ln(&x).into_iter().zip(x) {
                let expected = x.ln();
                // Three units in the last place, of the result or, near 1, of s.
                prop_assert!((found - expected).abs() <= 3.0 * f64::EPSILON * expected.abs(), "{x}: {found} {expected}");
            }
        }
    }
}
