//! From EDF+, or plain EDF, to a recording.

use alvine::Recording;
use jiff::civil::{Date, DateTime, date};
use ndarray::Array2;

use super::{ANNOTATIONS, ANTENNA, Annotation, ENDS, EdfError, EdfRecording, NO_PACKET, NO_PACKET_NOTE};

/// What was read, and what was left out.
#[derive(Debug, Clone)]
pub struct Imported {
    /// The recording.
    pub edf: EdfRecording,
    /// Labels of signals in another unit than dBm, which were left out.
    pub left_out: Vec<String>,
}

/// Reads a recording: every signal in dBm is a site, named by its transducer (`antenna at NAME`) or else by its label.
///
/// # Errors
///
/// [`EdfError`], with the byte at which something is wrong.
pub fn read(bytes: &[u8]) -> Result<Imported, EdfError> {
    let header = Header::parse(bytes)?;
    let levels = header.levels()?;
    let samples = levels[0].samples;
    let mut rows = Rows {
        time_s: Vec::new(),
        levels: Vec::new(),
        annotations: Vec::new(),
    };
    let (_, records) = bytes.split_at(header.length);
    for (record, data) in records
        .chunks_exact(header.record_bytes)
        .take(header.records)
        .enumerate()
    {
        let start_s = header.annotations(record, data, &mut rows.annotations)?;
        for sample in 0..samples {
            let time_s = start_s + header.record_s * sample as f64 / samples as f64;
            if let Some(&previous_s) = rows.time_s.last()
                && time_s <= previous_s
            {
                return Err(EdfError::NotIncreasing {
                    record,
                    previous_s,
                    time_s,
                });
            }
            rows.time_s.push(time_s);
            rows.levels
                .extend(levels.iter().map(|signal| signal.level_dbm(data, sample)));
        }
    }
    rows.cut_at_the_end();
    let instants = rows.time_s.len();
    let levels_dbm = Array2::from_shape_vec((instants, levels.len()), rows.levels).unwrap_or_default();
    Ok(Imported {
        edf: EdfRecording {
            study: header.study.clone(),
            started: header.started,
            utc_offset_min: header.utc_offset_min,
            sites: levels.iter().map(|signal| signal.site()).collect(),
            recording: Recording::new(rows.time_s, levels_dbm)?,
            annotations: rows.annotations,
        },
        left_out: header
            .signals
            .iter()
            .filter(|signal| !signal.is_level() && !signal.is_annotations())
            .map(|signal| signal.label.clone())
            .collect(),
    })
}

struct Rows {
    time_s: Vec<f64>,
    levels: Vec<f32>,
    annotations: Vec<Annotation>,
}

impl Rows {
    /// Takes away what fills up the last record, and the annotation that says where it begins.
    fn cut_at_the_end(&mut self) {
        const ROUNDING_S: f64 = 1e-6;
        let Some(at) = self.annotations.iter().position(|mark| mark.text == ENDS) else {
            return;
        };
        let end_s = self.annotations.remove(at).time_s + ROUNDING_S;
        let kept = self.time_s.partition_point(|&time_s| time_s <= end_s);
        let sites = self.levels.len().checked_div(self.time_s.len()).unwrap_or(0);
        self.time_s.truncate(kept);
        self.levels.truncate(kept * sites);
    }
}

struct Header {
    length: usize,
    study: String,
    started: Option<DateTime>,
    utc_offset_min: Option<i32>,
    is_plus: bool,
    records: usize,
    record_s: f64,
    record_bytes: usize,
    signals: Vec<Signal>,
}

struct Signal {
    label: String,
    transducer: String,
    unit: String,
    physical: [f64; 2],
    digital: [f64; 2],
    marks_no_packet: bool,
    samples: usize,
    /// Where its samples begin in a data record, bytes.
    offset: usize,
}

/// Reads fields of fixed width one after the other.
struct Cursor<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Cursor<'_> {
    fn text(&mut self, width: usize, field: &'static str) -> Result<String, EdfError> {
        let found = self.bytes.get(self.at..self.at + width).ok_or(EdfError::Short {
            at: self.bytes.len(),
            expected: field,
        })?;
        let text = String::from_utf8_lossy(found).trim_matches([' ', '\0']).to_owned();
        self.at += width;
        Ok(text)
    }

    fn number<T: std::str::FromStr>(
        &mut self,
        width: usize,
        field: &'static str,
        expected: &'static str,
        fits: impl Fn(&T) -> bool,
    ) -> Result<T, EdfError> {
        let at = self.at;
        let found = self.text(width, field)?;
        let number = found.parse().ok().filter(fits);
        number.ok_or(EdfError::Field {
            at,
            field,
            found,
            expected,
        })
    }
}

