//! What the sites heard.

use super::html::Html;
use crate::report::Figure;

/// Writes the section.
pub fn write(html: &mut Html, figures: &[Figure]) {
    html.open_section("signals", "What each site heard");
    let caption = "All strips share one axis of level and one of time. In each column of the picture the band spans \
                   the weakest to the strongest level, so that no peak is lost. The ribbon beneath a strip grows with \
                   the share of instants below the receiver's floor (light) or without a packet (dark); a black edge \
                   above marks saturation. A framed stretch is one in which the site seems to have worked loose. Where \
                   band and ribbon are both empty, nothing was recorded.";
    html.figure(figures, "signals", "wide", caption);
    html.close_section();
}
