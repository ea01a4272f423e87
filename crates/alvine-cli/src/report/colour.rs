//! Colours: ordered by lightness, told apart by eyes without green or red receptors, and in grey.
//!
//! The phases go from dark at the mouth to light at the end, so that a photocopy keeps their order; hue helps those
//! who see it. Each stands out from white paper by at least 3 : 1, the contrast that the Web Content Accessibility
//! Guidelines 2.1 (criterion 1.4.11) ask of graphics. The tests compute all of this.

use alvine::Phase;

/// An sRGB colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Colour {
    /// Red, 0 to 255.
    pub red: u8,
    /// Green, 0 to 255.
    pub green: u8,
    /// Blue, 0 to 255.
    pub blue: u8,
}

impl Colour {
    /// From `0xRRGGBB`.
    pub const fn hex(rgb: u32) -> Self {
        let [_, red, green, blue] = rgb.to_be_bytes();
        Self { red, green, blue }
    }

    /// Mixed with white: `share` 1 is the colour itself, 0 is white.
    pub fn tint(self, share: f64) -> Self {
        let mix = |channel: u8| {
            let mixed = 255.0 + (f64::from(channel) - 255.0) * share.clamp(0.0, 1.0);
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "0 to 255 by construction"
            )]
            let channel = mixed.round() as u8;
            channel
        };
        Self {
            red: mix(self.red),
            green: mix(self.green),
            blue: mix(self.blue),
        }
    }
}

/// Text and the strongest lines.
pub const INK: Colour = Colour::hex(0x1B1F27);
/// Text of second rank and axes.
pub const SOFT_INK: Colour = Colour::hex(0x4E5663);
/// Lines that only help the eye.
pub const GRID: Colour = Colour::hex(0xDCE0E6);
/// Paper.
pub const PAPER: Colour = Colour::hex(0xFFFFFF);
/// Where nothing was recorded.
pub const NOTHING: Colour = Colour::hex(0x6B7280);
/// Where the level lay below the floor.
pub const BELOW_FLOOR: Colour = Colour::hex(0xB9C0CB);
/// The body's outline.
pub const BODY: Colour = Colour::hex(0xF1F3F6);
/// The level that a site heard.
pub const SIGNAL: Colour = Colour::hex(0x1F3B57);
/// Bars are of [`SIGNAL`] in this share, so that whiskers and thresholds stand out from them.
pub const BAR_TINT: f64 = 0.55;

/// Text on the light colour of the colon, the same by day and by night.
pub const INK_ON_COLON: Colour = Colour::hex(0x1A1E26);

/// The colour of a phase.
pub const fn of_phase(phase: Phase) -> Colour {
    match phase {
        Phase::Outside => Colour::hex(0xC4C8CE),
        Phase::Oesophagus => Colour::hex(0x14183F),
        Phase::Stomach => Colour::hex(0x2A4B8D),
        Phase::SmallBowel => Colour::hex(0xB4567A),
        Phase::Colon => Colour::hex(0xB8901F),
    }
}

/// One role of a colour in the page: its name, and what it is on white paper and on a dark screen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Role {
    /// Its name.
    pub name: &'static str,
    /// On paper, as the figures use it.
    pub light: Colour,
    /// On a dark screen.
    pub dark: Colour,
}

/// Every role. On a dark screen too the phases go from dark at the mouth to light at the end.
pub const ROLES: [Role; 14] = [
    role("paper", PAPER, 0x14_171C),
    role("ink", INK, 0xE9_ECF0),
    role("soft", SOFT_INK, 0xB3_BAC5),
    role("line", GRID, 0x34_3B45),
    role("body", BODY, 0x1E_232A),
    role("nothing", NOTHING, 0x8A_93A3),
    role("below-floor", BELOW_FLOOR, 0x4A_5260),
    role("signal", SIGNAL, 0xA9_C7E8),
    role("ink-on-colon", INK_ON_COLON, 0x14_171C),
    role("outside", of_phase(Phase::Outside), 0x45_4B55),
    role("oesophagus", of_phase(Phase::Oesophagus), 0x6B_79DC),
    role("stomach", of_phase(Phase::Stomach), 0x63_A1CF),
    role("small-bowel", of_phase(Phase::SmallBowel), 0xEF_B1CD),
    role("colon", of_phase(Phase::Colon), 0xFA_D97A),
];

const fn role(name: &'static str, light: Colour, dark: u32) -> Role {
    Role {
        name,
        light,
        dark: Colour::hex(dark),
    }
}

impl std::fmt::Display for Colour {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "#{:02X}{:02X}{:02X}", self.red, self.green, self.blue)
    }
}

