//! What may be typed: one place for commands, options and their help.

use std::path::PathBuf;

use clap::{Parser, Subcommand};
use clap_complete::Shell;

const EXIT_CODES: &str = "Exit codes:
  0    done
  1    a study, truth or result is faulty, or cannot be analysed
  2    the command line is wrong
  3    a file cannot be written
  130  interrupted; nothing half-written is left

Times are seconds since the recording began, positions mm (x to the patient's left, y to the back, z up, from the skin at the
umbilicus). Not a medical device: information for the reader of an examination; local protocol and clinical judgement decide.";

/// Where a swallowed capsule was, when, how sure that is, and what follows for the examination, from the signal strength at
/// antennas on the abdomen.
#[derive(Debug, Parser)]
#[command(name = "alvine", version, after_help = EXIT_CODES)]
pub struct Args {
    /// Print nothing but errors.
    #[arg(long, global = true)]
    pub quiet: bool,
    /// Threads to compute with; all cores by default.
    #[arg(long, global = true, value_name = "N")]
    pub threads: Option<usize>,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write the whole report of a study: track, summary, figures and a page to read.
    ///
    /// Writes track.csv, track.h5, summary.json, report.html and each figure as SVG and PNG into a folder: all of them, or none.
    #[command(
        after_help = "Example:\n  alvine report datasets/demo --out demo-report\n  alvine report study.h5 --out out --no-png --json"
    )]
    Report {
        /// study.toml, the folder that holds it, or an .h5 file.
        study: PathBuf,
        /// Folder for the report; made if it is missing.
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
        /// Leave out the PNG pictures.
        #[arg(long)]
        no_png: bool,
        /// Print summary.json instead of a short answer.
        #[arg(long)]
        json: bool,
        /// Find the transmit level at each instant, where the capsule's power is not known; about triples the error.
        #[arg(long)]
        level_unknown: bool,
    },
    /// Compute the track only.
    #[command(
        after_help = "Example:\n  alvine locate datasets/demo --out track.csv\n  alvine locate study.h5 --out - | head"
    )]
    Locate {
        /// study.toml, the folder that holds it, or an .h5 file.
        study: PathBuf,
        /// A .csv or .h5 file, or - for CSV on standard output.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
        /// Find the transmit level at each instant, where the capsule's power is not known.
        #[arg(long)]
        level_unknown: bool,
    },
    /// Print when each landmark was passed and how long each phase took.
    #[command(after_help = "Example:\n  alvine phases datasets/demo\n  alvine phases datasets/demo --json")]
    Phases {
        /// study.toml, the folder that holds it, or an .h5 file.
        study: PathBuf,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Turn a study into the other container, with nothing lost.
    #[command(after_help = "Example:\n  alvine convert datasets/demo demo.h5\n  alvine convert demo.h5 demo-folder")]
    Convert {
        /// study.toml, the folder that holds it, or an .h5 file.
        study: PathBuf,
        /// A path that ends in .h5, or a folder for study.toml and recording.csv.
        to: PathBuf,
        /// Overwrite what is there.
        #[arg(long)]
        force: bool,
    },
    /// Validate a study and print how well it was recorded.
    #[command(after_help = "Example:\n  alvine check datasets/demo\n  alvine check datasets/demo --json")]
    Check {
        /// study.toml, the folder that holds it, or an .h5 file.
        study: PathBuf,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Make a study with known truth from a digital gut and body.
    #[command(
        after_help = "Example:\n  alvine simulate --seed 7 --out phantom-7\n  alvine simulate --seed 7 --scenario gastric-retention --hours 4 --out retained"
    )]
    Simulate {
        /// Seed of all chance: the same seed gives the same bytes.
        #[arg(long)]
        seed: u64,
        /// Folder for study.toml, recording.csv, truth.json and truth.csv.
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
        /// default, gastric-retention, battery-ends-in-small-bowel, expulsion-recorded or started-late.
        #[arg(long, default_value = "default")]
        scenario: String,
        /// Length of the recording, h.
        #[arg(long, value_name = "H")]
        hours: Option<f64>,
        /// Instants a second, Hz.
        #[arg(long, value_name = "R")]
        rate_hz: Option<f64>,
        /// Static shadowing, dB.
        #[arg(long, value_name = "S")]
        shadowing_db: Option<f64>,
        /// Write study.h5 instead of study.toml and recording.csv.
        #[arg(long)]
        hdf5: bool,
    },
    /// Measure a report against the truth of a simulated study.
    #[command(
        after_help = "Example:\n  alvine score demo-report datasets/demo\n  alvine score out phantom-7/truth.json --json"
    )]
    Score {
        /// A report's folder.
        results: PathBuf,
        /// truth.json, or the folder that holds it.
        truth: PathBuf,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Print shell completions.
    #[command(after_help = "Example:\n  alvine completions bash > alvine.bash")]
    Completions {
        /// bash, zsh, fish, elvish or powershell.
        shell: Shell,
    },
}
