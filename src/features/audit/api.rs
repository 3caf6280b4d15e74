//! Reading the audit.

use actix_web::{HttpResponse, get};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::store;
use crate::http::paging::ListQuery;
use crate::http::problem::ListProblems;
use crate::http::{App, Outcome, Page, Params, Permit};
use crate::ids::{AuditId, PersonId, ProgramId};
use crate::permissions::Administer;

/// One act.
#[derive(Debug, Serialize, ToSchema)]
pub struct AuditView {
    /// The row's id.
    pub id: AuditId,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// Who; null for the service itself.
    pub person_id: Option<PersonId>,
    /// By which program, if one called.
    pub program_id: Option<ProgramId>,
    /// From which address; null for the service itself.
    pub address: Option<String>,
    /// In which request.
    pub request_id: String,
    /// The operation.
    pub action: String,
    /// The kind of record.
    pub entity: String,
    /// The record.
    pub entity_id: Uuid,
    /// The record before.
    pub before: Option<Value>,
    /// The record after.
    pub after: Option<Value>,
}

/// Which acts.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AuditQuery {
    /// Only those on this record.
    #[param(nullable = false)]
    pub entity_id: Option<Uuid>,
    /// Only those recorded at or after this time.
    #[param(nullable = false)]
    pub updated_since: Option<DateTime<Utc>>,
    /// Rows a page, 1 to 200.
    #[param(nullable = false, minimum = 1, maximum = 200)]
    pub limit: Option<u32>,
    /// Where the page before ended.
    #[param(nullable = false)]
    pub cursor: Option<String>,
}
crate::list_query!(AuditQuery, "list_audit");

/// Lists who did what, oldest first.
#[utoipa::path(tag = "audit", params(AuditQuery), security(("bearer" = [])),
    responses((status = 200, description = "A page of the audit", body = Page<AuditView>), ListProblems))]
#[get("/v1/audit")]
pub async fn list_audit(app: App, permit: Permit<Administer>, query: Params<AuditQuery>) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let (entity_id, since) = (query.entity_id, query.updated_since);
    let slice = app.read(&permit, move |tx| store::list(tx, entity_id, since, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, |row| AuditView {
        id: row.id,
        recorded_at: row.recorded_at,
        person_id: row.person_id,
        program_id: row.program_id,
        address: row.address,
        request_id: row.request_id,
        action: row.action,
        entity: row.entity,
        entity_id: row.entity_id,
        before: row.before,
        after: row.after,
    })))
}