/// The colour of a phase by its name in files; [`NOTHING`] for a name that is none.
pub fn of_phase_name(name: &str) -> Colour {
    name.parse::<Phase>().map_or(NOTHING, of_phase)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Dichromacy as linear-RGB matrices: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A physiologically-based
    /// model for simulation of color vision deficiency", IEEE Trans. Vis. Comput. Graph. 2009; 15: 1291–1298,
    /// severity 1.0 of the authors' tables.
    const DEUTERANOPIA: [[f64; 3]; 3] = [
        [0.367_322, 0.860_646, -0.227_968],
        [0.280_085, 0.672_501, 0.047_413],
        [-0.011_820, 0.042_940, 0.968_881],
    ];
    const PROTANOPIA: [[f64; 3]; 3] = [
        [0.152_286, 1.052_583, -0.204_868],
        [0.114_503, 0.786_281, 0.099_216],
        [-0.003_882, -0.048_116, 1.051_998],
    ];
    const FULL_SIGHT: [[f64; 3]; 3] = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
    /// Linear sRGB to CIE XYZ, D65 (IEC 61966-2-1).
    const TO_XYZ: [[f64; 3]; 3] = [
        [0.412_456_4, 0.357_576_1, 0.180_437_5],
        [0.212_672_9, 0.715_152_2, 0.072_175_0],
        [0.019_333_9, 0.119_192_0, 0.950_304_1],
    ];

    fn times(matrix: &[[f64; 3]; 3], vector: [f64; 3]) -> [f64; 3] {
        matrix.map(|row| row.iter().zip(vector).map(|(a, b)| a * b).sum())
    }

    fn linear(colour: Colour) -> [f64; 3] {
        [colour.red, colour.green, colour.blue].map(|channel| {
            let value = f64::from(channel) / 255.0;
            if value <= 0.040_45 {
                value / 12.92
            } else {
                ((value + 0.055) / 1.055).powf(2.4)
            }
        })
    }

    /// CIE 1976 L*a*b* of a colour as an eye of the given kind sees it.
    fn lab(colour: Colour, eye: &[[f64; 3]; 3]) -> [f64; 3] {
        let seen = times(eye, linear(colour)).map(|value| value.clamp(0.0, 1.0));
        let xyz = times(&TO_XYZ, seen);
        let [x, y, z] = [xyz[0] / 0.950_47, xyz[1], xyz[2] / 1.088_83].map(|ratio| {
            if ratio > 216.0 / 24_389.0 {
                ratio.cbrt()
            } else {
                (24_389.0 / 27.0 * ratio + 16.0) / 116.0
            }
        });
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    /// The contrast of WCAG 2.1.
    fn contrast(one: Colour, other: Colour) -> f64 {
        let luminance = |colour| times(&TO_XYZ, linear(colour))[1] + 0.05;
        let (one, other) = (luminance(one), luminance(other));
        one.max(other) / one.min(other)
    }

    fn named(name: &str) -> Role {
        *ROLES.iter().find(|role| role.name == name).unwrap()
    }

    /// The phases' colours, first outside, on paper and on a dark screen.
    fn both_themes() -> [[Colour; 5]; 2] {
        [
            Phase::ALL.map(of_phase),
            Phase::ALL.map(|phase| named(phase.as_str()).dark),
        ]
    }

    #[test]
    fn lab_of_known_colours_is_as_published() {
        // sRGB red: L* 53.24, a* 80.09, b* 67.20 (D65); white: L* 100.
        let [l, a, b] = lab(Colour::hex(0xFF0000), &FULL_SIGHT);
        assert!((l - 53.24).abs() < 0.01 && (a - 80.09).abs() < 0.02 && (b - 67.20).abs() < 0.02);
        assert!((lab(PAPER, &FULL_SIGHT)[0] - 100.0).abs() < 0.01);
    }

    #[test]
    fn phases_grow_lighter_from_mouth_to_end_for_every_eye_by_day_and_by_night() {
        for phases in both_themes() {
            for eye in [&FULL_SIGHT, &DEUTERANOPIA, &PROTANOPIA] {
                let lightness: Vec<f64> = phases[1..].iter().map(|&phase| lab(phase, eye)[0]).collect();
                for pair in lightness.windows(2) {
                    assert!(pair[1] - pair[0] > 8.0, "lightness {lightness:?}");
                }
            }
        }
    }

    #[test]
    fn every_two_phases_differ_for_every_eye_by_day_and_by_night() {
        // A CIE 1976 difference of 20 is an order of magnitude above the just noticeable one of about 2.3.
        for phases in both_themes() {
            for eye in [&FULL_SIGHT, &DEUTERANOPIA, &PROTANOPIA] {
                for (i, &first) in phases.iter().enumerate() {
                    for &second in &phases[i + 1..] {
                        let (one, other) = (lab(first, eye), lab(second, eye));
                        let difference = one.iter().zip(other).map(|(p, q)| (p - q).powi(2)).sum::<f64>().sqrt();
                        assert!(difference > 20.0, "{first} and {second} differ by {difference:.1}");
                    }
                }
            }
        }
    }

    #[test]
    fn phases_and_text_stand_out_from_their_ground_by_day_and_by_night() {
        for paper in [named("paper"), named("body")] {
            for text in [named("ink"), named("soft"), named("signal")] {
                assert!(contrast(text.light, paper.light) >= 6.5, "{text:?}");
                assert!(contrast(text.dark, paper.dark) >= 6.5, "{text:?}");
            }
        }
        for phase in Phase::INSIDE.map(|phase| named(phase.as_str())) {
            assert!(contrast(phase.light, PAPER) >= 2.95, "{phase:?}");
            assert!(contrast(phase.dark, named("paper").dark) >= 4.5, "{phase:?}");
        }
    }

    #[test]
    fn names_on_the_phases_can_be_read_by_day_and_by_night() {
        for (phase, text) in [
            ("outside", "ink"),
            ("oesophagus", "paper"),
            ("stomach", "paper"),
            ("small-bowel", "paper"),
            ("colon", "ink-on-colon"),
        ] {
            let (phase, text) = (named(phase), named(text));
            assert!(contrast(phase.light, text.light) >= 4.5, "{phase:?}");
            assert!(contrast(phase.dark, text.dark) >= 4.5, "{phase:?}");
        }
    }

    #[test]
    fn no_two_roles_share_a_colour_of_the_figures() {
        for (i, one) in ROLES.iter().enumerate() {
            assert!(
                ROLES[i + 1..].iter().all(|other| other.light != one.light),
                "{}",
                one.name
            );
        }
    }

    #[test]
    fn tints_go_from_white_to_the_colour() {
        assert_eq!(INK.tint(0.0), PAPER);
        assert_eq!(INK.tint(1.0), INK);
    }
}
