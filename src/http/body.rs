//! Bodies: read once, bounded, with every refusal naming its field. A change is a JSON Merge Patch
//! (RFC 7396): absent leaves alone, null clears.

use std::future::Future;
use std::marker::PhantomData;
use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::http::header::CONTENT_TYPE;
use actix_web::{FromRequest, HttpRequest};
use futures_util::StreamExt;
use garde::Validate;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};
use sha2::{Digest, Sha256};
use utoipa::__dev::ComposeSchema;
use utoipa::openapi::schema::{AdditionalProperties, ObjectBuilder, Schema, SchemaFormat, Type};
use utoipa::openapi::{KnownFormat, RefOr};
use utoipa::{PartialSchema, ToSchema};
use uuid::Uuid;

use crate::db::ground::About;
use crate::error::{Code, Error, FieldError, Result};
use crate::http::wording::{broken, unread};

/// The longest JSON body of a record or question, in bytes.
pub const MAX_BODY_BYTES: usize = 1024 * 1024;

/// The longest JSON body of a computation, in bytes: 200,000 observations with all their digits.
pub const MAX_COMPUTATION_BYTES: usize = 16 * 1024 * 1024;

/// The longest CSV file that is read at once, in bytes.
const MAX_CSV_BYTES: usize = 4 * 1024 * 1024;

const UNKNOWN_FIELD: &str = "is not a field here. Correct its name or leave it out.";

type Reading<T> = Pin<Box<dyn Future<Output = Result<T>>>>;

/// The fields of a record to create, with the id the client chose for it, if any.
#[derive(Debug)]
pub struct New<T> {
    /// The client's own `UUIDv7` for the record.
    pub id: Option<Uuid>,
    /// The record's fields, valid each by itself.
    pub fields: T,
    /// Of the body, to tell a retry from another request.
    pub sha256: [u8; 32],
    /// The record under a vessel that it names.
    pub about: Option<About>,
}

/// Changes to a record's fields.
#[derive(Debug)]
pub struct Patch<T> {
    merge: Value,
    fields: PhantomData<T>,
}

/// A body that is neither: a question, a signature. Give `T` `deny_unknown_fields`, so that its schema says it.
#[derive(Debug)]
pub struct Plain<T>(pub T);

/// A CSV file small enough to be read at once, in UTF-8.
#[derive(Debug)]
pub struct CsvText(pub String);

/// The body of a computation as it came, not yet parsed: a long one takes a while, which belongs off the event loop.
#[derive(Debug)]
pub struct ComputationBody(pub Vec<u8>);

impl<T: DeserializeOwned + Validate<Context = ()>> New<T> {
    /// Reads the fields and the optional `id` from a JSON object.
    ///
    /// # Errors
    /// Invalid, with every field that could not be read or breaks its rule.
    pub fn from_value(mut value: Value) -> Result<Self> {
        let sha256 = Sha256::digest(value.to_string().as_bytes()).into();
        let id = match value.as_object_mut().and_then(|object| object.remove("id")) {
            None | Some(Value::Null) => None,
            Some(given) => Some(client_id(&given)?),
        };
        let about = About::among(|field| Uuid::parse_str(value.get(field)?.as_str()?).ok());
        Ok(Self { id, fields: read_fields(value)?, sha256, about })
    }

    /// The same made under records that the address names: the same body under another record is another request.
    fn under(mut self, parents: &[Uuid]) -> Self {
        if !parents.is_empty() {
            let mut digest = Sha256::new_with_prefix(self.sha256);
            for parent in parents {
                digest.update(parent.as_bytes());
            }
            self.sha256 = digest.finalize().into();
        }
        self
    }
}

impl<T> Patch<T> {
    /// The changes of a JSON object (RFC 7396).
    ///
    /// # Errors
    /// Invalid, when it is no object.
    pub fn from_value(merge: Value) -> Result<Self> {
        if merge.is_object() {
            Ok(Self { merge, fields: PhantomData })
        } else {
            Err(Error::field("", "type", "must be a JSON object."))
        }
    }
}

