//! From a recording to EDF+.

use jiff::civil::DateTime;

use super::{ANNOTATIONS, ANTENNA, ENDS, EdfError, EdfRecording, NO_PACKET, NO_PACKET_NOTE, STEP_DB};

/// Instants that are evenly spaced to within this make a continuous file, s.
const EVEN_S: f64 = 1e-6;
/// Data records are no longer than this, s, where their instants allow it.
const RECORD_S: f64 = 60.0;
/// The longest time in a file, s: what is longer has no exact nanoseconds in its digits.
const LONGEST_S: f64 = 1e8;

/// A file, and what it could not keep exactly.
#[derive(Debug, Clone, PartialEq)]
pub struct Exported {
    /// The file.
    pub bytes: Vec<u8>,
    /// Levels that were rounded to [`STEP_DB`].
    pub rounded: usize,
    /// By how much at most, dB.
    pub greatest_rounding_db: f64,
    /// Whether it is continuous.
    pub continuous: bool,
    /// How much earlier all its times are, s: whole seconds before the first instant.
    pub earlier_s: f64,
}

/// Writes a recording as EDF+.
///
/// # Errors
///
/// [`EdfError::Unwritable`] for what EDF+ cannot hold.
pub fn write(edf: &EdfRecording) -> Result<Exported, EdfError> {
    let time_s = edf.recording.time_s();
    check(edf, time_s)?;
    let earlier_s = time_s[0].floor();
    let times: Vec<f64> = time_s.iter().map(|time_s| time_s - earlier_s).collect();
    let records = Records::of(&times);
    let notes = notes(edf, &times, earlier_s, &records)?;
    // Two bytes a sample, and at least one of them.
    let room = notes.iter().map(Vec::len).max().unwrap_or(0).next_multiple_of(2).max(2);
    let mut bytes = header(edf, earlier_s, &records, room)?;
    let levels = edf.recording.rssi_dbm();
    let mut rounding = Rounding::default();
    for (record, note) in notes.iter().enumerate() {
        for site in 0..edf.sites.len() {
            for sample in 0..records.samples {
                let level = levels.get((record * records.samples + sample, site));
                // Behind the last instant the record is filled up.
                let level_dbm = level.copied().unwrap_or(f32::NAN);
                bytes.extend(rounding.digital(level_dbm).to_le_bytes());
            }
        }
        bytes.extend(note);
        bytes.resize(bytes.len() + room - note.len(), 0);
    }
    Ok(Exported {
        bytes,
        rounded: rounding.rounded,
        greatest_rounding_db: rounding.greatest_db,
        continuous: records.continuous,
        earlier_s,
    })
}

fn check(edf: &EdfRecording, time_s: &[f64]) -> Result<(), EdfError> {
    let (first, last) = (time_s[0], time_s[time_s.len() - 1]);
    if first.abs() > LONGEST_S || last.abs() > LONGEST_S {
        return Err(EdfError::Unwritable {
            what: "the time of an instant",
            found: format!("{} s", if first.abs() > LONGEST_S { first } else { last }),
            expected: "times up to 100 million seconds",
        });
    }
    if edf.sites.len() != edf.recording.sites() || edf.sites.len() > 500 {
        return Err(EdfError::Unwritable {
            what: "the number of sites",
            found: format!("{} for {} columns", edf.sites.len(), edf.recording.sites()),
            expected: "as many as columns, and up to 500",
        });
    }
    for name in &edf.sites {
        if !is_printable(name) || ANTENNA.len() + name.len() > 80 {
            return Err(EdfError::Unwritable {
                what: "the name of a site",
                found: format!("{name:?}"),
                expected: "up to 69 printable ASCII characters",
            });
        }
    }
    Ok(())
}

fn is_printable(text: &str) -> bool {
    text.bytes().all(|byte| (b' '..=b'~').contains(&byte))
}

/// How instants are divided into data records.
struct Records {
    count: usize,
    /// Instants a record.
    samples: usize,
    /// Length of a record, thousandths of a second; 0 where each instant stands alone.
    length_ms: u64,
    continuous: bool,
}

