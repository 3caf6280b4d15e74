//! Grants as the organisation gives them.

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::grants::model::{GrantFields, GrantState};
use crate::features::grants::store::grant::{self as store, Grant, GrantFilter};
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems};
use crate::http::{App, At, IfMatch, Kept, New, Outcome, Page, Params, Patch, Permit, RetryKey};
use crate::ids::{GrantId, VesselId};
use crate::jobs::queue::request_forecast;
use crate::permissions::{GrantVessels, Read};

/// A grant.
#[derive(Debug, Serialize, ToSchema)]
pub struct GrantView {
    /// Its id.
    pub id: GrantId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    /// The vessel's name.
    pub vessel_name: Option<String>,
    /// The name of the organisation that holds it.
    pub grantee_name: String,
    /// When it was revoked.
    pub revoked_at: Option<DateTime<Utc>>,
    /// How it stands now.
    pub state: GrantState,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: GrantFields,
}

impl Kept for GrantView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Grant> for GrantView {
    fn from(grant: Grant) -> Self {
        Self {
            id: grant.id,
            version: grant.version,
            created_at: grant.created_at,
            updated_at: grant.updated_at,
            vessel_name: grant.vessel_name,
            grantee_name: grant.partner_name,
            revoked_at: grant.revoked_at,
            state: grant.state,
            fields: grant.fields,
        }
    }
}

/// Which grants.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct GrantQuery {
    /// Only those on this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// Only those that hold now, or only those that do not.
    #[param(nullable = false)]
    pub live: Option<bool>,
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
crate::list_query!(GrantQuery, "list_grants");

impl GrantQuery {
    pub(super) fn filter(&self) -> GrantFilter {
        GrantFilter { vessel_id: self.vessel_id, live: self.live, updated_since: self.updated_since }
    }
}

/// Gives a grant within a transaction.
///
/// # Errors
/// Invalid fields; a vessel or an organisation that there is not; those of the database.
pub fn create(tx: &mut Tx<'_>, id: GrantId, fields: GrantFields) -> Result<GrantView> {
    let fields = fields.checked(tx.now())?;
    if fields.grantee_org_id == tx.acting_org_id() {
        return Err(Error::field("/grantee_org_id", "own", "is your own organisation. Name the other one."));
    }
    store::insert(tx, id, &fields)?;
    settle(tx, "create_grant", id, None, &fields)
}

/// Reads a grant within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: GrantId) -> Result<GrantView> {
    store::read(tx, id).map(GrantView::from)
}

/// What follows from a grant as it is now: both sides' audit, and who sees the vessel's due rows.
fn settle(
    tx: &mut Tx<'_>,
    action: &str,
    id: GrantId,
    before: Option<&GrantFields>,
    after: &GrantFields,
) -> Result<GrantView> {
    let without_note = |fields: &GrantFields| GrantFields { note: None, ..fields.clone() };
    let (before, after) = (before.map(without_note), without_note(after));
    let act =
        Act { action, entity: "grant", entity_id: id.into(), before: before.as_ref(), after: Some(&after) };
    audit::record_with(tx, &act, &[after.grantee_org_id])?;
    store::end_viewing(tx, after.vessel_id, after.grantee_org_id)?;
    request_forecast(tx, after.vessel_id)?;
    read(tx, id)
}

fn not_revoked(grant: &Grant) -> Result<()> {
    if grant.state == GrantState::Revoked {
        return Err(Error::new(Code::Conflict, "The grant is revoked. Make another one."));
    }
    Ok(())
}

/// Lists the grants your organisation gave.
#[utoipa::path(tag = "grants", security(("bearer" = [])), params(GrantQuery),
    responses((status = 200, description = "A page of grants", body = Page<GrantView>), ListProblems))]
#[get("/v1/grants")]
pub async fn list_grants(app: App, permit: Permit<Read>, query: Params<GrantQuery>) -> Outcome {
    let query = query.0;
    let (page, filter) = (query.page()?, query.filter());
    let slice = app.read(&permit, move |tx| store::list(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, GrantView::from)))
}

/// Grants a vessel of yours to another organisation.
#[utoipa::path(tag = "grants", security(("bearer" = [])), request_body = New<GrantFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Granted", body = GrantView), (status = 200, description = "The same request had granted it", body = GrantView), CreateProblems))]
#[post("/v1/grants")]
pub async fn create_grant(
    app: App,
    permit: Permit<GrantVessels>,
    key: RetryKey,
    new: New<GrantFields>,
) -> Outcome {
    let creation = Creation { operation: "create_grant", key, new };
    let made = app.write(&permit, move |tx| creation.once(tx, create, read)).await?;
    Ok(made.answer("/v1/grants"))
}

/// Reads a grant your organisation gave.
#[utoipa::path(tag = "grants", security(("bearer" = [])), params(("id" = GrantId, Path, description = "The grant")),
    responses((status = 200, description = "The grant", body = GrantView), ReadProblems))]
#[get("/v1/grants/{id}")]
pub async fn read_grant(app: App, permit: Permit<Read>, id: At<GrantId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes the end or the note of a grant; all else is fixed.
#[utoipa::path(tag = "grants", security(("bearer" = [])), request_body = Patch<GrantFields>,
    params(("id" = GrantId, Path, description = "The grant"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = GrantView), ChangeProblems))]
#[patch("/v1/grants/{id}")]
pub async fn change_grant(
    app: App,
    permit: Permit<GrantVessels>,
    id: At<GrantId>,
    if_match: IfMatch,
    patch: Patch<GrantFields>,
) -> Outcome {
    let changed = app.write(&permit, move |tx| {
        let before = store::read(tx, id.0)?;
        if_match.check(before.version)?;
        not_revoked(&before)?;
        let after = patch.apply(&before.fields)?.changing(&before.fields)?.checked(tx.now())?;
        store::update(tx, id.0, &after, None, before.version)?;
        settle(tx, "change_grant", id.0, Some(&before.fields), &after)
    });
    changed.await.map(kept)
}

/// Revokes a grant, at once. What the other organisation recorded stays, readable to both.
#[utoipa::path(tag = "grants", security(("bearer" = [])),
    params(("id" = GrantId, Path, description = "The grant")),
    responses((status = 200, description = "Revoked", body = GrantView), CreateProblems))]
#[post("/v1/grants/{id}/revocation")]
pub async fn revoke_grant(app: App, permit: Permit<GrantVessels>, id: At<GrantId>) -> Outcome {
    app.write(&permit, move |tx| revoke(tx, id.0)).await.map(kept)
}

/// Revokes a grant within a transaction.
///
/// # Errors
/// Not found; a conflict where it is revoked; those of the database.
pub fn revoke(tx: &mut Tx<'_>, id: GrantId) -> Result<GrantView> {
    let before = store::read(tx, id)?;
    not_revoked(&before)?;
    let now = tx.now();
    store::update(tx, id, &before.fields, Some(now), before.version)?;
    settle(tx, "revoke_grant", id, Some(&before.fields), &before.fields)
}