impl<T: DeserializeOwned + Serialize + Validate<Context = ()>> Patch<T> {
    /// The current fields with the changes merged in (RFC 7396), valid each by itself.
    ///
    /// # Errors
    /// Invalid, with every field at fault.
    pub fn apply(&self, current: &T) -> Result<T> {
        let mut merged = serde_json::to_value(current).map_err(Error::internal)?;
        merge_into(&mut merged, &self.merge);
        // A null that cleared a field must read as absent again, and a mistyped name must still be refused.
        if let (Value::Object(result), Value::Object(asked)) = (&mut merged, &self.merge) {
            for (name, change) in asked {
                if change.is_null() {
                    result.insert(name.clone(), Value::Null);
                }
            }
        }
        read_fields(merged)
    }
}

fn merge_into(target: &mut Value, patch: &Value) {
    let Value::Object(patch) = patch else {
        *target = patch.clone();
        return;
    };
    if !target.is_object() {
        *target = Value::Object(Map::new());
    }
    if let Value::Object(target) = target {
        for (name, change) in patch {
            if change.is_null() {
                target.remove(name);
            } else {
                merge_into(target.entry(name.clone()).or_insert(Value::Null), change);
            }
        }
    }
}

fn client_id(given: &Value) -> Result<Uuid> {
    given
        .as_str()
        .and_then(|text| Uuid::parse_str(text).ok())
        .filter(|id| id.get_version_num() == 7)
        .ok_or_else(|| {
            Error::field(
                "/id",
                "not_uuid_v7",
                "must be a UUID of version 7 (RFC 9562). Make one, or leave it out.",
            )
        })
}

/// Reads a typed value, refusing unknown fields, and validates it.
///
/// # Errors
/// Invalid, with the pointers of the fields at fault.
pub fn read_fields<T: DeserializeOwned + Validate<Context = ()>>(value: Value) -> Result<T> {
    validated(read_value(value)?)
}

/// Reads a typed value, refusing unknown fields; its rules are for the caller to check.
///
/// # Errors
/// Invalid, with the pointers of the fields at fault.
pub fn read_value<T: DeserializeOwned>(value: Value) -> Result<T> {
    if !value.is_object() {
        return Err(Error::field("", "type", "must be a JSON object."));
    }
    let mut unknown = Vec::new();
    let mut note = |path: serde_ignored::Path<'_>| {
        let pointer = path
            .to_string()
            .split('.')
            .filter(|part| *part != "?")
            .map(|part| format!("/{part}"))
            .collect::<String>();
        unknown.push(FieldError::new(pointer, "unknown_field", UNKNOWN_FIELD));
    };
    let read: std::result::Result<T, _> =
        serde_path_to_error::deserialize(serde_ignored::Deserializer::new(value, &mut note));
    let fields = read.map_err(|error| Error::invalid(vec![unreadable(&error)]))?;
    if unknown.is_empty() { Ok(fields) } else { Err(Error::invalid(unknown)) }
}

/// The value, if it keeps its rules.
///
/// # Errors
/// Invalid, with the pointers of the fields at fault.
pub fn validated<T: Validate<Context = ()>>(fields: T) -> Result<T> {
    match fields.validate() {
        Ok(()) => Ok(fields),
        Err(report) => Err(Error::invalid(
            report
                .iter()
                .map(|(path, error)| {
                    FieldError::new(pointer_of(&path.to_string()), "rule", broken(error.message()))
                })
                .collect(),
        )),
    }
}

fn pointer_of(path: &str) -> String {
    path.split(['.', '['])
        // A field named by a Rust keyword comes as `r#ref`.
        .map(|part| part.trim_end_matches(']').trim_start_matches("r#"))
        .filter(|part| !part.is_empty())
        .map(|part| format!("/{part}"))
        .collect()
}

