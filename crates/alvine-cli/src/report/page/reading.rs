//! Cautions, and how to read the page.

use alvine_study::results::summary::CalibrationResult;

use super::html::Html;
use crate::report::ReportInput;

/// Writes the cautions.
pub fn write_cautions(html: &mut Html, input: &ReportInput<'_>) {
    html.open_section("cautions", "", "Cautions");
    html.raw("<ul class=\"cautions\">\n");
    html.element(
        "li",
        "This page is information, not a diagnosis, and alvine is not a medical device. It does not replace the \
         reading of the images, nor an X-ray where a capsule may be retained.",
    );
    for caution in &input.summary.cautions {
        html.element("li", caution);
    }
    html.raw("</ul>\n");
    html.close_section();
}

/// Writes how to read the page.
pub fn write(html: &mut Html, input: &ReportInput<'_>) {
    let method = &input.summary.method;
    html.open_section("reading", "screen", "How to read this page");
    html.raw("<dl class=\"reading\">\n");
    html.term(
        "90 % interval",
        "If the model of signal and gut is right, the true value lies within it in nine passages of ten, and outside \
         it in one. It does not cover what the model leaves out.",
    );
    html.term(
        "Estimated, read, given",
        "Estimated times come from the signal alone. Times that a reader saw in the images, or that the study states, \
         are taken as they are; what the signal alone says stands beside them.",
    );
    html.term(
        "Position",
        "The law from distance to signal gives the path that fits all sites best over the whole recording, those below \
         their floor included, with shadowing of each site's own that is fixed in place. Depth is the least certain coordinate, as the sites lie on the skin.",
    );
    html.term(
        "Left and right",
        "Always the patient's. In the coronal and axial pictures the patient's right is on the left.",
    );
    html.term(
        "Phases",
        "The gut is passed in one direction: each phase begins where the one before it ends. A phase that the \
         recording did not see to its end has a lower bound for its duration, marked ≥.",
    );
    html.term("Estimator", &method.smoother);
    let places = if method.usual_places {
        "the track is drawn towards where the gut, and the part that the capsule is likely in, usually lies"
    } else {
        "not used: the track follows from the signal alone"
    };
    html.term("Usual places", places);
    if let Some(rounds) = method.rounds {
        html.term("Track and phases told from each other", &turns(rounds, method.settled));
    }
    let prior = match method.prior.as_str() {
        "fasting" => "fasting: 22 (10 to 48) min in the stomach as published for healthy people".to_owned(),
        "fed" => "fed: a median of 2.99 h in the stomach as published for volunteers".to_owned(),
        other => format!("{other}, from a file"),
    };
    html.term("Durations expected beforehand", &prior);
    let level = match (method.level_known, &method.calibration) {
        (true, Some(_)) => "taken from the study, give or take 3 dB",
        (true, None) => "taken from the study, give or take 0.7 dB",
        (false, _) => "not taken as known: estimated along with the place",
    };
    html.term("Transmit level", level);
    if let Some(calibration) = &method.calibration {
        html.term("The law, by this recording itself", &calibrated(calibration));
    }
    let radius = method.median_radius90_mm.map_or_else(
        || "not known: no instant has a place".to_owned(),
        |radius_mm| format!("{radius_mm:.0} mm for half of the instants or better"),
    );
    html.term("Radius that holds the place with 90 %", &radius);
    html.term("Version", &format!("alvine {}", method.version));
    html.raw("</dl>\n");
    html.close_section();
}

/// What the recording says of the law that the study states.
fn calibrated(calibration: &CalibrationResult) -> String {
    let gains = calibration.gains_db.iter().map(|gain| gain.value.abs());
    let told = format!(
        "level {:+.1} ± {:.1} dB and exponent {:+.2} ± {:.2} against the study's; gains of sites within {:.1} dB of it. The track counts \
         with these",
        calibration.level_db.value,
        calibration.level_db.spread,
        calibration.exponent.value,
        calibration.exponent.spread,
        gains.fold(0.0, f64::max),
    );
    told.replace('-', "\u{2212}")
}

/// How often, and whether it came to rest.
fn turns(rounds: usize, settled: Option<bool>) -> String {
    match (rounds, settled) {
        (1, _) => "once".to_owned(),
        (_, Some(true)) => format!("{rounds} times, until neither moved any more"),
        _ => format!("{rounds} times, the most that is asked for: they may still move"),
    }
}
