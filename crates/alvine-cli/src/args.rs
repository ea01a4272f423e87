//! What may be typed: one place for commands, options and their help.

use std::path::PathBuf;
use std::sync::LazyLock;

use alvine_audit::Shard;
use alvine_phantom::{RadioProfile, Scenario};
use clap::builder::PossibleValuesParser;
use clap::{ColorChoice, Parser, Subcommand};
use clap_complete::Shell;

use crate::commands::layout::args::{LayoutCommand, Outputs};

/// The scenarios by name.
static SCENARIO_HELP: LazyLock<String> = LazyLock::new(|| {
    format!(
        "What happens: a scenario file, or one of {}, demo. The last is as `default`, on the one body of the demo study",
        Scenario::NAMES.join(", ")
    )
});
/// More threads than any machine has use for.
const MOST_THREADS: i64 = 1024;

/// What `alvine --help` says at its end. [`crate::outcome::Outcome`] has the same codes.
const MANNERS: &str = "\
Exit codes:
    0  done
    1  a study, a truth, a result or a protocol is faulty, or cannot be analysed; a day cannot be as planned
    2  the command line makes no sense
    3  something could not be read or written; what was there before is as it was
  130  interrupted by Ctrl-C or a signal to end; nothing half-written is left

STUDY is a study.toml, the folder that holds it and its recording, or one HDF5 file (.h5). Times in files are \
seconds since the recording began; places are millimetres from the skin at the navel: x to the patient's left, \
y to the back, z to the head.

Not a medical device. It informs whoever reads the examination; local protocol and clinical judgement decide.

Examples:
  alvine report datasets/demo --out demo-report
  alvine phases datasets/demo";

/// Where a swallowed capsule was, when, how sure that is, and what follows for the examination.
///
/// alvine reads a study: how strongly each antenna on the abdomen heard the capsule, from instant to instant. From that
/// it computes where the capsule was (mm), when it passed each landmark of the gut (s), and how sure that is.
#[derive(Debug, Parser)]
#[command(name = "alvine", version, color = ColorChoice::Never, max_term_width = 100, after_long_help = MANNERS)]
pub struct Args {
    /// Print nothing but errors, and what --json or `--out -` asks for.
    #[arg(long, global = true)]
    pub quiet: bool,
    /// Threads to compute with; as many as the machine has cores unless given. Results do not depend on it.
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=MOST_THREADS))]
    pub threads: Option<u16>,
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The study, and how to analyse it.
#[derive(Debug, clap::Args)]
pub struct StudyArgs {
    /// A study.toml, the folder that holds it, or an HDF5 file (.h5).
    pub study: PathBuf,
    /// Find the level that the capsule sends at along with the path, for a capsule whose power is not known; places become
    /// less certain.
    #[arg(long)]
    pub level_unknown: bool,
    /// Let the track follow from the signal alone, and not be drawn towards where the parts of the gut usually lie. It is
    /// not refined in a field of shadowing then either, as that takes the usual places.
    #[arg(long)]
    pub no_usual_places: bool,
    /// What is expected of the passage: `fasting`, `fed` where the capsule was swallowed with a meal, or a prior's file.
    #[arg(long, value_name = "fasting|fed|FILE.toml", default_value = "fasting")]
    pub prior: String,
}

