//! `layout design`: sites placed so that the error becomes least.

use alvine::siting::{
    Criterion, CurvePoint, Design, DesignSpace, Designed, KeepOut, Objective, OrganRegion, Survey, SurveyOptions,
    Volume, survey,
};
use alvine::{Layout, Position, Setup};
use alvine_study::layout_text;
use serde::Serialize;

use super::args::{Limits, Outputs, WhichLayout};
use super::words::{self, RegionJson, SetupJson};
use super::{BenchError, Files, Pictures, read_worn};
use crate::layout_figures::{self, Difference};
use crate::outcome::Failure;
use crate::plain_text::{Align, Table, paragraph};
use crate::progress::Progress;
use crate::report::words::titled;
use crate::stdout;

/// Numbers of sites on the curve.
const CURVE: [usize; 13] = [4, 5, 6, 7, 8, 10, 12, 14, 16, 20, 24, 28, 32];
/// Distance between the places at which the designed layout is surveyed, mm.
const SPACING_MM: f64 = 5.0;

/// What was asked for.
pub struct Wish<'a> {
    /// How many sites.
    pub sites: u8,
    /// The criterion's name.
    pub criterion: &'a str,
    /// Whether one may be lost.
    pub survive_loss: bool,
    /// Whether the curve is wanted.
    pub curve: bool,
    /// Where sites may sit.
    pub limits: &'a Limits,
}

/// Designs, writes and prints.
pub fn run(of: &WhichLayout, wish: &Wish<'_>, to: &Outputs, quiet: bool) -> Result<(), Failure> {
    let progress = Progress::new(quiet);
    let given = read_worn(of)?;
    let criterion = Criterion::named(wish.criterion).unwrap_or(Criterion::Mean);
    let objective = Objective {
        criterion,
        survive_loss: wish.survive_loss,
        ..Objective::default()
    };
    progress.begin("designing");
    let problem = Design::new(&given, space(wish.limits), objective).map_err(BenchError::from)?;
    let placed = problem.place(usize::from(wish.sites), &|share| progress.reach(share));
    let designed = placed.map_err(BenchError::from)?;
    let curve = if wish.curve {
        progress.begin("curve");
        let counts = if wish.survive_loss { &CURVE[1..] } else { &CURVE[..] };
        problem
            .curve(counts, &|share| progress.reach(share))
            .map_err(BenchError::from)?
    } else {
        Vec::new()
    };
    progress.begin("surveying");
    let found = Found::new(&given, &problem, objective, designed, curve)?;
    if to.out.is_some() {
        write(&found, to, &progress)?;
    }
    drop(progress);
    if to.json {
        return stdout::json(&found.json());
    }
    if quiet {
        return Ok(());
    }
    stdout::text(&found.text(to))
}

fn space(limits: &Limits) -> DesignSpace {
    DesignSpace {
        lowest_mm: limits.lowest_mm,
        highest_mm: limits.highest_mm,
        widest_deg: limits.widest_deg,
        least_apart_mm: limits.apart_mm,
        keep_out: limits
            .keep_out
            .iter()
            .map(|&[x, y, z, radius_mm]| KeepOut {
                centre_mm: Position::new(x, y, z),
                radius_mm,
            })
            .collect(),
        ..DesignSpace::default()
    }
}

/// The design beside the default eight.
struct Found {
    objective: Objective,
    designed: Designed,
    curve: Vec<CurvePoint>,
    setup: Setup,
    reference: Setup,
    reference_mm: f64,
    survey: Survey,
    reference_survey: Survey,
}

impl Found {
    fn new(
        given: &Setup,
        problem: &Design<'_>,
        objective: Objective,
        designed: Designed,
        curve: Vec<CurvePoint>,
    ) -> Result<Self, BenchError> {
        let with = |layout: Layout| Setup {
            layout,
            ..given.clone()
        };
        let setup = with(designed.layout.clone());
        let reference = with(Layout::default_eight(&given.torso));
        let volume = Volume::new(given.torso, SPACING_MM)?;
        let options = SurveyOptions::default();
        Ok(Self {
            objective,
            curve,
            reference_mm: problem.value_mm(&reference.layout),
            survey: survey(&setup, volume.clone(), &options),
            reference_survey: survey(&reference, volume, &options),
            designed,
            setup,
            reference,
        })
    }