impl Header {
    fn parse(bytes: &[u8]) -> Result<Self, EdfError> {
        let mut cursor = Cursor { bytes, at: 0 };
        cursor.number::<u32>(8, "version", "0", |&version| version == 0)?;
        cursor.text(80, "the patient's field")?;
        let recording = cursor.text(80, "the recording's field")?;
        let at = cursor.at;
        let day = cursor.text(8, "start date")?;
        let time = cursor.text(8, "start time")?;
        let length = cursor.number::<usize>(8, "length of the header", "a number of bytes", |_| true)?;
        let reserved = cursor.text(44, "reserved field")?;
        let records = cursor.number::<i64>(8, "number of data records", "a count", |&count| count >= -1)?;
        let record_s = cursor.number::<f64>(8, "length of a data record", "seconds", |length| {
            (0.0..=1e8).contains(length)
        })?;
        let count = cursor.number::<usize>(4, "number of signals", "a count from 1", |&count| count >= 1)?;
        let signals = signals(&mut cursor, count)?;
        if length != cursor.at {
            return Err(EdfError::Field {
                at: 184,
                field: "length of the header",
                found: length.to_string(),
                expected: "256 bytes, and 256 a signal",
            });
        }
        let record_bytes: usize = signals.iter().map(|signal| 2 * signal.samples).sum();
        let there = (bytes.len() - length).checked_div(record_bytes).unwrap_or(0);
        // −1 says that the recorder was stopped before it could count.
        let records = usize::try_from(records).unwrap_or(there);
        if there < records {
            return Err(EdfError::Short {
                at: bytes.len(),
                expected: "all data records that the header counts",
            });
        }
        let parts: Vec<&str> = recording.split_whitespace().collect();
        let is_plus = reserved.starts_with("EDF+");
        let told = |at: usize| parts.get(at).copied().filter(|part| is_plus && *part != "X");
        Ok(Self {
            length,
            study: told(2).unwrap_or("imported").replace('_', " "),
            started: started(told(1), &day, &time, is_plus, at)?,
            utc_offset_min: parts.iter().find_map(|part| utc_offset_min(part)),
            is_plus,
            records,
            record_s,
            record_bytes,
            signals,
        })
    }

    /// The signals that are levels, of which all have as many samples.
    fn levels(&self) -> Result<Vec<&Signal>, EdfError> {
        let levels: Vec<&Signal> = self.signals.iter().filter(|signal| signal.is_level()).collect();
        let Some(first) = levels.first() else {
            let found: Vec<String> = self
                .signals
                .iter()
                .map(|s| format!("{} in {:?}", s.label, s.unit))
                .collect();
            let found = found.join(", ");
            return Err(EdfError::NoLevels { found });
        };
        match levels
            .iter()
            .find(|signal| signal.samples != first.samples || signal.samples == 0)
        {
            None => Ok(levels),
            Some(other) => Err(EdfError::Field {
                at: 256 + 216 * self.signals.len(),
                field: "samples in a data record",
                found: format!("{} of {}", other.samples, other.label),
                expected: "as many of each site, and at least one",
            }),
        }
    }

    /// The beginning of a record, s; its annotations go to the others.
    fn annotations(&self, record: usize, data: &[u8], into: &mut Vec<Annotation>) -> Result<f64, EdfError> {
        let mut start_s = None;
        for signal in self
            .signals
            .iter()
            .filter(|signal| signal.is_annotations() && self.is_plus)
        {
            let bytes = &data[signal.offset..signal.offset + 2 * signal.samples];
            for list in bytes.split(|&byte| byte == 0).filter(|list| !list.is_empty()) {
                let list = String::from_utf8_lossy(list);
                let mut parts = list.split('\x14');
                let time = parts.next().unwrap_or_default();
                let time = time.split('\x15').next().unwrap_or_default();
                let Some(time_s) = time.parse::<f64>().ok().filter(|time_s| time_s.is_finite()) else {
                    return Err(EdfError::NoTime {
                        record,
                        at: self.length + record * self.record_bytes + signal.offset,
                    });
                };
                start_s = start_s.or(Some(time_s));
                let texts = parts.filter(|text| !text.is_empty());
                into.extend(texts.map(|text| Annotation {
                    time_s,
                    text: text.to_owned(),
                }));
            }
        }
        match start_s {
            Some(start_s) => Ok(start_s),
            None if self.is_plus => Err(EdfError::NoTime {
                record,
                at: self.length + record * self.record_bytes,
            }),
            None => Ok(record as f64 * self.record_s),
        }
    }
}