impl Records {
    fn of(times: &[f64]) -> Self {
        let alone = Self {
            count: times.len(),
            samples: 1,
            length_ms: 0,
            continuous: false,
        };
        if times.len() < 2 {
            return alone;
        }
        let step_s = (times[times.len() - 1] - times[0]) / (times.len() - 1) as f64;
        let Some((samples, length_ms)) = even_record(step_s) else {
            return alone;
        };
        let step_s = length_ms as f64 / 1000.0 / samples as f64;
        let even = |(k, time_s): (usize, &f64)| (time_s - times[0] - k as f64 * step_s).abs() <= EVEN_S;
        if !times.iter().enumerate().all(even) {
            return alone;
        }
        Self {
            count: times.len().div_ceil(samples),
            samples,
            length_ms,
            continuous: true,
        }
    }
}

/// So many instants that take whole thousandths of a second together, as many as go into a record.
fn even_record(step_s: f64) -> Option<(usize, u64)> {
    const MOST: usize = 1000;
    /// What eight characters hold.
    const LONGEST_MS: f64 = 9_999_999.0;
    let step_ms = 1000.0 * step_s;
    let whole = |samples: usize| {
        let length_ms = samples as f64 * step_ms;
        let is_whole = (length_ms - length_ms.round()).abs() < 1e-3 && length_ms.round() >= 1.0;
        let fits = length_ms <= if samples == 1 { LONGEST_MS } else { 1000.0 * RECORD_S };
        (is_whole && fits).then(|| length_ms.round() as u64)
    };
    let (least, length_ms) = (1..=MOST).find_map(|samples| Some((samples, whole(samples)?)))?;
    let times = ((1000.0 * RECORD_S) as u64 / length_ms).clamp(1, (MOST / least).max(1) as u64);
    Some((least * times as usize, length_ms * times))
}

