//! Times as people read them: on the wall, since the swallow, and as durations.

use alvine::LandmarkKind;
use alvine_study::Started;
use jiff::SignedDuration;

use super::ReportInput;

/// Turns seconds since the recording began into what a reader wants to see.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    started: Option<Started>,
    swallow_s: Option<f64>,
}

impl Clock {
    /// The clock of a study: the wall's if the study says when it began, and the time of the swallow if known.
    pub fn of(input: &ReportInput<'_>) -> Self {
        let swallow_s = input
            .summary
            .landmarks
            .iter()
            .find(|landmark| landmark.kind == LandmarkKind::Swallow.as_str())
            .and_then(|landmark| landmark.time_s)
            .filter(|time_s| time_s.is_finite());
        Self {
            started: input.study.started,
            swallow_s,
        }
    }

    /// The time from which elapsed time counts, seconds since the recording began.
    pub fn origin_s(&self) -> f64 {
        self.swallow_s.unwrap_or(0.0)
    }

    /// What elapsed time counts from, in words.
    pub const fn since(&self) -> &'static str {
        if self.swallow_s.is_some() {
            "since the swallow"
        } else {
            "since the recording began"
        }
    }

    /// Whether time on the wall is known.
    pub const fn has_wall(&self) -> bool {
        self.started.is_some()
    }

    /// Elapsed time, such as `1:23:45`, with a minus before the origin.
    pub fn elapsed(&self, time_s: f64) -> String {
        clock_face(time_s - self.origin_s(), true)
    }

    /// Elapsed hours and minutes, such as `1:23`.
    pub fn elapsed_short(&self, time_s: f64) -> String {
        clock_face(time_s - self.origin_s(), false)
    }

    /// Time on the wall, such as `09:37:45`, with the days passed since the recording began where there are any;
    /// `None` where the study does not say when it began.
    pub fn wall(&self, time_s: f64) -> Option<String> {
        self.wall_as(time_s, "%H:%M:%S")
    }

    /// Time on the wall without seconds.
    pub fn wall_short(&self, time_s: f64) -> Option<String> {
        self.wall_as(time_s, "%H:%M")
    }

    /// When the recording began, with date and offset, such as `2026-03-02, 08:14:00 (UTC+01:00)`.
    pub fn began(&self) -> Option<String> {
        self.started.map(|started| {
            let civil = started.civil.strftime("%Y-%m-%d, %H:%M:%S");
            format!("{civil} (UTC{})", offset_words(started.offset.seconds()))
        })
    }

    /// Seconds from midnight on the wall to the beginning of the recording, for round hours on an axis.
    pub fn wall_phase_s(&self) -> Option<f64> {
        self.started.map(|started| {
            let time = started.civil.time();
            3600.0 * f64::from(time.hour())
                + 60.0 * f64::from(time.minute())
                + f64::from(time.second())
                + 1e-9 * f64::from(time.subsec_nanosecond())
        })
    }

    fn wall_as(&self, time_s: f64, format: &str) -> Option<String> {
        let started = self.started?;
        let seconds = whole_seconds(time_s)?;
        let then = started.civil.checked_add(SignedDuration::from_secs(seconds)).ok()?;
        let days = then.date().duration_since(started.civil.date()).as_hours() / 24;
        let face = then.strftime(format).to_string();
        Some(match days {
            0 => face,
            1.. => format!("{face} +{days} d"),
            _ => format!("{face} −{} d", -days),
        })
    }
}

