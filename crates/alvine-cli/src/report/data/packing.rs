//! Numbers as bytes: what each field of the page's data is rounded to, and how it is written.
//!
//! All are little-endian whole numbers in base64. What does not fit is held at the end of its range.

use super::base64::base64;
use super::spans::Heard;

/// A level is written in steps of this, dB.
pub const LEVEL_STEP_DB: f64 = 0.5;
/// Lengths are written in steps of this, mm.
pub const LENGTH_STEP_MM: f64 = 0.1;
/// Written in place of a coordinate where there is none.
pub const NOWHERE: i16 = i16::MIN;

/// A level in steps above `least_dbm`, which is written as 1: 0 says that none was heard.
pub fn level(level_dbm: f64, least_dbm: f64) -> u8 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to 1 to 255"
    )]
    let steps = (1.0 + (level_dbm - least_dbm) / LEVEL_STEP_DB)
        .round()
        .clamp(1.0, 255.0) as u8;
    steps
}

/// What was not heard: bits 0 to 2 the share below the floor, bits 3 to 5 the share without a packet, both in sevenths, bit
/// 6 whether any instant was saturated, bit 7 whether there was any instant.
///
/// A share is 0 only where it is nought, and 7 only where it is the whole.
pub fn silence(heard: &Heard) -> u8 {
    let sevenths = |part: u32| match (part, heard.instants) {
        (0, _) | (_, 0) => 0,
        (part, whole) if part >= whole => 7,
        (part, whole) => {
            let share = (7.0 * f64::from(part) / f64::from(whole)).round().clamp(1.0, 6.0);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "1 to 6")]
            let share = share as u8;
            share
        }
    };
    sevenths(heard.below_floor)
        | sevenths(heard.missing) << 3
        | u8::from(heard.saturated > 0) << 6
        | u8::from(heard.instants > 0) << 7
}

/// A coordinate in steps of [`LENGTH_STEP_MM`].
pub fn coordinate(value_mm: f64) -> i16 {
    let steps = (value_mm / LENGTH_STEP_MM).round();
    #[expect(clippy::cast_possible_truncation, reason = "clamped to what an i16 holds")]
    let steps = steps.clamp(f64::from(NOWHERE) + 1.0, f64::from(i16::MAX)) as i16;
    steps
}

/// A length in steps of [`LENGTH_STEP_MM`].
pub fn length(value_mm: f64) -> u16 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to what a u16 holds"
    )]
    let steps = (value_mm / LENGTH_STEP_MM).round().clamp(0.0, f64::from(u16::MAX)) as u16;
    steps
}

/// A correlation, −1 to 1, in steps of 1 / 127.
pub fn correlation(value: f64) -> i8 {
    #[expect(clippy::cast_possible_truncation, reason = "−127 to 127")]
    let steps = (127.0 * value).round().clamp(-127.0, 127.0) as i8;
    steps
}

/// A probability in steps of 1 / 255.
pub fn probability(value: f64) -> u8 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 255")]
    let steps = (255.0 * value).round().clamp(0.0, 255.0) as u8;
    steps
}

/// Bytes in base64.
pub fn bytes(values: impl IntoIterator<Item = u8>) -> String {
    base64(&values.into_iter().collect::<Vec<_>>())
}

/// Signed bytes in base64.
pub fn signed_bytes(values: impl IntoIterator<Item = i8>) -> String {
    bytes(values.into_iter().flat_map(i8::to_le_bytes))
}

/// Words of two bytes in base64.
pub fn words(values: impl IntoIterator<Item = u16>) -> String {
    bytes(values.into_iter().flat_map(u16::to_le_bytes))
}

/// Signed words of two bytes in base64.
pub fn signed_words(values: impl IntoIterator<Item = i16>) -> String {
    bytes(values.into_iter().flat_map(i16::to_le_bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_come_back_to_half_a_step() {
        for tenth in -1250..=0 {
            let level_dbm = 0.1 * f64::from(tenth);
            let back = -125.0 + LEVEL_STEP_DB * (f64::from(level(level_dbm, -125.0)) - 1.0);
            assert!(
                (back - level_dbm).abs() <= 0.5 * LEVEL_STEP_DB + 1e-9,
                "{level_dbm} {back}"
            );
        }
        assert_eq!((level(-1000.0, -125.0), level(1000.0, -125.0)), (1, 255));
    }

    #[test]
    fn a_share_is_nought_or_whole_only_where_it_is_that() {
        let heard = |below_floor, missing, saturated| Heard {
            levels_dbm: None,
            instants: 100,
            below_floor,
            missing,
            saturated,
        };
        assert_eq!(silence(&heard(0, 0, 0)), 0b1000_0000);
        assert_eq!(silence(&heard(1, 99, 0)), 0b1011_0001);
        assert_eq!(silence(&heard(100, 0, 0)), 0b1000_0111);
        assert_eq!(silence(&heard(0, 100, 0)), 0b1011_1000);
        assert_eq!(silence(&heard(0, 0, 1)), 0b1100_0000);
        assert_eq!(silence(&Heard::default()), 0);
    }

    #[test]
    fn what_does_not_fit_is_held_at_the_end_and_is_never_taken_for_nowhere() {
        assert_eq!(coordinate(-123.46), -1235);
        assert_eq!((coordinate(-1e9), coordinate(1e9)), (NOWHERE + 1, i16::MAX));
        assert_eq!((length(12.34), length(-1.0), length(1e9)), (123, 0, u16::MAX));
        assert_eq!((correlation(-1.0), correlation(0.5), correlation(2.0)), (-127, 64, 127));
        assert_eq!((probability(0.0), probability(1.0), probability(f64::NAN)), (0, 255, 0));
    }

    #[test]
    fn words_are_little_endian() {
        assert_eq!(words([0x0102, 0xFFFE]), base64(&[2, 1, 0xFE, 0xFF]));
        assert_eq!(signed_words([-2]), base64(&[0xFE, 0xFF]));
        assert_eq!(signed_bytes([-1]), base64(&[0xFF]));
    }
}
