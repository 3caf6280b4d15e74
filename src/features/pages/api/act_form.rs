//! A form for one act: its fields described once, shown with what was typed and what is wrong with it, and read into the
//! same JSON that a program sends, so that both go by the same rules.

use std::collections::BTreeMap;

use askama::Template;
use serde::Serialize;
use serde_json::{Map, Value, json};

use super::yard_words::{LocalTime, capital, for_people};
use crate::error::{Code, Error, FieldError, Result};
use crate::http::body;
use crate::ids::{EntryId, Id};

mod field;

pub use field::{Addition, Field, Group, Kind, Part};

/// Told where a record changed after its form was opened.
const STALE: &str = "Somebody changed this after you opened the form, so nothing was saved. Open it anew and make your change there; \
     what you typed stands below to look it up.";

/// What a form was filled in with.
pub type Typed = BTreeMap<String, String>;

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
    /// Whether who looks may add what a choice lacks.
    pub may_add: bool,
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
            may_add: false,
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
        if error.code == Code::Stale {
            self.problems.push(STALE.to_owned());
        } else if error.fields.is_empty() {
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
