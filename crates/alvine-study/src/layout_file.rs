//! Layout files: a torso and its sites without any recording, for judging a belt before there is one.
//!
//! A layout file is a `study.toml` of which all but `[torso]` may be left out:
//!
//! ```text
//! format = 1
//!
//! [torso]
//! breadth_mm = 330.0
//! depth_mm = 230.0
//!
//! [[site]]                    # four or more; the default eight where there are none
//! name = "upper-left"
//! position_mm = [90.0, 18.6, 115.0]
//! ```
//!
//! Its tables have the same names and keys as those of a study, so that they can be copied into one, and a `study.toml`
//! is a layout file as it stands. A table that is given is given whole.

use std::path::Path;

use alvine::{Law, Layout, LogDistance, NoiseModel, Setup, Site, Torso};
use toml::value::Datetime;

use crate::container::read_study;
use crate::description::{Container, List, STUDY_FORMAT, describe_setup};
use crate::fault::{Place, StudyError};
use crate::recording_csv::read_text;
use crate::toml_study::{FILE_NAME, TomlStudy, law_name, law_numbers, push_propagation, push_setup, push_sites};

/// No layout file is larger than this, bytes.
const LARGEST: u64 = 64 << 20;

/// Carrier where a layout file names none, MHz.
const FREQUENCY_MHZ: f64 = 433.0;
/// Power sent where a layout file names none, dBm.
const POWER_DBM: f64 = -20.0;
/// Floor where a layout file names none, dBm.
const FLOOR_DBM: f64 = -100.0;
/// Noise from sample to sample where a layout file names none, dB (common practice, no source).
const NOISE_DB: f64 = 2.0;
/// The law where a layout file names none.
const LAW: Law = Law::LogDistance(LogDistance::DEEP_TISSUE_TO_SURFACE);

/// Reads the setup from a layout file, or from a study: a `study.toml`, the folder that holds it, or an HDF5 file. A
/// `study.toml` need not have its recording beside it.
///
/// Where a layout file leaves them out, the transmitter sends −20 dBm at 433 MHz, the floor is −100 dBm, and the law is
/// that of IEEE 802.15.6 from deep tissue to the surface with its spread and 2 dB of noise; without sites it is the
/// default eight.
///
/// # Errors
///
/// The first fault met, with its place.
pub fn read_layout(path: &Path) -> Result<Setup, StudyError> {
    let extension = path
        .extension()
        .map(|extension| extension.to_string_lossy().to_lowercase());
    if path.is_dir() {
        return read_toml(&path.join(FILE_NAME));
    }
    if extension.as_deref() == Some("toml") && path.exists() {
        return read_toml(path);
    }
    Ok(read_study(path)?.setup)
}

fn read_toml(file: &Path) -> Result<Setup, StudyError> {
    let text = read_text(file, "the description of a layout", LARGEST)?;
    describe_setup(&WithDefaults(TomlStudy::parse(file, &text)?))
}

/// The default eight on a torso, with the transmitter, receiver and law that a layout file has where it names none.
///
/// # Errors
///
/// Never for a torso that exists.
pub fn usual_setup(torso: &Torso) -> Result<Setup, StudyError> {
    let text = format!(
        "format = {STUDY_FORMAT}\n[torso]\nbreadth_mm = {:?}\ndepth_mm = {:?}\n",
        torso.breadth_mm(),
        torso.depth_mm()
    );
    describe_setup(&WithDefaults(TomlStudy::parse(Path::new("default"), &text)?))
}

/// The text of a layout file for a setup, every table given, with lines of comment at its head.
#[must_use]
pub fn layout_text(setup: &Setup, comment: &str) -> String {
    let mut text: String = comment.lines().map(|line| format!("# {line}\n")).collect();
    text.push_str(&format!("format = {STUDY_FORMAT}\n"));
    push_setup(&mut text, setup);
    text
}

/// The tables of a law, its spreads and the sites, to paste into a `study.toml` or a layout file, with lines of comment
/// at their head.
#[must_use]
pub fn calibrated_tables(law: &Law, noise: &NoiseModel, layout: &Layout, comment: &str) -> String {
    let mut text: String = comment.lines().map(|line| format!("# {line}\n")).collect();
    push_propagation(&mut text, law, noise);
    push_sites(&mut text, layout);
    text
}

/// A layout file with defaults for the tables that it leaves out.
struct WithDefaults<'a>(TomlStudy<'a>);

