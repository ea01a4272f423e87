//! What may be typed after `alvine layout`.

use std::path::PathBuf;

use alvine::siting::Criterion;
use clap::builder::PossibleValuesParser;
use clap::{Subcommand, ValueEnum};

/// Which layout, on which torso.
#[derive(Debug, clap::Args)]
pub struct WhichLayout {
    /// A layout file (.toml), a study, or `default` for the default eight on 330 mm × 230 mm.
    #[arg(default_value = super::DEFAULT)]
    pub layout: PathBuf,
    /// Breadth of the torso that wears it, mm; the layout's own unless given.
    #[arg(long, value_name = "MM", allow_negative_numbers = true)]
    pub breadth_mm: Option<f64>,
    /// Depth of the torso that wears it, mm; the layout's own unless given.
    #[arg(long, value_name = "MM", allow_negative_numbers = true)]
    pub depth_mm: Option<f64>,
}

/// Where results go.
#[derive(Debug, clap::Args)]
pub struct Outputs {
    /// Folder for files and figures; made where it is missing. Without it only the summary is printed.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Leave out the PNG pictures.
    #[arg(long, requires = "out")]
    pub no_png: bool,
    /// Print JSON instead of the summary.
    #[arg(long)]
    pub json: bool,
}

/// How the table of a comparison is printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum TableForm {
    /// Aligned columns.
    Text,
    /// A Markdown table, to paste into a design review.
    Markdown,
    /// Comma-separated values.
    Csv,
}

/// Where sites may be placed.
#[derive(Debug, clap::Args)]
pub struct Limits {
    /// Lowest height of a site, mm above the navel.
    #[arg(long, value_name = "MM", default_value_t = -90.0, allow_negative_numbers = true)]
    pub lowest_mm: f64,
    /// Greatest height of a site, mm above the navel.
    #[arg(long, value_name = "MM", default_value_t = 115.0, allow_negative_numbers = true)]
    pub highest_mm: f64,
    /// How far round from the front midline a site may sit, degrees: 90 is the flank, 180 the spine.
    #[arg(long, value_name = "DEG", default_value_t = 90.0, allow_negative_numbers = true)]
    pub widest_deg: f64,
    /// Least distance between two sites, mm.
    #[arg(long, value_name = "MM", default_value_t = 50.0, allow_negative_numbers = true)]
    pub apart_mm: f64,
    /// A ball in which no site may sit: its centre and radius in mm. May be given more than once.
    #[arg(long, value_name = "X,Y,Z,RADIUS", value_parser = numbers::<4>, allow_hyphen_values = true)]
    pub keep_out: Vec<[f64; 4]>,
}

/// What a receiver and its link are made of.
#[derive(Debug, clap::Args)]
pub struct Link {
    /// Power that the capsule sends, dBm; the layout's own unless given.
    #[arg(long, value_name = "DBM", allow_negative_numbers = true)]
    pub power_dbm: Option<f64>,
    /// Carrier, MHz; the layout's own unless given.
    #[arg(long, value_name = "MHZ", allow_negative_numbers = true)]
    pub frequency_mhz: Option<f64>,
    /// Gain of antenna and cable beyond what the law of loss has in it, dB.
    #[arg(long, value_name = "DB", default_value_t = 0.0, allow_negative_numbers = true)]
    pub gain_db: f64,
    /// Bandwidth of the receiver, kHz.
    #[arg(long, value_name = "KHZ", default_value_t = 300.0, allow_negative_numbers = true)]
    pub bandwidth_khz: f64,
    /// Noise figure of the receiver, dB.
    #[arg(long, value_name = "DB", default_value_t = 8.0, allow_negative_numbers = true)]
    pub noise_figure_db: f64,
    /// Signal over noise that a packet needs, dB.
    #[arg(long, value_name = "DB", default_value_t = 10.0, allow_negative_numbers = true)]
    pub snr_db: f64,
    /// The level below which the receiver reports nothing, dBm; the layout's own unless given.
    #[arg(long, value_name = "DBM", allow_negative_numbers = true)]
    pub floor_dbm: Option<f64>,
    /// Spread of the static shadowing, dB; the layout's own unless given.
    #[arg(long, value_name = "DB", allow_negative_numbers = true)]
    pub shadowing_db: Option<f64>,
    /// Loss at the reference distance of a log-distance law, dB, in place of the layout's law.
    #[arg(long, value_name = "DB", requires = "exponent", allow_negative_numbers = true)]
    pub loss_db: Option<f64>,
    /// Exponent of a log-distance law, in place of the layout's law.
    #[arg(long, value_name = "N", requires = "loss_db", allow_negative_numbers = true)]
    pub exponent: Option<f64>,
    /// Reference distance of that law, mm.
    #[arg(long, value_name = "MM", default_value_t = 50.0, allow_negative_numbers = true)]
    pub reference_mm: f64,
}

