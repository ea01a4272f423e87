//! Published transit times of other people, to stand beside a patient's: information, not a limit of the normal.

/// A published range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReferenceRange {
    /// Median, s.
    pub median_s: f64,
    /// The range, s.
    pub range_s: [f64; 2],
    /// What the range is.
    pub kind: &'static str,
    /// Who was measured, and where it was published.
    pub source: &'static str,
}

const MINUTE_S: f64 = 60.0;
const HOUR_S: f64 = 3600.0;

/// Stomach, fasting. Three times as long and more after a meal: the two must not be mixed.
pub const GASTRIC: ReferenceRange = ReferenceRange {
    median_s: 22.0 * MINUTE_S,
    range_s: [10.0 * MINUTE_S, 48.0 * MINUTE_S],
    kind: "interquartile range",
    source: "71 fasting healthy people, O'Grady et al., Endosc Int Open 2020; 8: E396–E400",
};

/// Small bowel, fasting.
pub const SMALL_BOWEL: ReferenceRange = ReferenceRange {
    median_s: 198.5 * MINUTE_S,
    range_s: [157.0 * MINUTE_S, 240.5 * MINUTE_S],
    kind: "interquartile range",
    source: "71 fasting healthy people, O'Grady et al., Endosc Int Open 2020; 8: E396–E400",
};

/// Colon, after a test meal.
pub const COLONIC: ReferenceRange = ReferenceRange {
    median_s: 21.66 * HOUR_S,
    range_s: [2.54 * HOUR_S, 58.77 * HOUR_S],
    kind: "5th to 95th percentile",
    source: "82 healthy people after a test meal, data of Rauch et al., J Crit Care 2012; 27: 534.e7–e12",
};

/// Mouth to anus, after a test meal.
pub const WHOLE_GUT: ReferenceRange = ReferenceRange {
    median_s: 28.46 * HOUR_S,
    range_s: [8.47 * HOUR_S, 72.52 * HOUR_S],
    kind: "5th to 95th percentile",
    source: "86 healthy people after a test meal, data of Rauch et al., J Crit Care 2012; 27: 534.e7–e12",
};
