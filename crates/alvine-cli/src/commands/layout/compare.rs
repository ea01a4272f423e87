//! `layout compare`: layouts side by side.

use std::path::{Path, PathBuf};

use alvine::siting::{BodySize, Compared, SurveyOptions, TrialOptions, Trials, compare, trials};
use alvine::{Setup, Torso};
use serde::Serialize;

use super::args::{Outputs, TableForm};
use super::words::{self, RegionJson};
use super::{BenchError, Files, Pictures, name_of, read};
use crate::layout_figures::{self, Bar};
use crate::outcome::Failure;
use crate::plain_text::{Align, Table, paragraph};
use crate::progress::Progress;
use crate::stdout;

/// What was asked for.
pub struct Wish<'a> {
    /// The layouts.
    pub layouts: &'a [PathBuf],
    /// Fixes to try.
    pub trials: Option<u32>,
    /// Their seed.
    pub seed: u64,
    /// Distance between places, mm.
    pub spacing_mm: f64,
    /// How the table is printed.
    pub form: TableForm,
}

/// One layout on one torso.
struct Entry {
    layout: String,
    torso: String,
    compared: Compared,
    trials: Option<Trials>,
}

const HEADINGS: [&str; 9] = [
    "Layout",
    "Torso",
    "Sites",
    "Mean, mm",
    "95 %, mm",
    "Worst, mm",
    "Covered",
    "N-1, mm",
    "N-1 worst, mm",
];
/// The torso that a layout was made for.
const OWN: &str = "own";
const TRIAL_HEADINGS: [&str; 2] = ["Trials, mm", "Bound, mm"];

/// Compares, writes and prints.
pub fn run(wish: &Wish<'_>, to: &Outputs, quiet: bool) -> Result<(), Failure> {
    let progress = Progress::new(quiet);
    let mut setups = Vec::new();
    for layout in wish.layouts {
        setups.push((layout, read(layout)?));
    }
    progress.begin("comparing");
    let mut entries = Vec::new();
    let count = (setups.len() * (1 + BodySize::ALL.len())) as f64;
    for (layout, setup) in &setups {
        for (torso_name, torso) in torsos(setup) {
            let done = entries.len() as f64;
            let reach = |share: f64| progress.reach((done + share) / count);
            let name = unique_name(layout, wish.layouts);
            entries.push(entry(wish, layout, name, setup, torso_name, &torso, &reach)?);
            progress.reach(entries.len() as f64 / count);
        }
    }
    let options = SurveyOptions::default();
    let json = || ComparisonJson::of(&entries, wish);
    if let Some(out) = &to.out {
        let pictures = Pictures::of(vec![layout_figures::comparison(&bars(&entries))?], to)?;
        let mut files = Files::new(out)?;
        files.put("comparison.csv", table(&entries, TableForm::Csv).as_bytes())?;
        files.put("comparison.md", table(&entries, TableForm::Markdown).as_bytes())?;
        files.put_json("comparison.json", &json())?;
        files.put_pictures(&pictures)?;
        files.commit()?;
    }
    drop(progress);
    if to.json {
        return stdout::json(&json());
    }
    if quiet {
        return Ok(());
    }
    let mut text = table(&entries, wish.form);
    if wish.form == TableForm::Text {
        text.push('\n');
        text.push_str(&notes(&entries, &setups[0].1, &options));
    }
    stdout::text(&text)
}

/// A layout's name, or its whole path where two have one name.
fn unique_name(layout: &Path, all: &[PathBuf]) -> String {
    let name = name_of(layout);
    let same = all.iter().filter(|other| name_of(other) == name).count();
    if same > 1 { layout.display().to_string() } else { name }
}

/// The torso that the layout was made for, and those of other bodies.
fn torsos(setup: &Setup) -> Vec<(String, Torso)> {
    let sized = BodySize::ALL
        .into_iter()
        .filter_map(|size| Some((size.as_str().to_owned(), size.torso()?)));
    std::iter::once((OWN.to_owned(), setup.torso))
        .chain(sized)
        .map(|(name, torso)| {
            let size = format!("{name} {:.0}×{:.0}", torso.breadth_mm(), torso.depth_mm());
            (size, torso)
        })
        .collect()
}

fn entry(
    wish: &Wish<'_>,
    layout: &Path,
    name: String,
    setup: &Setup,
    torso_name: String,
    torso: &Torso,
    progress: &(dyn Fn(f64) + Sync),
) -> Result<Entry, Failure> {
    let compared = compare(setup, torso, wish.spacing_mm, &SurveyOptions::default()).map_err(|error| match error {
        alvine::siting::CompareError::Volume(error) => BenchError::Volume(error),
        error => BenchError::Compared {
            layout: layout.to_owned(),
            error,
        },
    })?;
    let tried = wish.trials.map(|count| {
        let options = TrialOptions::new(count as usize, wish.seed);
        trials(&compared.setup, &options, progress).map_err(BenchError::from)
    });
    Ok(Entry {
        layout: name,
        torso: torso_name,
        trials: tried.transpose()?,
        compared,
    })
}

