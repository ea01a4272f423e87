//! The columns of the tables: name, unit, meaning and type of each, and where its values are in a row.
//!
//! One list serves for writing, for reading and for the documentation, so that they cannot differ.

use crate::row::{LANDMARKS, LandmarkTime, SiteRow, StudyRow, TRANSITS, TransitTime};

/// A column of a table whose rows are `R`.
#[derive(Debug)]
pub struct Column<R> {
    /// Its name, which ends in its unit.
    pub name: String,
    /// Its unit by UCUM; `None` of words and truths.
    pub unit: Option<&'static str>,
    /// What it is.
    pub meaning: String,
    /// Its type, and where its value is.
    pub access: Access<R>,
    /// Which of the landmarks, or of the transit times, where there are several.
    pub(crate) which: usize,
}

/// A column's type and the place of its value in a row.
#[derive(Debug)]
pub enum Access<R> {
    /// Words that are always there.
    Name(fn(&mut R) -> &mut String),
    /// Words.
    Text(fn(&mut R, usize) -> &mut Option<String>),
    /// A number in floating point.
    Real(fn(&mut R, usize) -> &mut Option<f64>),
    /// A count.
    Count(fn(&mut R, usize) -> &mut Option<u64>),
    /// A whole number that may be negative.
    Whole(fn(&mut R, usize) -> &mut Option<i64>),
    /// Yes or no.
    Truth(fn(&mut R, usize) -> &mut Option<bool>),
    /// A moment, µs since 1970-01-01 00:00 UTC.
    Moment(fn(&mut R, usize) -> &mut Option<i64>),
}

impl<R> Column<R> {
    fn new(name: &str, unit: Option<&'static str>, meaning: &str, access: Access<R>) -> Self {
        Self {
            name: name.to_owned(),
            unit,
            meaning: meaning.to_owned(),
            access,
            which: 0,
        }
    }

    fn of(which: usize, name: String, unit: Option<&'static str>, meaning: String, access: Access<R>) -> Self {
        Self {
            name,
            unit,
            meaning,
            access,
            which,
        }
    }

    /// Whether a value may be missing.
    pub(crate) fn is_optional(&self) -> bool {
        !matches!(self.access, Access::Name(_))
    }
}

/// A kind of row that a table can hold.
pub trait TableRow: Default {
    /// The table's name, and that of its folder.
    const TABLE: &'static str;

    /// The columns in order.
    fn columns() -> Vec<Column<Self>>;
}

const SECOND: Option<&str> = Some("s");
const ONE: Option<&str> = Some("1");

impl TableRow for StudyRow {
    const TABLE: &'static str = "studies";

    fn columns() -> Vec<Column<Self>> {
        let mut columns = head_columns();
        for (which, name) in LANDMARKS.iter().enumerate() {
            columns.extend(landmark_columns(which, name));
        }
        for (which, name) in TRANSITS.iter().enumerate() {
            columns.extend(transit_columns(which, name));
        }
        columns.extend(quality_columns());
        columns
    }
}

#[rustfmt::skip]
fn head_columns() -> Vec<Column<StudyRow>> {
    use Access::{Count, Moment, Name, Real, Text, Truth, Whole};
    vec![
        Column::new("study", None, "Path of the study from the folder that was audited", Name(|row| &mut row.study)),
        Column::new("id", None, "Pseudonym of the study", Text(|row, _| &mut row.id)),
        Column::new("started", None, "When the recording began", Moment(|row, _| &mut row.started_us)),
        Column::new("utc_offset_min", Some("min"), "How far the clock on the wall was ahead of UTC", Whole(|row, _| &mut row.utc_offset_min)),
        Column::new("fault", None, "Why the study could not be analysed; null where it was", Text(|row, _| &mut row.fault)),
        Column::new("alvine_version", None, "Version of alvine that analysed it", Name(|row| &mut row.version)),
        Column::new("level_known", None, "Whether the transmit level was taken as known", Truth(|row, _| &mut row.level_known)),
        Column::new("usual_places", None, "Whether the track was drawn towards the usual places", Truth(|row, _| &mut row.usual_places)),
        Column::new("prior", None, "Name of what was expected of the passage: fasting, fed, or that of a prior's file", Text(|row, _| &mut row.prior)),
        Column::new("duration_s", SECOND, "From first to last instant", Real(|row, _| &mut row.duration_s)),
        Column::new("instants", ONE, "Instants of the recording", Count(|row, _| &mut row.instants)),
        Column::new("completeness", None, "complete, incomplete or unclear", Text(|row, _| &mut row.completeness)),
        Column::new("probability_complete", ONE, "Probability that the ileocaecal valve was passed", Real(|row, _| &mut row.probability_complete)),
        Column::new("last_phase", None, "Last phase seen", Text(|row, _| &mut row.last_phase)),
        Column::new("ended_by", None, "expulsion, battery, recording-stopped or signal-lost", Text(|row, _| &mut row.ended_by)),
    ]
}