/// A length of time in two units at most, each number bound to its unit by a no-break space, such as `3 h 18 min`, `4 min 30 s` or `7.5 s`.
pub fn duration(length_s: f64) -> String {
    let Some(seconds) = whole_seconds(length_s.abs()) else {
        return "not a number".to_owned();
    };
    let sign = if length_s < 0.0 && seconds > 0 { "−" } else { "" };
    if seconds < 10 && length_s.abs() < 9.95 {
        let tenths = format!("{:.1}", length_s.abs());
        return format!("{sign}{}\u{A0}s", tenths.strip_suffix(".0").unwrap_or(&tenths));
    }
    let minutes = (seconds + 30) / 60;
    match seconds {
        0..60 => format!("{sign}{seconds}\u{A0}s"),
        60..600 if seconds % 60 == 0 => format!("{sign}{}\u{A0}min", seconds / 60),
        60..600 => format!("{sign}{}\u{A0}min {}\u{A0}s", seconds / 60, seconds % 60),
        600..3570 => format!("{sign}{minutes}\u{A0}min"),
        3570..345_600 => format!("{sign}{}\u{A0}h {:02}\u{A0}min", minutes / 60, minutes % 60),
        _ => format!("{sign}{}\u{A0}d {}\u{A0}h", seconds / 86_400, seconds % 86_400 / 3600),
    }
}

/// `from` to `to` in words.
pub fn duration_range([from_s, to_s]: [f64; 2]) -> String {
    format!("{} to {}", duration(from_s), duration(to_s))
}

fn clock_face(elapsed_s: f64, with_seconds: bool) -> String {
    let Some(seconds) = whole_seconds(elapsed_s) else {
        return "not a number".to_owned();
    };
    let sign = if seconds < 0 { "−" } else { "" };
    let seconds = seconds.unsigned_abs();
    let (hours, minutes) = (seconds / 3600, seconds / 60 % 60);
    if with_seconds {
        format!("{sign}{hours}:{minutes:02}:{:02}", seconds % 60)
    } else {
        format!("{sign}{hours}:{minutes:02}")
    }
}

/// The nearest whole second; `None` when it is no number or beyond any calendar.
fn whole_seconds(time_s: f64) -> Option<i64> {
    #[expect(clippy::cast_possible_truncation, reason = "the range is checked")]
    let seconds = time_s.round() as i64;
    (time_s.abs() < 1e11).then_some(seconds)
}

fn offset_words(seconds: i32) -> String {
    let sign = if seconds < 0 { '−' } else { '+' };
    let minutes = seconds.unsigned_abs() / 60;
    format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60)
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;
    use jiff::tz::Offset;

    fn clock(swallow_s: Option<f64>) -> Clock {
        Clock {
            started: Some(Started {
                civil: date(2026, 3, 2).at(20, 14, 0, 0),
                offset: Offset::constant(1),
            }),
            swallow_s,
        }
    }

    #[test]
    fn elapsed_time_counts_from_the_swallow_and_is_negative_before_it() {
        let clock = clock(Some(412.0));
        assert_eq!(clock.elapsed(412.0 + 5025.0), "1:23:45");
        assert_eq!(clock.elapsed(0.0), "−0:06:52");
        assert_eq!(clock.elapsed_short(412.0 + 5025.0), "1:23");
        assert_eq!(clock.since(), "since the swallow");
    }

    #[test]
    fn the_wall_clock_tells_the_next_day_apart() {
        let clock = clock(None);
        assert_eq!(clock.wall(60.0).unwrap(), "20:15:00");
        assert_eq!(clock.wall(4.0 * 3600.0).unwrap(), "00:14:00 +1 d");
        assert_eq!(clock.wall(-21.0 * 3600.0).unwrap(), "23:14:00 −1 d");
        assert_eq!(clock.began().unwrap(), "2026-03-02, 20:14:00 (UTC+01:00)");
        assert_eq!(clock.wall(f64::NAN), None);
        assert_eq!(clock.wall(1e300), None);
    }

    #[test]
    fn durations_keep_the_digits_that_matter() {
        for (length_s, words) in [
            (0.0, "0 s"),
            (7.5, "7.5 s"),
            (9.97, "10 s"),
            (42.4, "42 s"),
            (120.0, "2 min"),
            (270.0, "4 min 30 s"),
            (3120.0, "52 min"),
            (3599.0, "1 h 00 min"),
            (11_910.0, "3 h 19 min"),
            (212_400.0, "59 h 00 min"),
            (400_000.0, "4 d 15 h"),
            (-60.0, "−1 min"),
            (f64::NAN, "not a number"),
        ] {
            assert_eq!(duration(length_s).replace('\u{A0}', " "), words);
        }
    }
}