/// What to simulate.
#[derive(Debug, clap::Args)]
pub struct SimulateArgs {
    /// Seed of all chance, a whole number; of a cohort, the first. Unless given, the scenario file's, or 1.
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    /// Folder for the study and its truth, or for a cohort's studies; made where it is missing.
    #[arg(long, value_name = "DIR", required_unless_present = "print_scenario")]
    pub out: Option<PathBuf>,
    #[arg(long, value_name = "NAME|FILE.toml", default_value = "default", help = SCENARIO_HELP.as_str())]
    pub scenario: String,
    /// How the air is: `usual` as the scenario has it, `matched` where everything obeys the model that the study is told,
    /// `realistic` with all that a body and a belt may do besides.
    #[arg(long, value_name = "NAME", value_parser = PossibleValuesParser::new(RadioProfile::ALL.map(RadioProfile::as_str)))]
    pub radio: Option<String>,
    /// Length of the recording, h.
    #[arg(long, value_name = "H", allow_negative_numbers = true)]
    pub hours: Option<f64>,
    /// Instants a second, Hz.
    #[arg(long, value_name = "R", allow_negative_numbers = true)]
    pub rate_hz: Option<f64>,
    /// Standard deviation of the static shadowing, dB.
    #[arg(long, value_name = "S", allow_negative_numbers = true)]
    pub shadowing_db: Option<f64>,
    /// Write study.h5 instead of study.toml and recording.csv.
    #[arg(long)]
    pub hdf5: bool,
    /// Replace a study or a truth that is there already.
    #[arg(long)]
    pub force: bool,
    /// Print the scenario as a documented file with every parameter, and simulate nothing.
    #[arg(long, conflicts_with_all = ["out", "cohort"])]
    pub print_scenario: bool,
    /// Make many studies of this scenario, by seeds that follow each other.
    #[arg(long, value_name = "NAME|FILE.toml", conflicts_with = "scenario", requires = "count")]
    pub cohort: Option<String>,
    /// How many studies the cohort has.
    #[arg(long, value_name = "N", requires = "cohort", value_parser = clap::value_parser!(u32).range(1..))]
    pub count: Option<u32>,
    /// Record instead a minute before the swallow, in which the capsule is held near each site in turn, in air; on the demo's
    /// body and with its default eight sites.
    #[arg(long, conflicts_with_all = ["scenario", "radio", "hours", "rate_hz", "shadowing_db", "print_scenario", "cohort"])]
    pub before_swallow: bool,
    /// Give two antennas each other's label.
    #[arg(
        long,
        value_name = "SITE,SITE",
        value_delimiter = ',',
        num_args = 1,
        requires = "before_swallow"
    )]
    pub swap: Vec<String>,
    /// Make an antenna 15 dB weaker.
    #[arg(long, value_name = "SITE", requires = "before_swallow")]
    pub weak: Option<String>,
    /// Let nothing come from an antenna.
    #[arg(long, value_name = "SITE", requires = "before_swallow")]
    pub dead: Option<String>,
    /// How many studies to make at once; as many as there are threads unless given.
    #[arg(long, value_name = "J", requires = "cohort", value_parser = clap::value_parser!(u16).range(1..=MOST_THREADS))]
    pub jobs: Option<u16>,
}

/// What to calibrate.
#[derive(Debug, clap::Args)]
pub struct CalibrateArgs {
    /// Readings at known places (.csv): x_mm,y_mm,z_mm, then one column a site in dBm; a walk-through has time_s before them.
    pub survey: PathBuf,
    /// Where the sites are: a layout file (.toml), a study, or a list of sites (.csv) with the columns site,x_mm,y_mm,z_mm.
    #[arg(long, value_name = "STUDY|LAYOUT.toml|SITES.csv")]
    pub layout: PathBuf,
    /// The distance at which losses are stated, mm.
    #[arg(long, value_name = "MM", default_value_t = 50.0, allow_negative_numbers = true)]
    pub reference_mm: f64,
    /// Give all sites one level, with the gains that the layout states, rather than one each.
    #[arg(long)]
    pub common_level: bool,
    /// Power that was sent, dBm; the layout's own unless given.
    #[arg(long, value_name = "DBM", allow_negative_numbers = true)]
    pub power_dbm: Option<f64>,
    /// Carrier, MHz; the layout's own unless given.
    #[arg(long, value_name = "MHZ", allow_negative_numbers = true)]
    pub frequency_mhz: Option<f64>,
    /// The level at or below which the receiver heard nothing usable, dBm; the layout's own unless given.
    #[arg(long, value_name = "DBM", allow_negative_numbers = true)]
    pub floor_dbm: Option<f64>,
    #[command(flatten)]
    pub to: Outputs,
}

