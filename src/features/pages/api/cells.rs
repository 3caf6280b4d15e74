//! Tables within forms: the lines of a list of a record, a row of fields each.

use serde_json::{Map, Value};

use super::act_form::{ActForm, Field, Kind, Typed};
use super::yard_words::LocalTime;
use crate::error::{Error, FieldError, Result};

/// The most rows of a table.
pub const MOST_ROWS: usize = 50;

/// The names of the cells of a column, row by row.
macro_rules! numbered {
    ($name:literal) => {
        numbered!($name, 0 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20 21 22 23 24 25 26 27 28 29 30 31 32 33 34
            35 36 37 38 39 40 41 42 43 44 45 46 47 48 49)
    };
    ($name:literal, $($n:literal)*) => {
        [$(concat!($name, "_", $n)),*]
    };
}
pub(super) use numbered;

/// A column of a table.
#[derive(Debug)]
pub struct Column {
    /// The field of a line.
    pub name: &'static str,
    /// What people call it.
    pub label: &'static str,
    /// What is typed into its cells.
    pub kind: fn() -> Kind,
    /// Whether a line needs it.
    pub needed: bool,
    /// The names of its cells.
    pub cells: [&'static str; MOST_ROWS],
}

/// A list of a record as a table.
#[derive(Debug)]
pub struct Table {
    /// The field of the record.
    pub list: &'static str,
    /// Its columns.
    pub columns: &'static [Column],
    /// The headings of its columns, with units.
    pub headings: &'static [&'static str],
    /// The heading of a row.
    pub row: fn(usize) -> String,
}

/// What is typed into a table.
#[derive(Debug, Default)]
pub struct Lines {
    /// The lines as a program sends them; those left empty are left out.
    pub lines: Vec<Value>,
    /// The row of each.
    pub rows: Vec<usize>,
}

impl Table {
    /// The fields of so many rows, with these lines in them. The first begins a part of the form with this title.
    #[must_use]
    pub fn fields(&self, begins: &Field, rows: usize, lines: &[Value], local: &LocalTime) -> Vec<Field> {
        let mut fields = Vec::new();
        for at in 0..rows.min(MOST_ROWS) {
            let heading = (self.row)(at);
            for column in self.columns {
                let Some(name) = column.cells.get(at) else { continue };
                let label = format!("{heading}, {}", column.label);
                let mut field = Field::new(name, &label, (column.kind)());
                field.row.clone_from(&heading);
                if let Some(value) = lines.get(at).and_then(|line| line.get(column.name)) {
                    field.hold(value, local);
                }
                fields.push(field);
            }
        }
        if let Some(first) = fields.first_mut() {
            first.begins = begins.begins.map(|mut part| {
                part.columns = self.headings;
                part
            });
        }
        fields
    }

    fn cells(&self) -> impl Iterator<Item = (usize, &Column, &'static str)> {
        self.columns
            .iter()
            .flat_map(|column| column.cells.iter().enumerate().map(move |(at, cell)| (at, column, *cell)))
    }

    /// How many rows it takes to show what is typed.
    #[must_use]
    pub fn rows_typed(&self, typed: &Typed) -> usize {
        let filled = |cell: &str| typed.get(cell).is_some_and(|text| !text.trim().is_empty());
        self.cells().filter(|(_, _, cell)| filled(cell)).map(|(at, ..)| at + 1).max().unwrap_or_default()
    }

    /// Takes the cells out of what was typed or changed; whether there were any.
    pub fn take(&self, object: &mut Map<String, Value>) -> bool {
        self.cells().filter(|(_, _, cell)| object.remove(*cell).is_some()).count() > 0
    }

    /// All that is typed into its cells, changed or not: figures and codes by the cell's name.
    ///
    /// # Errors
    /// Invalid, with every cell that cannot be read.
    pub fn typed(&self, form: &ActForm, typed: &Typed, local: &LocalTime) -> Result<Value> {
        let own = |field: &&Field| self.cells().any(|(_, _, cell)| cell == field.name);
        let fields = form.fields.iter().filter(own).cloned().collect();
        ActForm { fields, ..form.clone() }.json(typed, local, Value::Object(Map::new()))
    }

    /// The lines that are typed.
    ///
    /// # Errors
    /// Invalid, with every cell that cannot be read or that its line lacks.
    pub fn lines(&self, form: &ActForm, typed: &Typed, local: &LocalTime) -> Result<Lines> {
        let cells = self.typed(form, typed, local)?;
        let (mut read, mut faults) = (Lines::default(), Vec::new());
        for at in 0..MOST_ROWS {
            let mut line = Map::new();
            let mut lacking = Vec::new();
            for column in self.columns {
                let cell = column.cells.get(at).copied().unwrap_or_default();
                match cells.get(cell) {
                    Some(value) => drop(line.insert(column.name.to_owned(), value.clone())),
                    None if column.needed => lacking.push(cell),
                    None => {}
                }
            }
            if line.is_empty() {
                continue;
            }
            faults.extend(lacking.into_iter().map(|cell| {
                FieldError::new(
                    format!("/{cell}"),
                    "missing",
                    "is missing. Complete the line, or empty all of it.",
                )
            }));
            read.lines.push(Value::Object(line));
            read.rows.push(at);
        }
        if faults.is_empty() { Ok(read) } else { Err(Error::invalid(faults)) }
    }

