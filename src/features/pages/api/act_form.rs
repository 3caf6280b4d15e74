//! A form for one act: its fields described once, shown with what was typed and what is wrong with it, and read into the
//! same JSON that a program sends, so that both go by the same rules.

use std::collections::BTreeMap;

use askama::Template;
use chrono::{DateTime, Utc};
use serde::Serialize;
use serde_json::{Map, Value, json};

use super::yard_words::{LocalTime, capital, for_people};
use crate::error::{Error, FieldError, Result};
use crate::http::body;
use crate::ids::{EntryId, Id};

/// What a form was filled in with.
pub type Typed = BTreeMap<String, String>;

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
}

impl Field {
    /// A field that may be left empty.
    #[must_use]
    pub fn new(name: &'static str, label: &str, kind: Kind) -> Self {
        let (label, unit, value) = (label.to_owned(), String::new(), String::new());
        Self { name, label, kind, unit, required: false, value, hint: "", problem: None, begins: None }
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
        self.begins = Some(Part { title, folded: false });
        self
    }
    /// The first of a part of the form that is folded up.
    #[must_use]
    pub fn folding(mut self, title: &'static str) -> Self {
        self.begins = Some(Part { title, folded: true });
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
            Value::Number(number) => number.as_f64().map_or_else(|| number.to_string(), |it| it.to_string()),
            other => other.to_string(),
        };
    }

    /// The ids of what is told of it.
    fn told_by(&self, act: &str) -> String {
        let id = |what: &str| format!("{act}-{}-{what}", self.name);
        let hint = (!self.hint.is_empty()).then(|| id("hint"));
        [hint, self.problem.as_ref().map(|_| id("problem"))]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join(" ")
    }

    fn json(&self, text: &str, local: &LocalTime) -> Result<Value, FieldError> {
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

/// A whole number as such: fields that count take no fraction.
fn whole(value: f64) -> Value {
    #[expect(clippy::cast_possible_truncation, reason = "whole and small")]
    if value.fract() == 0.0 && value.abs() < 1e9 { json!(value as i64) } else { json!(value) }
}

/// A form for one act.
#[derive(Debug, Clone, Template)]
#[template(path = "act_form.html")]
pub struct ActForm {
    /// Which act: also its place on the page.
    pub act: &'static str,
    /// Its heading.
    pub title: String,
    /// What to know before.
    pub about: String,
    /// What can hurt in this work.
    pub cautions: Vec<&'static str>,
    /// Where it is sent.
    pub action: String,
    /// What the button says.
    pub button: &'static str,
    /// Whether it is unfolded.
    pub open: bool,
    /// What is wrong with it as a whole.
    pub problems: Vec<String>,
    /// Its fields.
    pub fields: Vec<Field>,
    /// The token that forms carry.
    pub token: String,
}

impl ActForm {
    /// A form, folded up, without cautions.
    #[must_use]
    pub fn new(
        act: &'static str,
        title: &str,
        action: String,
        button: &'static str,
        fields: Vec<Field>,
    ) -> Self {
        Self {
            act,
            title: title.to_owned(),
            about: String::new(),
            cautions: Vec::new(),
            action,
            button,
            open: false,
            problems: Vec::new(),
            fields,
            token: String::new(),
        }
    }

    /// The form with what a record has in its fields.
    #[must_use]
    pub fn filled(mut self, record: &impl Serialize, local: &LocalTime) -> Self {
        let record = serde_json::to_value(record).unwrap_or_default();
        for field in self.fields.iter_mut().filter(|field| field.kind != Kind::Unseen) {
            field.hold(record.get(field.name).unwrap_or(&Value::Null), local);
        }
        self
    }

    /// The JSON of what was typed, with the fields that are not typed.
    ///
    /// # Errors
    /// Invalid, with every field that cannot be read.
    pub fn json(&self, typed: &Typed, local: &LocalTime, more: Value) -> Result<Value> {
        let mut object = match more {
            Value::Object(more) => more,
            _ => Map::new(),
        };
        let mut faults = Vec::new();
        for field in &self.fields {
            let Some(text) = typed.get(field.name).filter(|text| !text.trim().is_empty()) else {
                if field.required {
                    let pointer = format!("/{}", field.name);
                    faults.push(FieldError::new(pointer, "missing", "is required. Enter it."));
                }
                continue;
            };
            match field.json(text, local) {
                Ok(value) => drop(object.insert(field.name.to_owned(), value)),
                Err(fault) => faults.push(fault),
            }
        }
        if faults.is_empty() {
            // As a body would be: no text that says nothing or steers a terminal.
            body::parse(Value::Object(object).to_string().as_bytes())
        } else {
            Err(Error::invalid(faults))
        }
    }

    /// The JSON of what was typed otherwise than it stands in the fields, to be merged into the record (RFC 7396): what was
    /// emptied is null. What was left as it was is left out, so that showing a figure rounds nothing.
    ///
    /// # Errors
    /// Invalid, with every field that cannot be read.
    pub fn changes(&self, typed: &Typed, local: &LocalTime) -> Result<Value> {
        // A browser ends the lines of a text in its own way.
        let text =
            |field: &Field| typed.get(field.name).map(|text| text.replace("\r\n", "\n")).unwrap_or_default();
        let changed =
            |field: &&Field| field.kind != Kind::Unseen && text(field) != field.value.replace("\r\n", "\n");
        let mut fields: Vec<Field> = self.fields.iter().filter(changed).cloned().collect();
        let mut emptied = Map::new();
        for field in fields.iter().filter(|field| !field.required && text(field).trim().is_empty()) {
            let left = if field.kind == Kind::Flag { json!(false) } else { Value::Null };
            emptied.insert(field.name.to_owned(), left);
        }
        // Those that are needed are looked for even where they stood empty and still do.
        fields.extend(
            self.fields
                .iter()
                .filter(|field| field.required && field.value.is_empty() && !changed(field))
                .cloned(),
        );
        Self { fields, ..self.clone() }.json(typed, local, Value::Object(emptied))
    }

    /// Its fields by parts.
    #[must_use]
    pub fn groups(&self) -> Vec<Group<'_>> {
        let mut groups = Vec::new();
        let mut rest = self.fields.as_slice();
        while let Some(first) = rest.first() {
            let more = rest.iter().skip(1).position(|field| field.begins.is_some());
            let (fields, after) = rest.split_at(more.map_or(rest.len(), |at| at + 1));
            let open = fields.iter().any(|field| field.problem.is_some());
            groups.push(Group { part: first.begins, open, fields });
            rest = after;
        }
        groups
    }

    /// The form unfolded again, with what was typed and what is wrong with it.
    #[must_use]
    pub fn refused(mut self, typed: &Typed, error: &Error) -> Self {
        self.open = true;
        for field in &mut self.fields {
            match typed.get(field.name) {
                Some(_) if field.kind == Kind::Secret => {}
                Some(text) => field.value.clone_from(text),
                None if field.kind != Kind::Unseen => field.value.clear(),
                None => {}
            }
        }
        if error.fields.is_empty() {
            self.problems.push(for_people(&error.detail));
        }
        for fault in &error.fields {
            let named = |field: &&mut Field| {
                field.kind != Kind::Unseen && fault.pointer.split('/').nth(1) == Some(field.name)
            };
            if let Some(field) = self.fields.iter_mut().find(named) {
                field.problem = Some(format!("{} {}", field.label, for_people(&fault.detail)));
            } else {
                let place = fault.pointer.trim_matches('/').replace(['/', '_'], " ");
                self.problems.push(capital(format!("{place} {}", for_people(&fault.detail)).trim()));
            }
        }
        self
    }
}

/// An id for what a form makes: sent twice, it makes one.
#[must_use]
pub fn fresh_id() -> String {
    EntryId::fresh().to_string()
}

#[cfg(test)]
mod tests;
