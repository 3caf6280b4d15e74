//! What stands in the address: ids in the path, parameters in the query.

use std::future::{Ready, ready};

use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpRequest};
use chrono::{DateTime, Datelike, NaiveDate, Utc};
use serde::de::DeserializeOwned;
use uuid::Uuid;

use crate::error::{Error, Result};
use crate::http::wording::unread;
use crate::ids::Id;

/// The id in the path, from its segment `id`.
#[derive(Debug, Clone, Copy)]
pub struct At<I>(pub I);

impl<I: Id + 'static> FromRequest for At<I> {
    type Error = Error;
    type Future = Ready<Result<Self>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let id = request.match_info().get("id").and_then(|text| Uuid::parse_str(text).ok());
        ready(id.map(|id| Self(I::from(id))).ok_or_else(|| Error::not_found(I::KIND)))
    }
}

/// The query parameters. Give `T` `deny_unknown_fields`: a mistyped filter must not widen a list.
#[derive(Debug, Clone)]
pub struct Params<T>(pub T);

impl<T: DeserializeOwned + 'static> FromRequest for Params<T> {
    type Error = Error;
    type Future = Ready<Result<Self>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(read(request.query_string()).map(Self))
    }
}

/// The years a date or time in a query may lie in: those of four digits (RFC 3339), which the database has too.
const YEARS: std::ops::RangeInclusive<i32> = 1..=9999;

fn year_of(value: &str) -> Option<i32> {
    let time = value.parse::<DateTime<Utc>>().map(|time| time.year());
    time.or_else(|_| value.parse::<NaiveDate>().map(|date| date.year())).ok()
}

/// Reads a query.
///
/// # Errors
/// Invalid, with the name of the parameter.
pub fn read<T: DeserializeOwned>(query: &str) -> Result<T> {
    for (name, value) in form_urlencoded::parse(query.as_bytes()) {
        if name.contains('\0') || value.contains('\0') {
            return Err(Error::field(
                name.replace('\0', ""),
                "character",
                "holds the character U+0000. Take it out.",
            ));
        }
        if year_of(&value).is_some_and(|year| !YEARS.contains(&year)) {
            return Err(Error::field(
                name,
                "out_of_range",
                "is not in the years 1 to 9999. Correct the year.",
            ));
        }
    }
    let pairs = serde_urlencoded::Deserializer::new(form_urlencoded::parse(query.as_bytes()));
    serde_path_to_error::deserialize(pairs).map_err(|error| {
        let name = error.path().to_string();
        let pointer = if name == "." { "query".to_owned() } else { name };
        Error::field(pointer, "parameter", unread(&error.inner().to_string()))
    })
}
