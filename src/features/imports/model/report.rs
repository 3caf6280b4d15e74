//! What an import says of itself.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::kinds::ImportKind;
use crate::error::FieldError;

/// The errors listed at most; the count of refused rows is complete.
pub const MAX_LISTED: usize = 1000;

/// The characters of a refused cell that are shown.
const MAX_SHOWN: usize = 200;

/// One thing wrong with one row.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RowError {
    /// The line of the file; the header's is 1 unless blank lines come before it.
    pub line: u32,
    /// The column; empty where the row as a whole is at fault.
    pub column: String,
    /// What stands in the cell, its first 200 characters.
    pub value: String,
    /// A stable word for programs.
    pub code: String,
    /// What is wrong and what to do.
    pub reason: String,
}

/// What came of an import.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
pub struct ImportReport {
    /// What was imported.
    pub kind: ImportKind,
    /// Whether it was only tried.
    pub dry_run: bool,
    /// Whether anything was kept: false for a dry run, and where refused rows held back the others.
    pub committed: bool,
    /// The rows of the file.
    pub rows: usize,
    /// Rows that made a record.
    pub created: usize,
    /// Rows that changed a record.
    pub updated: usize,
    /// Rows that say what is kept already.
    pub unchanged: usize,
    /// Rows that were refused.
    pub refused: usize,
    /// What is wrong with the refused rows, the first 1,000 errors.
    pub errors: Vec<RowError>,
    /// The refused rows as CSV, with a last column `refused_because`; for the command line.
    #[serde(skip)]
    pub refused_csv: Option<String>,
}

impl RowError {
    /// An error of one cell.
    pub fn new(
        line: u32,
        column: impl Into<String>,
        value: &str,
        code: impl Into<String>,
        reason: impl Into<String>,
    ) -> Self {
        // It is shown at terminals, which a control character would steer.
        let shown = |c: char| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c };
        let value = value.chars().take(MAX_SHOWN).map(shown).collect();
        Self { line, column: column.into(), value, code: code.into(), reason: reason.into() }
    }

    /// The error as a sentence, beginning with its column.
    #[must_use]
    pub fn sentence(&self) -> String {
        let subject = match (self.column.as_str(), self.value.as_str()) {
            ("", _) => String::new(),
            (column, "") => format!("{column} "),
            (column, value) => format!("{column} `{value}` "),
        };
        format!("{subject}{}", self.reason)
    }
}

impl From<&RowError> for FieldError {
    fn from(error: &RowError) -> Self {
        let place = if error.column.is_empty() {
            format!("line {}", error.line)
        } else {
            format!("line {}, column {}", error.line, error.column)
        };
        let detail = if error.value.is_empty() {
            error.reason.clone()
        } else {
            format!("`{}` {}", error.value, error.reason)
        };
        Self::new(place, error.code.clone(), detail)
    }
}
