//! `layout link-budget`: how deep a capsule is heard.

use alvine::dielectric::Tissue;
use alvine::siting::{Heard, LinkBudget, LinkRow};
use alvine::{FreeSpace, Law, LogDistance, Propagation, Setup};
use serde::Serialize;

use super::args::{Link, Outputs, WhichLayout};
use super::{BenchError, Files, Pictures, read_worn, words};
use crate::layout_figures::{self, LinkFigure};
use crate::outcome::Failure;
use crate::plain_text::{Align, Table, paragraph};
use crate::progress::Progress;
use crate::stdout;

/// Depths of the table, mm.
const DEPTHS_MM: [f64; 10] = [10.0, 20.0, 40.0, 60.0, 80.0, 100.0, 125.0, 150.0, 200.0, 300.0];
/// Steps of the files and the figure, mm.
const STEP_MM: f64 = 5.0;
/// Furthest of them, mm.
const FURTHEST_MM: f64 = 400.0;
/// The chances for which the deepest place is told.
const CHANCES: [f64; 2] = [0.5, 0.9];
/// The tissue whose absorption stands beside the law.
const TISSUE: Tissue = Tissue::Muscle;

/// What is deferred to others.
const RULES: &str = "What a capsule may send, and what a body may be exposed to, differs by country, band and use: ask the \
                     authority in charge. Nothing here tells whether a power is allowed.";

/// Computes, writes and prints.
pub fn run(of: &WhichLayout, link: &Link, to: &Outputs, quiet: bool) -> Result<(), Failure> {
    let setup = read_worn(of)?;
    let found = Found::new(&setup, link)?;
    if let Some(out) = &to.out {
        let progress = Progress::new(quiet);
        progress.begin("drawing");
        let pictures = Pictures::of(vec![found.figure()?], to)?;
        let mut files = Files::new(out)?;
        files.put("link-budget.csv", found.csv().as_bytes())?;
        files.put_json("link-budget.json", &found.json())?;
        files.put_pictures(&pictures)?;
        files.commit()?;
    }
    if to.json {
        return stdout::json(&found.json());
    }
    if quiet {
        return Ok(());
    }
    stdout::text(&found.text(to))
}

/// A budget with what stands beside it.
struct Found {
    budget: LinkBudget,
    frequency_mhz: f64,
    free_space: FreeSpace,
    /// Absorption in tissue, dB/cm; `None` where the model does not reach the carrier.
    tissue_db_per_cm: Option<f64>,
}

impl Found {
    fn new(setup: &Setup, link: &Link) -> Result<Self, BenchError> {
        let frequency_mhz = link.frequency_mhz.unwrap_or(setup.transmitter.frequency_mhz());
        let law = match (link.loss_db, link.exponent) {
            (Some(loss_db), Some(exponent)) => {
                Law::LogDistance(LogDistance::new(link.reference_mm, loss_db, exponent)?)
            }
            _ => setup.law,
        };
        let budget = LinkBudget {
            law,
            power_dbm: link.power_dbm.unwrap_or(setup.transmitter.power_dbm()),
            gain_db: link.gain_db,
            bandwidth_khz: link.bandwidth_khz,
            noise_figure_db: link.noise_figure_db,
            needed_snr_db: link.snr_db,
            floor_dbm: Some(link.floor_dbm.unwrap_or(setup.receiver.floor_dbm())),
            shadowing_db: link.shadowing_db.unwrap_or(setup.noise.shadowing_db()),
        };
        budget.validate()?;
        Ok(Self {
            budget,
            frequency_mhz,
            free_space: FreeSpace::new(frequency_mhz)?,
            tissue_db_per_cm: TISSUE
                .at(frequency_mhz)
                .ok()
                .map(|tissue| tissue.attenuation_db_per_cm()),
        })
    }

    fn absorbed_db(&self, distance_mm: f64) -> Option<f64> {
        self.tissue_db_per_cm.map(|db_per_cm| 0.1 * db_per_cm * distance_mm)
    }

    /// Loss in free space, dB; `None` nearer than a wavelength over 2π, where it means nothing.
    fn free_space_db(&self, distance_mm: f64) -> Option<f64> {
        let far = distance_mm > FAR_FIELD_MM_MHZ / self.frequency_mhz;
        far.then(|| self.free_space.at_distance(distance_mm).loss_db)
    }

    fn text(&self, to: &Outputs) -> String {
        let budget = &self.budget;
        let mut text = paragraph(
            &format!(
                "{} dBm sent at {} MHz, {} dB of antenna gain beyond the law's; law: {}; shadowing {} dB.",
                budget.power_dbm,
                self.frequency_mhz,
                budget.gain_db,
                words::law(&budget.law),
                budget.shadowing_db
            ),
            0,
        );
        text.push_str(&paragraph(
            &format!(
                "Noise {:.1} dBm ({} kHz at 290 K, noise figure {} dB); with {} dB above it needed and a floor of {} dBm, the \
                 weakest level that is heard is {:.1} dBm.",
                budget.noise_dbm(),
                budget.bandwidth_khz,
                budget.noise_figure_db,
                budget.needed_snr_db,
                budget.floor_dbm.unwrap_or(f64::NEG_INFINITY),
                budget.sensitivity_dbm()
            ),
            0,
        ));
        text.push('\n');
        text.push_str(&self.table());
        text.push('\n');
        for chance in CHANCES {
            text.push_str(&format!(
                "Heard with {:.0} % to: {}\n",
                100.0 * chance,
                deepest(budget.heard_to(chance))
            ));
        }
        text.push('\n');
        text.push_str(&paragraph(
            "Free space and muscle are no part of the sum: the first is the loss in air over that distance (ITU-R P.525), \
             given beyond a wavelength over 2π; the second is the plane-wave absorption alone (Gabriel, Lau and Gabriel \
             1996), good to 10 to 25 %. Depth is the distance from the antenna, straight in.",
            0,
        ));
        text.push_str(&paragraph(RULES, 0));
        if let Some(out) = &to.out {
            text.push_str(&format!("\nFiles: {}\n", out.display()));
        }
        text
    }