/// What day to plan.
#[derive(Debug, clap::Args)]
pub struct DayplanArgs {
    /// When the capsule is to be swallowed: 2026-03-02T08:15, by the clock on the wall in the zone. Where the clock shows that
    /// time twice, with its offset from UTC behind it, as in 2026-10-25T02:30+01:00.
    #[arg(long, value_name = "DATE-TIME", required_unless_present = "print_protocol")]
    pub swallow: Option<String>,
    /// The time zone by its IANA name, such as Europe/Vienna; or in brackets behind the swallow,
    /// 2026-03-02T08:15[Europe/Vienna].
    #[arg(long, value_name = "ZONE")]
    pub zone: Option<String>,
    /// The local protocol; unless given, common practice, to be checked against it.
    #[arg(long, value_name = "FILE.toml")]
    pub protocol: Option<PathBuf>,
    /// How the antennas are held: stuck to the skin, or in a belt.
    #[arg(long, value_name = "KIND", value_parser = PossibleValuesParser::new(["adhesive", "belt"]), default_value = "adhesive")]
    pub sites: String,
    /// Rated life of the capsule's battery, h; unless given, the protocol's.
    #[arg(long, value_name = "H", allow_negative_numbers = true)]
    pub battery_h: Option<f64>,
    /// When the equipment is needed again; a plan after which it is not clean and dry by then is refused.
    #[arg(long, value_name = "DATE-TIME")]
    pub next_use: Option<String>,
    /// A pseudonym for the plan, which keeps several plans in one calendar apart. A later plan of the same pseudonym replaces the
    /// earlier one in a calendar.
    #[arg(long, value_name = "ID", default_value = "plan")]
    pub id: String,
    /// Plan as if it were this time, rather than by the machine's clock; `any` to plan for a time long past too.
    #[arg(long, value_name = "DATE-TIME|any")]
    pub now: Option<String>,
    /// Folder for dayplan.txt, dayplan.html, dayplan.json, and the calendars dayplan.ics and dayplan-unit.ics; made where it is
    /// missing.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print JSON instead of text.
    #[arg(long)]
    pub json: bool,
    /// Print the usual protocol as a documented file, and plan nothing.
    #[arg(long, conflicts_with_all = ["swallow", "zone", "protocol", "out", "json"])]
    pub print_protocol: bool,
}

/// From what to learn a prior.
#[derive(Debug, clap::Args)]
pub struct FitPriorsArgs {
    /// Studies (study.toml, its folder, or .h5) or folders in which, at any depth, studies lie; each with a reader's landmarks.
    #[arg(required = true, value_name = "DIR|STUDY")]
    pub studies: Vec<PathBuf>,
    /// The file for the prior; every command that tells phases takes it by --prior.
    #[arg(long, value_name = "FILE.toml")]
    pub out: PathBuf,
    /// Its name, which results carry; unless given, the file's without .toml.
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
    /// What to keep where too few studies show a part to its end: fasting, fed, or a prior's file.
    #[arg(long, value_name = "fasting|fed|FILE.toml", default_value = "fasting")]
    pub prior: String,
    /// Replace a file that is there already.
    #[arg(long)]
    pub force: bool,
}

/// What to watch.
#[derive(Debug, clap::Args)]
pub struct WatchArgs {
    /// A study.toml, or the folder that holds it; its recording may still be empty or missing.
    pub study: PathBuf,
    /// Where rows come from: a file that grows, `-` for standard input, or tcp:ADDRESS:PORT to listen there. Unless given, the
    /// recording that the study names. Rows from elsewhere are also written into that recording.
    #[arg(long, value_name = "FILE|-|tcp:ADDRESS:PORT")]
    pub from: Option<String>,
    /// Write events as lines of JSON into a file, or on standard output by `-` (then nothing else is written there). A file of an
    /// earlier run is continued.
    #[arg(long, value_name = "FILE|-")]
    pub events: Option<PathBuf>,
    /// The day plan, dayplan.json as `alvine dayplan --out` writes it, for what is due next.
    #[arg(long, value_name = "FILE.json")]
    pub plan: Option<PathBuf>,
    /// What is expected of the passage: `fasting`, `fed` where the capsule was swallowed with a meal, or a prior's file.
    #[arg(long, value_name = "fasting|fed|FILE.toml", default_value = "fasting")]
    pub prior: String,
    /// Read a file to its present end and stop, rather than wait for more.
    #[arg(long)]
    pub once: bool,
    /// Stop as soon as the examination has ended.
    #[arg(long)]
    pub until_end: bool,
    /// Minutes without any row after which the examination is told as ended, by the machine's clock.
    #[arg(long, value_name = "MIN", default_value_t = 20, value_parser = clap::value_parser!(u16).range(1..=1440))]
    pub idle_min: u16,
    /// Listen also where other machines can connect. Rows are neither encrypted nor is their sender known.
    #[arg(long)]
    pub allow_remote: bool,
}

