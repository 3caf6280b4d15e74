//! What stands in the address: ids in the path, parameters in the query.

use std::future::{Ready, ready};

use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpRequest};
use chrono::{DateTime, Datelike, NaiveDate, Utc};
use serde::de::DeserializeOwned;
use uuid::Uuid;

use crate::error::{Error, Result};
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
        ready(read(request.query_string()))
    }
}

/// Whether it is a time or a day of a year that RFC 3339 cannot write and PostgreSQL may not keep.
fn beyond_the_calendar(value: &str) -> bool {
    let day = value.parse::<DateTime<Utc>>().map(|time| time.date_naive()).or_else(|_| value.parse());
    day.is_ok_and(|day: NaiveDate| !(0..=9999).contains(&day.year()))
}

fn read<T: DeserializeOwned>(query: &str) -> Result<Params<T>> {
    for (name, value) in form_urlencoded::parse(query.as_bytes()) {
        if name.contains('\0') || value.contains('\0') {
            return Err(Error::field(
                name.replace('\0', ""),
                "character",
                "holds the character U+0000. Take it out.",
            ));
        }
        if beyond_the_calendar(&value) {
            return Err(Error::field(
                name,
                "parameter",
                "is not between the years 0 and 9999. Correct the year.",
            ));
        }
    }
    let pairs = serde_urlencoded::Deserializer::new(form_urlencoded::parse(query.as_bytes()));
    serde_path_to_error::deserialize(pairs).map(Params).map_err(|error| {
        let name = error.path().to_string();
        let pointer = if name == "." { "query".to_owned() } else { name };
        Error::field(pointer, "parameter", format!("cannot be read: {}.", error.inner()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_year_that_cannot_be_written_is_refused() {
        for good in ["0000-01-01", "9999-12-31", "2026-06-15T10:00:00Z", "2026-06-15T10:00:00+02:00", "A 12"]
        {
            assert!(!beyond_the_calendar(good), "{good}");
        }
        for bad in ["-262000-01-01", "+10000-01-01", "-262000-01-01T00:00:00Z", "+262000-01-01T00:00:00Z"] {
            assert!(beyond_the_calendar(bad), "{bad}");
        }
    }
}
