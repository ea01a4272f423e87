//! The answers of a study as a FHIR R4 bundle: one `DiagnosticReport` whose results are `Observation`s.
//!
//! Units are UCUM's. A bound that is only a lower one carries the comparator `>=`; what could not be told carries the reason it
//! is absent. Intervals are components. Codes are plain words, as no terminology has these quantities; a receiving system maps
//! them. Everything is `preliminary`: a clinician has not seen it. There is no subject: alvine knows no patient.
//!
//! # Source
//!
//! HL7 FHIR release 4 (4.0.1): Bundle, DiagnosticReport, Observation, Quantity. Identifiers of entries are UUIDs of version 8
//! (RFC 9562), computed from the study's pseudonym and the entry's name, so that the same study gives the same bytes.

use jiff::SignedDuration;
use jiff::civil::DateTime;
use serde_json::{Map, Value, json};

/// A study's answers.
#[derive(Debug, Clone, PartialEq)]
pub struct Examination {
    /// Pseudonym.
    pub study: String,
    /// What made the answers, with its version.
    pub made_by: String,
    /// The clock on the wall at time 0, and its offset from UTC, such as `+01:00`.
    pub started: Option<(DateTime, String)>,
    /// The last instant, s.
    pub end_s: f64,
    /// The answer in one sentence.
    pub conclusion: String,
    /// The single answers.
    pub observations: Vec<Observed>,
}

/// One answer.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Observed {
    /// What programs may call it; no other has the same.
    pub name: String,
    /// What it is, in words.
    pub what: String,
    /// Its value, unless it could not be told.
    pub value: Option<Answer>,
    /// Whether the value is only a lower bound.
    pub at_least: bool,
    /// 90 % interval, in the value's unit.
    pub interval90: Option<[f64; 2]>,
    /// A published range to stand beside it, with its source.
    pub reference: Option<([f64; 2], String)>,
    /// When it happened, s since the recording began.
    pub time_s: Option<f64>,
    /// How it was told.
    pub method: Option<String>,
    /// Why there is no value.
    pub reason: Option<String>,
    /// More, in words.
    pub note: Option<String>,
}

/// A value.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// A number in a unit.
    Quantity(f64, Unit),
    /// Words.
    Words(String),
}

/// A unit, by UCUM.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Seconds.
    Second,
    /// Millimetres.
    Millimetre,
    /// A share or a probability.
    One,
}

impl Unit {
    const fn code(self) -> &'static str {
        match self {
            Self::Second => "s",
            Self::Millimetre => "mm",
            Self::One => "1",
        }
    }
}

impl Examination {
    /// The bundle, as JSON with an indent of two.
    #[must_use]
    pub fn bundle(&self) -> String {
        let url = |name: &str| format!("urn:uuid:{}", uuid(&self.study, name));
        let mut report = json!({
            "resourceType": "DiagnosticReport",
            "id": uuid(&self.study, "report"),
            "identifier": [{ "value": self.study }],
            "status": "preliminary",
            "code": { "text": "Passage of one swallowed capsule, from signal strength" },
            "conclusion": self.conclusion,
            "result": self.observations.iter().map(|seen| json!({
                "reference": url(&seen.name),
                "display": seen.what,
            })).collect::<Vec<_>>(),
        });
        if let (Some(start), Some(end)) = (self.moment(0.0), self.moment(self.end_s)) {
            report["effectivePeriod"] = json!({ "start": start, "end": end });
        }
        let report = json!({ "fullUrl": url("report"), "resource": report });
        let observations = self
            .observations
            .iter()
            .map(|seen| json!({ "fullUrl": url(&seen.name), "resource": self.observation(seen) }));
        let bundle = json!({
            "resourceType": "Bundle",
            "id": uuid(&self.study, "bundle"),
            "type": "collection",
            "entry": std::iter::once(report).chain(observations).collect::<Vec<_>>(),
        });
        format!("{bundle:#}\n")
    }

    fn observation(&self, seen: &Observed) -> Value {
        let mut resource = Map::new();
        let mut put = |key: &str, value: Value| resource.insert(key.to_owned(), value);
        put("resourceType", json!("Observation"));
        put("id", json!(uuid(&self.study, &seen.name)));
        put("status", json!("preliminary"));
        put("code", json!({ "text": seen.what }));
        if let Some(moment) = seen.time_s.and_then(|time_s| self.moment(time_s)) {
            put("effectiveDateTime", json!(moment));
        }
        match &seen.value {
            Some(Answer::Quantity(value, unit)) if value.is_finite() => {
                let mut quantity = quantity(*value, *unit);
                if seen.at_least {
                    quantity["comparator"] = json!(">=");
                }
                put("valueQuantity", quantity);
            }
            Some(Answer::Words(words)) => {
                put("valueCodeableConcept", json!({ "text": words }));
            }
            _ => {
                let reason = seen.reason.as_deref().unwrap_or("not told by the signal");
                put("dataAbsentReason", json!({ "text": reason }));
            }
        }
        let method = seen.method.as_deref().unwrap_or("estimated");
        put("method", json!({ "text": format!("{method}; {}", self.made_by) }));
        if let Some(note) = &seen.note {
            put("note", json!([{ "text": note }]));
        }
        if let (Some(([low, high], source)), Some(Answer::Quantity(_, unit))) = (&seen.reference, &seen.value) {
            let range = json!({
                "low": quantity(*low, *unit), "high": quantity(*high, *unit), "text": source,
            });
            put("referenceRange", json!([range]));
        }
        if let (Some([low, high]), Some(Answer::Quantity(_, unit))) = (seen.interval90, &seen.value) {
            let end = |which: &str, value| json!({ "code": { "text": format!("90 % interval, {which} end") }, "valueQuantity": quantity(value, *unit) });
            put("component", json!([end("lower", low), end("upper", high)]));
        }
        Value::Object(resource)
    }