fn unreadable(error: &serde_path_to_error::Error<serde_json::Error>) -> FieldError {
    let message = error.inner().to_string();
    let parent = pointer_of(&error.path().to_string().replace('?', ""));
    if let Some(name) = message.strip_prefix("missing field `").and_then(|rest| rest.split('`').next()) {
        return FieldError::new(format!("{parent}/{name}"), "missing", "is required. Enter it.");
    }
    if message.starts_with("unknown field `") {
        return FieldError::new(parent, "unknown_field", UNKNOWN_FIELD);
    }
    FieldError::new(parent, "type", unread(&message))
}

/// The content type without its parameters.
fn essence(request: &HttpRequest) -> String {
    let given = request.headers().get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    given.split(';').next().unwrap_or_default().trim().to_ascii_lowercase()
}

async fn read_json(request: &HttpRequest, payload: Payload, most: usize) -> Result<Vec<u8>> {
    let essence = essence(request);
    if essence != "application/json" && essence != "application/merge-patch+json" {
        return Err(Error::new(Code::UnsupportedMediaType, "Send the body as application/json."));
    }
    read_bytes(payload, most).await
}

async fn read_csv(request: &HttpRequest, payload: Payload) -> Result<CsvText> {
    if essence(request) != "text/csv" {
        return Err(Error::new(Code::UnsupportedMediaType, "Send the file as text/csv, in UTF-8."));
    }
    String::from_utf8(read_bytes(payload, MAX_CSV_BYTES).await?)
        .map(CsvText)
        .map_err(|cause| Error::new(Code::Malformed, "The file is not UTF-8. Save it so.").because(cause))
}

async fn read_bytes(mut payload: Payload, most: usize) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    while let Some(chunk) = payload.next().await {
        let chunk = chunk.map_err(|cause| {
            Error::new(Code::Malformed, "The body broke off. Send it again.").because(cause)
        })?;
        if bytes.len() + chunk.len() > most {
            return Err(Error::new(
                Code::TooLarge,
                format!("The body is longer than {most} bytes. Send less at a time, or use the import."),
            ));
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}

/// Parses JSON and refuses texts that say nothing or command a terminal.
///
/// # Errors
/// Malformed when it is not JSON; invalid when a text is only space or holds a control character.
pub fn parse(bytes: &[u8]) -> Result<Value> {
    let value: Value = serde_json::from_slice(bytes).map_err(|cause| {
        Error::new(Code::Malformed, format!("The body is not JSON that can be read: {cause}."))
    })?;
    let mut pointer = String::new();
    refuse_texts(&value, &mut pointer)?;
    Ok(value)
}

/// A character that would steer the terminal or spreadsheet it is shown in, or that cannot be kept, or that makes two
/// names look like one: the control characters (C0, C1 and DEL) but those of space; and what is not seen and belongs to
/// no script (the Unicode Standard, 23.2: zero width space, word joiner, byte order mark, line and paragraph separator;
/// UAX #9, 2: embeddings, overrides and isolates of direction). The joiners U+200C and U+200D and the marks U+200E and
/// U+200F stay: Persian, the scripts of India, Hebrew and Arabic are written with them.
#[must_use]
pub fn steering(text: &str) -> Option<char> {
    let unseen = |c| matches!(c, '\u{200b}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}');
    text.chars().find(|&c| c.is_control() && !matches!(c, '\t' | '\n' | '\r') || unseen(c))
}

/// Whether nothing of a text is seen: only space, and joiners and marks that join and mark nothing.
fn is_blank(text: &str) -> bool {
    text.chars().all(|c| c.is_whitespace() || matches!(c, '\u{ad}' | '\u{34f}' | '\u{200c}'..='\u{200f}'))
}

fn refuse_texts(value: &Value, pointer: &mut String) -> Result<()> {
    let length = pointer.len();
    match value {
        Value::String(text) => {
            if let Some(character) = steering(text) {
                return Err(Error::field(
                    pointer.clone(),
                    "character",
                    format!(
                        "holds the control character U+{:04X}, which is not kept. Take it out.",
                        u32::from(character)
                    ),
                ));
            }
            if !text.is_empty() && is_blank(text) {
                return Err(Error::field(
                    pointer.clone(),
                    "blank",
                    "is only space. Enter something, or leave it out.",
                ));
            }
        }
        Value::Array(items) => {
            for (n, item) in items.iter().enumerate() {
                pointer.push_str(&format!("/{n}"));
                refuse_texts(item, pointer)?;
                pointer.truncate(length);
            }
        }
        Value::Object(members) => {
            for (name, member) in members {
                if name.contains('\0') {
                    return Err(Error::field(
                        pointer.clone(),
                        "unknown_field",
                        "has a field whose name holds U+0000.",
                    ));
                }
                pointer.push('/');
                pointer.push_str(name);
                refuse_texts(member, pointer)?;
                pointer.truncate(length);
            }
        }
        _ => {}
    }
    Ok(())
}

fn read_with<T: 'static>(
    request: &HttpRequest,
    payload: &mut Payload,
    f: impl FnOnce(Value) -> Result<T> + 'static,
) -> Reading<T> {
    let (request, payload) = (request.clone(), payload.take());
    Box::pin(async move { f(parse(&read_json(&request, payload, MAX_BODY_BYTES).await?)?) })
}

