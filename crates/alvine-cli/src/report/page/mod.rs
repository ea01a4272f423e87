//! The page: one HTML file that asks nothing of the network.
//!
//! The answer first, then where each finding lies, then the passage to be explored, then whether the antennas can be
//! trusted. Without a script, and on paper, still figures stand in for the explorer; on paper the whole takes two sheets.
//! It is written as well-formed XML, so that a test can read it back, and carries a content policy that forbids loading
//! anything and running anything but its own script.

mod answer;
mod digest;
mod findings;
pub(crate) mod html;
mod motion;
mod passage;
mod phases;
pub(crate) mod plain;
mod quality;
mod reading;

use super::clock::{Clock, duration};
use super::data::base64;
use super::escape::escaped;
use super::{Figure, ReportError, ReportInput, theme};

use html::{Html, grouped};

#[cfg(test)]
pub use passage::{script, script_hash};

const STYLE: &str = include_str!("../style.css");
/// The choice of colours, which the script shows.
const THEME: &str = "<fieldset id=\"theme\" class=\"theme screen\" hidden=\"hidden\"><legend>Colours</legend>\n\
    <label><input type=\"radio\" name=\"theme\" value=\"auto\" checked=\"checked\"/>as the system</label>\n\
    <label><input type=\"radio\" name=\"theme\" value=\"light\"/>light</label>\n\
    <label><input type=\"radio\" name=\"theme\" value=\"dark\"/>dark</label></fieldset>\n";
const REGULAR_SUBSET: &[u8] = include_bytes!("../../../assets/DejaVuSans.subset.woff2");
const BOLD_SUBSET: &[u8] = include_bytes!("../../../assets/DejaVuSans-Bold.subset.woff2");

/// Sets answers and figures into one self-contained HTML page: the answer first, then what it rests on.
///
/// # Errors
///
/// [`ReportError::Data`] when the numbers inside it cannot be written.
pub fn page(input: &ReportInput<'_>, figures: &[Figure]) -> Result<String, ReportError> {
    let clock = Clock::of(input);
    let mut html = Html::default();
    write_head(&mut html, input);
    html.raw("<body>\n");
    write_header(&mut html, input, &clock);
    html.raw("<main>\n");
    answer::write(&mut html, input, &clock);
    findings::write(&mut html, input, &clock);
    passage::write(&mut html, input, &clock, figures)?;
    quality::write(&mut html, input, &clock);
    reading::write_cautions(&mut html, input);
    phases::write(&mut html, input, &clock, figures);
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
    html.raw(&format!(
        "<!DOCTYPE html>\n<html lang=\"en-GB\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; \
         font-src data:; script-src '{}'\"/>\n",
        passage::script_hash()
    ));
    html.element("title", &format!("Capsule passage, study {}", input.study.id));
    html.raw("<style>\n");
    for (weight, bytes) in [("normal", REGULAR_SUBSET), ("bold", BOLD_SUBSET)] {
        html.raw(&format!(
            "@font-face {{ font-family: \"DejaVu Sans\"; font-weight: {weight}; \
             src: url(data:font/woff2;base64,{}) format(\"woff2\"); }}\n",
            base64(bytes)
        ));
    }
    html.raw(&theme::style());
    html.raw(STYLE);
    html.raw("</style>\n</head>\n");
}

fn write_header(html: &mut Html, input: &ReportInput<'_>, clock: &Clock) {
    let recording = &input.study.recording;
    html.raw("<header>\n<div class=\"masthead\">\n<h1>Capsule passage, study ");
    html.raw(&format!(
        "<span class=\"id\">{}</span></h1>\n",
        escaped(&input.study.id)
    ));
    html.raw(THEME);
    html.raw("</div>\n");
    let began = clock.began().map_or_else(
        || "The study does not say when the recording began, so that no time of day is given here".to_owned(),
        |began| format!("Recording began {began}"),
    );
    html.element(
        "p class=\"facts-line\"",
        &format!(
            "{began}; it lasted {}; {} sites; {} instants",
            duration(recording.duration_s()),
            recording.sites(),
            grouped(recording.len())
        ),
    );
    html.raw(
        "<p class=\"notice\" role=\"note\"><strong>Information, not a diagnosis. Not a medical device.</strong> \
         Everything here is computed from the strength of a radio signal, unless it says that a reader saw it in the \
         images. The images and the clinician decide.</p>\n</header>\n",
    );
}
