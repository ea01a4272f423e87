//! The frame of a page that is read from top to bottom: one file without a script, by day, by night and on paper.

use super::html::Html;
use crate::report::theme;

const STYLE: &str = include_str!("../plain.css");

/// Begins a page, up to its heading within the header, which is left open.
pub fn open(title: &str) -> Html {
    let mut html = Html::default();
    html.raw(
        "<!DOCTYPE html>\n<html lang=\"en-GB\">\n<head>\n<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\"/>\n",
    );
    html.element("title", title);
    html.raw("<style>\n");
    html.raw(&theme::style());
    html.raw(STYLE);
    html.raw("</style>\n</head>\n<body>\n<header>\n");
    html.element("h1", title);
    html
}

/// Ends the header, and begins what the page is about.
pub fn open_main(html: &mut Html) {
    html.raw("</header>\n<main>\n");
}

/// Ends the page with a footer.
pub fn close(mut html: Html, footer: &str) -> String {
    html.raw("</main>\n<footer>\n");
    html.paragraph(footer);
    html.raw("</footer>\n</body>\n</html>\n");
    html.finish()
}