impl Entry {
    /// The row's cells; on a screen there is no room for the name of the site missed most.
    fn cells(&self, form: TableForm) -> Vec<String> {
        let whole = &self.compared.whole;
        let mut cells = vec![
            self.layout.clone(),
            self.torso.clone(),
            self.compared.setup.layout.len().to_string(),
            words::mm(whole.mean_mm),
            words::mm(whole.percentile95_mm),
            words::mm(whole.worst_mm),
            words::percent(whole.covered_share),
            words::mm(self.compared.mean_loss_mm()),
            match form {
                TableForm::Text => words::mm(self.worst_loss_mm()),
                _ => self.worst_loss(),
            },
        ];
        if let Some(trials) = &self.trials {
            cells.push(words::mm(trials.rmse_mm()));
            cells.push(words::mm(trials.bound_mm()));
        }
        cells
    }

    /// The error after the worst loss, and of which site.
    fn worst_loss(&self) -> String {
        match self.compared.worst_loss() {
            Some(lost) => match &lost.left {
                Ok(left) => format!("{} ({})", words::mm(left.mean_mm), lost.name),
                Err(_) => "no layout left".to_owned(),
            },
            None => "none".to_owned(),
        }
    }

    fn worst_loss_mm(&self) -> f64 {
        let lost = self.compared.worst_loss().and_then(|lost| lost.left.as_ref().ok());
        lost.map_or(f64::INFINITY, |left| left.mean_mm)
    }
}

fn headings(entries: &[Entry]) -> Vec<&'static str> {
    let tried = entries.iter().any(|entry| entry.trials.is_some());
    let more: &[&str] = if tried { &TRIAL_HEADINGS } else { &[] };
    HEADINGS.iter().chain(more).copied().collect()
}

fn table(entries: &[Entry], form: TableForm) -> String {
    let headings = headings(entries);
    match form {
        TableForm::Text => {
            let columns: Vec<(&str, Align)> = headings
                .iter()
                .enumerate()
                .map(|(column, heading)| {
                    let words = column < 2;
                    // Columns of a screen are narrow: the unit is said below.
                    let heading = heading.strip_suffix(", mm").unwrap_or(heading);
                    (heading, if words { Align::Left } else { Align::Right })
                })
                .collect();
            let mut table = Table::new(&columns);
            for entry in entries {
                table.row(entry.cells(form));
            }
            table.text()
        }
        TableForm::Markdown => {
            let row = |cells: &[String]| {
                let cells: Vec<String> = cells.iter().map(|cell| cell.replace('|', "\\|")).collect();
                format!("| {} |\n", cells.join(" | "))
            };
            let heads: Vec<String> = headings.iter().map(|heading| (*heading).to_owned()).collect();
            let rule: Vec<String> = headings
                .iter()
                .enumerate()
                .map(|(column, _)| if column < 2 || column == 8 { "---" } else { "---:" }.to_owned())
                .collect();
            let mut text = row(&heads) + &row(&rule);
            for entry in entries {
                text.push_str(&row(&entry.cells(form)));
            }
            text
        }
        TableForm::Csv => csv(entries),
    }
}

/// Plain numbers, an empty cell for none.
fn csv(entries: &[Entry]) -> String {
    let mut text = "layout,torso,breadth_mm,depth_mm,sites,mean_mm,percentile95_mm,worst_mm,covered_share,\
                    mean_loss_mm,worst_loss_mm,worst_loss_site,trials_mm,trials_bound_mm,trials_bound_in_torso_mm\n"
        .to_owned();
    let number = |value: f64| {
        if value.is_finite() {
            format!("{value:.3}")
        } else {
            String::new()
        }
    };
    for entry in entries {
        let (setup, whole) = (&entry.compared.setup, &entry.compared.whole);
        let trial = |value: fn(&Trials) -> f64| {
            entry
                .trials
                .as_ref()
                .map_or(String::new(), |found| number(value(found)))
        };
        let cells = [
            quoted(&entry.layout),
            quoted(&entry.torso),
            setup.torso.breadth_mm().to_string(),
            setup.torso.depth_mm().to_string(),
            setup.layout.len().to_string(),
            number(whole.mean_mm),
            number(whole.percentile95_mm),
            number(whole.worst_mm),
            number(whole.covered_share),
            number(entry.compared.mean_loss_mm()),
            number(entry.worst_loss_mm()),
            quoted(entry.compared.worst_loss().map_or("", |lost| &lost.name)),
            trial(Trials::rmse_mm),
            trial(Trials::bound_mm),
            trial(Trials::bound_in_torso_mm),
        ];
        text.push_str(&format!("{}\n", cells.join(",")));
    }
    text
}

