//! Plain text for people: paragraphs and aligned tables, no wider than a hundred columns.

/// The widest line, columns.
pub const WIDTH: usize = 100;
/// The widest name in a table, columns: names from a study may be longer, and are clipped.
const WIDEST_NAME: usize = 30;
const GAP: &str = "  ";

/// Breaks a text into lines between words; every line after the first begins with `indent` spaces.
pub fn paragraph(text: &str, indent: usize) -> String {
    wrapped(text, indent, 0, WIDTH)
}

/// A name of `indent` columns and a text beside it, broken so that no line is wider than `width`, if no word is; what spaces
/// that do not break hold together stays on a line.
pub fn beside(name: &str, text: &str, indent: usize, width: usize) -> String {
    plain(&format!("{name:<indent$}{}", wrapped(text, indent, indent, width)))
}

/// The same for lines that will stand behind `# `, and stay within the width there.
pub fn comment(text: &str) -> String {
    let lines = wrapped(text, 2, 2, WIDTH);
    lines.lines().map(|line| format!("{}\n", line.trim_start())).collect()
}

/// The same for a text whose first line begins at a column, within a width.
fn wrapped(text: &str, indent: usize, mut column: usize, width: usize) -> String {
    let mut lines = String::new();
    let mut begins_line = true;
    let breaks = |character: char| character.is_whitespace() && character != '\u{A0}';
    for word in text.split(breaks).filter(|word| !word.is_empty()) {
        let length = word.chars().count();
        if !begins_line && column + 1 + length > width {
            lines.push('\n');
            lines.extend(std::iter::repeat_n(' ', indent));
            column = indent;
        } else if !begins_line {
            lines.push(' ');
            column += 1;
        }
        lines.push_str(word);
        column += length;
        begins_line = false;
    }
    lines.push('\n');
    lines
}

/// Where a column's cells stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// A table in the making.
#[derive(Debug)]
pub struct Table {
    aligns: Vec<Align>,
    rows: Vec<Row>,
}

#[derive(Debug)]
struct Row {
    cells: Vec<String>,
    /// A sentence in place of the cells that are left.
    rest: Option<String>,
}

impl Table {
    /// A table of these columns.
    pub fn new(columns: &[(&str, Align)]) -> Self {
        let heading = columns.iter().map(|(heading, _)| (*heading).to_owned());
        Self {
            aligns: columns.iter().map(|&(_, align)| align).collect(),
            rows: vec![Row {
                cells: heading.collect(),
                rest: None,
            }],
        }
    }

    /// Adds a row, whose first cell is a name; cells beyond the columns are left away.
    pub fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        let cells = cells.into_iter().take(self.aligns.len()).enumerate();
        let cells = cells.map(|(column, cell)| if column == 0 { clipped(&cell) } else { plain(&cell) });
        self.rows.push(Row {
            cells: cells.collect(),
            rest: None,
        });
    }

    /// Adds a row of one name and a sentence that runs across the other columns.
    pub fn sentence(&mut self, name: &str, sentence: &str) {
        self.rows.push(Row {
            cells: vec![clipped(name)],
            rest: Some(plain(sentence)),
        });
    }

    /// The table as text, each line ended.
    pub fn text(&self) -> String {
        let widths: Vec<usize> = (0..self.aligns.len()).map(|column| self.width(column)).collect();
        let mut text = String::new();
        for row in &self.rows {
            let line = self.line(&row.cells, &widths);
            match &row.rest {
                None => text.push_str(&format!("{}\n", line.trim_end())),
                Some(rest) => {
                    let indent = line.chars().count() + GAP.len();
                    text.push_str(&format!("{line}{GAP}{}", wrapped(rest, indent, indent, WIDTH)));
                }
            }
        }
        text
    }

    fn width(&self, column: usize) -> usize {
        let cells = self.rows.iter().filter_map(|row| row.cells.get(column));
        cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
    }

    fn line(&self, cells: &[String], widths: &[usize]) -> String {
        let cells = cells.iter().zip(&self.aligns).zip(widths);
        let padded = cells.map(|((cell, align), &width)| match align {
            Align::Left => format!("{cell:<width$}"),
            Align::Right => format!("{cell:>width$}"),
        });
        padded.collect::<Vec<_>>().join(GAP)
    }
}

/// A text with ordinary spaces in place of those that do not break, which scripts and screens stumble on.
pub fn plain(text: &str) -> String {
    text.replace('\u{A0}', " ")
}

/// A name that leaves room for what stands beside it.
fn clipped(name: &str) -> String {
    let name = plain(name);
    if name.chars().count() <= WIDEST_NAME {
        return name;
    }
    name.chars().take(WIDEST_NAME - 1).chain(['…']).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_paragraph_breaks_between_words_and_keeps_its_indent() {
        let text = paragraph(&"word ".repeat(60), 4);
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH));
        assert!(text.lines().skip(1).all(|line| line.starts_with("    word")));
        assert_eq!(text.split_whitespace().count(), 60);
    }

    #[test]
    fn columns_stand_below_each_other_and_sentences_hang_beside_their_name() {
        let mut table = Table::new(&[
            ("Landmark", Align::Left),
            ("Time", Align::Right),
            ("Source", Align::Left),
        ]);
        table.row(["cardia", "0:10\u{A0}h", "estimated"].map(str::to_owned));
        table.sentence("ileocaecal-valve", &"not reached ".repeat(12));
        let text = table.text();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "Landmark            Time  Source");
        assert_eq!(lines[1], "cardia            0:10 h  estimated");
        assert!(lines[2].starts_with("ileocaecal-valve  not reached"));
        assert!(lines[3].starts_with("                  "));
        assert!(lines.iter().all(|line| line.chars().count() <= WIDTH));
    }

    #[test]
    fn a_name_that_is_too_long_is_clipped_visibly() {
        let mut table = Table::new(&[("Site", Align::Left)]);
        table.row(["ä".repeat(200)]);
        assert_eq!(table.text().lines().nth(1).map(|line| line.chars().count()), Some(30));
        assert!(table.text().contains('…'));
    }
}