fn signals(cursor: &mut Cursor<'_>, count: usize) -> Result<Vec<Signal>, EdfError> {
    fn all<T>(count: usize, mut field: impl FnMut() -> Result<T, EdfError>) -> Result<Vec<T>, EdfError> {
        // Not by the count alone: a file that lies about it ends soon.
        (0..count).map(|_| field()).collect()
    }
    let finite = |number: &f64| number.is_finite();
    let number = |cursor: &mut Cursor<'_>, field| all(count, || cursor.number::<f64>(8, field, "a number", finite));
    let labels = all(count, || cursor.text(16, "label"))?;
    let transducers = all(count, || cursor.text(80, "transducer"))?;
    let units = all(count, || cursor.text(8, "unit"))?;
    let lows = number(cursor, "physical minimum")?;
    let highs = number(cursor, "physical maximum")?;
    let at = cursor.at;
    let least = number(cursor, "digital minimum")?;
    let greatest = number(cursor, "digital maximum")?;
    let filters = all(count, || cursor.text(80, "prefiltering"))?;
    let samples = all(count, || {
        cursor.number::<usize>(8, "samples in a data record", "a count up to 30 million", |&count| {
            count <= 30_000_000
        })
    })?;
    all(count, || cursor.text(32, "reserved field of a signal"))?;
    let mut offset = 0;
    let mut signals = Vec::with_capacity(count);
    for k in 0..count {
        if greatest[k] <= least[k] {
            return Err(EdfError::Field {
                at: at + 8 * (count + k),
                field: "digital maximum",
                found: greatest[k].to_string(),
                expected: "more than the digital minimum",
            });
        }
        signals.push(Signal {
            label: labels[k].clone(),
            transducer: transducers[k].clone(),
            unit: units[k].clone(),
            physical: [lows[k], highs[k]],
            digital: [least[k], greatest[k]],
            marks_no_packet: filters[k] == NO_PACKET_NOTE,
            samples: samples[k],
            offset,
        });
        offset += 2 * samples[k];
    }
    Ok(signals)
}

impl Signal {
    fn is_level(&self) -> bool {
        self.unit == "dBm" && !self.is_annotations()
    }

    fn is_annotations(&self) -> bool {
        self.label == ANNOTATIONS
    }

    fn site(&self) -> String {
        self.transducer.strip_prefix(ANTENNA).unwrap_or(&self.label).to_owned()
    }

    fn level_dbm(&self, data: &[u8], sample: usize) -> f32 {
        let at = self.offset + 2 * sample;
        let digital = i16::from_le_bytes([data[at], data[at + 1]]);
        if self.marks_no_packet && digital == NO_PACKET {
            return f32::NAN;
        }
        let [low, high] = self.physical;
        let [least, greatest] = self.digital;
        let level_dbm = low + (f64::from(digital) - least) * (high - low) / (greatest - least);
        #[expect(clippy::cast_possible_truncation, reason = "levels are kept in single precision")]
        let level_dbm = level_dbm as f32;
        level_dbm
    }
}

/// The beginning by EDF+'s own date, which has four digits for the year, or by EDF's, which has two.
fn started(plus: Option<&str>, day: &str, time: &str, is_plus: bool, at: usize) -> Result<Option<DateTime>, EdfError> {
    let wrong = |found: &str, expected| EdfError::Field {
        at,
        field: "start date and time",
        found: found.to_owned(),
        expected,
    };
    let parts = |text: &str| -> Option<[i16; 3]> {
        let parts: Option<Vec<i16>> = text.split(['.', ':']).map(|part| part.parse().ok()).collect();
        parts?.try_into().ok()
    };
    let small = |number: i16| i8::try_from(number).unwrap_or(-1);
    let [hour, minute, second] = parts(time).ok_or_else(|| wrong(time, "hh.mm.ss"))?;
    let day_found = match plus {
        Some(text) => plus_date(text).ok_or_else(|| wrong(text, "dd-MMM-yyyy"))?,
        // EDF+ that says X knows no date.
        None if is_plus => return Ok(None),
        None => {
            let [day_of_month, month, year] = parts(day).ok_or_else(|| wrong(day, "dd.mm.yy"))?;
            let year = if year >= 85 { 1900 + year } else { 2000 + year };
            Date::new(year, small(month), small(day_of_month)).map_err(|_| wrong(day, "a date"))?
        }
    };
    let time_of_day = jiff::civil::Time::new(small(hour), small(minute), small(second), 0);
    Ok(Some(
        day_found.to_datetime(time_of_day.map_err(|_| wrong(time, "a time of day"))?),
    ))
}

fn plus_date(text: &str) -> Option<Date> {
    const MONTHS: &str = "JANFEBMARAPRMAYJUNJULAUGSEPOCTNOVDEC";
    let mut parts = text.split('-');
    let (day, month, year) = (parts.next()?, parts.next()?, parts.next()?);
    let at = MONTHS.find(month).filter(|at| at % 3 == 0 && month.len() == 3)?;
    let month = i8::try_from(at / 3 + 1).ok()?;
    Date::new(year.parse().ok()?, month, day.parse().ok()?)
        .ok()
        .filter(|found| *found >= date(1, 1, 1))
}

/// Minutes ahead of UTC from `UTC+01:00`.
fn utc_offset_min(part: &str) -> Option<i32> {
    let offset = part.strip_prefix("UTC")?;
    let (hours, minutes) = offset.get(1..)?.split_once(':')?;
    let minutes = 60 * hours.parse::<i32>().ok().filter(|h| (0..24).contains(h))?
        + minutes.parse::<i32>().ok().filter(|m| (0..60).contains(m))?;
    match offset.chars().next()? {
        '+' => Some(minutes),
        '-' => Some(-minutes),
        _ => None,
    }
}