/// What to compare.
#[derive(Debug, clap::Args)]
pub struct CompareArgs {
    /// Two or more, each a study (study.toml, its folder, or .h5) or the folder of a report; all are set beside the first.
    #[arg(required = true, num_args = 2.., value_name = "STUDY|REPORT")]
    pub what: Vec<PathBuf>,
    /// As in `report`, for those that are studies: find the level that the capsules send at along with the path.
    #[arg(long)]
    pub level_unknown: bool,
    /// As in `report`, for those that are studies: let the track follow from the signal alone, and unrefined.
    #[arg(long)]
    pub no_usual_places: bool,
    /// As in `report`, what is expected of the passage: fasting, fed or a prior's file.
    #[arg(long, value_name = "fasting|fed|FILE.toml", default_value = "fasting")]
    pub prior: String,
    /// Folder for a page (compare.html) and its numbers (compare.json); made where it is missing.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

/// What to audit.
#[derive(Debug, clap::Args)]
pub struct AuditArgs {
    /// Folder in which, at any depth, studies lie.
    #[arg(required_unless_present_any = ["from", "print_measures"])]
    pub studies: Option<PathBuf>,
    /// Folder for tables and page; made where it is missing. An earlier audit in it is gone on with.
    #[arg(long, value_name = "DIR", required_unless_present_any = ["from", "print_measures"])]
    pub out: Option<PathBuf>,
    /// Analyse nothing, and make the page anew from the tables in this folder, all parts together.
    #[arg(long, value_name = "DIR", conflicts_with_all = ["studies", "out", "shard", "jobs", "force"])]
    pub from: Option<PathBuf>,
    /// Take only part I of N of the studies, for N processes that share one folder; the page is made afterwards with --from.
    #[arg(long, value_name = "I/N")]
    pub shard: Option<Shard>,
    /// How many studies to analyse at once; as many as there are threads unless given. Memory grows with it.
    #[arg(long, value_name = "J", value_parser = clap::value_parser!(u16).range(1..=MOST_THREADS))]
    pub jobs: Option<u16>,
    /// Your own performance measures, in place of those that --print-measures prints.
    #[arg(long, value_name = "FILE.toml")]
    pub measures: Option<PathBuf>,
    /// Print the performance measures as a documented file, and audit nothing.
    #[arg(long, conflicts_with_all = ["studies", "out", "from"])]
    pub print_measures: bool,
    /// End with code 1 when a study could not be analysed; all others are done all the same.
    #[arg(long)]
    pub strict: bool,
    /// Analyse all studies anew, and replace an earlier audit that was divided otherwise.
    #[arg(long)]
    pub force: bool,
    /// As in `report`: find the level that the capsules send at along with the path.
    #[arg(long)]
    pub level_unknown: bool,
    /// As in `report`: let the track follow from the signal alone, and unrefined.
    #[arg(long)]
    pub no_usual_places: bool,
    /// As in `report`, what is expected of the passage: fasting, fed or a prior's file.
    #[arg(long, value_name = "fasting|fed|FILE.toml", default_value = "fasting")]
    pub prior: String,
    /// Print audit.json instead of the short answer.
    #[arg(long, conflicts_with = "shard")]
    pub json: bool,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write the whole report of a study: track, answers, figures, and a page to read.
    ///
    /// Writes into a folder: report.html to read from top to bottom, summary.json with every answer for programs,
    /// track.csv and track.h5 with the place at each instant (mm, with covariance in mm²), and each figure as SVG and PNG.
    /// All files take their places together, at the end; until then an earlier report in the folder stays as it is. On
    /// standard output comes a short answer: is the examination complete, and when was each landmark passed. Use this
    /// when a recording is finished and someone is to read it.
    #[command(after_long_help = "\
Examples:
  alvine report datasets/demo --out demo-report
  alvine report study.h5 --out report --no-png --json")]
    Report {
        #[command(flatten)]
        of: StudyArgs,
        /// Folder for the report; made where it is missing.
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
        /// Leave out the PNG pictures, which take longest.
        #[arg(long)]
        no_png: bool,
        /// Print summary.json instead of the short answer.
        #[arg(long)]
        json: bool,
    },
    /// Compute where the capsule was, and nothing else.
    ///
    /// Writes the track only: for each instant inside the body the place in mm, its covariance in mm², how many sites made
    /// it, and flags for what was unusual. Use this when a program of your own goes on from there.
    #[command(after_long_help = "\
Examples:
  alvine locate datasets/demo --out track.csv
  alvine locate study.h5 --out - | head")]
    Locate {
        #[command(flatten)]
        of: StudyArgs,
        /// A file whose name ends in .csv or .h5, or - for CSV on standard output.
        #[arg(long, value_name = "FILE")]
        out: PathBuf,
    },
    /// Print when each landmark was passed and how long each phase took.
    ///
    /// Prints the landmarks with their times and 90 % intervals, the phases with their durations, and the transit times
    /// beside published ones. Times count from the swallow where that is known; the time of day stands beside them where
    /// the study says when the recording began. Writes no file. Use this for a quick answer.
    #[command(after_long_help = "\
Examples:
  alvine phases datasets/demo
  alvine phases study.h5 --json")]
    Phases {
        #[command(flatten)]
        of: StudyArgs,
        /// Print JSON: the members of summary.json that this is about.
        #[arg(long)]
        json: bool,
    },
    /// Turn a study into the other container with nothing lost, or its recording into EDF+ and back.
    ///
    /// Writes the study as one HDF5 file, or as study.toml with recording.csv in a folder. Numbers, notes and columns
    /// that alvine does not use all come along. A name that ends in .edf makes a recording in EDF+ (the European Data
    /// Format), with levels to 0.01 dB and what a reader marked as annotations; it has no place for sites' places,
    /// transmitter and torso, which --setup gives on the way back. Use this to hand a study to a program that reads
    /// something else, or on to someone else: a study with a field that looks like a name, a date of birth or a record
    /// number is refused, and its date can be moved or left out.
    #[command(after_long_help = "\
Examples:
  alvine convert datasets/demo demo.h5
  alvine convert demo.h5 demo-folder
  alvine convert datasets/demo demo.edf
  alvine convert demo.edf from-edf --setup datasets/demo
  alvine convert study.h5 to-share.h5 --shift-days -137")]
    Convert {
        /// A study.toml, the folder that holds it, an HDF5 file (.h5), or a recording in EDF+ (.edf).
        study: PathBuf,
        /// A file whose name ends in .h5 or .edf, or a folder.
        to: PathBuf,
        /// A study or a layout file, for a recording in EDF+: its sites, transmitter, receiver, law and torso.
        #[arg(long, value_name = "STUDY|LAYOUT.toml")]
        setup: Option<PathBuf>,
        /// Replace another study that is there already; never the one that is read.
        #[arg(long)]
        force: bool,
        /// Move the date on which the recording began by so many days, back where it is below 0; the time of day stays. Keep the
        /// number to yourself.
        #[arg(long, value_name = "N", allow_negative_numbers = true, value_parser = clap::value_parser!(i32).range(-40_000..=40_000))]
        shift_days: Option<i32>,
        /// Leave out when the recording began.
        #[arg(long, conflicts_with = "shift_days")]
        no_date: bool,
        /// Convert also what looks like personal data.
        #[arg(long)]
        allow_personal_data: bool,
    },
    /// Write the answers as FHIR and the path as glTF, for programs that know nothing of alvine.
    ///
    /// Analyses a study and writes its answers as a FHIR R4 bundle (a DiagnosticReport with Observations in UCUM units, all
    /// of them preliminary and of no named patient), or its path with sites and torso as a glTF 2.0 scene, which any 3-D
    /// viewer opens. Use this to hand the answers to another system.
    #[command(after_long_help = "\
Examples:
  alvine export datasets/demo --fhir demo.json --gltf demo.glb")]
    Export {
        #[command(flatten)]
        of: StudyArgs,
        /// File for the bundle; its name ends in .json.
        #[arg(long, value_name = "FILE.json", required_unless_present = "gltf")]
        fhir: Option<PathBuf>,
        /// File for the scene; its name ends in .glb.
        #[arg(long, value_name = "FILE.glb")]
        gltf: Option<PathBuf>,
        /// Replace files that are there already.
        #[arg(long)]
        force: bool,
        /// Let pass fields that look like personal data.
        #[arg(long)]
        allow_personal_data: bool,
    },
    /// Validate a study and print how well it was recorded.
    ///
    /// Reads a study as strictly as every other command does, and prints for each site the share of instants at which it
    /// heard the capsule, lay below the floor, had no packet or was saturated; then antennas that seem to have worked
    /// loose, spans in which no site heard anything, and leaps of the clock. Ends as faulty where a field looks like a name, a date
    /// of birth or a record number. Writes no file. Use this as soon as a recording comes off the belt.
    ///
    /// With --before-swallow the study is a minute or so in which the capsule was held about 5 cm in front of each antenna in
    /// turn. Then it says go, look again, or stop, with what to do: an antenna that is dead, weak, restless or always hears the
    /// same; two that are swapped or more that are mislabelled, with the probability; a site without its mirror image; a battery
    /// that is low, where a column aux_battery_percent was logged. Dead: heard at less than 5 % of the instants. Weak: 10 dB
    /// less than the others would hear in its place. Restless: it varies from instant to instant by 5 dB, and three times as
    /// much as the others. Low: below 80 %. Always the same: a span of less than 5 dB. These are common practice without a
    /// source, and not tried on people. Ends with code 1 when the answer is to stop.
    #[command(after_long_help = "\
Examples:
  alvine check datasets/demo
  alvine check study.h5 --quiet && echo sound
  alvine simulate --before-swallow --swap epigastric,left-lumbar --out held
  alvine check held --before-swallow
  alvine check held --before-swallow --turn epigastric=0..9 --turn left-iliac=10..19 --turn hypogastric=20..29")]
    Check {
        #[command(flatten)]
        of: StudyArgs,
        /// Check antennas and labels from a capsule that was held near each site in turn.
        #[arg(long, conflicts_with_all = ["level_unknown", "no_usual_places"])]
        before_swallow: bool,
        /// In which order it was held near the sites; in the layout's unless given.
        #[arg(long, value_name = "SITE,SITE,…", value_delimiter = ',', requires = "before_swallow")]
        order: Vec<String>,
        /// From when to when it was held near a site, s; once a site. Found in the recording unless given.
        #[arg(
            long,
            value_name = "SITE=FROM..TO",
            requires = "before_swallow",
            conflicts_with = "order"
        )]
        turn: Vec<String>,
        /// Print JSON: the members of summary.json that this is about, or the answer of the check before the swallow.
        #[arg(long)]
        json: bool,
    },
    /// Make a study with known truth from a digital gut and body.
    ///
    /// Invents a body, a gut and a passage from the seed, and records it as the antennas would: study.toml with
    /// recording.csv (or study.h5), and the truth beside it in truth.json and truth.csv. The same options give the same
    /// bytes. With --cohort it makes many, in parallel, each in a folder of its own that is there whole or not at all; the
    /// same command again makes only what is missing. Use this to try alvine out, or to measure with `alvine score` how
    /// far it errs.
    #[command(after_long_help = "\
