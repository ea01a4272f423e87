//! The page's colours as style: by day, by night, and on paper; for the page, for its script, and for the figures in it.

use super::colour::{BAR_TINT, Colour, ROLES, SIGNAL, of_phase};
use super::figures::TINT;
use alvine::Phase;

/// Variables for every role, light and, on a screen that wants it, dark; and rules by which the figures, drawn in the
/// colours of paper, follow them.
pub fn style() -> String {
    let light = variables(|role| role.light);
    let dark = variables(|role| role.dark);
    let mut style = format!(
        ":root {{ color-scheme: light;{light} }}\n\
         @media screen and (prefers-color-scheme: dark) {{ :root:not([data-theme=\"light\"]) {{ color-scheme: dark;{dark} }} }}\n\
         @media screen {{ :root[data-theme=\"dark\"] {{ color-scheme: dark;{dark} }} }}\n"
    );
    for role in ROLES {
        follow(&mut style, role.light, &format!("var(--{})", role.name));
    }
    for phase in Phase::ALL {
        follow(&mut style, of_phase(phase).tint(TINT), &tinted(phase.as_str(), TINT));
    }
    follow(&mut style, SIGNAL.tint(BAR_TINT), &tinted("signal", BAR_TINT));
    style
}

/// A role's colour mixed with the paper.
fn tinted(role: &str, share: f64) -> String {
    format!("color-mix(in srgb, var(--{role}) {:.0}%, var(--paper))", 100.0 * share)
}

fn variables(of: impl Fn(&super::colour::Role) -> Colour) -> String {
    ROLES
        .iter()
        .map(|role| format!(" --{}: {};", role.name, of(role)))
        .collect()
}

/// What a figure draws in a colour of paper is shown in the role's colour.
fn follow(style: &mut String, drawn: Colour, shown: &str) {
    for attribute in ["fill", "stroke"] {
        style.push_str(&format!(
            ".card [{attribute}=\"{drawn}\"] {{ {attribute}: {shown}; }}\n"
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figures::figures;
    use crate::report::fixture::{Fixture, USUAL};

    #[test]
    fn every_colour_of_every_figure_has_its_colour_by_night() {
        let style = style();
        let fixture = Fixture::of(&USUAL);
        for figure in figures(&fixture.input()).unwrap() {
            for attribute in ["fill", "stroke"] {
                let beginning = format!(" {attribute}=\"#");
                let sets = figure.svg.match_indices(&beginning).map(|(at, _)| {
                    let from = at + attribute.len() + 3;
                    &figure.svg[from..from + 7]
                });
                for colour in sets {
                    let rule = format!("[{attribute}=\"{colour}\"]");
                    assert!(style.contains(&rule), "{}: {rule}", figure.name);
                }
            }
        }
    }

    #[test]
    fn paper_stays_white_whatever_the_reader_chose() {
        let style = style();
        for (at, _) in style.match_indices("--paper: #14171C") {
            let line = style[..at].lines().last().unwrap();
            assert!(line.starts_with("@media screen"), "{line}");
        }
    }
}
