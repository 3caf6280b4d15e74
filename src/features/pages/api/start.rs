//! What stands in place of an empty list while an organisation has no vessel: what to do first.

use crate::db::Tx;
use crate::db::paging::PageRequest;
use crate::error::Result;
use crate::features::products::store::{self as products, ProductFilter};
use crate::features::sites::store as sites;
use crate::features::vessels::store as vessels;

/// What an organisation without vessels has already.
#[derive(Debug)]
pub struct Start {
    /// Its sites.
    pub sites: usize,
    /// Whether it has a product.
    pub products: bool,
}

impl Start {
    /// Of an organisation without vessels; none once there is one.
    ///
    /// # Errors
    /// Those of the database.
    pub fn of(tx: &mut Tx<'_>) -> Result<Option<Self>> {
        if vessels::is_any(tx)? {
            return Ok(None);
        }
        let one = PageRequest { limit: 1, after: None };
        let any = ProductFilter { role: None, updated_since: None };
        let products = !products::list(tx, any, one)?.items.is_empty();
        Ok(Some(Self { sites: sites::names(tx)?.len(), products }))
    }
}