Examples:
  alvine simulate --seed 7 --out phantom-7
  alvine simulate --seed 7 --scenario gastric-retention --hours 4 --rate-hz 4 --out retained
  alvine simulate --print-scenario --radio realistic > mine.toml
  alvine simulate --scenario mine.toml --out mine
  alvine simulate --cohort mine.toml --count 200 --out cohort")]
    Simulate(Box<SimulateArgs>),
    /// Measure a report, or a track alone, against the truth of its study.
    ///
    /// Prints how far the track lies from the true path (mm: in space, in each plane, by phase), whether its covariance
    /// is honest (the share of instants inside its ellipsoids, and the normalised error beside what chi-squared allows for
    /// so many independent instants), how far each landmark's time is off and whether its interval holds the true one, and
    /// which loosened antennas were found. Use this on simulated studies, or on a bench test with surveyed places.
    #[command(after_long_help = "\
Examples:
  alvine score demo-report datasets/demo
  alvine score report phantom-7/truth.json --json
  alvine score track.csv phantom-7")]
    Score {
        /// Folder of a report, with track.csv and summary.json; or a track.csv alone, as `alvine locate` writes it.
        results: PathBuf,
        /// A truth.json with truth.csv beside it, or the folder that holds both.
        truth: PathBuf,
        /// Print JSON.
        #[arg(long)]
        json: bool,
    },
    /// Set studies or reports side by side, with their differences and what these are worth.
    ///
    /// Prints for each duration the values, their difference and its 90 % interval; of one recording analysed in two ways also
    /// how far the paths lie apart (mm). Lower bounds stay bounds. With --out it writes a page with a figure of the differences
    /// too; otherwise no file. Use this for one person before and after a treatment, or for two methods on one recording.
    #[command(after_long_help = "\
