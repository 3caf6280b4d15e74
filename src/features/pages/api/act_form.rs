//! A form for one act: its fields described once, shown with what was typed and what is wrong with it, and read into the
//! same JSON that a program sends, so that both go by the same rules.

use std::collections::BTreeMap;

use askama::Template;
use chrono::{DateTime, Utc};
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
    /// What is wrong with it.
    pub problem: Option<String>,
}

impl Field {
    /// A field that may be left empty.
    #[must_use]
    pub fn new(name: &'static str, label: &str, kind: Kind) -> Self {
        let (label, unit, value) = (label.to_owned(), String::new(), String::new());
        Self { name, label, kind, unit, required: false, value, problem: None }
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
mod tests {
    use chrono_tz::Tz;
    use proptest::prelude::*;

    use super::*;

    fn form() -> ActForm {
        let fields = vec![
            Field::new("litres", "Litres", Kind::Number).needed(),
            Field::new("readings_um", "Readings", Kind::Numbers),
            Field::new("colour", "Colour", Kind::Text),
            Field::unseen("id", "fixed"),
        ];
        ActForm::new("coat", "A coat", "/somewhere".to_owned(), "Record", fields)
    }

    fn typed(pairs: &[(&str, &str)]) -> Typed {
        pairs.iter().map(|(name, text)| ((*name).to_owned(), (*text).to_owned())).collect()
    }

    fn local() -> LocalTime {
        LocalTime::at(Tz::UTC, "2026-06-15T10:00:00Z".parse().unwrap_or_default())
    }

    #[test]
    fn what_is_typed_becomes_what_a_program_sends() {
        let given = typed(&[
            ("litres", "4,5"),
            ("readings_um", "100 101,5\n99"),
            ("colour", " grey "),
            ("other", "x"),
        ]);
        let json = form().json(&given, &local(), json!({"role": "barrier"})).expect("it reads");
        assert_eq!(
            json,
            json!({"role": "barrier", "litres": 4.5, "readings_um": [100.0, 101.5, 99.0], "colour": " grey "})
        );
        let error = form().json(&typed(&[("litres", "a lot")]), &local(), json!({})).expect_err("no number");
        let again = form().refused(&typed(&[("litres", "a lot"), ("colour", "<b>")]), &error);
        assert!(again.open && again.problems.is_empty());
        assert_eq!(again.fields[0].value, "a lot");
        assert!(again.fields[0].problem.as_ref().is_some_and(|text| text.contains("no number")));
        let html = again.render().expect("it renders");
        assert!(html.contains("aria-invalid=\"true\"") && !html.contains("<b>"), "{html}");
    }

    proptest! {
        #[test]
        fn nothing_typed_breaks_a_form(text in ".{0,60}") {
            let given = typed(&[("litres", &text), ("readings_um", &text), ("colour", &text)]);
            if let Err(error) = form().json(&given, &local(), json!({})) {
                let again = form().refused(&given, &error);
                prop_assert!(again.problems.len() + again.fields.iter().filter(|f| f.problem.is_some()).count() > 0);
                prop_assert!(again.render().is_ok());
            }
        }
    }
}
