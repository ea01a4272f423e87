//! `layout evaluate`: what one layout can do at every place of the abdomen.

use alvine::siting::{OrganRegion, RivalMap, RivalOptions, Survey, SurveyOptions, Volume, rivals, survey};
use alvine::{Position, Setup};
use alvine_study::results::{LayoutMap, write_layout_map_csv, write_layout_map_hdf5};
use serde::Serialize;

use super::args::{Outputs, WhichLayout};
use super::words::{self, RegionJson, SetupJson};
use super::{BenchError, Files, Pictures, name_of, read_worn};
use crate::layout_figures::{self, Maps};
use crate::outcome::Failure;
use crate::plain_text::{Align, Table, paragraph};
use crate::progress::Progress;
use crate::report::words::titled;
use crate::stdout;

/// A site this far from the skin is worth a word, mm.
const OFF_SKIN_MM: f64 = 15.0;

/// Evaluates, writes and prints.
pub fn run(
    of: &WhichLayout,
    spacing_mm: f64,
    through: Option<[f64; 3]>,
    to: &Outputs,
    quiet: bool,
) -> Result<(), Failure> {
    let progress = Progress::new(quiet);
    let setup = read_worn(of)?;
    let options = SurveyOptions::default();
    let volume = Volume::new(setup.torso, spacing_mm).map_err(BenchError::from)?;
    progress.begin("surveying");
    let survey = survey(&setup, volume, &options);
    let rivals = rivals(&setup, &RivalOptions::default()).map_err(BenchError::from)?;
    let evaluation = Evaluation {
        name: name_of(&of.layout),
        setup: &setup,
        options,
        survey: &survey,
        rivals: &rivals,
    };
    if to.out.is_some() {
        write(&evaluation, through, to, &progress)?;
    }
    drop(progress);
    if to.json {
        return stdout::json(&evaluation.json());
    }
    if quiet {
        return Ok(());
    }
    stdout::text(&evaluation.text(to))
}

/// One layout with all that was found about it.
struct Evaluation<'a> {
    name: String,
    setup: &'a Setup,
    options: SurveyOptions,
    survey: &'a Survey,
    rivals: &'a RivalMap,
}

fn write(
    evaluation: &Evaluation<'_>,
    through: Option<[f64; 3]>,
    to: &Outputs,
    progress: &Progress,
) -> Result<(), Failure> {
    let Some(out) = &to.out else { return Ok(()) };
    progress.begin("drawing");
    let maps = Maps {
        name: &evaluation.name,
        setup: evaluation.setup,
        survey: evaluation.survey,
        rivals: evaluation.rivals,
        through_mm: through.map_or_else(
            || layout_figures::middle_of_gut_mm(&evaluation.setup.torso),
            Position::from,
        ),
    };
    let pictures = Pictures::of(layout_figures::maps(&maps)?, to)?;
    progress.begin("writing");
    let mut files = Files::new(out)?;
    let map = LayoutMap {
        setup: evaluation.setup,
        survey: evaluation.survey,
        rivals: evaluation.rivals,
    };
    write_layout_map_hdf5(&map, &files.path("map.h5"))?;
    write_layout_map_csv(&map, &files.path("map.csv"))?;
    files.put_json("evaluation.json", &evaluation.json())?;
    files.put_pictures(&pictures)?;
    files.commit()
}

#[derive(Debug, Serialize)]
struct EvaluationJson {
    format: u32,
    layout: String,
    setup: SetupJson,
    spacing_mm: f64,
    gut: RegionJson,
    abdomen: RegionJson,
    organs: Vec<OrganJson>,
    rivals: RivalsJson,
    cautions: Vec<String>,
}

#[derive(Debug, Serialize)]
struct OrganJson {
    organ: &'static str,
    #[serde(flatten)]
    summary: RegionJson,
}

#[derive(Debug, Serialize)]
struct RivalsJson {
    mistaken_mean: f64,
    mirrored_share: f64,
    mirror_mistaken_mean: f64,
    worst: Option<WorstRivalJson>,
}

#[derive(Debug, Serialize)]
struct WorstRivalJson {
    place_mm: [f64; 3],
    rival_mm: [f64; 3],
    mistaken: f64,
}