    /// By how much the criterion is less than that of the default eight, as a share.
    fn gain(&self) -> f64 {
        1.0 - self.designed.value_mm / self.reference_mm
    }

    fn layout_file(&self) -> String {
        let lost = if self.objective.survive_loss {
            ", after the loss of the site that is missed most"
        } else {
            ""
        };
        let comment = format!(
            "{} sites designed by alvine for the least {} error over the gut{lost}: {:.1} mm.",
            self.designed.layout.len(),
            self.objective.criterion.as_str(),
            self.designed.value_mm
        );
        layout_text(&self.setup, &comment)
    }

    fn text(&self, to: &Outputs) -> String {
        let torso = &self.setup.torso;
        let mut text = format!(
            "{} sites on a torso of {} mm × {} mm, least by the criterion {}{}: {:.1} mm.\n",
            self.designed.layout.len(),
            torso.breadth_mm(),
            torso.depth_mm(),
            self.objective.criterion.as_str(),
            if self.objective.survive_loss {
                " after the worst loss of one"
            } else {
                ""
            },
            self.designed.value_mm,
        );
        let (gain, beside) = (100.0 * self.gain(), if self.gain() >= 0.0 { "less" } else { "more" });
        text.push_str(&paragraph(
            &format!(
                "The default eight: {:.1} mm by the same; the designed sites have {:.1} % {beside}.",
                self.reference_mm,
                gain.abs()
            ),
            0,
        ));
        text.push_str(&paragraph(&words::premises(&self.setup, &SurveyOptions::default()), 0));
        text.push('\n');
        text.push_str(&self.sites());
        text.push('\n');
        text.push_str(&self.organs());
        if !self.curve.is_empty() {
            text.push('\n');
            text.push_str(&self.curve_text());
        }
        if let Some(out) = &to.out {
            text.push_str(&format!("\nFiles: {}\n", out.display()));
        }
        text
    }

    fn sites(&self) -> String {
        let mut table = Table::new(&[
            ("Site", Align::Left),
            ("x, mm", Align::Right),
            ("y, mm", Align::Right),
            ("z, mm", Align::Right),
            ("Round from the front", Align::Right),
        ]);
        let (a, b) = self.setup.torso.semi_axes_mm();
        for site in self.designed.layout.sites() {
            let place = site.position_mm;
            let angle = (place.x / a).atan2(1.0 - place.y / b).to_degrees();
            let side = if angle.abs() < 0.5 {
                ""
            } else if angle > 0.0 {
                " left"
            } else {
                " right"
            };
            table.row([
                site.name.clone(),
                format!("{}", place.x.round() + 0.0),
                format!("{}", place.y.round() + 0.0),
                format!("{}", place.z.round() + 0.0),
                format!("{:.0}°{side}", angle.abs()),
            ]);
        }
        table.text()
    }

    fn organs(&self) -> String {
        let mut table = Table::new(&[
            ("Error, mm", Align::Left),
            ("Mean", Align::Right),
            ("default", Align::Right),
            ("change", Align::Right),
            ("95 %", Align::Right),
            ("default", Align::Right),
            ("Worst", Align::Right),
            ("default", Align::Right),
        ]);
        let organ = |region: OrganRegion| {
            let both = (self.survey.organ(region)?, self.reference_survey.organ(region)?);
            Some((titled(region.as_str()), both))
        };
        let gut = (
            "All of the gut".to_owned(),
            (self.survey.gut(), self.reference_survey.gut()),
        );
        for (name, (own, default)) in OrganRegion::ALL.into_iter().filter_map(organ).chain([gut]) {
            let change = 100.0 * (own.mean_mm / default.mean_mm - 1.0);
            table.row([
                name,
                words::mm(own.mean_mm),
                words::mm(default.mean_mm),
                signed_percent(change),
                words::mm(own.percentile95_mm),
                words::mm(default.percentile95_mm),
                words::mm(own.worst_mm),
                words::mm(default.worst_mm),
            ]);
        }
        table.text()
    }

