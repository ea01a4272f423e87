//! Comma-separated text, split into cells that know where they stand.
//!
//! RFC 4180: cells in rows, commas between them, a cell in double quotes may hold commas, line breaks and doubled
//! quotes. Rows end with LF or CR LF; rows without any character are passed over, and so is a byte order mark.

use std::borrow::Cow;
use std::fmt::Write as _;

use crate::fault::Fault;

/// No cell of a study is longer than this, bytes.
pub(crate) const LONGEST_CELL: usize = 64 * 1024;

/// One cell of a row.
#[derive(Debug, Clone)]
pub(crate) struct Cell<'a> {
    /// Where it begins in the text, bytes.
    pub offset: usize,
    /// What it holds, without its quotes.
    pub text: Cow<'a, str>,
}

/// The rows of a text.
#[derive(Debug)]
pub(crate) struct Rows<'a> {
    text: &'a str,
    at: usize,
}

/// A fault and its byte offset.
pub(crate) type Located = (usize, Fault);

impl<'a> Rows<'a> {
    pub(crate) fn new(text: &'a str) -> Self {
        let at = if text.starts_with('\u{feff}') { 3 } else { 0 };
        Self { text, at }
    }

    /// Reads the next row into `row`; false at the end of the text.
    pub(crate) fn next_into(&mut self, row: &mut Vec<Cell<'a>>) -> Result<bool, Located> {
        row.clear();
        let bytes = self.text.as_bytes();
        while let Some(length) = line_break(&bytes[self.at..]) {
            self.at += length;
        }
        if self.at == bytes.len() {
            return Ok(false);
        }
        loop {
            let cell = self.next_cell()?;
            if cell.text.len() > LONGEST_CELL {
                return Err((cell.offset, too_long(cell.text.len())));
            }
            row.push(cell);
            match bytes.get(self.at) {
                Some(b',') => self.at += 1,
                _ => {
                    self.at += line_break(&bytes[self.at..]).unwrap_or(0);
                    return Ok(true);
                }
            }
        }
    }

    /// Reads a cell and stops at what ends it: a comma, a line break or the end.
    fn next_cell(&mut self) -> Result<Cell<'a>, Located> {
        let bytes = self.text.as_bytes();
        let offset = self.at;
        if bytes.get(offset) == Some(&b'"') {
            return self.next_quoted();
        }
        let length = bytes[offset..].iter().position(|&byte| byte == b',' || byte == b'\n');
        let mut end = length.map_or(bytes.len(), |length| offset + length);
        if end > offset && bytes[end - 1] == b'\r' && bytes.get(end) != Some(&b',') {
            end -= 1;
        }
        self.at = end;
        Ok(Cell {
            offset,
            text: Cow::Borrowed(&self.text[offset..end]),
        })
    }

    fn next_quoted(&mut self) -> Result<Cell<'a>, Located> {
        let bytes = self.text.as_bytes();
        let offset = self.at;
        let mut text = Cow::Borrowed("");
        let mut from = offset + 1;
        loop {
            let Some(length) = bytes[from..].iter().position(|&byte| byte == b'"') else {
                return Err((offset, unclosed()));
            };
            text += &self.text[from..from + length];
            let after = from + length + 1;
            match &bytes[after..] {
                [b'"', ..] => {
                    text += "\"";
                    from = after + 1;
                }
                [] | [b',' | b'\n', ..] | [b'\r'] | [b'\r', b'\n', ..] => {
                    self.at = after;
                    return Ok(Cell { offset, text });
                }
                _ => return Err((after, after_quote())),
            }
        }
    }
}

/// The length of the line break at the start of some bytes.
fn line_break(bytes: &[u8]) -> Option<usize> {
    match bytes {
        [b'\n', ..] | [b'\r'] => Some(1),
        [b'\r', b'\n', ..] => Some(2),
        _ => None,
    }
}

fn too_long(found: usize) -> Fault {
    Fault::TooLarge {
        what: "bytes in one cell",
        found: found as u64,
        most: LONGEST_CELL as u64,
    }
}

fn unclosed() -> Fault {
    Fault::CsvSyntax {
        found: "a quote that is never closed",
        expected: "a closing quote",
    }
}

fn after_quote() -> Fault {
    Fault::CsvSyntax {
        found: "text after a closing quote",
        expected: "a comma or the end of the row (a quote within quotes is doubled)",
    }
}

/// Appends a cell, in quotes where it needs them.
pub(crate) fn push_cell(out: &mut String, cell: &str) {
    let plain = !cell.is_empty() && !cell.contains(['"', ',', '\n', '\r', '\u{feff}']);
    if plain || cell.is_empty() {
        out.push_str(cell);
    } else {
        let _ = write!(out, "\"{}\"", cell.replace('"', "\"\""));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn rows(text: &str) -> Vec<Vec<String>> {
        let mut rows = Rows::new(text);
        let (mut row, mut all) = (Vec::new(), Vec::new());
        while rows.next_into(&mut row).unwrap() {
            all.push(row.iter().map(|cell| cell.text.to_string()).collect());
        }
        all
    }

    #[test]
    fn cells_split_at_commas_and_rows_at_either_line_break() {
        assert_eq!(
            rows("\u{feff}a,b\r\n1,\n\n\"x,\"\"y\n\",2"),
            [vec!["a", "b"], vec!["1", ""], vec!["x,\"y\n", "2"]]
        );
    }

    #[test]
    fn unbalanced_quotes_are_refused_where_they_stand() {
        let mut row = Vec::new();
        assert_eq!(Rows::new("a,\"b").next_into(&mut row).unwrap_err().0, 2);
        assert_eq!(Rows::new("\"a\"b,c").next_into(&mut row).unwrap_err().0, 3);
    }

    proptest! {
        #[test]
        fn any_cell_reads_back_as_written(cells in prop::collection::vec("[^\0]{0,12}", 2..6)) {
            let mut text = String::from("head\n");
            for (k, cell) in cells.iter().enumerate() {
                if k > 0 {
                    text.push(',');
                }
                push_cell(&mut text, cell);
            }
            text.push('\n');
            prop_assert_eq!(&rows(&text)[1], &cells);
        }
    }
}
