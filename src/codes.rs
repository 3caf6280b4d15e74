//! Codes kept as text in the database are serde enums in Rust: one spelling for JSON, Rust and SQL. And bytes as text.

use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::error::{Error, Result};

/// The text of a unit-variant enum, as it stands in JSON.
///
/// # Errors
/// Internal, if the type is not a plain text code: a defect.
pub fn to_text<T: Serialize>(code: &T) -> Result<String> {
    match serde_json::to_value(code) {
        Ok(serde_json::Value::String(text)) => Ok(text),
        Ok(other) => Err(Error::internal(format!("not a text code: {other}"))),
        Err(cause) => Err(Error::internal(cause)),
    }
}

/// The enum of a text read from the database, where a CHECK keeps the list.
///
/// # Errors
/// Internal, if the database holds a code this version does not know.
pub fn from_text<T: DeserializeOwned>(text: &str) -> Result<T> {
    serde_json::from_value(serde_json::Value::String(text.to_owned())).map_err(Error::internal)
}

/// Bytes as hexadecimal text (RFC 4648, section 8, in lower case).
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