impl Container for WithDefaults<'_> {
    fn number(&self, table: &'static str, key: &'static str) -> Result<Option<f64>, StudyError> {
        if self.0.has(table) {
            self.0.number(table, key)
        } else {
            Ok(default_number(table, key))
        }
    }

    fn text(&self, table: &'static str, key: &'static str) -> Result<Option<String>, StudyError> {
        if self.0.has(table) {
            self.0.text(table, key)
        } else {
            Ok((table == "propagation" && key == "model").then(|| law_name(&LAW).to_owned()))
        }
    }

    fn started(&self) -> Result<Option<Datetime>, StudyError> {
        self.0.started()
    }

    fn sites(&self) -> Result<Option<Vec<Site>>, StudyError> {
        self.0.sites()
    }

    fn landmarks(&self) -> Result<Vec<(String, f64, Option<f64>)>, StudyError> {
        self.0.landmarks()
    }

    fn findings(&self) -> Result<Vec<(String, f64, Option<String>)>, StudyError> {
        self.0.findings()
    }

    fn place(&self, table: &'static str, key: &'static str) -> Place {
        self.0.place(table, key)
    }

    fn place_in(&self, list: List, index: Option<usize>, key: &'static str) -> Place {
        self.0.place_in(list, index, key)
    }

    fn title(&self, table: &'static str) -> String {
        self.0.title(table)
    }
}

fn default_number(table: &str, key: &str) -> Option<f64> {
    match (table, key) {
        ("transmitter", "frequency_mhz") => Some(FREQUENCY_MHZ),
        ("transmitter", "power_dbm") => Some(POWER_DBM),
        ("receiver", "floor_dbm") => Some(FLOOR_DBM),
        ("propagation", "shadowing_db") => Some(NoiseModel::DEEP_TISSUE_SHADOWING_DB),
        ("propagation", "noise_db") => Some(NOISE_DB),
        ("propagation", _) => {
            let numbers = law_numbers(&LAW).into_iter();
            numbers.filter(|(name, _)| *name == key).map(|(_, value)| value).next()
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    const SHORT: &str = "format = 1\n\n[torso]\nbreadth_mm = 330.0\ndepth_mm = 230.0\n";

    fn read(text: &str) -> Result<Setup, StudyError> {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("belt.toml");
        fs::write(&file, text).unwrap();
        read_layout(&file)
    }

    #[test]
    fn a_torso_alone_is_the_default_eight_with_the_default_radio() {
        let setup = read(SHORT).unwrap();
        assert_eq!(setup.layout, Layout::default_eight(&Torso::new(330.0, 230.0).unwrap()));
        assert_eq!(setup.law, LAW);
        assert_eq!(setup.transmitter.power_dbm(), -20.0);
        assert_eq!(setup.receiver.floor_dbm(), -100.0);
        assert_eq!(setup.noise.noise_db(), 2.0);
        assert_eq!(usual_setup(&setup.torso).unwrap(), setup);
    }

    #[test]
    fn what_is_written_reads_back_as_it_was() {
        let mut setup = read(SHORT).unwrap();
        let mut sites = setup.layout.sites().to_vec();
        sites.truncate(5);
        sites[2].gain_db = -1.25;
        setup.layout = Layout::new(sites).unwrap();
        let text = layout_text(&setup, "A belt of five.\nInvented.");
        assert!(text.starts_with("# A belt of five.\n# Invented.\nformat = 1\n"));
        assert_eq!(read(&text).unwrap(), setup);
    }

    #[test]
    fn the_tables_of_a_layout_file_can_stand_in_a_study() {
        let dir = tempfile::tempdir().unwrap();
        let layout = layout_text(&read(SHORT).unwrap(), "");
        let study = layout.replace(
            "format = 1\n",
            "format = 1\n\n[study]\nid = \"copied\"\nrecording = \"recording.csv\"\n",
        );
        fs::write(dir.path().join("study.toml"), study).unwrap();
        let names = "right-hypochondriac,epigastric,left-hypochondriac,right-lumbar,left-lumbar,right-iliac,\
                     hypogastric,left-iliac";
        let recording = format!("time_s,{names}\n0,-80,-80,-80,-80,-80,-80,-80,-80\n");
        fs::write(dir.path().join("recording.csv"), recording).unwrap();
        let study = read_study(dir.path()).unwrap();
        assert_eq!(study.setup, read(SHORT).unwrap());
        // And a study is a layout file, its recording there or not.
        fs::remove_file(dir.path().join("recording.csv")).unwrap();
        assert_eq!(read_layout(dir.path()).unwrap(), study.setup);
        assert_eq!(read_layout(&dir.path().join("study.toml")).unwrap(), study.setup);
    }

    #[test]
    fn faults_are_named_with_their_place() {
        let fault = |text: &str| read(text).unwrap_err().to_string();
        assert!(fault("format = 1\n").contains("[torso] is without breadth_mm"));
        let half = format!("{SHORT}\n[transmitter]\npower_dbm = -25.0\n");
        assert!(fault(&half).contains("[transmitter] is without frequency_mhz"));
        let misspelt = format!("{SHORT}\n[[sites]]\nname = \"a\"\n");
        let message = fault(&misspelt);
        assert!(
            message.contains("has no key `sites`") && message.contains("did you mean `site`"),
            "{message}"
        );
        let few = format!("{SHORT}\n[[site]]\nname = \"a\"\nposition_mm = [0.0, 0.0, 0.0]\n");
        assert!(fault(&few).contains("found 1 sites"));
        let missing = read_layout(Path::new("no-such-belt.toml")).unwrap_err();
        assert!(missing.to_string().contains("no-such-belt.toml"));
    }
}
