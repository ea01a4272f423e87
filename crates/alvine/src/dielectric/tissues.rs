//! The parameters of each tissue.
//!
//! Gabriel, Lau and Gabriel 1996, table 1, as carried by public code that cites it. The code prints three decimals; dry
//! skin's ionic conductivity of 0.0002 S/m is from memory, and the tabulated 10 kHz value bears it out.

use super::{ColeCole, Relaxation, Tissue};

impl Tissue {
    /// The tissue's dispersion.
    #[must_use]
    pub const fn cole_cole(self) -> ColeCole {
        match self {
            Self::Muscle => dispersion(
                4.0,
                0.2,
                [50.0, 7000.0, 1.2e6, 2.5e7],
                [7.234e-12, 353.678e-9, 318.310e-6, 2.274e-3],
                [0.1, 0.1, 0.1, 0.0],
            ),
            Self::Fat => dispersion(
                2.5,
                0.01,
                [3.0, 15.0, 3.3e4, 1.0e7],
                [7.958e-12, 15.915e-9, 159.155e-6, 7.958e-3],
                [0.2, 0.1, 0.05, 0.01],
            ),
            Self::Skin => dispersion(
                4.0,
                0.0002,
                [32.0, 1100.0, 0.0, 0.0],
                [7.234e-12, 32.481e-9, 159.155e-6, 15.915e-3],
                [0.0, 0.2, 0.2, 0.2],
            ),
            Self::SmallIntestine => dispersion(
                4.0,
                0.5,
                [50.0, 1.0e4, 5.0e5, 4.0e7],
                [7.958e-12, 159.155e-9, 159.155e-6, 15.915e-3],
                [0.1, 0.1, 0.2, 0.0],
            ),
            Self::Stomach => dispersion(
                4.0,
                0.5,
                [60.0, 2000.0, 1.0e5, 4.0e7],
                [7.958e-12, 79.577e-9, 159.155e-6, 15.915e-3],
                [0.1, 0.1, 0.2, 0.0],
            ),
            Self::Colon => dispersion(
                4.0,
                0.01,
                [50.0, 3000.0, 1.0e5, 4.0e7],
                [7.958e-12, 159.155e-9, 159.155e-6, 1.592e-3],
                [0.1, 0.2, 0.2, 0.0],
            ),
        }
    }
}

const fn dispersion(
    permittivity_at_infinity: f64,
    ionic_s_per_m: f64,
    strengths: [f64; 4],
    times_s: [f64; 4],
    broadenings: [f64; 4],
) -> ColeCole {
    let mut relaxations = [Relaxation {
        strength: 0.0,
        time_s: 0.0,
        broadening: 0.0,
    }; 4];
    let mut term = 0;
    while term < 4 {
        relaxations[term] = Relaxation {
            strength: strengths[term],
            time_s: times_s[term],
            broadening: broadenings[term],
        };
        term += 1;
    }
    ColeCole {
        permittivity_at_infinity,
        relaxations,
        ionic_s_per_m,
    }
}