    /// The pointer to a cell, of a pointer to a field of a line; `rows` are those of the lines.
    #[must_use]
    pub fn place(&self, pointer: &str, rows: Option<&[usize]>) -> Option<String> {
        let mut parts = pointer.strip_prefix('/')?.strip_prefix(self.list)?.strip_prefix('/')?.split('/');
        let line: usize = parts.next()?.parse().ok()?;
        let at = rows.map_or(Some(line), |rows| rows.get(line).copied())?;
        let name = parts.next().unwrap_or_default();
        let column = self.columns.iter().find(|column| column.name == name).or(self.columns.first())?;
        column.cells.get(at).map(|cell| format!("/{cell}"))
    }
}

#[cfg(test)]
mod tests {
    use chrono_tz::Tz;
    use proptest::prelude::*;
    use serde_json::json;

    use super::*;

    const TIMES: Table = Table {
        list: "times",
        columns: &[
            Column {
                name: "temperature_c",
                label: "hull",
                kind: || Kind::Number,
                needed: true,
                cells: numbered!("times_temperature_c"),
            },
            Column {
                name: "max_h",
                label: "longest",
                kind: || Kind::Number,
                needed: false,
                cells: numbered!("times_max_h"),
            },
        ],
        headings: &["Hull, °C", "Longest, h"],
        row: |at| format!("Line {}", at + 1),
    };

    fn local() -> LocalTime {
        LocalTime::at(Tz::UTC, "2026-06-15T10:00:00Z".parse().unwrap_or_default())
    }

    fn form(rows: usize, lines: &[Value]) -> ActForm {
        let begins = Field::unseen("times", "").beginning("Times");
        let fields = TIMES.fields(&begins, rows, lines, &local());
        ActForm::new("times", "Times", "/somewhere".to_owned(), "Save", fields)
    }

    fn shown(form: &ActForm) -> Typed {
        let filled = form.fields.iter().filter(|field| !field.value.is_empty());
        filled.map(|field| (field.name.to_owned(), field.value.clone())).collect()
    }

    proptest! {
        /// What is shown of a list, sent as it stands, is the list.
        #[test]
        fn a_list_is_read_as_it_is_shown(
            lines in proptest::collection::vec((-30.0..80.0, proptest::option::of(0.001..1e5)), 0..=MOST_ROWS),
            spare in 0_usize..4,
        ) {
            let line = |(temperature_c, max_h): &(f64, Option<f64>)| match max_h {
                Some(max_h) => json!({"temperature_c": temperature_c, "max_h": max_h}),
                None => json!({"temperature_c": temperature_c}),
            };
            let lines: Vec<Value> = lines.iter().map(line).collect();
            let form = form(lines.len() + spare, &lines);
            let typed = shown(&form);
            prop_assert_eq!(TIMES.rows_typed(&typed), lines.len());
            let read = TIMES.lines(&form, &typed, &local()).map_err(|error| TestCaseError::fail(error.detail))?;
            prop_assert_eq!(read.rows, (0..lines.len()).collect::<Vec<_>>());
            let figures = |lines: &[Value]| {
                let of = |line: &Value| (line["temperature_c"].as_f64(), line["max_h"].as_f64());
                lines.iter().map(of).collect::<Vec<_>>()
            };
            prop_assert_eq!(figures(&read.lines), figures(&lines));
        }
    }

    #[test]
    fn empty_rows_are_left_out_and_faults_are_told_in_their_row() {
        let form = form(6, &[]);
        let typed = |pairs: &[(&str, &str)]| -> Typed {
            pairs.iter().map(|(name, text)| ((*name).to_owned(), (*text).to_owned())).collect()
        };
        let given = typed(&[("times_temperature_c_1", "10"), ("times_temperature_c_4", "20,5")]);
        let read = TIMES.lines(&form, &given, &local()).expect("they read");
        assert_eq!(read.lines, [json!({"temperature_c": 10}), json!({"temperature_c": 20.5})]);
        assert_eq!(TIMES.place("/times/1/max_h", Some(&read.rows)).as_deref(), Some("/times_max_h_4"));
        assert_eq!(TIMES.place("/times/0", Some(&read.rows)).as_deref(), Some("/times_temperature_c_1"));
        assert_eq!(TIMES.place("/times_of_day/0", Some(&read.rows)), None);
        let lacking = typed(&[("times_max_h_2", "9")]);
        let error = TIMES.lines(&form, &lacking, &local()).expect_err("it lacks a temperature");
        assert_eq!(error.fields[0].pointer, "/times_temperature_c_2");
        let html = askama::Template::render(&form).expect("it renders");
        assert!(html.contains("<span class=\"unseen\">Line 2: </span>Longest, h</label>"), "{html}");
    }
}