fn landmark_columns(which: usize, name: &str) -> Vec<Column<StudyRow>> {
    fn of(row: &mut StudyRow, which: usize) -> &mut LandmarkTime {
        &mut row.landmarks[which]
    }
    let snake = name.replace('-', "_");
    let column =
        |end: &str, unit, meaning: String, access| Column::of(which, format!("{snake}_{end}"), unit, meaning, access);
    vec![
        column(
            "s",
            SECOND,
            format!("Time of the {name} since the recording began; null where not reached"),
            Access::Real(|row, which| &mut of(row, which).time_s),
        ),
        column(
            "low90_s",
            SECOND,
            format!("Lower end of the 90 % interval of the {name}"),
            Access::Real(|row, which| &mut of(row, which).low90_s),
        ),
        column(
            "high90_s",
            SECOND,
            format!("Upper end of the 90 % interval of the {name}"),
            Access::Real(|row, which| &mut of(row, which).high90_s),
        ),
        column(
            "probability",
            ONE,
            format!("Probability that the {name} was passed within the recording"),
            Access::Real(|row, which| &mut of(row, which).probability),
        ),
        column(
            "source",
            None,
            format!("Where the time of the {name} came from: reader, recording or estimated"),
            Access::Text(|row, which| &mut of(row, which).source),
        ),
        column(
            "signal_s",
            SECOND,
            format!("Time of the {name} by the signal alone, where a reader or the study gave it"),
            Access::Real(|row, which| &mut of(row, which).signal_s),
        ),
    ]
}

fn transit_columns(which: usize, name: &str) -> Vec<Column<StudyRow>> {
    fn of(row: &mut StudyRow, which: usize) -> &mut TransitTime {
        &mut row.transits[which]
    }
    let snake = name.replace('-', "_");
    let column = |end: &str, unit, meaning: String, access| {
        Column::of(which, format!("{snake}_transit_{end}"), unit, meaning, access)
    };
    vec![
        column(
            "s",
            SECOND,
            format!("{name} transit time; a lower bound where censored"),
            Access::Real(|row, which| &mut of(row, which).time_s),
        ),
        column(
            "low90_s",
            SECOND,
            format!("Lower end of the 90 % interval of the {name} transit time"),
            Access::Real(|row, which| &mut of(row, which).low90_s),
        ),
        column(
            "high90_s",
            SECOND,
            format!("Upper end of the 90 % interval of the {name} transit time"),
            Access::Real(|row, which| &mut of(row, which).high90_s),
        ),
        column(
            "censored",
            None,
            format!("Whether the {name} transit began or ended unseen"),
            Access::Truth(|row, which| &mut of(row, which).censored),
        ),
    ]
}

#[rustfmt::skip]
fn quality_columns() -> Vec<Column<StudyRow>> {
    use Access::{Count, Real};
    vec![
        Column::new("findings", ONE, "Findings that a reader marked", Count(|row, _| &mut row.findings)),
        Column::new("hearing_share", ONE, "Mean over the sites of the share of the instants inside the body at which they heard the capsule", Real(|row, _| &mut row.hearing_share)),
        Column::new("median_sites_heard", ONE, "Median number of sites that heard the capsule at once", Real(|row, _| &mut row.median_sites_heard)),
        Column::new("sites_carrying", ONE, "Sites that heard it at a tenth of the instants or more", Count(|row, _| &mut row.sites_carrying)),
        Column::new("median_step_s", SECOND, "Median time between instants", Real(|row, _| &mut row.median_step_s)),
        Column::new("dropouts", ONE, "Spans in which no site heard anything", Count(|row, _| &mut row.dropouts)),
        Column::new("dropout_s", SECOND, "Length of those spans together", Real(|row, _| &mut row.dropout_s)),
        Column::new("clock_jumps", ONE, "Leaps of the clock", Count(|row, _| &mut row.clock_jumps)),
        Column::new("instants_located", ONE, "Instants that have a place", Count(|row, _| &mut row.instants_located)),
        Column::new("median_radius90_mm", Some("mm"), "Half of the places are known better than this radius of 90 %", Real(|row, _| &mut row.median_radius90_mm)),
    ]
}

