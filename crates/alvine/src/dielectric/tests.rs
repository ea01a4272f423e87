//! The model against tabulated values.

use super::*;
use approx::assert_relative_eq;
use proptest::prelude::*;

/// Tabulated values that others computed or printed: tissue, frequency in Hz, relative permittivity and the half of its
/// last printed digit, conductivity in S/m and the half of its last.
///
/// 10 kHz to 1 MHz: *Electrical exposure analysis of galvanic-coupled intra-body communication based on the empirical arm
/// models*, BioMed. Eng. OnLine 2018, table 3. 2.5 GHz: Sci. Rep. 2025, s41598-025-27963-1, table 8 (whose row is labelled
/// 0.3 THz; its numbers are those of 2.5 GHz to every digit).
const PUBLISHED: [(Tissue, f64, [f64; 2], [f64; 2]); 12] = [
    (Tissue::Skin, 1e4, [1133.6, 0.05], [0.00020, 5e-6]),
    (Tissue::Skin, 1e5, [1119.2, 0.05], [0.00045, 5e-6]),
    (Tissue::Skin, 1e6, [990.76, 0.005], [0.0132, 5e-5]),
    (Tissue::Fat, 1e4, [1085.3, 0.05], [0.0238, 5e-5]),
    (Tissue::Fat, 1e5, [92.885, 0.0005], [0.0244, 5e-5]),
    (Tissue::Fat, 1e6, [27.222, 0.0005], [0.0251, 5e-5]),
    (Tissue::Muscle, 1e4, [25909.0, 0.5], [0.3408, 5e-5]),
    (Tissue::Muscle, 1e5, [8089.2, 0.05], [0.3619, 5e-5]),
    (Tissue::Muscle, 1e6, [1836.4, 0.05], [0.5027, 5e-5]),
    (Tissue::Skin, 2.5e9, [37.95, 0.005], [1.49, 0.005]),
    (Tissue::Fat, 2.5e9, [5.27, 0.005], [0.11, 0.005]),
    (Tissue::Muscle, 2.5e9, [52.67, 0.005], [1.77, 0.005]),
];

#[test]
fn published_tables_are_met_to_their_last_digit() {
    for (tissue, frequency_hz, [permittivity, half], [conductivity, half_s]) in PUBLISHED {
        let found = tissue.cole_cole().at_hz(frequency_hz);
        // A tenth of a half more: tables round what they computed with constants of their own.
        assert!(
            (found.relative_permittivity - permittivity).abs() <= 1.1 * half,
            "{tissue:?} {frequency_hz}: {found:?}"
        );
        assert!(
            (found.conductivity_s_per_m - conductivity).abs() <= 1.1 * half_s,
            "{tissue:?} {frequency_hz}: {found:?}"
        );
    }
}

/// Worked from the same parameters by another program (plain Python, complex arithmetic): tissue, MHz, relative
/// permittivity, S/m, tan δ, Np/m, dB/cm, depth in mm, wavelength in mm.
const WORKED: [(Tissue, [f64; 8]); 30] = [
    (
        Tissue::Muscle,
        [402.0, 57.1121, 0.79683, 0.6239, 19.0294, 1.6529, 52.550, 94.548],
    ),
    (
        Tissue::Muscle,
        [403.5, 57.0998, 0.79722, 0.6220, 19.0451, 1.6542, 52.507, 94.228],
    ),
    (
        Tissue::Muscle,
        [433.0, 56.8732, 0.80485, 0.5875, 19.3451, 1.6803, 51.693, 88.346],
    ),
    (
        Tissue::Muscle,
        [915.0, 54.9970, 0.94811, 0.3387, 23.7527, 2.0631, 42.100, 43.577],
    ),
    (
        Tissue::Muscle,
        [2450.0, 52.7295, 1.73879, 0.2419, 44.7829, 3.8898, 22.330, 16.731],
    ),
    (
        Tissue::Fat,
        [402.0, 5.5789, 0.04115, 0.3298, 3.2392, 0.2813, 308.72, 311.63],
    ),
    (
        Tissue::Fat,
        [403.5, 5.5783, 0.04118, 0.3288, 3.2415, 0.2816, 308.50, 310.51],
    ),
    (
        Tissue::Fat,
        [433.0, 5.5667, 0.04166, 0.3106, 3.2872, 0.2855, 304.21, 290.05],
    ),
    (
        Tissue::Fat,
        [915.0, 5.4596, 0.05140, 0.1850, 4.1264, 0.3584, 242.34, 139.63],
    ),
    (
        Tissue::Fat,
        [2450.0, 5.2801, 0.10452, 0.1452, 8.5458, 0.7423, 117.02, 53.113],
    ),
    (
        Tissue::Skin,
        [402.0, 46.7405, 0.68893, 0.6591, 18.1078, 1.5728, 55.225, 104.06],
    ),
    (
        Tissue::Skin,
        [403.5, 46.7063, 0.68957, 0.6577, 18.1344, 1.5751, 55.144, 103.73],
    ),
    (
        Tissue::Skin,
        [433.0, 46.0790, 0.70191, 0.6324, 18.6424, 1.6193, 53.641, 97.623],
    ),
    (
        Tissue::Skin,
        [915.0, 41.3290, 0.87171, 0.4144, 25.0308, 2.1741, 39.951, 49.946],
    ),
    (
        Tissue::Skin,
        [2450.0, 38.0066, 1.46404, 0.2826, 44.3010, 3.8479, 22.573, 19.657],
    ),
    (
        Tissue::SmallIntestine,
        [402.0, 66.0862, 1.90357, 1.2880, 38.4593, 3.3405, 26.002, 79.988],
    ),
    (
        Tissue::SmallIntestine,
        [403.5, 66.0450, 1.90443, 1.2846, 38.5085, 3.3448, 25.968, 79.757],
    ),
    (
        Tissue::SmallIntestine,
        [433.0, 65.2886, 1.92124, 1.2216, 39.4437, 3.4260, 25.353, 75.462],
    ),
    (
        Tissue::SmallIntestine,
        [915.0, 59.3892, 2.17305, 0.7188, 50.2840, 4.3676, 19.887, 40.249],
    ),
    (
        Tissue::SmallIntestine,
        [2450.0, 54.4250, 3.17320, 0.4278, 79.3021, 6.8881, 12.610, 16.235],
    ),
    (
        Tissue::Stomach,
        [402.0, 67.4677, 1.00364, 0.6652, 21.9398, 1.9057, 45.579, 86.547],
    ),
    (
        Tissue::Stomach,
        [403.5, 67.4537, 1.00411, 0.6631, 21.9579, 1.9072, 45.542, 86.256],
    ),
    (
        Tissue::Stomach,
        [433.0, 67.1948, 1.01340, 0.6261, 22.3059, 1.9375, 44.831, 80.904],
    ),
    (
        Tissue::Stomach,
        [915.0, 65.0199, 1.19326, 0.3605, 27.4459, 2.3839, 36.435, 40.007],
    ),
    (
        Tissue::Stomach,
        [2450.0, 62.1584, 2.21056, 0.2609, 52.3779, 4.5495, 19.092, 15.392],
    ),
    (
        Tissue::Colon,
        [402.0, 62.5567, 0.85875, 0.6138, 19.6191, 1.7041, 50.971, 90.450],
    ),
    (
        Tissue::Colon,
        [403.5, 62.5289, 0.85943, 0.6123, 19.6426, 1.7061, 50.910, 90.150],
    ),
    (
        Tissue::Colon,
        [433.0, 62.0164, 0.87269, 0.5842, 20.0948, 1.7454, 49.764, 84.636],
    ),
    (
        Tissue::Colon,
        [915.0, 57.8669, 1.08698, 0.3690, 26.4828, 2.3003, 37.760, 42.378],
    ),
    (
        Tissue::Colon,
        [2450.0, 53.8787, 2.03839, 0.2776, 51.8219, 4.5012, 19.297, 16.515],
    ),
];

