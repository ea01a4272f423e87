//! The standard normal law where a censored reading or duration needs it, without loss of digits in either tail.

/// `ln √(2π)`.
const LN_SQRT_TAU: f64 = 0.918_938_533_204_672_8;

/// `Φ(z)`.
#[must_use]
pub fn cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

/// `φ(z)`.
pub(crate) fn density(z: f64) -> f64 {
    (-0.5 * z * z - LN_SQRT_TAU).exp()
}

/// `ln Φ(z)` and `φ(z)/Φ(z)`.
#[must_use]
pub fn ln_cdf_and_hazard(z: f64) -> (f64, f64) {
    if z < -30.0 {
        // Φ(z) = φ(z)/|z| (1 − 1/z² + 3/z⁴ − …): the next term is below 2e-8 of the sum here.
        let inverse_square = 1.0 / (z * z);
        let series = 1.0 - inverse_square * (1.0 - 3.0 * inverse_square);
        let ln_cdf = -0.5 * z * z - LN_SQRT_TAU - (-z).ln() + series.ln();
        return (ln_cdf, -z / series);
    }
    let cdf = cdf(z);
    (cdf.ln(), density(z) / cdf)
}

/// The z at which `Φ(z)` is a probability between 0 and 1, both of them left out; to 1e-12 by halving.
pub(crate) fn quantile(probability: f64) -> f64 {
    // Beyond this the distribution is 0 or 1 in double precision.
    let (mut low, mut high) = (-40.0, 40.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if cdf(middle) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn normal_tails_match_scipy() {
        // scipy 1.17.1: scipy.stats.norm.logcdf(z) and exp(norm.logpdf(z) - norm.logcdf(z)).
        for (z, ln_cdf, hazard) in [
            (2.0, -0.023_012_909_328_963_476, 0.055_247_862_678_989_95),
            (0.0, -std::f64::consts::LN_2, 0.797_884_560_802_865_4),
            (-5.0, -15.064_998_393_988_727, 5.186_503_967_125_851),
            (-29.9, -451.322_912_458_528_7, 29.933_370_411_299_88),
            (-40.0, -804.608_442_013_753_9, 40.024_968_847_210_89),
        ] {
            let (found_ln_cdf, found_hazard) = ln_cdf_and_hazard(z);
            assert_relative_eq!(found_ln_cdf, ln_cdf, max_relative = 1e-9);
            assert_relative_eq!(found_hazard, hazard, max_relative = 1e-7);
        }
    }

    #[test]
    fn quantiles_match_scipy() {
        // scipy 1.17.1: scipy.stats.norm.ppf.
        for (probability, z) in [
            (1e-12, -7.034_483_825_301_131),
            (0.001, -3.090_232_306_167_813),
            (0.5, 0.0),
            (0.975, 1.959_963_984_540_054),
        ] {
            assert_relative_eq!(quantile(probability), z, epsilon = 1e-12, max_relative = 1e-9);
        }
    }
}