impl TableRow for SiteRow {
    const TABLE: &'static str = "sites";

    #[rustfmt::skip]
    fn columns() -> Vec<Column<Self>> {
        use Access::{Count, Name, Real};
        vec![
            Column::new("study", None, "Path of the study, as in the table of studies", Name(|row| &mut row.study)),
            Column::new("site", None, "Name of the site", Name(|row| &mut row.site)),
            Column::new("heard", ONE, "Share of the instants inside the body at which it heard the capsule", Real(|row, _| &mut row.heard)),
            Column::new("below_floor", ONE, "Share of them at or below the receiver's floor", Real(|row, _| &mut row.below_floor)),
            Column::new("missing", ONE, "Share of them without a packet", Real(|row, _| &mut row.missing)),
            Column::new("saturated", ONE, "Share of them at or above the receiver's ceiling", Real(|row, _| &mut row.saturated)),
            Column::new("median_dbm", Some("dB[mW]"), "Median level where heard", Real(|row, _| &mut row.median_dbm)),
            Column::new("loosenings", ONE, "Remarks that it may have worked loose", Count(|row, _| &mut row.loosenings)),
            Column::new("loosened_s", SECOND, "Length of those spans together", Real(|row, _| &mut row.loosened_s)),
        ]
    }
}

#[cfg(test)]
mod tests {
    use std::collections::HashSet;

    use super::*;

    /// Fills every value of a row with one that tells its column, and reads them back.
    fn every_column_has_a_place_of_its_own<R: TableRow>() {
        let mut row = R::default();
        let columns = R::columns();
        for (k, column) in columns.iter().enumerate() {
            match &column.access {
                Access::Name(at) => *at(&mut row) = k.to_string(),
                Access::Text(at) => *at(&mut row, column.which) = Some(k.to_string()),
                Access::Real(at) => *at(&mut row, column.which) = Some(k as f64),
                Access::Count(at) => *at(&mut row, column.which) = Some(k as u64),
                Access::Whole(at) | Access::Moment(at) => *at(&mut row, column.which) = Some(k as i64),
                Access::Truth(at) => *at(&mut row, column.which) = Some(true),
            }
        }
        for (k, column) in columns.iter().enumerate() {
            let kept = match &column.access {
                Access::Name(at) => *at(&mut row) == k.to_string(),
                Access::Text(at) => *at(&mut row, column.which) == Some(k.to_string()),
                Access::Real(at) => *at(&mut row, column.which) == Some(k as f64),
                Access::Count(at) => *at(&mut row, column.which) == Some(k as u64),
                Access::Whole(at) | Access::Moment(at) => *at(&mut row, column.which) == Some(k as i64),
                Access::Truth(at) => *at(&mut row, column.which) == Some(true),
            };
            assert!(kept, "{}", column.name);
        }
        let names: HashSet<&str> = columns.iter().map(|column| column.name.as_str()).collect();
        assert_eq!(names.len(), columns.len());
    }

    #[test]
    fn no_two_columns_share_a_name_or_a_place() {
        every_column_has_a_place_of_its_own::<StudyRow>();
        every_column_has_a_place_of_its_own::<SiteRow>();
    }

    #[test]
    fn a_name_ends_in_its_unit() {
        for column in StudyRow::columns() {
            let end = match column.unit {
                Some("s") => "_s",
                Some("min") => "_min",
                Some("mm") => "_mm",
                _ => continue,
            };
            assert!(column.name.ends_with(end), "{}", column.name);
        }
    }
}
