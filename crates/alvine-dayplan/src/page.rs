//! The plan as one page for the patient: plain words, large letters, printable, nothing loaded from elsewhere.

use jiff::ZonedDateTime;

use crate::local_time::{day, time_of_day, zone_name};
use crate::plan::DayPlan;
use crate::record::rfc3339;
use crate::step::{Audience, Step};
use crate::text::lasting;
use crate::words::{CALL, CLINICIAN_DECIDES};

const STYLE: &str = include_str!("page.css");

/// The page for the patient, as HTML.
#[must_use]
pub fn page(plan: &DayPlan) -> String {
    let mut html = String::from("<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
    html.push_str("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    html.push_str("<title>Your capsule examination</title>\n<style>\n");
    html.push_str(STYLE);
    html.push_str("</style>\n</head>\n<body>\n<main>\n");
    head(&mut html, plan);
    days(&mut html, plan);
    conduct(&mut html, plan);
    foot(&mut html, plan);
    html.push_str("</main>\n</body>\n</html>\n");
    html
}

fn head(html: &mut String, plan: &DayPlan) {
    element(html, "h1", "Your capsule examination");
    html.push_str("<p class=\"when\">You swallow the capsule on ");
    moment(html, &plan.swallow, &day(plan.swallow.date()));
    html.push_str(" at ");
    moment(html, &plan.swallow, &time_of_day(&plan.swallow));
    html.push_str(".</p>\n");
    html.push_str("<section class=\"first\" aria-labelledby=\"first\">\n<h2 id=\"first\">Before anything else</h2>\n");
    element(html, "p", CLINICIAN_DECIDES);
    html.push_str("</section>\n");
    if !plan.remarks.is_empty() {
        html.push_str("<section class=\"note\" aria-labelledby=\"note\">\n<h2 id=\"note\">Please note</h2>\n<ul>\n");
        for remark in &plan.remarks {
            element(html, "li", &remark.to_string());
        }
        html.push_str("</ul>\n</section>\n");
    }
}

fn days(html: &mut String, plan: &DayPlan) {
    let mut date = None;
    for step in plan.steps.iter().filter(|step| step.audience == Audience::Patient) {
        if date != Some(step.start.date()) {
            if date.is_some() {
                html.push_str("</ol>\n");
            }
            element(html, "h2", &day(step.start.date()));
            html.push_str("<ol class=\"steps\">\n");
            date = Some(step.start.date());
        }
        item(html, step);
    }
    if date.is_some() {
        html.push_str("</ol>\n");
    }
}

fn item(html: &mut String, step: &Step) {
    html.push_str("<li><span class=\"box\" aria-hidden=\"true\"></span>");
    moment(html, &step.start, &time_of_day(&step.start));
    html.push_str("<div>");
    element(html, "h3", &format!("{}{}", step.title, lasting(step)));
    element(html, "p", &step.words);
    html.push_str("</div></li>\n");
}

fn conduct(html: &mut String, plan: &DayPlan) {
    html.push_str("<section class=\"until\" aria-labelledby=\"until\">\n");
    html.push_str("<h2 id=\"until\">From the swallow to the end</h2>\n<ul>\n");
    for rule in &plan.conduct {
        element(html, "li", rule);
    }
    html.push_str("</ul>\n");
    element(html, "p class=\"call\"", CALL);
    match &plan.contact {
        Some(contact) => element(html, "p class=\"contact\"", &format!("Whom to call: {contact}")),
        None => html.push_str("<p class=\"contact\">Whom to call: <span class=\"blank\"></span></p>\n"),
    }
    html.push_str("</section>\n");
}

fn foot(html: &mut String, plan: &DayPlan) {
    let text = format!(
        "Times are what the clock on the wall shows in {}. Protocol: {} ({}). This plan is no medical device; what the unit \
         tells you goes before it.",
        zone_name(plan.swallow.time_zone()),
        plan.protocol,
        plan.origin
    );
    element(html, "footer", &text);
}

fn moment(html: &mut String, moment: &ZonedDateTime, shown: &str) {
    html.push_str(&format!(
        "<time datetime=\"{}\">{}</time>",
        rfc3339(moment),
        escaped(shown)
    ));
}

/// An element that holds only text; `tag` may carry attributes of ours.
fn element(html: &mut String, tag: &str, text: &str) {
    let name = tag.split(' ').next().unwrap_or(tag);
    html.push_str(&format!("<{tag}>{}</{name}>\n", escaped(text)));
}

/// Text from a protocol made safe to stand in HTML: no markup, no control characters, none that turn the direction of writing.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '&' => safe.push_str("&amp;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' => safe.push('\u{FFFD}'),
            letter if letter.is_control() => safe.push('\u{FFFD}'),
            letter => safe.push(letter),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_from_a_protocol_cannot_become_markup() {
        assert_eq!(
            escaped("<b onclick='x'>&\u{202E}\u{7}"),
            "&lt;b onclick=&#39;x&#39;&gt;&amp;\u{FFFD}\u{FFFD}"
        );
    }
}
