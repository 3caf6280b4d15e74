//! Grants as the organisation holds them.

use actix_web::{HttpResponse, get};
use chrono::{DateTime, Utc};
use serde::Serialize;
use utoipa::ToSchema;

use super::given::GrantQuery;
use crate::features::grants::model::{GrantScope, GrantState};
use crate::features::grants::store::grant::{self as store, Grant};
use crate::http::paging::ListQuery;
use crate::http::problem::ListProblems;
use crate::http::{App, Outcome, Page, Params, Permit};
use crate::ids::{GrantId, OrgId, VesselId};
use crate::permissions::Read;

/// A grant that your organisation holds on a vessel of another.
#[derive(Debug, Serialize, ToSchema)]
pub struct HeldGrantView {
    /// Its id.
    pub id: GrantId,
    /// Whose vessel it is.
    pub org_id: OrgId,
    /// The name of that organisation.
    pub org_name: String,
    /// The vessel.
    pub vessel_id: VesselId,
    /// The vessel's name, while the grant holds.
    pub vessel_name: Option<String>,
    /// What it lets you do.
    pub scope: GrantScope,
    /// From when on.
    pub from_at: Option<DateTime<Utc>>,
    /// Until when; open when null.
    pub until_at: Option<DateTime<Utc>>,
    /// When it was revoked.
    pub revoked_at: Option<DateTime<Utc>>,
    /// How it stands now.
    pub state: GrantState,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
}

impl From<Grant> for HeldGrantView {
    fn from(grant: Grant) -> Self {
        Self {
            id: grant.id,
            org_id: grant.org_id,
            org_name: grant.partner_name,
            vessel_id: grant.fields.vessel_id,
            vessel_name: grant.vessel_name,
            scope: grant.fields.scope,
            from_at: grant.fields.from_at,
            until_at: grant.fields.until_at,
            revoked_at: grant.revoked_at,
            state: grant.state,
            updated_at: grant.updated_at,
        }
    }
}

/// Lists the grants your organisation holds on vessels of others.
#[utoipa::path(tag = "grants", security(("bearer" = [])), params(GrantQuery),
    responses((status = 200, description = "A page of grants", body = Page<HeldGrantView>), ListProblems))]
#[get("/v1/held-grants")]
pub async fn list_held_grants(app: App, permit: Permit<Read>, query: Params<GrantQuery>) -> Outcome {
    let query = query.0;
    let (page, filter) = (query.page()?, query.filter());
    let slice = app.read(&permit, move |tx| store::list_held(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, HeldGrantView::from)))
}
