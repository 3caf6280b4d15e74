//! From what the capabilities refuse to what a row of a file is told: the same words, at the column.

use serde_json::Value;

use crate::error::{Code, Error};
use crate::features::imports::model::report::RowError;
use crate::features::imports::model::sheet::Entry;

/// Why a row is not written: something is wrong with it, or the import cannot go on at all.
#[derive(Debug)]
pub(super) enum Refusal {
    /// The row's errors.
    Row(Vec<RowError>),
    /// The import ends.
    Import(Error),
}

impl From<RowError> for Refusal {
    fn from(error: RowError) -> Self {
        Self::Row(vec![error])
    }
}

/// The column that speaks of a field, where it is not named as the field.
const COLUMNS: &[(&str, &str)] = &[
    ("vessel_id", "vessel_ref"),
    ("site_id", "site_ref"),
    ("haul_out_id", "haul_out_ref"),
    ("survey_id", "survey_ref"),
    ("station_id", "station_code"),
    ("code", "station_code"),
];

impl Refusal {
    /// A capability's refusal, told of the row. `zones` are those of the fields it refused, in their order.
    pub(super) fn of(entry: &Entry<'_>, error: Error, zones: Option<&Value>) -> Self {
        match error.code {
            Code::Internal | Code::Unavailable => return Self::Import(error),
            _ => {}
        }
        if error.fields.is_empty() {
            return Self::from(entry.error("", error.code.as_str(), error.detail));
        }
        let told = error.fields.into_iter().map(|field| {
            let column = column_of(entry, &field.pointer, zones);
            match column {
                Some(column) => entry.error(&column, &field.code, field.detail),
                None => entry.error("", &field.code, format!("{} {}", field.pointer, field.detail)),
            }
        });
        Self::Row(told.collect())
    }
}

/// The column of a field's pointer.
fn column_of(entry: &Entry<'_>, pointer: &str, zones: Option<&Value>) -> Option<String> {
    let path = pointer.strip_prefix('/')?;
    if let Some((n, field)) = path.strip_prefix("zones/").and_then(|rest| rest.split_once('/')) {
        let zone = zones?.get(n.parse::<usize>().ok()?)?.get("zone")?.as_str()?;
        return Some(format!("{zone}_{field}")).filter(|column| entry.has_column(column));
    }
    let column = COLUMNS.iter().find(|(field, _)| *field == path).map_or(path, |(_, column)| column);
    entry.has_column(column).then(|| column.to_owned())
}

/// What differs between the record as kept and as a row has it, each at its column.
pub(super) fn differences(entry: &Entry<'_>, kept: &Value, sent: &Value) -> Vec<RowError> {
    let mut errors = Vec::new();
    let mut compare = |column: Option<String>, kept: &Value, sent: &Value| {
        if kept == sent {
            return;
        }
        let shown = match kept {
            Value::Null => "nothing".to_owned(),
            Value::String(text) => format!("`{}`", text.chars().take(200).collect::<String>()),
            other => format!("`{other}`"),
        };
        errors.push(entry.error(
            &column.unwrap_or_default(),
            "differs",
            format!("differs from what is kept: {shown}. Correct the file, or import with update to change the record."),
        ));
    };
    for (field, sent) in sent.as_object().into_iter().flatten() {
        let kept = kept.get(field).unwrap_or(&Value::Null);
        if field != "zones" {
            compare(column_of(entry, &format!("/{field}"), None), kept, sent);
            continue;
        }
        for zone in sent.as_array().into_iter().flatten() {
            let name = zone.get("zone").and_then(Value::as_str).unwrap_or_default();
            let before =
                kept.as_array().into_iter().flatten().find(|before| before.get("zone") == zone.get("zone"));
            for (field, sent) in zone.as_object().into_iter().flatten().filter(|(field, _)| *field != "zone")
            {
                let kept = before.and_then(|before| before.get(field)).unwrap_or(&Value::Null);
                compare(Some(format!("{name}_{field}")), kept, sent);
            }
        }
    }
    errors
}