#[test]
fn worked_values_are_met_at_every_working_frequency() {
    for (
        tissue,
        [
            frequency_mhz,
            permittivity,
            conductivity,
            tangent,
            nepers,
            db_per_cm,
            depth_mm,
            length_mm,
        ],
    ) in WORKED
    {
        let found = tissue.at(frequency_mhz).unwrap();
        assert_relative_eq!(found.loss_tangent(), tangent, epsilon = 6e-5, max_relative = 0.0);
        for (value, expected) in [
            (found.relative_permittivity, permittivity),
            (found.conductivity_s_per_m, conductivity),
            (found.attenuation_np_per_m(), nepers),
            (found.attenuation_db_per_cm(), db_per_cm),
            (found.penetration_mm(), depth_mm),
            (found.wavelength_mm(), length_mm),
        ] {
            // Printed to five digits or more, or to four decimals: half of the last is 1.8e-4 of the smallest.
            assert_relative_eq!(value, expected, max_relative = 1.8e-4);
        }
    }
}

#[test]
fn muscle_and_small_intestine_meet_the_worked_checks() {
    let muscle = Tissue::Muscle.at(433.0).unwrap();
    assert_relative_eq!(muscle.relative_permittivity, 56.8732, max_relative = 1e-4);
    assert_relative_eq!(muscle.conductivity_s_per_m, 0.80485, max_relative = 1e-4);
    assert_relative_eq!(muscle.attenuation_db_per_cm(), 1.6803, max_relative = 1e-4);
    let bowel = Tissue::SmallIntestine.at(2450.0).unwrap();
    assert_relative_eq!(bowel.relative_permittivity, 54.4250, max_relative = 1e-4);
    assert_relative_eq!(bowel.conductivity_s_per_m, 3.17320, max_relative = 1e-4);
}

#[test]
fn frequencies_out_of_range_are_refused() {
    for frequency_mhz in [f64::NAN, 9.99, 6000.1, -433.0, f64::INFINITY] {
        let error = Tissue::Muscle.at(frequency_mhz).unwrap_err();
        assert!(error.to_string().contains("10 to 6000 MHz"), "{error}");
    }
    assert!(Tissue::Muscle.at(10.0).is_ok() && Tissue::Muscle.at(6000.0).is_ok());
}

proptest! {
    #[test]
    fn more_frequency_is_never_less_conductivity_nor_more_permittivity(low in 10.0..6000.0_f64, high in 10.0..6000.0_f64) {
        let (low, high) = (low.min(high), low.max(high));
        for tissue in Tissue::ALL {
            let (slow, fast) = (tissue.at(low).unwrap(), tissue.at(high).unwrap());
            prop_assert!(fast.relative_permittivity <= slow.relative_permittivity * (1.0 + 1e-12));
            prop_assert!(fast.conductivity_s_per_m >= slow.conductivity_s_per_m * (1.0 - 1e-12));
            prop_assert!(fast.attenuation_np_per_m() >= slow.attenuation_np_per_m() * (1.0 - 1e-12));
        }
    }
}
