//! Reference tables of the checks in `tests/tests`, as they lie in `tests/data` and `datasets`.

use std::path::{Path, PathBuf};

/// A file of the repository, by its path from the root.
#[must_use]
pub fn repository_file(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(path)
}

/// A table of text cells under named columns; lines that begin with `#` are notes on its origin.
#[derive(Debug, Clone)]
pub struct Table {
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// Reads a table of the repository.
    ///
    /// # Panics
    ///
    /// When the file is missing or is no table: a broken check-out must fail its tests loudly.
    #[must_use]
    #[expect(clippy::expect_used, reason = "a test that cannot read its reference must fail")]
    pub fn read(path: &str) -> Self {
        let mut reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .from_path(repository_file(path))
            .expect("the reference table opens");
        let header = reader
            .headers()
            .expect("the reference table has a header")
            .iter()
            .map(str::to_owned)
            .collect();
        let rows = reader
            .records()
            .map(|record| {
                record
                    .expect("the reference table is rectangular")
                    .iter()
                    .map(str::to_owned)
                    .collect()
            })
            .collect();
        Self { header, rows }
    }

    /// How many rows there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// A cell as text.
    ///
    /// # Panics
    ///
    /// When there is no such column.
    #[must_use]
    #[expect(clippy::expect_used, reason = "a misspelt column is a bug of the test")]
    pub fn text(&self, row: usize, column: &str) -> &str {
        let index = self
            .header
            .iter()
            .position(|name| name == column)
            .expect("the column exists");
        &self.rows[row][index]
    }

    /// A cell as a number; NaN where it is empty.
    ///
    /// # Panics
    ///
    /// When there is no such column, or the cell holds something else.
    #[must_use]
    #[expect(clippy::expect_used, reason = "a reference that is no number must fail its test")]
    pub fn number(&self, row: usize, column: &str) -> f64 {
        match self.text(row, column) {
            "" => f64::NAN,
            text => text.parse().expect("the cell holds a number"),
        }
    }
}
