//! Ramps of colour for maps: the darker, the worse, so that a photocopy keeps the order.
//!
//! Bands rather than a continuum, so that a value can be read off by its key.

use crate::report::axes::round_ticks;
use crate::report::colour::Colour;

/// From the palest band to the darkest.
const ORDERED: [Colour; 7] = [
    Colour::hex(0xF4EFD8),
    Colour::hex(0xD6DDB0),
    Colour::hex(0x9CC5A6),
    Colour::hex(0x5FA3A3),
    Colour::hex(0x3A7A94),
    Colour::hex(0x2B4E7C),
    Colour::hex(0x221F4A),
];

/// From much better to much worse, pale in the middle.
const OPPOSED: [Colour; 7] = [
    Colour::hex(0x14606B),
    Colour::hex(0x4E9A9E),
    Colour::hex(0xA9CFCB),
    Colour::hex(0xF2F0EA),
    Colour::hex(0xE3C28F),
    Colour::hex(0xBE8436),
    Colour::hex(0x7C4A0E),
];

/// Values cut into bands, each with its colour.
#[derive(Debug, Clone, PartialEq)]
pub struct Ramp {
    /// Edges between bands, rising; one fewer than there are bands.
    pub edges: Vec<f64>,
    /// One colour a band, from the lowest values up.
    pub colours: Vec<Colour>,
}

impl Ramp {
    /// Round bands over values, without their outermost fiftieth at either end. `more_is_worse` says which end is dark.
    pub fn over(values: impl Iterator<Item = f64>, more_is_worse: bool) -> Self {
        let mut sorted: Vec<f64> = values.filter(|value| value.is_finite()).collect();
        sorted.sort_by(f64::total_cmp);
        let at = |share: f64| sorted.get((share * sorted.len() as f64) as usize).copied();
        let (least, greatest) = (at(0.02).unwrap_or(0.0), at(0.98).unwrap_or(1.0));
        let edges = edges(least, greatest);
        let bands = edges.len() + 1;
        // Spread over the whole ramp, however few bands there are.
        let colour = |band: usize| ORDERED[band * (ORDERED.len() - 1) / (bands - 1).max(1)];
        let mut colours: Vec<Colour> = (0..bands).map(colour).collect();
        if !more_is_worse {
            colours.reverse();
        }
        Self { edges, colours }
    }

    /// Bands of change in per cent: less is better.
    pub fn of_change() -> Self {
        Self {
            edges: vec![-20.0, -10.0, -3.0, 3.0, 10.0, 20.0],
            colours: OPPOSED.to_vec(),
        }
    }

    /// The band of a value; infinite values lie in the outermost.
    pub fn band(&self, value: f64) -> usize {
        self.edges.partition_point(|&edge| edge <= value)
    }

    /// The colour of a band.
    pub fn colour(&self, band: usize) -> Colour {
        self.colours[band.min(self.colours.len() - 1)]
    }
}

/// As many round edges between two values as there are colours for.
fn edges(least: f64, greatest: f64) -> Vec<f64> {
    let most = ORDERED.len() - 1;
    // Asking for more ticks gives finer steps, until there are too many.
    let tried = (1..=3 * most).map(|ticks| round_ticks(least, greatest, ticks as f64));
    let fitting = tried.filter(|edges| !edges.is_empty() && edges.len() <= most);
    fitting.max_by_key(Vec::len).unwrap_or_else(|| vec![least])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lightness as the eye sees it, roughly: relative luminance of sRGB (IEC 61966-2-1).
    fn luminance(colour: Colour) -> f64 {
        let linear = |channel: u8| {
            let value = f64::from(channel) / 255.0;
            if value <= 0.040_45 {
                value / 12.92
            } else {
                ((value + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * linear(colour.red) + 0.7152 * linear(colour.green) + 0.0722 * linear(colour.blue)
    }

    #[test]
    fn bands_darken_step_by_step_and_can_be_told_apart_in_grey() {
        for pair in ORDERED.windows(2) {
            let (pale, dark) = (luminance(pair[0]) + 0.05, luminance(pair[1]) + 0.05);
            // The contrast of the guidelines, between neighbours: a quarter of a step of 3 : 1 in logarithms.
            assert!(pale / dark > 1.2, "{pair:?}: {}", pale / dark);
        }
        for half in [OPPOSED[..4].to_vec(), OPPOSED[3..].iter().rev().copied().collect()] {
            for pair in half.windows(2) {
                assert!(luminance(pair[1]) > luminance(pair[0]), "{pair:?}");
            }
        }
    }

    #[test]
    fn bands_are_round_and_the_dark_end_is_the_bad_one() {
        let values = || (0..1000).map(|k| 40.0 + 0.1 * f64::from(k));
        let errors = Ramp::over(values(), true);
        assert_eq!(errors.edges, [60.0, 80.0, 100.0, 120.0]);
        assert_eq!(errors.band(59.0), 0);
        assert_eq!(errors.band(60.0), 1);
        assert_eq!(errors.band(f64::INFINITY), 4);
        assert_eq!(errors.colour(4), ORDERED[6]);
        assert_eq!(Ramp::over(values(), false).colour(4), ORDERED[0]);
        assert!((4..=6).contains(&edges(62.0, 171.0).len()));
    }

    #[test]
    fn values_that_are_all_the_same_still_have_a_colour() {
        for values in [vec![8.0; 50], Vec::new(), vec![f64::INFINITY; 3]] {
            let ramp = Ramp::over(values.into_iter(), true);
            assert_eq!(ramp.colours.len(), ramp.edges.len() + 1);
            let _ = ramp.colour(ramp.band(8.0));
        }
    }
}
