//! The fields of a form for an act.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};

use crate::error::{FieldError, Result};
use crate::features::pages::api::yard_words::LocalTime;

/// What is typed into a field.
#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    /// A line of text.
    Text,
    /// Several lines.
    Long,
    /// What nobody may read over a shoulder; never shown again.
    Secret,
    /// A number, with point or comma.
    Number,
    /// Several numbers.
    Numbers,
    /// A day.
    Day,
    /// A time by the organisation's clock.
    Time,
    /// Yes or no.
    Flag,
    /// One of some: code and words.
    Choice(Vec<(String, String)>),
    /// Not shown.
    Unseen,
}

/// A part of a form, begun by one of its fields.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Part {
    /// Its heading.
    pub title: &'static str,
    /// Whether it is folded up: for what is rarely entered.
    pub folded: bool,
    /// What to know of it.
    pub about: &'static str,
    /// The headings of its columns, where its fields are the cells of a table, row by row.
    pub columns: &'static [&'static str],
}

/// The fields of a part.
#[derive(Debug)]
pub struct Group<'a> {
    /// The part; none for the fields before the first.
    pub part: Option<Part>,
    /// Whether it is unfolded: something in it is wrong.
    pub open: bool,
    /// Its fields.
    pub fields: &'a [Field],
}

impl Group<'_> {
    /// The headings of its columns; none where it is no table.
    #[must_use]
    pub fn columns(&self) -> &'static [&'static str] {
        self.part.map_or(&[][..], |part| part.columns)
    }
    /// Whether its fields are the cells of a table.
    #[must_use]
    pub fn is_table(&self) -> bool {
        !self.columns().is_empty()
    }
    /// The rows of its table: the heading of each, and its cells under those of the columns.
    #[must_use]
    pub fn rows(&self) -> Vec<(&str, Vec<(&'static str, &Field)>)> {
        let columns = self.columns();
        self.fields
            .chunks(columns.len().max(1))
            .map(|cells| {
                let heading = cells.first().map_or("", |cell| cell.row.as_str());
                (heading, columns.iter().copied().zip(cells).collect())
            })
            .collect()
    }
}

/// Where what a field lacks is added, for whoever may.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Addition {
    /// The address of its form.
    pub address: &'static str,
    /// What is added.
    pub words: &'static str,
}

/// A field.
#[derive(Debug, Clone)]
pub struct Field {
    /// As in the JSON.
    pub name: &'static str,
    /// What people call it.
    pub label: String,
    /// What is typed.
    pub kind: Kind,
    /// In which unit.
    pub unit: String,
    /// Whether it can be left empty.
    pub required: bool,
    /// What stands in it.
    pub value: String,
    /// What to know of it.
    pub hint: &'static str,
    /// What is wrong with it.
    pub problem: Option<String>,
    /// The part of the form that it begins.
    pub begins: Option<Part>,
    /// The heading of its row, where it is a cell of a table.
    pub row: String,
    /// Where a choice that it lacks is added.
    pub addition: Option<Addition>,
}

impl Field {
    /// A field that may be left empty.
    #[must_use]
    pub fn new(name: &'static str, label: &str, kind: Kind) -> Self {
        Self {
            name,
            label: label.to_owned(),
            kind,
            unit: String::new(),
            required: false,
            value: String::new(),
            hint: "",
            problem: None,
            begins: None,
            row: String::new(),
            addition: None,
        }
    }
    /// A field that is not shown.
    #[must_use]
    pub fn unseen(name: &'static str, value: impl ToString) -> Self {
        Self::new(name, "", Kind::Unseen).holding(value.to_string())
    }
    /// In this unit.
    #[must_use]
    pub fn measured_in(mut self, unit: &str) -> Self {
        unit.clone_into(&mut self.unit);
        self
    }
    /// Not to be left empty.
    #[must_use]
    pub fn needed(mut self) -> Self {
        self.required = true;
        self
    }
    /// With this in it.
    #[must_use]
    pub fn holding(mut self, value: impl Into<String>) -> Self {
        self.value = value.into();
        self
    }

    /// With this to know of it.
    #[must_use]
    pub fn told(mut self, hint: &'static str) -> Self {
        self.hint = hint;
        self
    }
    /// The first of a part of the form.
    #[must_use]
    pub fn beginning(mut self, title: &'static str) -> Self {
        self.begins = Some(Part { title, folded: false, about: "", columns: &[] });
        self
    }
    /// The first of a part of the form that is folded up.
    #[must_use]
    pub fn folding(mut self, title: &'static str) -> Self {
        self.begins = Some(Part { title, folded: true, about: "", columns: &[] });
        self
    }
    /// The first of a part with this to know of it.
    #[must_use]
    pub fn explained(mut self, about: &'static str) -> Self {
        if let Some(part) = &mut self.begins {
            part.about = about;
        }
        self
    }
    /// A choice that may lack what is wanted: this is where it is added.
    #[must_use]
    pub fn lacking(mut self, addition: Addition) -> Self {
        self.addition = Some(addition);
        self
    }

    /// Takes what a record has for it: figures to their last digit, so that showing them changes none.
    pub fn hold(&mut self, value: &Value, local: &LocalTime) {
        self.value = match value {
            Value::Null | Value::Bool(false) if self.kind == Kind::Flag => String::new(),
            Value::Null => String::new(),
            Value::String(text) if self.kind == Kind::Time => {
                text.parse().map_or_else(|_| text.clone(), |at| local.typed(at))
            }
            Value::String(text) => text.clone(),
            Value::Number(number) => number.as_f64().map_or_else(|| number.to_string(), figure),
            other => other.to_string(),
        };
    }

    /// The ids of what is told of it.
    pub(super) fn told_by(&self, act: &str) -> String {
        let id = |what: &str| format!("{act}-{}-{what}", self.name);
        let hint = (!self.hint.is_empty()).then(|| id("hint"));
        [hint, self.problem.as_ref().map(|_| id("problem"))]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join(" ")
    }

    pub(super) fn json(&self, text: &str, local: &LocalTime) -> Result<Value, FieldError> {
        let wrong = |detail: &str| FieldError::new(format!("/{}", self.name), "type", detail);
        let read = |text: &str| {
            let value: Option<f64> = text.trim().replace(',', ".").parse().ok();
            value
                .filter(|value| value.is_finite())
                .ok_or_else(|| wrong("is no number. Enter digits, as 12.5."))
        };
        Ok(match self.kind {
            Kind::Number => json!(whole(read(text)?)),
            Kind::Numbers => {
                let parts = text.split([' ', ';', '\n', '\r', '\t']).filter(|part| !part.trim().is_empty());
                json!(parts.map(read).collect::<Result<Vec<f64>, _>>()?)
            }
            Kind::Time => {
                let at: DateTime<Utc> = local.read(self.name, text)?;
                json!(at)
            }
            Kind::Flag => json!(true),
            _ => json!(text),
        })
    }
}

/// A figure to its last digit, a very small one by its power of ten.
fn figure(value: f64) -> String {
    if value != 0.0 && value.abs() < 1e-4 { format!("{value:e}") } else { value.to_string() }
}

/// A whole number as such: fields that count take no fraction.
fn whole(value: f64) -> Value {
    #[expect(clippy::cast_possible_truncation, reason = "whole and small")]
    if value.fract() == 0.0 && value.abs() < 1e9 { json!(value as i64) } else { json!(value) }
}
