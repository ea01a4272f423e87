//! Normal and exponential draws that are the same bits on every machine.
//!
//! The ziggurat of `rand_distr` takes almost every draw from its tables by exact arithmetic. Only its tail, beyond the
//! last table entry, takes a logarithm of the machine's own library, whose last bit may differ from another's. Tail draws
//! are computed here once more from the same random numbers, with the logarithm of `libm`. What is left to chance: the
//! ziggurat compares with an exponential at the borders of its steps, where one last bit decides once in some 10¹⁶ draws.

use rand::{Rng, RngCore};
use rand_distr::{Exp1, Open01, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// Where the normal and the exponential tail begin: the published constants of the ziggurat (Marsaglia and Tsang 2000,
/// for 256 steps).
const NORMAL_TAIL: f64 = 3.654_152_885_361_009;
const EXPONENTIAL_TAIL: f64 = 7.697_117_470_131_05;

/// A standard normal draw.
pub(crate) fn normal(rng: &mut Xoshiro256PlusPlus) -> f64 {
    let before = rng.clone();
    let drawn: f64 = rng.sample(StandardNormal);
    if drawn.abs() < NORMAL_TAIL {
        return drawn;
    }
    // The tail's last pair of numbers was taken: x = R − ln u / R.
    let share: f64 = draws_from_the_end(before, rng, 2).sample(Open01);
    (NORMAL_TAIL - libm::log(share) / NORMAL_TAIL).copysign(drawn)
}

/// An exponential draw of mean 1.
pub(crate) fn exponential(rng: &mut Xoshiro256PlusPlus) -> f64 {
    let before = rng.clone();
    let drawn: f64 = rng.sample(Exp1);
    if drawn < EXPONENTIAL_TAIL {
        return drawn;
    }
    let share: f64 = draws_from_the_end(before, rng, 1).random();
    EXPONENTIAL_TAIL - libm::log(share)
}

/// The stream as it was so many numbers before it came to `after`, from where it was some draws earlier.
fn draws_from_the_end(mut before: Xoshiro256PlusPlus, after: &Xoshiro256PlusPlus, draws: usize) -> Xoshiro256PlusPlus {
    loop {
        let mut ahead = before.clone();
        for _ in 0..draws {
            ahead.next_u64();
        }
        if ahead == *after {
            return before;
        }
        before.next_u64();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::streams::{Purpose, stream};

    #[test]
    fn draws_are_the_ziggurat_s_but_for_the_last_bits_of_its_tails() {
        let (mut own, mut theirs) = (stream(1, Purpose::Noise), stream(1, Purpose::Noise));
        let mut tails = [0; 2];
        for _ in 0..100_000 {
            let (a, b): (f64, f64) = (normal(&mut own), theirs.sample(StandardNormal));
            assert!((a - b).abs() < 1e-14);
            tails[0] += usize::from(a.abs() > NORMAL_TAIL);
            let (a, b): (f64, f64) = (exponential(&mut own), theirs.sample(Exp1));
            assert!((a - b).abs() < 1e-14);
            tails[1] += usize::from(a > EXPONENTIAL_TAIL);
            assert_eq!(own, theirs);
        }
        // P(|n| > R) = 2.58e-4 and e^(−R) = 4.54e-4: 26 and 45 draws; Poisson, four standard deviations.
        assert!((6..47).contains(&tails[0]) && (19..72).contains(&tails[1]), "{tails:?}");
    }

    #[test]
    fn the_tails_first_draws_are_these_bits_on_every_machine() {
        // Made once; a machine on which another value comes out breaks the promise.
        let mut rng = stream(2, Purpose::Noise);
        let tail = std::iter::repeat_with(|| normal(&mut rng)).find(|drawn| drawn.abs() > NORMAL_TAIL);
        assert_eq!(tail.map(f64::to_bits), Some(13_838_824_764_312_857_573));
    }
}
