//! The page: one HTML file that asks nothing of the network and needs no script.
//!
//! It is written as well-formed XML, so that a test can read it back, and carries a content policy that forbids
//! loading anything.

mod answer;
mod base64;
mod findings;
mod html;
mod path;
mod phases;
mod quality;
mod reading;
mod signals;

use super::clock::{Clock, duration};
use super::escape::escaped;
use super::{Figure, ReportError, ReportInput};
use base64::base64;
use html::{Html, grouped};

const STYLE: &str = include_str!("../style.css");
const REGULAR_SUBSET: &[u8] = include_bytes!("../../../assets/DejaVuSans.subset.woff2");
const BOLD_SUBSET: &[u8] = include_bytes!("../../../assets/DejaVuSans-Bold.subset.woff2");

/// Sets answers and figures into one self-contained HTML page: the answer first, then what it rests on.
///
/// # Errors
///
/// None today: whatever the study holds has a place on the page. The type leaves room for it.
pub fn page(input: &ReportInput<'_>, figures: &[Figure]) -> Result<String, ReportError> {
    let clock = Clock::of(input);
    let mut html = Html::default();
    write_head(&mut html, input);
    html.raw("<body>\n");
    write_header(&mut html, input, &clock);
    html.raw("<main>\n");
    answer::write(&mut html, input, &clock);
    phases::write(&mut html, input, &clock, figures);
    findings::write(&mut html, input, &clock);
    path::write(&mut html, input, figures);
    signals::write(&mut html, figures);
    quality::write(&mut html, input, &clock);
    reading::write(&mut html, input);
    html.raw("</main>\n<footer>\n");
    html.paragraph(&format!(
        "Made by alvine {}. Information, not a diagnosis; not a medical device.",
        input.summary.method.version
    ));
    html.raw("</footer>\n</body>\n</html>\n");
    Ok(html.finish())
}

fn write_head(html: &mut Html, input: &ReportInput<'_>) {
    html.raw(
        "<!DOCTYPE html>\n<html lang=\"en-GB\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; \
         font-src data:\"/>\n",
    );
    html.element("title", &format!("Capsule passage, study {}", input.study.id));
    html.raw("<style>\n");
    for (weight, bytes) in [("normal", REGULAR_SUBSET), ("bold", BOLD_SUBSET)] {
        html.raw(&format!(
            "@font-face {{ font-family: \"DejaVu Sans\"; font-weight: {weight}; \
             src: url(data:font/woff2;base64,{}) format(\"woff2\"); }}\n",
            base64(bytes)
        ));
    }
    html.raw(STYLE);
    html.raw("</style>\n</head>\n");
}

fn write_header(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    let recording = &input.study.recording;
    html.raw("<header>\n<p class=\"kind\">Passage of one swallowed capsule</p>\n<h1>Study ");
    html.raw(&format!(
        "<span class=\"id\">{}</span></h1>\n",
        escaped(&input.study.id)
    ));
    let began = clock
        .began()
        .unwrap_or_else(|| "the study does not say when, so that no time of day is given here".to_owned());
    html.raw("<dl class=\"facts\">\n");
    html.term("Recording began", &began);
    html.term("It lasted", &duration(recording.duration_s()));
    html.term("Sites", &recording.sites().to_string());
    html.term("Instants", &grouped(recording.len()));
    html.raw("</dl>\n");
    html.raw(
        "<p class=\"notice\" role=\"note\"><strong>Information, not a diagnosis. Not a medical device.</strong> \
         Everything here is computed from the strength of a radio signal, unless it says that a reader saw it in the \
         images. The images and the clinician decide.</p>\n</header>\n",
    );
}
