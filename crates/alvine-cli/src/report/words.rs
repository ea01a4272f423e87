//! The words of the files as a reader says them.

use alvine::Flags;
use alvine_study::results::summary::{CompletenessStatus, RhythmResult, Source};

/// A name from a file, such as `ileocaecal-valve`, with spaces: `ileocaecal valve`.
pub fn plain(name: &str) -> String {
    name.replace('-', " ")
}

/// The same with a capital at its beginning.
pub fn titled(name: &str) -> String {
    let plain = plain(name);
    let mut letters = plain.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => plain,
    }
}

/// Where a landmark's time came from, in one word: the notes at the page's end explain them.
pub const fn source(source: Source) -> &'static str {
    match source {
        Source::Reader => "read",
        Source::Recording => "given",
        Source::Estimated => "estimated",
    }
}

/// The heading of the answer.
pub const fn completeness(status: CompletenessStatus) -> &'static str {
    match status {
        CompletenessStatus::Complete => "Complete",
        CompletenessStatus::Incomplete => "Incomplete",
        CompletenessStatus::Unclear => "Unclear",
    }
}

/// Why the recording tells no more.
pub fn ended_by(cause: &str) -> String {
    match cause {
        "expulsion" => "The capsule left the body.".to_owned(),
        "battery" => "The end of the battery's rated life was reached.".to_owned(),
        "recording-stopped" => "The recording was stopped while the capsule was still heard.".to_owned(),
        "signal-lost" => "The signal was lost before the recording ended.".to_owned(),
        other => plain(other),
    }
}

/// What a flag of the track means.
pub fn flag(name: &str) -> &'static str {
    let known = Flags::NAMED.iter().find(|(_, known)| *known == name);
    match known.map(|&(flag, _)| flag) {
        Some(Flags::FEW_SITES) => "fewer than four sites heard the capsule",
        Some(Flags::EDGE) => "the best place lay at the edge of the torso",
        Some(Flags::AMBIGUOUS) => "a distant place fitted nearly as well",
        Some(Flags::BRIDGED) => "no fix at this instant: the track bridges it from its neighbours",
        Some(Flags::SATURATED) => "at least one site was saturated",
        Some(Flags::UNSETTLED) => "the search for the place ended before it settled",
        Some(Flags::CLOCK_JUMP) => "the clock leapt just before this instant",
        Some(Flags::LOOSE_SITE) => "a site that seemed loose was left out",
        Some(Flags::OUTLIER) => "the fix lay far from the track and was given less weight",
        _ => "no explanation is known to this version",
    }
}

/// A probability or share as per cent; never 100 % or 0 % unless it is that.
pub fn percent(share: f64) -> String {
    let hundredths = 100.0 * share;
    if !share.is_finite() {
        "not a number".to_owned()
    } else if share > 0.0 && hundredths < 0.1 {
        "under 0.1\u{A0}%".to_owned()
    } else if share < 1.0 && hundredths > 99.9 {
        "over 99.9\u{A0}%".to_owned()
    } else if share > 0.0 && share < 1.0 && !(10.0..=90.0).contains(&hundredths) {
        format!("{hundredths:.1}\u{A0}%")
    } else {
        format!("{hundredths:.0}\u{A0}%")
    }
}

/// What the share of time moving means.
pub const MOTION: &str = "A minute counts as moving when the place lies more than 12 mm from that of the minute before, further than a \
    capsule at rest seems to move. On simulated studies that told 20 to 85 % of the minutes that truly moved by more than 10 mm, and up to \
    20 % of the others: the share in truth lies between the two values given. The speed is too low by a tenth to two fifths.";

/// What the strength of a rhythm means.
pub const RHYTHM: &str = "Power of the signal's to-and-fro over that of neighbouring frequencies, with its cycles a minute, where it is above \
    what noise alone reaches in 95 hours of 100. The stomach's is sought near 3 a minute, the small bowel's near 12 falling to 8.";

/// Quartiles of a speed: the median and the two others.
pub fn speed([low, middle, high]: [f64; 3]) -> String {
    format!("{middle:.0} ({low:.0} to {high:.0})")
}

/// How strong a rhythm is, and how quick.
pub fn rhythm(rhythm: Option<&RhythmResult>) -> String {
    match rhythm {
        None => "not told".to_owned(),
        Some(rhythm) if rhythm.seen => format!("{:.1}\u{A0}dB at {:.1}/min", rhythm.strength_db, rhythm.per_minute),
        Some(_) => "not seen".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_lose_their_hyphens() {
        assert_eq!(plain("ileocaecal-valve"), "ileocaecal valve");
        assert_eq!(titled("small-bowel"), "Small bowel");
        assert_eq!(titled(""), "");
    }

    #[test]
    fn every_flag_has_its_own_sentence() {
        let mut sentences: Vec<_> = Flags::NAMED.iter().map(|(_, name)| flag(name)).collect();
        sentences.sort_unstable();
        sentences.dedup();
        assert_eq!(sentences.len(), Flags::NAMED.len());
        assert!(!sentences.contains(&flag("no-such-flag")));
    }

    #[test]
    fn certainty_is_not_claimed_by_rounding() {
        assert_eq!(percent(0.9996).replace('\u{A0}', " "), "over 99.9 %");
        assert_eq!(percent(0.0004).replace('\u{A0}', " "), "under 0.1 %");
        assert_eq!(percent(1.0).replace('\u{A0}', " "), "100 %");
        assert_eq!(percent(0.0).replace('\u{A0}', " "), "0 %");
        assert_eq!(percent(0.034).replace('\u{A0}', " "), "3.4 %");
        assert_eq!(percent(0.5).replace('\u{A0}', " "), "50 %");
    }
}