    /// A moment as FHIR's `dateTime`, to the second; `None` where the study does not say when it began.
    fn moment(&self, time_s: f64) -> Option<String> {
        let (started, offset) = self.started.as_ref()?;
        let moved = SignedDuration::try_from_secs_f64(time_s.round()).ok()?;
        let moment = started.checked_add(moved).ok()?;
        Some(format!("{}{offset}", moment.strftime("%Y-%m-%dT%H:%M:%S")))
    }
}

fn quantity(value: f64, unit: Unit) -> Value {
    json!({
        "value": value,
        "unit": unit.code(),
        "system": "http://unitsofmeasure.org",
        "code": unit.code(),
    })
}

/// A UUID of version 8 from a study and a name.
fn uuid(study: &str, name: &str) -> String {
    let hash = |seed: u64| {
        let bytes = study.bytes().chain([0]).chain(name.bytes());
        bytes.fold(seed, |hash: u64, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3)
        })
    };
    // FNV-1a twice, from two beginnings; what is not hashed says version 8 and the variant.
    let (high, low) = (hash(0xCBF2_9CE4_8422_2325), hash(0x8422_2325_CBF2_9CE4));
    let high = high & !0xF000 | 0x8000;
    let low = low & !(0xC << 60) | (0x8 << 60);
    format!(
        "{:08x}-{:04x}-{:04x}-{:04x}-{:012x}",
        high >> 32,
        high >> 16 & 0xFFFF,
        high & 0xFFFF,
        low >> 48,
        low & 0xFFFF_FFFF_FFFF
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn examination() -> Examination {
        Examination {
            study: "demo-01".to_owned(),
            made_by: "alvine 0.1.0".to_owned(),
            started: Some((jiff::civil::date(2026, 3, 2).at(23, 59, 50, 0), "+01:00".to_owned())),
            end_s: 20.0,
            conclusion: "The capsule reached the colon.".to_owned(),
            observations: vec![
                Observed {
                    name: "transit-gastric".to_owned(),
                    what: "Gastric transit time".to_owned(),
                    value: Some(Answer::Quantity(1320.5, Unit::Second)),
                    at_least: true,
                    interval90: Some([1200.0, 1400.0]),
                    time_s: Some(12.0),
                    ..Observed::default()
                },
                Observed {
                    name: "landmark-expulsion".to_owned(),
                    what: "Expulsion".to_owned(),
                    reason: Some("not reached".to_owned()),
                    ..Observed::default()
                },
            ],
        }
    }

    #[test]
    fn every_result_is_an_entry_and_a_bound_a_comparator() {
        let bundle: Value = serde_json::from_str(&examination().bundle()).unwrap();
        let entries = bundle["entry"].as_array().unwrap();
        assert_eq!(entries.len(), 3);
        for (result, entry) in entries[0]["resource"]["result"]
            .as_array()
            .unwrap()
            .iter()
            .zip(&entries[1..])
        {
            assert_eq!(result["reference"], entry["fullUrl"]);
        }
        let gastric = &entries[1]["resource"];
        assert_eq!(gastric["valueQuantity"]["comparator"], ">=");
        assert_eq!(gastric["valueQuantity"]["code"], "s");
        assert_eq!(gastric["effectiveDateTime"], "2026-03-03T00:00:02+01:00");
        assert_eq!(gastric["component"][1]["valueQuantity"]["value"], 1400.0);
        assert_eq!(entries[2]["resource"]["dataAbsentReason"]["text"], "not reached");
        assert_eq!(
            entries[0]["resource"]["effectivePeriod"]["end"],
            "2026-03-03T00:00:10+01:00"
        );
    }

    #[test]
    fn identifiers_are_uuids_of_version_8_that_tell_studies_and_names_apart() {
        let one = uuid("demo-01", "report");
        assert_eq!(one.len(), 36);
        assert_eq!(one.as_bytes()[14], b'8');
        assert!(matches!(one.as_bytes()[19], b'8' | b'9' | b'a' | b'b'));
        assert_ne!(one, uuid("demo-02", "report"));
        assert_ne!(one, uuid("demo-01", "bundle"));
        assert_eq!(one, uuid("demo-01", "report"));
    }
}
