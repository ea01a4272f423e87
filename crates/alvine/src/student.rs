//! Student's t and Fisher's F, for intervals and tests from few values.
//!
//! ```text
//! P(|T| > t) = I_x(ν/2, ½), x = ν / (ν + t²);   P(F > f) = I_x(ν/2, m/2), x = ν / (ν + m f)
//! I regularised incomplete beta function, ν degrees of freedom of the denominator, m of the numerator
//! ```
//!
//! # Source
//!
//! NIST Digital Library of Mathematical Functions, 8.17.4 (symmetry) and 8.17.22 (continued fraction).

/// The continued fraction ends once a step changes it by less.
const SETTLED: f64 = 1e-15;
const MOST_STEPS: u32 = 500;

/// The t that a variable of `freedom` degrees of freedom exceeds in size with a probability, such as 0.05.
pub(crate) fn two_sided_point(probability: f64, freedom: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    while two_sided_tail(high, freedom) > probability && high < 1e12 {
        high *= 2.0;
    }
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if two_sided_tail(middle, freedom) > probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// `P(|T| > t)`.
fn two_sided_tail(t: f64, freedom: f64) -> f64 {
    regularised_beta(freedom / (freedom + t * t), 0.5 * freedom, 0.5)
}

/// `P(F > f)` for `terms` and `freedom` degrees of freedom.
pub(crate) fn f_tail(f: f64, terms: f64, freedom: f64) -> f64 {
    regularised_beta(freedom / (freedom + terms * f.max(0.0)), 0.5 * freedom, 0.5 * terms)
}

/// `I_x(a, b)` for 0 ≤ x ≤ 1.
fn regularised_beta(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 || x >= 1.0 {
        return if x <= 0.0 { 0.0 } else { 1.0 };
    }
    // The fraction converges fast below the mean of the beta distribution; above it the symmetry leads there.
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - regularised_beta(1.0 - x, b, a);
    }
    let ln_front = a * x.ln() + b * (1.0 - x).ln() + libm::lgamma(a + b) - libm::lgamma(a) - libm::lgamma(b);
    ln_front.exp() / (a * continued_fraction(x, a, b))
}

/// The continued fraction `1 + d₁/(1 + d₂/(1 + …))` of the incomplete beta function, from the front by the method of
/// Lentz.
fn continued_fraction(x: f64, a: f64, b: f64) -> f64 {
    let away_from_nought = |value: f64| if value.abs() < 1e-300 { 1e-300 } else { value };
    let (mut fraction, mut above, mut below) = (1.0, 1.0, 0.0);
    for step in 1..=MOST_STEPS {
        let m = f64::from(step / 2);
        let d = if step % 2 == 0 {
            m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m))
        } else {
            -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0))
        };
        below = 1.0 / away_from_nought(1.0 + d * below);
        above = away_from_nought(1.0 + d / above);
        let change = above * below;
        fraction *= change;
        if (change - 1.0).abs() < SETTLED {
            break;
        }
    }
    fraction
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn points_and_tails_match_scipy() {
        // scipy 1.17.1: scipy.stats.t.ppf(0.975, freedom) and scipy.stats.f.sf(f, terms, freedom).
        for (freedom, point) in T_POINTS {
            assert_relative_eq!(two_sided_point(0.05, freedom), point, max_relative = 1e-10);
        }
        for (f, terms, freedom, tail) in F_TAILS {
            assert_relative_eq!(f_tail(f, terms, freedom), tail, max_relative = 1e-9);
        }
    }

    const T_POINTS: [(f64, f64); 5] = [
        (1.0, 12.706204736174694),
        (2.5, 3.5746548420036817),
        (9.0, 2.262157162798205),
        (57.3, 2.002238268231336),
        (4000.0, 1.9605572287937332),
    ];
    const F_TAILS: [(f64, f64, f64, f64); 5] = [
        (1.0, 1.0, 5.0, 0.3632174676491229),
        (3.2, 2.0, 40.0, 0.051385456071628095),
        (0.1, 3.0, 12.5, 0.9585337051838339),
        (25.0, 2.0, 300.0, 9.077819756388039e-11),
        (4.5, 1.0, 10000.0, 0.033919384868345163),
    ];
}