    fn table(&self) -> String {
        let mut table = Table::new(&[
            ("Depth, mm", Align::Right),
            ("Loss, dB", Align::Right),
            ("Level, dBm", Align::Right),
            ("Margin, dB", Align::Right),
            ("Heard", Align::Right),
            ("Free space, dB", Align::Right),
            ("Muscle, dB", Align::Right),
        ]);
        let optional = |value: Option<f64>| value.map_or("none".to_owned(), |db| format!("{db:.1}"));
        for depth_mm in DEPTHS_MM {
            let row = self.budget.at(depth_mm);
            table.row([
                format!("{depth_mm:.0}"),
                format!("{:.1}", row.loss_db),
                format!("{:.1}", row.level_dbm),
                format!("{:.1}", row.margin_db),
                format!("{:.0} %", 100.0 * row.heard),
                optional(self.free_space_db(depth_mm)),
                optional(self.absorbed_db(depth_mm)),
            ]);
        }
        table.text()
    }

    fn rows(&self) -> Vec<LinkRow> {
        let steps = (FURTHEST_MM / STEP_MM) as u32;
        (1..=steps)
            .map(|step| self.budget.at(f64::from(step) * STEP_MM))
            .collect()
    }

    fn csv(&self) -> String {
        let mut text =
            "depth_mm,loss_db,level_dbm,margin_db,snr_db,heard,free_space_loss_db,muscle_absorption_db\n".to_owned();
        let optional = |value: Option<f64>| value.map_or(String::new(), |db| format!("{db:.3}"));
        for row in self.rows() {
            text.push_str(&format!(
                "{},{:.3},{:.3},{:.3},{:.3},{:.4},{},{}\n",
                row.distance_mm,
                row.loss_db,
                row.level_dbm,
                row.margin_db,
                row.snr_db,
                row.heard,
                optional(self.free_space_db(row.distance_mm)),
                optional(self.absorbed_db(row.distance_mm)),
            ));
        }
        text
    }

    fn figure(&self) -> Result<crate::report::Figure, crate::report::ReportError> {
        let to_mm = |heard| match heard {
            Heard::To(mm) => Some(mm),
            _ => None,
        };
        layout_figures::link(&LinkFigure {
            rows: &self.rows(),
            shadowing_db: self.budget.shadowing_db,
            heard_to: &CHANCES.map(|chance| (chance, to_mm(self.budget.heard_to(chance)))),
        })
    }

    fn json(&self) -> LinkJson {
        let budget = &self.budget;
        let heard_to = CHANCES.map(|probability| HeardJson {
            probability,
            depth_mm: match budget.heard_to(probability) {
                Heard::Nowhere => Some(0.0),
                Heard::To(mm) => Some(mm),
                Heard::Everywhere => None,
            },
        });
        let row = |row: LinkRow| RowJson {
            depth_mm: row.distance_mm,
            loss_db: row.loss_db,
            level_dbm: row.level_dbm,
            margin_db: row.margin_db,
            snr_db: row.snr_db,
            heard: row.heard,
            free_space_loss_db: self.free_space_db(row.distance_mm),
            muscle_absorption_db: self.absorbed_db(row.distance_mm),
        };
        LinkJson {
            format: 1,
            frequency_mhz: self.frequency_mhz,
            power_dbm: budget.power_dbm,
            gain_db: budget.gain_db,
            law: words::law(&budget.law),
            shadowing_db: budget.shadowing_db,
            noise_dbm: budget.noise_dbm(),
            sensitivity_dbm: budget.sensitivity_dbm(),
            heard_to: heard_to.to_vec(),
            rows: self.rows().into_iter().map(row).collect(),
            note: RULES,
        }
    }
}

/// Speed of light over 2π, in mm · MHz: divided by a frequency it is the wavelength over 2π.
const FAR_FIELD_MM_MHZ: f64 = 299_792.458 / std::f64::consts::TAU;

fn deepest(heard: Heard) -> String {
    match heard {
        Heard::Nowhere => "nowhere, not even on the antenna".to_owned(),
        Heard::To(mm) => format!("{mm:.0} mm"),
        Heard::Everywhere => "further than any antenna on a body is away".to_owned(),
    }
}

#[derive(Debug, Serialize)]
struct LinkJson {
    format: u32,
    frequency_mhz: f64,
    power_dbm: f64,
    gain_db: f64,
    law: String,
    shadowing_db: f64,
    noise_dbm: f64,
    sensitivity_dbm: f64,
    heard_to: Vec<HeardJson>,
    rows: Vec<RowJson>,
    note: &'static str,
}

#[derive(Debug, Clone, Serialize)]
struct HeardJson {
    probability: f64,
    /// Null where it is heard everywhere.
    depth_mm: Option<f64>,
}

#[derive(Debug, Serialize)]
struct RowJson {
    depth_mm: f64,
    loss_db: f64,
    level_dbm: f64,
    margin_db: f64,
    snr_db: f64,
    heard: f64,
    free_space_loss_db: Option<f64>,
    muscle_absorption_db: Option<f64>,
}
