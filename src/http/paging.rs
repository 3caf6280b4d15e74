//! Lists over HTTP: `limit`, `cursor`, `updated_since`.

use actix_web::HttpResponse;
use serde::Serialize;
use utoipa::ToSchema;

use crate::db::paging::{PageRequest, Position, Slice};
use crate::error::{Error, Result};

/// The rows of a page when `limit` is not given.
pub const DEFAULT_LIMIT: u32 = 50;
/// The most rows of a page.
pub const MAX_LIMIT: u32 = 200;

/// One page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Page<T> {
    /// The rows.
    pub items: Vec<T>,
    /// Send it as `cursor` for the next page; null after the last.
    pub next_cursor: Option<String>,
}

/// The query of a list. Its filters, without `limit` and `cursor`, belong to the cursor.
pub trait ListQuery: Serialize + Clone {
    /// The operation id of the list.
    const LIST: &'static str;
    /// Takes `limit` and `cursor` out.
    fn take_paging(&mut self) -> (Option<u32>, Option<String>);

    /// Which rows to read.
    ///
    /// # Errors
    /// Malformed for a foreign cursor; invalid for a limit out of range.
    fn page(&self) -> Result<PageRequest> {
        let mut filters = self.clone();
        let (limit, cursor) = filters.take_paging();
        let limit = limit.unwrap_or(DEFAULT_LIMIT);
        if limit == 0 || limit > MAX_LIMIT {
            return Err(Error::field("limit", "out_of_range", format!("must be 1 to {MAX_LIMIT}.")));
        }
        let after = cursor
            .map(|cursor| Position::from_cursor(&cursor, Self::LIST, &canonical(&filters)))
            .transpose()?;
        Ok(PageRequest { limit: i64::from(limit), after })
    }

    /// The cursor for what comes after a place.
    fn cursor_after(&self, position: Position) -> String {
        let mut filters = self.clone();
        filters.take_paging();
        position.to_cursor(Self::LIST, &canonical(&filters))
    }

    /// The slice as a page, each row converted by `view`.
    fn answer<R, T: Serialize>(&self, slice: Slice<R>, view: impl FnMut(R) -> T) -> Page<T> {
        let next_cursor = slice.next.map(|position| self.cursor_after(position));
        Page { items: slice.items.into_iter().map(view).collect(), next_cursor }
    }
}

fn canonical<T: Serialize>(filters: &T) -> String {
    serde_json::to_string(filters).unwrap_or_default()
}

/// Makes a query struct with fields `limit` and `cursor` a [`ListQuery`].
#[macro_export]
macro_rules! list_query {
    ($query:ty, $list:literal) => {
        impl $crate::http::paging::ListQuery for $query {
            const LIST: &'static str = $list;
            fn take_paging(&mut self) -> (Option<u32>, Option<String>) {
                (self.limit.take(), self.cursor.take())
            }
        }
    };
}

impl<T: Serialize> From<Page<T>> for HttpResponse {
    fn from(page: Page<T>) -> Self {
        HttpResponse::Ok().json(page)
    }
}