Examples:
  alvine compare before after
  alvine compare before after --out compared
  alvine report demo --no-usual-places --out signal-alone
  alvine compare demo signal-alone --json")]
    Compare(CompareArgs),
    /// Audit a service: analyse every study of a folder, and say what they show together.
    ///
    /// Writes a row a study and a row a site as two tables in Parquet (OUT/studies, OUT/sites), which any query engine reads,
    /// and from them a page to read (audit.html) and its numbers (audit.json): how many examinations were complete beside
    /// performance measures, how long each part of the gut took, which antennas failed, how the quality of recordings changed,
    /// and which studies need a second look. A study that cannot be analysed is listed, and stops no other. The same command
    /// again analyses only what is new or has changed, also after a kill. Use this once a quarter, or in parts on a cluster.
    #[command(after_long_help = "\
A cluster's own scheduler can run parts, each a process of its own with the same folders:
  alvine audit studies --out audit --shard 1/4      (and 2/4, 3/4, 4/4, anywhere, in any order)
  alvine audit --from audit                         (when all are done: the page)

Examples:
  alvine simulate --cohort default --count 20 --out cohort
  alvine audit cohort --out audit
  alvine audit --from audit --measures ours.toml")]
    Audit(Box<AuditArgs>),
    /// Judge, compare and design layouts of antennas before a belt is built, and budget the link.
    ///
    /// The antenna bench. No recording is needed: from a torso, sites, a law of loss and its spread follow how well any
    /// method could tell where the capsule is, from the Cramér–Rao bound; which places are not heard or taken for others;
    /// where better sites would be; and how deep a capsule is heard. A layout file is a study.toml of which all but [torso]
    /// may be left out; a study is one as it stands.
    #[command(after_long_help = "\
