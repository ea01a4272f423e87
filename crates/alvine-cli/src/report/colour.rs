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

    fn contrast_with_white(colour: Colour) -> f64 {
        1.05 / (times(&TO_XYZ, linear(colour))[1] + 0.05)
    }

    #[test]
    fn lab_of_known_colours_is_as_published() {
        // sRGB red: L* 53.24, a* 80.09, b* 67.20 (D65); white: L* 100.
        let [l, a, b] = lab(Colour::hex(0xFF0000), &FULL_SIGHT);
        assert!((l - 53.24).abs() < 0.01 && (a - 80.09).abs() < 0.02 && (b - 67.20).abs() < 0.02);
        assert!((lab(PAPER, &FULL_SIGHT)[0] - 100.0).abs() < 0.01);
    }

    #[test]
    fn phases_grow_lighter_from_mouth_to_end_for_every_eye() {
        for eye in [&FULL_SIGHT, &DEUTERANOPIA, &PROTANOPIA] {
            let lightness = Phase::INSIDE.map(|phase| lab(of_phase(phase), eye)[0]);
            for pair in lightness.windows(2) {
                assert!(pair[1] - pair[0] > 8.0, "lightness {lightness:?}");
            }
        }
    }

    #[test]
    fn every_two_phases_differ_for_every_eye() {
        // A CIE 1976 difference of 20 is an order of magnitude above the just noticeable one of about 2.3.
        for eye in [&FULL_SIGHT, &DEUTERANOPIA, &PROTANOPIA] {
            for (i, &first) in Phase::ALL.iter().enumerate() {
                for &second in &Phase::ALL[i + 1..] {
                    let (one, other) = (lab(of_phase(first), eye), lab(of_phase(second), eye));
                    let difference = one.iter().zip(other).map(|(p, q)| (p - q).powi(2)).sum::<f64>().sqrt();
                    assert!(difference > 20.0, "{first} and {second} differ by {difference:.1}");
                }
            }
        }
    }

    #[test]
    fn phases_and_text_stand_out_from_white() {
        for phase in Phase::INSIDE {
            assert!(contrast_with_white(of_phase(phase)) >= 2.95, "{phase}");
        }
        for text in [INK, SOFT_INK] {
            assert!(contrast_with_white(text) >= 7.0);
        }
    }

    #[test]
    fn tints_go_from_white_to_the_colour() {
        assert_eq!(INK.tint(0.0), PAPER);
        assert_eq!(INK.tint(1.0), INK);
    }
}
