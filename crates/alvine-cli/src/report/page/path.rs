//! The path in three planes, and the course of the coordinates over time.

use super::html::{Cell, Html};
use crate::report::axes::signed;
use crate::report::{Figure, ReportInput};

/// So many sites are listed beside the pictures; more are listed beneath.
const MOST_BESIDE: usize = 12;

/// Writes the section.
pub fn write(html: &mut Html, input: &ReportInput<'_>, figures: &[Figure]) {
    html.open_section("path", "The path of the capsule");
    html.paragraph(
        "Three views of one path, at one scale, in millimetres from the umbilicus. Ellipses are drawn at equal steps \
         along the track; each holds the capsule's place at that moment with 90 % probability. The gut moves within \
         the belly: a place is where the capsule was, not a fixed point of the bowel.",
    );
    html.raw("<div class=\"planes\">\n");
    for (name, caption) in [
        (
            "coronal",
            "As when facing the patient: the patient's right (R) is on the left. S is towards the head, I towards the feet.",
        ),
        (
            "sagittal",
            "Seen from the patient's left: the front (A) is on the left, the back (P) on the right.",
        ),
        (
            "axial",
            "Seen from the feet: the patient's right (R) is on the left, the front (A) at the top.",
        ),
    ] {
        html.figure(figures, name, "plane", caption);
    }
    let few = input.study.setup.layout.len() <= MOST_BESIDE;
    if few {
        write_sites(html, input);
    }
    html.raw("</div>\n");
    let caption = "The line is the place, the band holds it with 90 % probability. Where there is no line, nothing can \
                   be said.";
    html.figure(figures, "course", "wide", caption);
    if !few {
        write_sites(html, input);
    }
    html.close_section();
}

fn write_sites(html: &mut Html, input: &ReportInput<'_>) {
    let headings = ["No.", "Site", "x, mm to the left", "y, mm deep", "z, mm up"];
    let rows = (1..).zip(input.study.setup.layout.sites()).map(|(number, site)| {
        let [x_mm, y_mm, z_mm] = site.position_mm.into();
        vec![
            Cell::Value(format!("{number}")),
            Cell::Head(site.name.clone()),
            Cell::Value(signed(x_mm)),
            Cell::Value(signed(y_mm)),
            Cell::Value(signed(z_mm)),
        ]
    });
    html.table(
        "The sites by number, in millimetres from the umbilicus",
        &headings,
        rows,
    );
}