Examples:
  alvine layout evaluate
  alvine layout compare default datasets/layouts/two-rows.toml
  alvine layout design --sites 8 --out eight
  alvine layout link-budget")]
    Layout {
        /// Which part of the bench.
        #[command(subcommand)]
        command: LayoutCommand,
    },
    /// Fit the laws of propagation to readings at known places, and say which to take.
    ///
    /// From a survey of a phantom tank, a water bath or a walk-through: each law that a study can name with its parameters and their
    /// 95 % intervals, spread split into static shadowing and noise, criteria that set the laws beside each other, and whether a law
    /// is adequate. Readings below the floor count by their probability, and intervals take in that neighbouring places share their
    /// shadowing. Prints the tables that a study.toml needs, ready to paste. With --out also propagation.toml, calibration.json,
    /// residuals.csv and a figure of level against distance. Use this before a law measured elsewhere is trusted.
    #[command(after_long_help = "\
Rows at one place are repeats: two of each tell noise from shadowing. A level at or below the floor is one that was not heard; an \
empty cell means that no packet came.

Examples:
  alvine calibrate datasets/tank/survey.csv --layout datasets/tank/layout.toml
  alvine calibrate datasets/tank/survey.csv --layout datasets/tank/layout.toml --out tank
  alvine calibrate survey.csv --layout sites.csv --reference-mm 1000 --floor-dbm -95 --json")]
    Calibrate(Box<CalibrateArgs>),
    /// Plan the day of an examination: what is due when, before, during and after the swallow.
    ///
    /// From the planned swallow and a protocol follow the last meal, the fast, the last time for medicines, arrival, swallow,
    /// drinks and a snack again, the looks at the recorder, the latest end by the battery, the return of the equipment and its
    /// cleaning. Fasts and batteries are counted in hours that pass, also over a change of the clocks; "midday the day before" is
    /// what the clock on the wall shows. A day that cannot be is refused, with the reason. With --out it is written as text, as a
    /// page for the patient to print, and as calendars with reminders (iCalendar). Medicines, diabetes, trouble with swallowing,
    /// implants, pregnancy and known strictures are for the clinician, and every plan says so. Use this when the appointment is made.
    #[command(after_long_help = "\
