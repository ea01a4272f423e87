//! Building HTML of which every text is escaped and every element closed.

use crate::report::Figure;
use crate::report::escape::escaped;

/// A page being written.
#[derive(Debug, Default)]
pub struct Html(String);

/// One cell of a table.
#[derive(Debug)]
pub enum Cell {
    /// The row's heading.
    Head(String),
    /// The row's heading, with the time it is about, s, for the script.
    Moment(String, f64),
    /// A value.
    Value(String),
    /// A share, 0 to 1, in words and as a bar.
    Share(f64, String),
    /// Why there is no value, over so many columns.
    Missing(String, usize),
}

impl Cell {
    /// A value, or why there is none.
    pub fn value_or(value: Option<String>, why: &str) -> Self {
        value.map_or_else(|| Self::Missing(why.to_owned(), 1), Self::Value)
    }
}

impl Html {
    /// Markup that is our own.
    pub fn raw(&mut self, markup: &str) {
        self.0.push_str(markup);
    }

    /// Text of any origin.
    pub fn text(&mut self, text: &str) {
        self.0.push_str(&escaped(text));
    }

    /// An element that holds only text. `tag` may carry attributes of ours.
    pub fn element(&mut self, tag: &str, text: &str) {
        let name = tag.split(' ').next().unwrap_or(tag);
        self.raw("<");
        self.raw(tag);
        self.raw(">");
        self.text(text);
        self.raw("</");
        self.raw(name);
        self.raw(">\n");
    }

    /// A paragraph.
    pub fn paragraph(&mut self, text: &str) {
        self.element("p", text);
    }

    /// One term and what it is.
    pub fn term(&mut self, term: &str, description: &str) {
        self.raw("<div>");
        self.element("dt", term);
        self.element("dd", description);
        self.raw("</div>\n");
    }

    /// Opens a section with its heading; `name` is its anchor, `kind` its class.
    pub fn open_section(&mut self, name: &str, kind: &str, heading: &str) {
        self.raw(&format!("<section class=\"{kind}\" id=\""));
        self.raw(name);
        self.raw("\" aria-labelledby=\"");
        self.raw(name);
        self.raw("-heading\">\n<h2 id=\"");
        self.raw(name);
        self.raw("-heading\">");
        self.text(heading);
        self.raw("</h2>\n");
    }

    /// Opens a part that is folded until the reader asks for it.
    pub fn open_fold(&mut self, summary: &str) {
        self.raw("<details class=\"screen\">\n");
        self.element("summary", summary);
    }

    /// Closes a fold.
    pub fn close_fold(&mut self) {
        self.raw("</details>\n");
    }

    /// Closes a section.
    pub fn close_section(&mut self) {
        self.raw("</section>\n");
    }

    /// A table with a caption, headings of columns, and rows of cells.
    pub fn table(&mut self, caption: &str, headings: &[&str], rows: impl IntoIterator<Item = Vec<Cell>>) {
        self.raw("<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"");
        self.text(caption);
        self.raw(&format!("\">\n<table style=\"--columns: {}\">\n", headings.len()));
        self.element("caption", caption);
        self.raw("<thead><tr>");
        for heading in headings {
            self.element("th scope=\"col\"", heading);
        }
        self.raw("</tr></thead>\n<tbody>\n");
        for row in rows {
            self.raw("<tr>");
            for cell in row {
                self.cell(&cell);
            }
            self.raw("</tr>\n");
        }
        self.raw("</tbody>\n</table>\n</div>\n");
    }

    fn cell(&mut self, cell: &Cell) {
        match cell {
            Cell::Head(text) => self.element("th scope=\"row\"", text),
            Cell::Moment(text, time_s) => self.element(&format!("th scope=\"row\" data-time=\"{time_s:.3}\""), text),
            Cell::Value(text) => self.element("td", text),
            Cell::Share(share, text) => {
                let percent = 100.0 * share.clamp(0.0, 1.0);
                self.raw(&format!("<td class=\"share\" style=\"--share: {percent:.1}%\">"));
                self.text(text);
                self.raw("</td>\n");
            }
            Cell::Missing(why, columns) => {
                self.element(&format!("td class=\"missing\" colspan=\"{columns}\""), why);
            }
        }
    }

    /// A figure with its caption; `kind` is its class. Nothing where the figure was not drawn.
    pub fn figure(&mut self, figures: &[Figure], name: &str, kind: &str, caption: &str) {
        let Some(figure) = figures.iter().find(|figure| figure.name == name) else {
            return;
        };
        self.raw("<figure class=\"");
        self.raw(kind);
        self.raw("\">\n<div class=\"card\" tabindex=\"0\" role=\"group\" aria-label=\"");
        self.text(&figure.title);
        self.raw("\">\n");
        self.raw(&figure.svg);
        self.raw("</div>\n<figcaption><strong>");
        self.text(&figure.title);
        self.raw(".</strong> ");
        self.text(caption);
        self.raw("</figcaption>\n</figure>\n");
    }

    /// The page.
    pub fn finish(self) -> String {
        self.0
    }
}

/// A whole number with its thousands apart.
pub fn grouped(number: usize) -> String {
    let digits = number.to_string();
    let mut grouped = String::with_capacity(digits.len() + digits.len() / 3);
    for (k, digit) in digits.chars().enumerate() {
        if k > 0 && (digits.len() - k).is_multiple_of(3) {
            grouped.push('\u{A0}');
        }
        grouped.push(digit);
    }
    grouped
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_stand_apart() {
        assert_eq!(grouped(7), "7");
        assert_eq!(grouped(259_200), "259\u{A0}200");
        assert_eq!(grouped(1_000_000), "1\u{A0}000\u{A0}000");
    }

    #[test]
    fn text_in_an_element_is_escaped_and_the_element_closed() {
        let mut html = Html::default();
        html.element("td class=\"missing\"", "<b>");
        assert_eq!(html.finish(), "<td class=\"missing\">&lt;b&gt;</td>\n");
    }
}
