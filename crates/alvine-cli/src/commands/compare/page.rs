//! The page of a comparison: what differs first, then every number, one section a pair.

use std::path::Path;

use alvine_audit::Difference;

use super::{ComparisonJson, Pair, figure, notes};
use crate::commands::out_folder::Files;
use crate::outcome::Failure;
use crate::report::Figure;
use crate::report::clock::{duration, duration_range};
use crate::report::page::html::{Cell, Html};
use crate::report::page::plain;

const PAGE_NAME: &str = "compare.html";
const JSON_NAME: &str = "compare.json";

/// Writes page and numbers, each whole or not at all.
pub fn write(comparison: &ComparisonJson<'_>, out: &Path) -> Result<(), Failure> {
    let figures: Result<Vec<Option<Figure>>, _> = comparison.pairs.iter().map(figure::differences).collect();
    let page = page(&comparison.pairs, &figures?);
    let mut files = Files::new(out)?;
    files.put_json(JSON_NAME, comparison)?;
    files.put(PAGE_NAME, page.as_bytes())?;
    files.commit()
}

fn page(pairs: &[Pair<'_>], figures: &[Option<Figure>]) -> String {
    let mut html = plain::open("Examinations side by side");
    html.raw(
        "<p class=\"notice\" role=\"note\"><strong>Information, not a diagnosis. Not a medical device.</strong> Everything here \
         is computed from signal strength, unless a reader gave a landmark.</p>\n",
    );
    plain::open_main(&mut html);
    for (index, (pair, figure)) in pairs.iter().zip(figures).enumerate() {
        html.open_section(
            &format!("pair-{}", index + 1),
            "pair",
            &format!("{} beside {}", pair.second, pair.first),
        );
        html.element("p class=\"answer\"", &answer(pair));
        if let Some(notice) = pair.what_is_compared() {
            html.paragraph(notice);
        }
        html.figure(figure.as_slice(), figure::NAME, "wide", &caption(pair));
        table(&mut html, pair);
        if let Some(apart) = pair.apart() {
            html.paragraph(&apart);
        }
        html.close_section();
    }
    html.open_section("reading", "reading", "How to read this");
    for note in notes(pairs) {
        html.paragraph(&note);
    }
    html.close_section();
    let footer = format!("Made by alvine {}. Not a medical device.", env!("CARGO_PKG_VERSION"));
    plain::close(html, &footer)
}

/// Which durations differ by more than their uncertainty.
fn answer(pair: &Pair<'_>) -> String {
    let apart: Vec<String> = pair
        .durations
        .iter()
        .filter_map(|row| match row.difference {
            Difference::Known { value_s, interval90_s } if interval90_s[0] > 0.0 || interval90_s[1] < 0.0 => {
                let length = duration(value_s.abs());
                let which = if value_s > 0.0 { "longer" } else { "shorter" };
                let usual = row.day_to_day_s.is_some_and(|most_s| value_s.abs() <= most_s);
                let as_usual = if usual {
                    ", no more than from one day to another"
                } else {
                    ""
                };
                Some(format!("{} {length} {which}{as_usual}", row.name))
            }
            _ => None,
        })
        .collect();
    if apart.is_empty() {
        return "No duration is known to differ: each difference lies within its uncertainty, or is not told."
            .to_owned();
    }
    format!("In the second: {}.", apart.join("; "))
}

fn caption(pair: &Pair<'_>) -> String {
    let mut caption =
        "Dots are the second minus the first, whiskers their 90 % intervals; an arrow is a difference of which only \
                       one bound is known. Where a whisker crosses the line at nought, the two may be alike."
            .to_owned();
    if pair.durations.iter().any(|row| row.day_to_day_s.is_some()) {
        caption
            .push_str(" The band is how far two examinations of one person differ without any treatment (19 of 20).");
    }
    caption
}

fn table(html: &mut Html, pair: &Pair<'_>) {
    let headings = ["What", "First", "Second", "Difference", "90 % interval"];
    let [first, second] = pair.completeness;
    let shares = pair.probability_complete.map(|share| format!("{:.0} %", 100.0 * share));
    let [first_share, second_share] = shares;
    let mut rows = vec![
        cells(["small bowel", first, second, "", ""].map(str::to_owned)),
        cells([
            "valve passed, probability".to_owned(),
            first_share,
            second_share,
            String::new(),
            String::new(),
        ]),
    ];
    rows.extend(pair.durations.iter().map(|row| cells(row.cells())));
    rows.extend(
        pair.quality()
            .map(|[name, first, second]| cells([name, first, second, String::new(), String::new()])),
    );
    html.table("Both in numbers", &headings, rows);
    if let Some(most_s) = pair.durations.iter().find_map(|row| row.day_to_day_s) {
        html.paragraph(&format!(
            "Small-bowel transit from day to day in one person: {} (19 of 20).",
            duration_range([-most_s, most_s])
        ));
    }
}

fn cells([name, rest @ ..]: [String; 5]) -> Vec<Cell> {
    let mut cells = vec![Cell::Head(name)];
    cells.extend(rest.map(Cell::Value));
    cells
}