Examples:
  alvine dayplan --swallow 2027-03-01T08:15 --zone Europe/Vienna
  alvine dayplan --swallow 2027-03-01T08:15 --zone Europe/Vienna --sites belt --id p-117 --out plan
  alvine dayplan --print-protocol > ours.toml")]
    Dayplan(Box<DayplanArgs>),
    /// Learn a prior from studies in which a reader gave the landmarks.
    ///
    /// Writes how long stomach, small bowel and colon took in them, by maximum likelihood, studies that did not show a part's end
    /// counted as lasting at least so long; with sample sizes and 90 % intervals. A part that fewer than five studies show to its
    /// end keeps what --prior says, and so do usual places, rhythms and chances. Use this for a service whose patients differ from
    /// those of the literature. Learn from fasting and fed patients apart.
    #[command(after_long_help = "\
Examples:
  alvine fit-priors 2027/studies --out ours.toml
  alvine report study.h5 --prior ours.toml --out report")]
    FitPriors(FitPriorsArgs),
    /// Watch an examination while it is being recorded.
    ///
    /// Takes rows as they come and shows where the capsule is likely to be, the probability that it has left the stomach, antennas
    /// that weaken, drop-outs, what is due next by the day plan, and the end of the examination, within 25 minutes of it. Rows from
    /// standard input or a socket are written into the study's recording before anything is told of them, so that after a kill
    /// the same command goes on where it was, and the folder is a whole study in the end. A socket is bound to this machine alone
    /// unless --allow-remote says otherwise; each connection is greeted with a line `last T`, T being the time of the last row
    /// that is there or `none`, and then sends a header and rows as in recording.csv; rows that are there already are passed over.
    /// Use this while the patient wears the recorder.
    #[command(after_long_help = "\
Examples:
  alvine watch study --events events.jsonl
  alvine watch study --from tcp:127.0.0.1:7700 --plan plan/dayplan.json
  receiver | alvine watch study --from - --until-end
  alvine watch datasets/demo --once --events -")]
    Watch(Box<WatchArgs>),
    /// Print completions for a shell.
    ///
    /// Prints a script that lets a shell complete the commands and options of alvine when Tab is pressed. Use this once,
    /// after installing, and put the script where your shell looks for completions.
    #[command(after_long_help = "\
Examples:
  alvine completions bash > ~/.local/share/bash-completion/completions/alvine
  alvine completions fish > ~/.config/fish/completions/alvine.fish")]
    Completions {
        /// Which shell.
        shell: Shell,
    },
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    #[test]
    fn the_arguments_hold_together() {
        Args::command().debug_assert();
    }
}
