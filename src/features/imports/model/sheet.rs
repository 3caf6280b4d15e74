//! A file understood: the columns its header names, the decimal mark of its numbers, and its rows cell by
//! cell.

use std::io::Read;

use serde_json::{Map, Value};

use super::cells::{Cell, DecimalMark, Form, Numeral, plain};
use super::kinds::{Column, ImportKind};
use super::report::RowError;
use super::text::{Row, Table};
use crate::error::Result;

/// A file of one kind.
#[derive(Debug)]
pub struct Sheet {
    kind: ImportKind,
    table: Table,
    places: Vec<Option<usize>>,
    mark: DecimalMark,
}

impl Sheet {
    /// Reads a file of at most `max_bytes`.
    ///
    /// # Errors
    /// Those of [`Table::read`], of [`ImportKind::places`] and of [`DecimalMark::of`]: what bars the whole
    /// file, not one row of it.
    pub fn read(kind: ImportKind, source: impl Read, max_bytes: u32) -> Result<Self> {
        let table = Table::read(source, max_bytes)?;
        let places = kind.places(&table)?;
        let numbers: Vec<(&str, usize)> = kind
            .columns()
            .iter()
            .zip(&places)
            .filter(|(column, _)| column.form == Form::Number)
            .filter_map(|(column, place)| place.map(|place| (column.name, place)))
            .collect();
        let numerals = table.rows().filter(|row| row.len() == table.header().len()).flat_map(|row| {
            numbers.iter().map(move |(column, place)| Numeral {
                line: row.line(),
                column,
                text: plain(row.get(*place).unwrap_or_default()),
            })
        });
        let mark = DecimalMark::of(numerals, table.delimiter())?;
        Ok(Self { kind, table, places, mark })
    }

    /// What the file holds.
    #[must_use]
    pub fn kind(&self) -> ImportKind {
        self.kind
    }

    /// The file's text.
    #[must_use]
    pub fn table(&self) -> &Table {
        &self.table
    }

    /// The texts of one column in all rows, where there are any.
    pub fn texts(&self, name: &str) -> impl Iterator<Item = &str> + use<'_> {
        let place = self.position(name).and_then(|n| self.places.get(n).copied().flatten());
        self.table
            .rows()
            .filter_map(move |row| row.get(place?))
            .map(plain)
            .filter(|text| !text.is_empty() && *text != "null")
    }

    /// A row's cells.
    ///
    /// # Errors
    /// What is wrong with them.
    pub fn entry<'a>(&'a self, row: Row<'a>) -> std::result::Result<Entry<'a>, Vec<RowError>> {
        let (found, named) = (row.len(), self.table.header().len());
        if found != named {
            let reason = format!(
                "has {found} cells, the header names {named}. Put cells that hold the delimiter in quotation marks, and leave none out."
            );
            return Err(vec![RowError::new(row.line(), "", "", "cells", reason)]);
        }
        let mut errors = Vec::new();
        let cells = self
            .kind
            .columns()
            .iter()
            .zip(&self.places)
            .map(|(column, place)| {
                let raw = place.and_then(|place| row.get(place)).unwrap_or_default();
                column.form.read(raw, self.mark).unwrap_or_else(|unread| {
                    errors.push(RowError::new(row.line(), column.name, raw, unread.0, unread.1));
                    Cell::NotGiven
                })
            })
            .collect();
        if errors.is_empty() { Ok(Entry { sheet: self, row, cells }) } else { Err(errors) }
    }

    fn position(&self, name: &str) -> Option<usize> {
        self.kind.columns().iter().position(|column| column.name == name)
    }
}

/// One row, its cells read.
#[derive(Debug)]
pub struct Entry<'a> {
    sheet: &'a Sheet,
    row: Row<'a>,
    cells: Vec<Cell>,
}

impl Entry<'_> {
    /// The line it begins on.
    #[must_use]
    pub fn line(&self) -> u32 {
        self.row.line()
    }

    /// The cell of a column.
    #[must_use]
    pub fn cell(&self, name: &str) -> &Cell {
        self.sheet.position(name).and_then(|n| self.cells.get(n)).unwrap_or(&Cell::NotGiven)
    }

    /// The value of a column, where one is given.
    #[must_use]
    pub fn value(&self, name: &str) -> Option<&Value> {
        match self.cell(name) {
            Cell::Given(value) => Some(value),
            _ => None,
        }
    }

    /// The text of a column, where one is given.
    #[must_use]
    pub fn text(&self, name: &str) -> Option<&str> {
        self.value(name).and_then(Value::as_str)
    }

    /// Writes the cells of these columns over the fields of the same names: what is not
    /// given stays, what is cleared goes.
    pub fn write_over(&self, fields: &mut Map<String, Value>, wanted: impl Fn(&Column) -> bool) {
        for (column, cell) in self.sheet.kind.columns().iter().zip(&self.cells) {
            if !wanted(column) {
                continue;
            }
            match cell {
                Cell::NotGiven => {}
                Cell::Clear => _ = fields.remove(column.name),
                Cell::Given(value) => _ = fields.insert(column.name.to_owned(), value.clone()),
            }
        }
    }

    /// An error of this row.
    #[must_use]
    pub fn error(&self, column: &str, code: &str, reason: impl Into<String>) -> RowError {
        let raw = self
            .sheet
            .position(column)
            .and_then(|n| self.sheet.places.get(n).copied().flatten())
            .and_then(|place| self.row.get(place))
            .unwrap_or_default();
        RowError::new(self.line(), column, raw.trim(), code, reason)
    }

    /// Whether the kind has this column.
    #[must_use]
    pub fn has_column(&self, name: &str) -> bool {
        self.sheet.position(name).is_some()
    }
}