/// A cell that may hold a comma or a quote.
fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell.to_owned()
    }
}

fn notes(entries: &[Entry], setup: &Setup, options: &SurveyOptions) -> String {
    let mut text = paragraph(
        "Errors over the gut, in mm. N-1: the mean error after the loss of one site, on average over the sites and for the \
         site missed most. Covered: four sites are heard with at least 90 %. Thin is the 5th percentile of women's waists, median midway between the \
         medians of women and men, large the 95th percentile of men's (2012 US Army anthropometric survey, breadth and \
         depth each taken there). A layout is worn by scaling x with the breadth and y with the depth.",
        0,
    );
    text.push_str(&paragraph(
        &format!("First layout: {}", words::premises(setup, options)),
        0,
    ));
    if entries.iter().any(|entry| entry.trials.is_some()) {
        text.push_str(&paragraph(
            "Trials: root-mean-square error of the estimator's own fixes at places 30 mm apart, beside the root mean square of \
             the bound there. The estimator knows that the capsule is inside the torso, which the bound does not, so that \
             it can be better; where it is worse the bound promises too much.",
            0,
        ));
    }
    text
}

fn bars(entries: &[Entry]) -> Vec<Bar> {
    let bar = |entry: &Entry| Bar {
        layout: entry.layout.clone(),
        torso: entry.torso.clone(),
        mean_mm: entry.compared.whole.mean_mm,
        percentile95_mm: entry.compared.whole.percentile95_mm,
        worst_loss_mm: entry.worst_loss_mm(),
        trials_mm: entry.trials.as_ref().map(Trials::rmse_mm),
    };
    entries.iter().map(bar).collect()
}

#[derive(Debug, Serialize)]
struct ComparisonJson {
    format: u32,
    spacing_mm: f64,
    entries: Vec<EntryJson>,
}

#[derive(Debug, Serialize)]
struct EntryJson {
    layout: String,
    torso: String,
    breadth_mm: f64,
    depth_mm: f64,
    sites: usize,
    gut: RegionJson,
    lost: Vec<LostJson>,
    trials: Option<TrialsJson>,
}

#[derive(Debug, Serialize)]
struct LostJson {
    site: String,
    rmse_mean_mm: Option<f64>,
    rmse_percentile95_mm: Option<f64>,
    reason: Option<String>,
}

#[derive(Debug, Serialize)]
struct TrialsJson {
    seed: u64,
    fixes: usize,
    unheard: usize,
    rmse_mm: f64,
    bound_mm: f64,
    bound_in_torso_mm: f64,
}

impl ComparisonJson {
    fn of(entries: &[Entry], wish: &Wish<'_>) -> Self {
        let lost = |entry: &Entry| {
            let each = entry.compared.lost.iter().map(|lost| LostJson {
                site: lost.name.clone(),
                rmse_mean_mm: lost.left.as_ref().ok().map(|left| left.mean_mm),
                rmse_percentile95_mm: lost.left.as_ref().ok().map(|left| left.percentile95_mm),
                reason: lost.left.as_ref().err().map(ToString::to_string),
            });
            each.collect()
        };
        let trials = |entry: &Entry| {
            entry.trials.as_ref().map(|trials| TrialsJson {
                seed: wish.seed,
                fixes: trials.fixes(),
                unheard: trials.unheard(),
                rmse_mm: trials.rmse_mm(),
                bound_mm: trials.bound_mm(),
                bound_in_torso_mm: trials.bound_in_torso_mm(),
            })
        };
        let entries = entries.iter().map(|entry| EntryJson {
            layout: entry.layout.clone(),
            torso: entry.torso.clone(),
            breadth_mm: entry.compared.setup.torso.breadth_mm(),
            depth_mm: entry.compared.setup.torso.depth_mm(),
            sites: entry.compared.setup.layout.len(),
            gut: (&entry.compared.whole).into(),
            lost: lost(entry),
            trials: trials(entry),
        });
        Self {
            format: 1,
            spacing_mm: wish.spacing_mm,
            entries: entries.collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_with_commas_are_quoted() {
        assert_eq!(quoted("plain"), "plain");
        assert_eq!(quoted("a,\"b\""), "\"a,\"\"b\"\"\"");
    }
}