/// The commands of the antenna bench.
#[derive(Debug, Subcommand)]
pub enum LayoutCommand {
    /// Compute how well a layout can tell where the capsule is, at every place of the abdomen.
    ///
    /// Prints the least root-mean-square error of one fix (the Cramér–Rao bound, mm) by organ, how many sites hear the
    /// capsule, the geometric dilution, and what places can be taken for each other. With --out also map.h5 and map.csv with
    /// every place, evaluation.json, and each map as slices in three planes (SVG and PNG). Use this before a belt is built.
    #[command(after_long_help = "\
Examples:
  alvine layout evaluate
  alvine layout evaluate datasets/layouts/two-rows.toml --out two-rows
  alvine layout evaluate datasets/demo --breadth-mm 385 --depth-mm 300")]
    Evaluate {
        #[command(flatten)]
        of: WhichLayout,
        /// Distance between neighbouring places, mm.
        #[arg(long, value_name = "MM", default_value_t = 5.0, allow_negative_numbers = true)]
        spacing_mm: f64,
        /// Where the slices cross, mm; the middle of the gut unless given.
        #[arg(long, value_name = "X,Y,Z", value_parser = numbers::<3>, allow_hyphen_values = true, requires = "out")]
        through: Option<[f64; 3]>,
        #[command(flatten)]
        to: Outputs,
    },
    /// Hold layouts against each other: on thin, median and large torsos, and with any one site lost.
    ///
    /// Prints one row for each layout and torso: mean, 95th percentile and worst error over the gut (Cramér–Rao bound, mm),
    /// the share of the gut at which four sites are heard, and the mean error after the loss of one site, on average and
    /// for the site missed most. With --trials the estimator's own fixes stand beside the bound. With --out also
    /// comparison.csv, comparison.md, comparison.json and a figure. Use this for a design review.
    #[command(after_long_help = "\
Examples:
  alvine layout compare default datasets/layouts/two-rows.toml
  alvine layout compare default datasets/layouts/*.toml --trials 20000 --form markdown --out review")]
    Compare {
        /// Layout files, studies, or `default`.
        #[arg(required = true, value_name = "LAYOUT")]
        layouts: Vec<PathBuf>,
        /// Fixes to try for each layout and torso, beside the bound.
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=10_000_000))]
        trials: Option<u32>,
        /// Seed of the trials, a whole number.
        #[arg(long, value_name = "N", default_value_t = 1)]
        seed: u64,
        /// Distance between neighbouring places, mm.
        #[arg(long, value_name = "MM", default_value_t = 10.0, allow_negative_numbers = true)]
        spacing_mm: f64,
        /// How the table is printed.
        #[arg(long, value_enum, default_value_t = TableForm::Text)]
        form: TableForm,
        #[command(flatten)]
        to: Outputs,
    },
    /// Place sites on the skin so that the error becomes least.
    ///
    /// Searches the skin between two heights for the sites that make a criterion least, by exchange among candidates and
    /// then by moving each freely, and prints where they are and by how much they beat the default eight, organ by organ.
    /// With --out also layout.toml, which the other commands take and whose tables a study.toml can hold, design.json, and
    /// figures. Use this to find out what a better belt would look like.
    #[command(after_long_help = "\
Examples:
  alvine layout design --sites 8 --out eight
  alvine layout design --sites 12 --widest-deg 180 --criterion worst --survive-loss
  alvine layout design --sites 8 --keep-out=-60,10,-40,45 --curve --out with-stoma")]
    Design {
        #[command(flatten)]
        of: WhichLayout,
        /// How many sites, 4 to 32.
        #[arg(long, value_name = "K")]
        sites: u8,
        /// What becomes least, over the places of the gut.
        #[arg(long, value_name = "NAME", default_value = Criterion::Mean.as_str(),
              value_parser = PossibleValuesParser::new(Criterion::ALL.map(Criterion::as_str)))]
        criterion: String,
        /// Make it least for the loss of the site that is missed most.
        #[arg(long)]
        survive_loss: bool,
        /// Also compute how the criterion falls with the number of sites, from 4 to 32.
        #[arg(long)]
        curve: bool,
        #[command(flatten)]
        limits: Limits,
        #[command(flatten)]
        to: Outputs,
    },
    /// Compute how deep a capsule is heard by one antenna.
    ///
    /// Prints for each depth the median loss (dB), level (dBm), margin above the weakest level that is heard (dB) and the
    /// probability to be heard, and the deepest place heard with 50 and 90 %. What free space and plane-wave absorption in
    /// tissue would lose stands beside it. With --out also link-budget.csv, link-budget.json and a figure. Use this to choose
    /// power, bandwidth and receiver. What may be sent differs by country and band and is no part of this.
    #[command(after_long_help = "\
Examples:
  alvine layout link-budget
  alvine layout link-budget --power-dbm -25 --bandwidth-khz 1000 --noise-figure-db 6
  alvine layout link-budget --loss-db 49.8 --exponent 4.2 --out link")]
    LinkBudget {
        #[command(flatten)]
        of: WhichLayout,
        #[command(flatten)]
        link: Link,
        #[command(flatten)]
        to: Outputs,
    },
}

/// So many finite numbers with commas between them.
fn numbers<const N: usize>(text: &str) -> Result<[f64; N], String> {
    let found: Option<Vec<f64>> = text
        .split(',')
        .map(|number| number.trim().parse().ok().filter(|number: &f64| number.is_finite()))
        .collect();
    found
        .and_then(|found| <[f64; N]>::try_from(found).ok())
        .ok_or_else(|| format!("expected {N} numbers with commas between them"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_as_many_as_asked_and_finite() {
        assert_eq!(numbers::<3>("1,-2.5, 3"), Ok([1.0, -2.5, 3.0]));
        for wrong in ["", "1,2", "1,2,3,4", "1,two,3", "1,nan,3", "1,inf,3"] {
            assert!(numbers::<3>(wrong).is_err(), "{wrong}");
        }
    }
}