    fn curve_text(&self) -> String {
        let mut table = Table::new(&[("Sites", Align::Right), ("Criterion, mm", Align::Right)]);
        for point in &self.curve {
            table.row([point.sites.to_string(), format!("{:.1}", point.value_mm)]);
        }
        table.text()
    }

    fn json(&self) -> DesignJson {
        let options = SurveyOptions::default();
        let organ = |region: OrganRegion| {
            Some(OrganJson {
                organ: region.as_str(),
                designed: (&self.survey.organ(region)?).into(),
                default: (&self.reference_survey.organ(region)?).into(),
            })
        };
        DesignJson {
            format: 1,
            criterion: self.objective.criterion.as_str(),
            survive_loss: self.objective.survive_loss,
            value_mm: self.designed.value_mm,
            exchanged_mm: self.designed.exchanged_mm,
            default_value_mm: self.reference_mm,
            designed: SetupJson::of(&self.setup, &options),
            default: SetupJson::of(&self.reference, &options),
            gut: (&self.survey.gut()).into(),
            default_gut: (&self.reference_survey.gut()).into(),
            organs: OrganRegion::ALL.into_iter().filter_map(organ).collect(),
            curve: self
                .curve
                .iter()
                .map(|point| CurveJson {
                    sites: point.sites,
                    value_mm: point.value_mm,
                })
                .collect(),
        }
    }
}

/// A change with its sign; none for nought.
fn signed_percent(change: f64) -> String {
    if !change.is_finite() {
        return "none".to_owned();
    }
    let sign = match change.round() {
        less if less < 0.0 => "−",
        more if more > 0.0 => "+",
        _ => "",
    };
    format!("{sign}{:.0} %", change.abs())
}

fn write(found: &Found, to: &Outputs, progress: &Progress) -> Result<(), Failure> {
    let Some(out) = &to.out else { return Ok(()) };
    progress.begin("drawing");
    let difference = Difference {
        setup: &found.setup,
        reference: &found.reference,
        survey: &found.survey,
        reference_survey: &found.reference_survey,
        through_mm: layout_figures::middle_of_gut_mm(&found.setup.torso),
    };
    let mut figures = vec![layout_figures::difference(&difference)?];
    if !found.curve.is_empty() {
        let points: Vec<(usize, f64)> = found.curve.iter().map(|point| (point.sites, point.value_mm)).collect();
        let reference = (found.reference.layout.len(), found.reference_mm);
        let placed = (found.designed.layout.len(), found.designed.value_mm);
        figures.push(layout_figures::curve(
            &points,
            reference,
            placed,
            found.objective.criterion,
        )?);
    }
    let pictures = Pictures::of(figures, to)?;
    let mut files = Files::new(out)?;
    files.put("layout.toml", found.layout_file().as_bytes())?;
    files.put_json("design.json", &found.json())?;
    if !found.curve.is_empty() {
        let mut csv = "sites,value_mm\n".to_owned();
        for point in &found.curve {
            csv.push_str(&format!("{},{:.3}\n", point.sites, point.value_mm));
        }
        files.put("curve.csv", csv.as_bytes())?;
    }
    files.put_pictures(&pictures)?;
    files.commit()
}

#[derive(Debug, Serialize)]
struct DesignJson {
    format: u32,
    criterion: &'static str,
    survive_loss: bool,
    value_mm: f64,
    exchanged_mm: f64,
    default_value_mm: f64,
    designed: SetupJson,
    default: SetupJson,
    gut: RegionJson,
    default_gut: RegionJson,
    organs: Vec<OrganJson>,
    curve: Vec<CurveJson>,
}

#[derive(Debug, Serialize)]
struct OrganJson {
    organ: &'static str,
    designed: RegionJson,
    default: RegionJson,
}

#[derive(Debug, Serialize)]
struct CurveJson {
    sites: usize,
    value_mm: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn changes_have_a_sign_unless_they_are_nought() {
        assert_eq!(signed_percent(-6.4), "−6 %");
        assert_eq!(signed_percent(7.0), "+7 %");
        assert_eq!(signed_percent(-0.3), "0 %");
        assert_eq!(signed_percent(f64::NAN), "none");
    }
}