impl Evaluation<'_> {
    fn json(&self) -> EvaluationJson {
        let organ = |region: OrganRegion| {
            let summary = RegionJson::from(&self.survey.organ(region)?);
            Some(OrganJson {
                organ: region.as_str(),
                summary,
            })
        };
        EvaluationJson {
            format: 1,
            layout: self.name.clone(),
            setup: SetupJson::of(self.setup, &self.options),
            spacing_mm: self.survey.volume.spacing_mm(),
            gut: (&self.survey.gut()).into(),
            abdomen: (&self.survey.abdomen()).into(),
            organs: OrganRegion::ALL.into_iter().filter_map(organ).collect(),
            rivals: RivalsJson {
                mistaken_mean: self.rivals.mean_mistaken(),
                mirrored_share: self.rivals.mirrored_share(),
                mirror_mistaken_mean: self.rivals.mean_mirrored(),
                worst: self.rivals.worst().map(|(place_mm, rival)| WorstRivalJson {
                    place_mm: words::array(&place_mm),
                    rival_mm: words::array(&rival.place_mm),
                    mistaken: rival.mistaken(),
                }),
            },
            cautions: self.cautions(),
        }
    }

    fn text(&self, to: &Outputs) -> String {
        let (torso, volume) = (&self.setup.torso, &self.survey.volume);
        let mut text = format!(
            "Layout {}: {} sites on a torso of {} mm × {} mm; {} places {} mm apart.\n",
            self.name,
            self.setup.layout.len(),
            torso.breadth_mm(),
            torso.depth_mm(),
            volume.len(),
            volume.spacing_mm(),
        );
        text.push_str(&paragraph(&words::premises(self.setup, &self.options), 0));
        text.push('\n');
        text.push_str(&self.table());
        text.push('\n');
        text.push_str(&self.sentences());
        for caution in self.cautions() {
            text.push_str(&paragraph(&format!("Caution: {caution}"), 0));
        }
        if let Some(out) = &to.out {
            text.push_str(&format!("\nFiles: {}\n", out.display()));
        }
        text
    }

    fn table(&self) -> String {
        let mut table = Table::new(&[
            ("Error, mm", Align::Left),
            ("Mean", Align::Right),
            ("95 %", Align::Right),
            ("Worst", Align::Right),
            ("Known", Align::Right),
            ("Unknown", Align::Right),
            ("In torso", Align::Right),
            ("Dilution", Align::Right),
            ("Sites", Align::Right),
            ("Covered", Align::Right),
        ]);
        let organs = OrganRegion::ALL.into_iter().filter_map(|region| {
            let summary = self.survey.organ(region)?;
            Some((titled(region.as_str()), summary))
        });
        let whole = [
            ("All of the gut".to_owned(), self.survey.gut()),
            ("Whole abdomen".to_owned(), self.survey.abdomen()),
        ];
        for (name, summary) in organs.chain(whole) {
            table.row([
                name,
                words::mm(summary.mean_mm),
                words::mm(summary.percentile95_mm),
                words::mm(summary.worst_mm),
                words::mm(summary.mean_level_known_mm),
                words::mm(summary.mean_level_unknown_mm),
                words::mm(summary.mean_in_torso_mm),
                format!("{:.2}", summary.mean_dilution),
                format!("{:.1}", summary.mean_sites_expected),
                words::percent(summary.covered_share),
            ]);
        }
        table.text()
    }

    fn sentences(&self) -> String {
        let gut = self.survey.gut();
        let mut text = paragraph(
            "Means as well: known and unknown, the error if the level sent were known, or not at all; in torso, the error \
             once it counts that the capsule is inside; dilution, the error for each unit of error in the ranges; sites, \
             those that hear the capsule on average. Covered: four sites are heard with at least 90 %.",
            0,
        );
        text.push_str(&paragraph(
            &format!(
                "Worst place of the gut: {}, {} mm.",
                words::place(&gut.worst_place_mm),
                words::mm(gut.worst_mm)
            ),
            0,
        ));
        if let Some((place_mm, rival)) = self.rivals.worst() {
            text.push_str(&paragraph(
                &format!(
                    "Rivals: between a place of the gut and the place most like it 60 mm or more away, one fix chooses wrong \
                     with {} on average; worst at {}, taken for {} with {}.",
                    words::percent(self.rivals.mean_mistaken()),
                    words::place(&place_mm),
                    words::place(&rival.place_mm),
                    words::percent(rival.mistaken()),
                ),
                0,
            ));
        }
        text.push_str(&paragraph(
            &format!(
                "Mirror images in the plane of the sites lie inside the body for {} of the gut.",
                words::percent(self.rivals.mirrored_share()),
            ),
            0,
        ));
        text
    }

    /// What a careful reader would want to be told.
    fn cautions(&self) -> Vec<String> {
        let torso = &self.setup.torso;
        let (a, b) = torso.semi_axes_mm();
        let mut cautions = Vec::new();
        for site in self.setup.layout.sites() {
            let off_mm = (torso.radial(&site.position_mm) - 1.0) * 0.5 * (a + b);
            if off_mm.abs() > OFF_SKIN_MM {
                let side = if off_mm > 0.0 { "outside" } else { "inside" };
                cautions.push(format!(
                    "site {} lies some {:.0} mm {side} the skin of this torso",
                    site.name,
                    off_mm.abs()
                ));
            }
        }
        cautions
    }
}
