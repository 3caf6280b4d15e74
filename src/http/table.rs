//! A table in two forms: CSV, and a workbook (Office Open XML, ECMA-376) with its definitions on a sheet of their own.
//! The columns say once what they are called and what they mean; the cells know what they are, so that a date is a
//! date in a spreadsheet and a text that looks like a formula stays a text.

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use rust_xlsxwriter::{Format, FormatAlign, Workbook, Worksheet, XlsxError};

use crate::codes;
use crate::error::{Error, Result};
use crate::http::csv::{harmless, lines};

/// The content type of a workbook.
pub const WORKBOOK: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
/// The most rows a workbook is made of: what a person can still filter; more go as CSV.
pub const MAX_SHEET_ROWS: usize = 100_000;
/// What a cell of a worksheet holds at most (ECMA-376 implementations).
const MAX_CELL_CHARS: usize = 32_767;

/// A column.
#[derive(Debug, Clone, Copy)]
pub struct Column {
    /// Its name, as in JSON, with its unit.
    pub name: &'static str,
    /// What it says, in a sentence.
    pub meaning: &'static str,
    /// How wide it is in a workbook, in characters.
    pub width: u8,
}

/// A column.
#[must_use]
pub const fn column(name: &'static str, width: u8, meaning: &'static str) -> Column {
    Column { name, meaning, width }
}

/// What stands in a cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing.
    Empty,
    /// A text of a person's.
    Text(String),
    /// A word of ours: a code or an id.
    Word(String),
    /// A day.
    Day(NaiveDate),
    /// An instant.
    Time(DateTime<Utc>),
    /// A number.
    Number(f64),
    /// Yes or no.
    Truth(bool),
}

impl Cell {
    /// A person's text, if there is one.
    #[must_use]
    pub fn text(text: Option<&str>) -> Self {
        text.map_or(Self::Empty, |text| Self::Text(text.to_owned()))
    }

    /// An id or another word of ours, if there is one.
    #[must_use]
    pub fn word(word: Option<impl ToString>) -> Self {
        word.map_or(Self::Empty, |word| Self::Word(word.to_string()))
    }

    /// The word that stands for a code.
    ///
    /// # Errors
    /// Internal, if it has none: a defect.
    pub fn code(code: &impl serde::Serialize) -> Result<Self> {
        codes::to_text(code).map(Self::Word)
    }

    /// A day, if there is one.
    #[must_use]
    pub fn day(day: Option<NaiveDate>) -> Self {
        day.map_or(Self::Empty, Self::Day)
    }

    /// A number, if there is one.
    #[must_use]
    pub fn number(number: Option<f64>) -> Self {
        number.map_or(Self::Empty, Self::Number)
    }

    /// As a cell of a CSV line.
    #[must_use]
    pub fn csv(&self) -> String {
        match self {
            Self::Empty => String::new(),
            Self::Text(text) => harmless(text).into_owned(),
            Self::Word(word) => word.clone(),
            Self::Day(day) => day.to_string(),
            Self::Time(at) => at.to_rfc3339_opts(SecondsFormat::AutoSi, true),
            Self::Number(number) => number.to_string(),
            Self::Truth(truth) => truth.to_string(),
        }
    }
}

/// The header line of a table as CSV.
///
/// # Errors
/// Internal: a defect.
pub fn csv_header(columns: &[Column]) -> Result<Vec<u8>> {
    lines([columns.iter().map(|column| column.name)])
}

/// Rows of a table as CSV.
///
/// # Errors
/// Internal, if they differ in their number of cells: a defect.
pub fn csv_lines<const N: usize>(rows: &[[Cell; N]]) -> Result<Vec<u8>> {
    lines(rows.iter().map(|cells| cells.iter().map(Cell::csv)))
}

/// A workbook as it is being written: a sheet of rows, then the definitions.
pub struct Book {
    workbook: Workbook,
    formats: Formats,
    rows: usize,
}

struct Formats {
    header: Format,
    day: Format,
    time: Format,
    wrapped: Format,
}

fn failed(error: XlsxError) -> Error {
    Error::internal(error)
}

fn index(n: usize) -> Result<u16> {
    u16::try_from(n).map_err(Error::internal)
}