impl<T: DeserializeOwned + Validate<Context = ()> + 'static> FromRequest for New<T> {
    type Error = Error;
    type Future = Reading<Self>;
    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let parents: Vec<Uuid> = request.path().split('/').filter_map(|part| part.parse().ok()).collect();
        read_with(request, payload, move |value| Ok(Self::from_value(value)?.under(&parents)))
    }
}

impl<T: 'static> FromRequest for Patch<T> {
    type Error = Error;
    type Future = Reading<Self>;
    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        read_with(request, payload, Self::from_value)
    }
}

impl<T: DeserializeOwned + Validate<Context = ()> + 'static> FromRequest for Plain<T> {
    type Error = Error;
    type Future = Reading<Self>;
    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        read_with(request, payload, |value| read_fields(value).map(Plain))
    }
}

/// The schema of `T`, changed by `f` where it is an object.
fn object_schema<T: PartialSchema>(f: impl FnOnce(&mut utoipa::openapi::schema::Object)) -> RefOr<Schema> {
    let mut schema = T::schema();
    if let RefOr::T(Schema::Object(object)) = &mut schema {
        object.additional_properties = Some(Box::new(AdditionalProperties::FreeForm(false)));
        f(object);
    }
    schema
}

impl FromRequest for ComputationBody {
    type Error = Error;
    type Future = Reading<Self>;
    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, payload) = (request.clone(), payload.take());
        Box::pin(async move { read_json(&request, payload, MAX_COMPUTATION_BYTES).await.map(Self) })
    }
}

impl FromRequest for CsvText {
    type Error = Error;
    type Future = Reading<Self>;
    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, payload) = (request.clone(), payload.take());
        Box::pin(async move { read_csv(&request, payload).await })
    }
}

impl<T: PartialSchema> ComposeSchema for New<T> {
    fn compose(_: Vec<RefOr<Schema>>) -> RefOr<Schema> {
        object_schema::<T>(|object| {
            let id = ObjectBuilder::new()
                .schema_type(Type::String)
                .format(Some(SchemaFormat::KnownFormat(KnownFormat::Uuid)))
                .description(Some("Your own UUID of version 7 for the record: sending it twice makes one."));
            object.properties.insert("id".to_owned(), id.into());
        })
    }
}

impl<T: PartialSchema> ComposeSchema for Patch<T> {
    fn compose(_: Vec<RefOr<Schema>>) -> RefOr<Schema> {
        object_schema::<T>(|object| object.required.clear())
    }
}

macro_rules! named {
    ($wrapper:ident, $name:literal) => {
        impl<T: ToSchema> ToSchema for $wrapper<T> {
            fn name() -> std::borrow::Cow<'static, str> {
                $name.into()
            }
            fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
                T::schemas(schemas);
            }
        }
    };
}
named!(New, "New");
named!(Patch, "Change");