/// A time in seconds with as many decimals as it needs, up to nine, and its sign.
fn onset(time_s: f64) -> String {
    let text = format!("{time_s:+.9}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// What the annotations' signal holds in each record: its time, and marks one a record as long as there are any.
fn notes(edf: &EdfRecording, times: &[f64], earlier_s: f64, records: &Records) -> Result<Vec<Vec<u8>>, EdfError> {
    let mut notes: Vec<Vec<u8>> = (0..records.count)
        .map(|record| format!("{}\x14\x14\0", onset(times[record * records.samples])).into_bytes())
        .collect();
    let last = (times[times.len() - 1], ENDS);
    let marks = edf
        .annotations
        .iter()
        .map(|mark| (mark.time_s - earlier_s, mark.text.as_str()));
    for (at, (time_s, text)) in marks.chain([last]).enumerate() {
        if text.contains(['\0', '\x14', '\x15']) || !time_s.is_finite() || time_s.abs() > LONGEST_S {
            return Err(EdfError::Unwritable {
                what: "an annotation",
                found: format!("{text:?} at {time_s} s"),
                expected: "text without the control characters 0, 20 and 21, at a time up to 100 million seconds",
            });
        }
        notes[at % records.count].extend(format!("{}\x14{text}\x14\0", onset(time_s)).into_bytes());
    }
    Ok(notes)
}

/// Turns levels into digital values, and keeps what was lost.
#[derive(Default)]
struct Rounding {
    rounded: usize,
    greatest_db: f64,
}

impl Rounding {
    /// A recording's levels lie from −200 to 100 dBm, so that every one has a digital value.
    fn digital(&mut self, level_dbm: f32) -> i16 {
        /// What a level in single precision loses anyhow.
        const NOTHING_DB: f64 = 5e-5;
        if level_dbm.is_nan() {
            return NO_PACKET;
        }
        let steps = (f64::from(level_dbm) / STEP_DB).round();
        let lost_db = (steps * STEP_DB - f64::from(level_dbm)).abs();
        if lost_db > NOTHING_DB {
            self.rounded += 1;
            self.greatest_db = self.greatest_db.max(lost_db);
        }
        #[expect(clippy::cast_possible_truncation, reason = "rounded, and far within what it holds")]
        let digital = steps as i16;
        digital
    }
}

fn header(edf: &EdfRecording, earlier_s: f64, records: &Records, room: usize) -> Result<Vec<u8>, EdfError> {
    let signals = edf.sites.len() + 1;
    let start = start(edf, earlier_s)?;
    let mut header = Fields(Vec::with_capacity(256 * (signals + 1)));
    header.put(8, "0");
    header.put(80, "X X X X");
    header.put(80, &recording_field(edf, start)?);
    // Without a date the standard has the first of January 1985.
    let start = start.unwrap_or_else(|| jiff::civil::date(1985, 1, 1).at(0, 0, 0, 0));
    header.put(8, &start.strftime("%d.%m.%y").to_string());
    header.put(8, &start.strftime("%H.%M.%S").to_string());
    header.put(8, &(256 * (signals + 1)).to_string());
    header.put(44, if records.continuous { "EDF+C" } else { "EDF+D" });
    header.put(8, &records.count.to_string());
    header.put(8, &seconds(records.length_ms));
    header.put(4, &signals.to_string());
    let levels = |text: &str| vec![text.to_owned(); edf.sites.len()];
    let labels: Vec<String> = edf.sites.iter().map(|site| site.chars().take(16).collect()).collect();
    let antennas: Vec<String> = edf.sites.iter().map(|site| format!("{ANTENNA}{site}")).collect();
    for (width, fields, of_annotations) in [
        (16, labels, ANNOTATIONS.to_owned()),
        (80, antennas, String::new()),
        (8, levels("dBm"), String::new()),
        (8, levels("-327.68"), "-1".to_owned()),
        (8, levels("327.67"), "1".to_owned()),
        (8, levels("-32768"), "-32768".to_owned()),
        (8, levels("32767"), "32767".to_owned()),
        (80, levels(NO_PACKET_NOTE), String::new()),
        (8, levels(&records.samples.to_string()), (room / 2).to_string()),
        (32, levels(""), String::new()),
    ] {
        for field in fields.iter().chain([&of_annotations]) {
            header.put(width, field);
        }
    }
    Ok(header.0)
}

/// Thousandths of a second as seconds.
fn seconds(length_ms: u64) -> String {
    let text = format!("{}.{:03}", length_ms / 1000, length_ms % 1000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The clock on the wall at time 0 of the file, in whole seconds.
fn start(edf: &EdfRecording, earlier_s: f64) -> Result<Option<DateTime>, EdfError> {
    let Some(started) = edf.started else { return Ok(None) };
    let outside = || EdfError::Unwritable {
        what: "the beginning of the recording",
        found: started.to_string(),
        expected: "dates from 1985 to 2084, at a whole second",
    };
    if started.subsec_nanosecond() != 0 {
        return Err(outside());
    }
    #[expect(clippy::cast_possible_truncation, reason = "whole seconds within LONGEST_S")]
    let moved = started.checked_add(jiff::SignedDuration::from_secs(earlier_s as i64));
    let moved = moved.map_err(|_| outside())?;
    (1985..=2084)
        .contains(&moved.year())
        .then_some(Some(moved))
        .ok_or_else(outside)
}

fn recording_field(edf: &EdfRecording, start: Option<DateTime>) -> Result<String, EdfError> {
    const MONTHS: [&str; 12] = [
        "JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC",
    ];
    let date = start.map_or("X".to_owned(), |start| {
        let month = MONTHS[usize::from(start.month().unsigned_abs()) - 1];
        format!("{:02}-{month}-{:04}", start.day(), start.year())
    });
    let mut field = format!("Startdate {date} {} X alvine", edf.study.replace(' ', "_"));
    if let Some(minutes) = edf.utc_offset_min.filter(|_| start.is_some()) {
        let sign = if minutes < 0 { '-' } else { '+' };
        field.push_str(&format!(
            " UTC{sign}{:02}:{:02}",
            minutes.abs() / 60,
            minutes.abs() % 60
        ));
    }
    if !is_printable(&field) || field.len() > 80 || edf.study.contains('_') && edf.study.contains(' ') {
        return Err(EdfError::Unwritable {
            what: "the study's id",
            found: format!("{:?}", edf.study),
            expected: "up to 30 printable ASCII characters, with spaces or with underscores but not both",
        });
    }
    Ok(field)
}

/// Fields of fixed width, filled with spaces.
struct Fields(Vec<u8>);

impl Fields {
    fn put(&mut self, width: usize, text: &str) {
        let end = self.0.len() + width;
        self.0.extend(text.bytes().take(width));
        self.0.resize(end, b' ');
    }
}
