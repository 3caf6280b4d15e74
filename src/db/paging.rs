//! Keyset paging: where a page ended is a key and an id, never an offset.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::error::{Code, Error, Result};

/// The place after a row in a list sorted by (key, id).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Position {
    /// The sort key as an integer: microseconds since 1970 of a time, days of a date.
    pub key: i64,
    /// The row's id.
    pub id: Uuid,
}

/// The keys there can be: the microseconds of the years 1 to 9999. Those of days are fewer.
const KEYS: std::ops::RangeInclusive<i64> = -62_135_596_800_000_000..=253_402_300_799_999_999;

/// Which rows to read.
#[derive(Debug, Clone, Copy)]
pub struct PageRequest {
    /// At most so many.
    pub limit: i64,
    /// After this place.
    pub after: Option<Position>,
}

/// Rows read, and the place after the last when more follow.
#[derive(Debug, Clone)]
pub struct Slice<T> {
    /// The rows.
    pub items: Vec<T>,
    /// Where to go on.
    pub next: Option<Position>,
}

impl PageRequest {
    /// The position as (time, id), for lists sorted by when a record was last changed.
    #[must_use]
    pub fn after_time(&self) -> Option<(DateTime<Utc>, Uuid)> {
        self.after.and_then(|p| DateTime::from_timestamp_micros(p.key).map(|time| (time, p.id)))
    }

    /// How many rows to ask for: one more than shown, to know whether more follow.
    #[must_use]
    pub fn fetch(&self) -> i64 {
        self.limit + 1
    }

    /// Cuts the rows fetched to a slice; `position` tells a row's place.
    pub fn slice<T>(&self, mut rows: Vec<T>, position: impl Fn(&T) -> Position) -> Slice<T> {
        let limit = usize::try_from(self.limit).unwrap_or(0);
        let more = rows.len() > limit;
        rows.truncate(limit);
        let next = if more { rows.last().map(position) } else { None };
        Slice { items: rows, next }
    }
}

impl Position {
    /// The place of a row sorted by a time.
    #[must_use]
    pub fn at(time: DateTime<Utc>, id: impl Into<Uuid>) -> Self {
        Self { key: time.timestamp_micros(), id: id.into() }
    }

    /// The cursor text: version, a digest of the list and its filters, key and id.
    #[must_use]
    pub fn to_cursor(self, list: &str, filters: &str) -> String {
        URL_SAFE_NO_PAD.encode(format!("1.{}.{}.{}", digest(list, filters), self.key, self.id.simple()))
    }

    /// Reads a cursor made for the same list and filters.
    ///
    /// # Errors
    /// Malformed, for anything else.
    pub fn from_cursor(cursor: &str, list: &str, filters: &str) -> Result<Self> {
        let refused = || {
            Error::new(
                Code::Malformed,
                "The cursor does not belong to this list with these filters. Start again without it.",
            )
        };
        let bytes = URL_SAFE_NO_PAD.decode(cursor).map_err(|cause| refused().because(cause))?;
        let text = String::from_utf8(bytes).map_err(|cause| refused().because(cause))?;
        let mut parts = text.split('.');
        let (version, digest_given, key, id) = (parts.next(), parts.next(), parts.next(), parts.next());
        if version != Some("1")
            || digest_given != Some(digest(list, filters).as_str())
            || parts.next().is_some()
        {
            return Err(refused());
        }
        let key =
            key.and_then(|key| key.parse().ok()).filter(|key| KEYS.contains(key)).ok_or_else(refused)?;
        let id = id.and_then(|id| Uuid::parse_str(id).ok()).ok_or_else(refused)?;
        Ok(Self { key, id })
    }
}

fn digest(list: &str, filters: &str) -> String {
    URL_SAFE_NO_PAD.encode(&Sha256::digest(format!("{list}\n{filters}").as_bytes())[..9])
}
