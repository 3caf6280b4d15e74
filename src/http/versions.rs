//! The versions of one record over HTTP, oldest first.

use serde::{Deserialize, Serialize};
use utoipa::IntoParams;
use uuid::Uuid;

use crate::db::paging::PageRequest;
use crate::error::{Code, Error, Result};
use crate::http::paging::ListQuery;

/// Which versions of a record.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct VersionQuery {
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(VersionQuery, "versions");

impl VersionQuery {
    /// Which versions of the record `id` to read.
    ///
    /// # Errors
    /// Malformed for a foreign cursor; invalid for a limit out of range.
    pub fn page_of(&self, id: impl Into<Uuid>) -> Result<PageRequest> {
        let page = self.page()?;
        if page.after.is_some_and(|after| after.id != id.into()) {
            return Err(Error::new(
                Code::Malformed,
                "The cursor belongs to another record. Start again without it.",
            ));
        }
        Ok(page)
    }
}
