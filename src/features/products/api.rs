//! The endpoints of products.

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::model::{CoatRole, ProductFields};
use super::store::{self, Product, ProductFilter};
use crate::db::Tx;
use crate::error::Result;
use crate::features::audit::{self, Act};
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems};
use crate::http::{App, At, IfMatch, Kept, New, Outcome, Page, Params, Patch, Permit, RetryKey};
use crate::ids::ProductId;
use crate::permissions::{KeepRegister, Read};

/// A product.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProductView {
    /// Its id.
    pub id: ProductId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: ProductFields,
}

impl Kept for ProductView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Product> for ProductView {
    fn from(product: Product) -> Self {
        Self {
            id: product.id,
            version: product.version,
            created_at: product.created_at,
            updated_at: product.updated_at,
            fields: product.fields,
        }
    }
}

/// Which products.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ProductQuery {
    /// Only those of this role.
    #[param(nullable = false)]
    pub role: Option<CoatRole>,
    /// Only those changed at or after this time.
    #[param(nullable = false)]
    pub updated_since: Option<DateTime<Utc>>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(ProductQuery, "list_products");

/// Makes a product within a transaction.
///
/// # Errors
/// Invalid fields; those of the database.
pub fn create(tx: &mut Tx<'_>, id: ProductId, fields: ProductFields) -> Result<ProductView> {
    let fields = fields.checked()?;
    store::insert(tx, id, &fields)?;
    audit::record(
        tx,
        &Act {
            action: "create_product",
            entity: "product",
            entity_id: id.into(),
            before: None,
            after: Some(&fields),
        },
    )?;
    read(tx, id)
}

/// Changes a product as it was read within this transaction to these fields.
///
/// # Errors
/// Invalid fields; stale; those of the database.
pub fn change(tx: &mut Tx<'_>, before: &Product, after: ProductFields) -> Result<ProductView> {
    let after = after.checked()?;
    store::update(tx, before.id, &after, before.version)?;
    audit::record(
        tx,
        &Act {
            action: "change_product",
            entity: "product",
            entity_id: before.id.into(),
            before: Some(&before.fields),
            after: Some(&after),
        },
    )?;
    read(tx, before.id)
}

/// Reads a product within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: ProductId) -> Result<ProductView> {
    store::read(tx, id).map(ProductView::from)
}

/// Lists the products.
#[utoipa::path(tag = "products", security(("bearer" = [])), params(ProductQuery),
    responses((status = 200, description = "A page of products", body = Page<ProductView>), ListProblems))]
#[get("/v1/products")]
pub async fn list_products(app: App, permit: Permit<Read>, query: Params<ProductQuery>) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let filter = ProductFilter { role: query.role, updated_since: query.updated_since };
    let slice = app.read(&permit, move |tx| store::list(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, ProductView::from)))
}

/// Makes a product from its data sheet.
#[utoipa::path(tag = "products", security(("bearer" = [])), request_body = New<ProductFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Made", body = ProductView), (status = 200, description = "The same request had made it", body = ProductView), CreateProblems))]
#[post("/v1/products")]
pub async fn create_product(
    app: App,
    permit: Permit<KeepRegister>,
    key: RetryKey,
    new: New<ProductFields>,
) -> Outcome {
    let creation = Creation { operation: "create_product", key, new };
    let made = app.write(&permit, move |tx| creation.once(tx, create, read)).await?;
    Ok(made.answer("/v1/products"))
}

/// Reads a product.
#[utoipa::path(tag = "products", security(("bearer" = [])), params(("id" = ProductId, Path, description = "The product")),
    responses((status = 200, description = "The product", body = ProductView), ReadProblems))]
#[get("/v1/products/{id}")]
pub async fn read_product(app: App, permit: Permit<Read>, id: At<ProductId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes a product. What coats took from its sheet when they were recorded stays with them.
#[utoipa::path(tag = "products", security(("bearer" = [])), request_body = Patch<ProductFields>,
    params(("id" = ProductId, Path, description = "The product"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = ProductView), ChangeProblems))]
#[patch("/v1/products/{id}")]
pub async fn change_product(
    app: App,
    permit: Permit<KeepRegister>,
    id: At<ProductId>,
    if_match: IfMatch,
    patch: Patch<ProductFields>,
) -> Outcome {
    let changed = app.write(&permit, move |tx| {
        let before = store::read(tx, id.0)?;
        if_match.check(before.version)?;
        let after = patch.apply(&before.fields)?;
        change(tx, &before, after)
    });
    changed.await.map(kept)
}
