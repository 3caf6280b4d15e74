//! The endpoints of sites.

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::model::{SiteFields, SiteMonth, months_of};
use super::store::{self, Site};
use crate::db::Tx;
use crate::error::Result;
use crate::features::audit::{self, Act};
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems};
use crate::http::{App, At, IfMatch, Kept, New, Outcome, Page, Params, Patch, Permit, RetryKey};
use crate::ids::SiteId;
use crate::jobs::queue::request_forecasts_of_site;
use crate::jobs::schedule;
use crate::permissions::{KeepRegister, Read};
use crate::science::climate::climates;

/// A site.
#[derive(Debug, Serialize, ToSchema)]
pub struct SiteView {
    /// Its id.
    pub id: SiteId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: SiteFields,
}

impl Kept for SiteView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Site> for SiteView {
    fn from(site: Site) -> Self {
        Self {
            id: site.id,
            version: site.version,
            created_at: site.created_at,
            updated_at: site.updated_at,
            fields: site.fields,
        }
    }
}

/// A named climate.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClimateView {
    /// Its name, for `climate` of a site.
    pub name: &'static str,
    /// What it stands for. An approximation.
    pub description: &'static str,
    /// Its twelve months.
    pub months: Vec<SiteMonth>,
}

/// The named climates.
#[derive(Debug, Serialize, ToSchema)]
pub struct ClimateList {
    /// All there are.
    pub items: Vec<ClimateView>,
}

/// Which sites.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SiteQuery {
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
crate::list_query!(SiteQuery, "list_sites");

/// Makes a site within a transaction.
///
/// # Errors
/// Invalid fields; those of the database.
pub fn create(tx: &mut Tx<'_>, id: SiteId, fields: SiteFields) -> Result<SiteView> {
    let fields = fields.completed(None)?;
    store::insert(tx, id, &fields)?;
    audit::record(
        tx,
        &Act {
            action: "create_site",
            entity: "site",
            entity_id: id.into(),
            before: None,
            after: Some(&fields),
        },
    )?;
    read(tx, id)
}

/// Changes a site as it was read within this transaction to these fields.
///
/// # Errors
/// Invalid fields; stale; those of the database.
pub fn change(tx: &mut Tx<'_>, before: &Site, after: SiteFields) -> Result<SiteView> {
    let after = after.completed(Some(&before.fields))?;
    store::update(tx, before.id, &after, before.version)?;
    audit::record(
        tx,
        &Act {
            action: "change_site",
            entity: "site",
            entity_id: before.id.into(),
            before: Some(&before.fields),
            after: Some(&after),
        },
    )?;
    if after.time_zone != before.fields.time_zone
        && let Ok(zone) = after.time_zone.parse()
    {
        schedule::move_to_zone(tx, Some(before.id), zone)?;
    }
    // Another zone, another today.
    if after.months != before.fields.months || after.time_zone != before.fields.time_zone {
        request_forecasts_of_site(tx, before.id)?;
    }
    read(tx, before.id)
}

/// Reads a site within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: SiteId) -> Result<SiteView> {
    store::read(tx, id).map(SiteView::from)
}

/// Lists the named climates a site may start from. They are approximations.
#[utoipa::path(tag = "sites", security(("bearer" = [])),
    responses((status = 200, description = "The named climates", body = ClimateList), ReadProblems))]
#[get("/v1/climates")]
pub async fn list_climates(_permit: Permit<Read>) -> Outcome {
    let items = climates()
        .iter()
        .map(|c| ClimateView { name: c.name, description: c.description, months: months_of(c) })
        .collect();
    Ok(HttpResponse::Ok().json(ClimateList { items }))
}

/// Lists the sites.
#[utoipa::path(tag = "sites", security(("bearer" = [])), params(SiteQuery),
    responses((status = 200, description = "A page of sites", body = Page<SiteView>), ListProblems))]
#[get("/v1/sites")]
pub async fn list_sites(app: App, permit: Permit<Read>, query: Params<SiteQuery>) -> Outcome {
    let query = query.0;
    let (page, since) = (query.page()?, query.updated_since);
    let slice = app.read(&permit, move |tx| store::list(tx, since, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, SiteView::from)))
}

/// Makes a site.
#[utoipa::path(tag = "sites", security(("bearer" = [])), request_body = New<SiteFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Made", body = SiteView), (status = 200, description = "The same request had made it", body = SiteView), CreateProblems))]
#[post("/v1/sites")]
pub async fn create_site(
    app: App,
    permit: Permit<KeepRegister>,
    key: RetryKey,
    new: New<SiteFields>,
) -> Outcome {
    let creation = Creation { operation: "create_site", key, new };
    let made = app.write(&permit, move |tx| creation.once(tx, create, read)).await?;
    Ok(made.answer("/v1/sites"))
}

/// Reads a site.
#[utoipa::path(tag = "sites", security(("bearer" = [])), params(("id" = SiteId, Path, description = "The site")),
    responses((status = 200, description = "The site", body = SiteView), ReadProblems))]
#[get("/v1/sites/{id}")]
pub async fn read_site(app: App, permit: Permit<Read>, id: At<SiteId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes a site.
#[utoipa::path(tag = "sites", security(("bearer" = [])), request_body = Patch<SiteFields>,
    params(("id" = SiteId, Path, description = "The site"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = SiteView), ChangeProblems))]
#[patch("/v1/sites/{id}")]
pub async fn change_site(
    app: App,
    permit: Permit<KeepRegister>,
    id: At<SiteId>,
    if_match: IfMatch,
    patch: Patch<SiteFields>,
) -> Outcome {
    let changed = app.write(&permit, move |tx| {
        let before = store::read(tx, id.0)?;
        if_match.check(before.version)?;
        let after = patch.apply(&before.fields)?;
        change(tx, &before, after)
    });
    changed.await.map(kept)
}