impl Book {
    /// A workbook whose first sheet has this name and these columns; the header and the first column stay in sight.
    ///
    /// # Errors
    /// Internal, for a name no sheet can have: a defect.
    pub fn new(sheet: &str, columns: &[Column]) -> Result<Self> {
        let formats = Formats {
            header: Format::new().set_bold().set_align(FormatAlign::Top).set_text_wrap(),
            day: Format::new().set_num_format("yyyy-mm-dd"),
            time: Format::new().set_num_format("yyyy-mm-dd hh:mm"),
            wrapped: Format::new().set_align(FormatAlign::Top).set_text_wrap(),
        };
        let mut workbook = Workbook::new();
        // Row by row to a temporary file: a long list is not held in memory.
        let page = workbook.add_worksheet_with_constant_memory().map_err(failed)?;
        page.set_name(sheet).map_err(failed)?.set_freeze_panes(1, 1).map_err(failed)?;
        page.set_landscape().set_paper_size(9).set_print_fit_to_pages(1, 0);
        page.set_repeat_rows(0, 0).map_err(failed)?;
        for (n, column) in columns.iter().enumerate() {
            let n = index(n)?;
            page.set_column_width(n, f64::from(column.width)).map_err(failed)?;
            page.write_with_format(0, n, column.name, &formats.header).map_err(failed)?;
        }
        Ok(Self { workbook, formats, rows: 0 })
    }

    /// Adds a row.
    ///
    /// # Errors
    /// Invalid, when there are more rows than a workbook is made of.
    pub fn push(&mut self, cells: &[Cell]) -> Result<()> {
        if self.rows == MAX_SHEET_ROWS {
            let detail = format!(
                "cannot be a workbook: there are more than {MAX_SHEET_ROWS} rows. Narrow the filters, or ask for CSV."
            );
            return Err(Error::field("format", "too_many_rows", &detail));
        }
        self.rows += 1;
        let row = u32::try_from(self.rows).map_err(Error::internal)?;
        let page = self.workbook.worksheet_from_index(0).map_err(failed)?;
        for (n, cell) in cells.iter().enumerate() {
            write(page, row, index(n)?, cell, &self.formats)?;
        }
        Ok(())
    }

    /// The file: the filter over all columns, and the sheet of definitions with what is told besides.
    ///
    /// # Errors
    /// Internal, if it cannot be written.
    pub fn finish(mut self, columns: &[Column], notes: &[String]) -> Result<Vec<u8>> {
        let last_row = u32::try_from(self.rows).map_err(Error::internal)?;
        let last_column = index(columns.len().saturating_sub(1))?;
        let page = self.workbook.worksheet_from_index(0).map_err(failed)?;
        page.autofilter(0, 0, last_row, last_column).map_err(failed)?;
        let page = self.workbook.add_worksheet();
        page.set_name("Definitions").map_err(failed)?.set_freeze_panes(1, 0).map_err(failed)?;
        page.set_column_width(0, 36).map_err(failed)?.set_column_width(1, 100).map_err(failed)?;
        page.write_with_format(0, 0, "Column", &self.formats.header).map_err(failed)?;
        page.write_with_format(0, 1, "Meaning", &self.formats.header).map_err(failed)?;
        let lines = columns.iter().map(|column| (column.name, column.meaning));
        let notes = notes.iter().map(|note| ("", note.as_str()));
        for (row, (name, meaning)) in (1..).zip(lines.chain(notes)) {
            page.write_string(row, 0, name).map_err(failed)?;
            page.write_string_with_format(row, 1, meaning, &self.formats.wrapped).map_err(failed)?;
        }
        self.workbook.save_to_buffer().map_err(failed)
    }
}

fn write(page: &mut Worksheet, row: u32, column: u16, cell: &Cell, formats: &Formats) -> Result<()> {
    match cell {
        Cell::Empty => Ok(page),
        // Written as a text whatever it begins with: no spreadsheet reckons it.
        Cell::Text(text) | Cell::Word(text) => {
            page.write_string(row, column, text.chars().take(MAX_CELL_CHARS).collect::<String>())
        }
        Cell::Day(day) => page.write_with_format(row, column, day, &formats.day),
        Cell::Time(at) => page.write_with_format(row, column, &at.naive_utc(), &formats.time),
        Cell::Number(number) => page.write_number(row, column, *number),
        Cell::Truth(truth) => page.write_boolean(row, column, *truth),
    }
    .map(|_| ())
    .map_err(failed)
}
