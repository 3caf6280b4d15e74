//! The endpoints of treatments.

pub mod coats;
mod facts;
pub mod launch;
pub mod plan;
pub mod quantities;
pub mod record;
mod record_page;
pub mod work;

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::Result;
use crate::features::audit::{self, Act};
use crate::features::treatments::model::{TreatmentFields, TreatmentKind};
use crate::features::treatments::store::{self, Treatment, TreatmentFilter};
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems, VersionProblems};
use crate::http::{
    App, At, IfMatch, Kept, New, Outcome, Page, Params, Patch, Permit, RetryKey, VersionQuery,
};
use crate::ids::{PersonId, TreatmentId, VesselId};
use crate::jobs::queue;
use crate::permissions::{Read, RecordWork};

/// A treatment.
#[derive(Debug, Serialize, ToSchema)]
pub struct TreatmentView {
    /// Its id.
    pub id: TreatmentId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When this version was recorded.
    pub updated_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: TreatmentFields,
}

impl Kept for TreatmentView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Treatment> for TreatmentView {
    fn from(treatment: Treatment) -> Self {
        Self {
            id: treatment.id,
            version: treatment.version,
            updated_at: treatment.recorded_at,
            recorded_by: treatment.recorded_by,
            fields: treatment.fields,
        }
    }
}

/// Which treatments.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct TreatmentQuery {
    /// Only those of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// Only those of this kind.
    #[param(nullable = false)]
    pub kind: Option<TreatmentKind>,
    /// Those withdrawn too: to follow changes by `updated_since`, ask for them.
    #[param(nullable = false)]
    pub withdrawn: Option<bool>,
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
crate::list_query!(TreatmentQuery, "list_treatments");

impl TreatmentQuery {
    fn filter(&self) -> TreatmentFilter {
        TreatmentFilter {
            vessel_id: self.vessel_id,
            kind: self.kind,
            updated_since: self.updated_since,
            withdrawn: self.withdrawn.unwrap_or(false),
        }
    }
}

/// Makes a treatment within a transaction.
///
/// # Errors
/// Invalid fields, a foreign vessel or haul-out; those of the database.
pub fn create(tx: &mut Tx<'_>, id: TreatmentId, fields: TreatmentFields) -> Result<TreatmentView> {
    let fields = fields.made(tx.now())?;
    store::insert(tx, id, &fields)?;
    settle(tx, "create_treatment", id, None, &fields)
}

/// Reads a treatment within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: TreatmentId) -> Result<TreatmentView> {
    store::read(tx, id).map(TreatmentView::from)
}

/// Changes a treatment within a transaction. A patch that changes nothing makes no version.
///
/// # Errors
/// Stale; invalid fields; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    id: TreatmentId,
    if_match: IfMatch,
    patch: &Patch<TreatmentFields>,
) -> Result<TreatmentView> {
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    let start = before.fields.clone().without_reason();
    let after = patch.apply(&start)?;
    if after.clone().without_reason() == start {
        return Ok(before.into());
    }
    let after = after.changing(&start, tx.now())?;
    store::insert_version(tx, id, before.version + 1, &after)?;
    settle(tx, "change_treatment", id, Some(&before.fields), &after)
}

fn settle(
    tx: &mut Tx<'_>,
    action: &str,
    id: TreatmentId,
    before: Option<&TreatmentFields>,
    after: &TreatmentFields,
) -> Result<TreatmentView> {
    audit::record(
        tx,
        &Act { action, entity: "treatment", entity_id: id.into(), before, after: Some(after) },
    )?;
    queue::request_forecast(tx, after.vessel_id)?;
    read(tx, id)
}

/// Lists the treatments, each in its current version.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(TreatmentQuery),
    responses((status = 200, description = "A page of treatments", body = Page<TreatmentView>), ListProblems))]
#[get("/v1/treatments")]
pub async fn list_treatments(app: App, permit: Permit<Read>, query: Params<TreatmentQuery>) -> Outcome {
    let query = query.0;
    let (page, filter) = (query.page()?, query.filter());
    let slice = app.read(&permit, move |tx| store::list(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, TreatmentView::from)))
}

/// Records a treatment that was done.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), request_body = New<TreatmentFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Made", body = TreatmentView), (status = 200, description = "The same request had made it", body = TreatmentView), CreateProblems))]
#[post("/v1/treatments")]
pub async fn create_treatment(
    app: App,
    permit: Permit<RecordWork>,
    key: RetryKey,
    new: New<TreatmentFields>,
) -> Outcome {
    let creation = Creation { operation: "create_treatment", key, new };
    let made = app.write(&permit, move |tx| creation.once(tx, create, read)).await?;
    Ok(made.answer("/v1/treatments"))
}

/// Reads a treatment.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = TreatmentId, Path, description = "The treatment")),
    responses((status = 200, description = "The treatment", body = TreatmentView), ReadProblems))]
#[get("/v1/treatments/{id}")]
pub async fn read_treatment(app: App, permit: Permit<Read>, id: At<TreatmentId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes a treatment: its next version. `correction_reason` is required.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), request_body = Patch<TreatmentFields>,
    params(("id" = TreatmentId, Path, description = "The treatment"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = TreatmentView), ChangeProblems))]
#[patch("/v1/treatments/{id}")]
pub async fn change_treatment(
    app: App,
    permit: Permit<RecordWork>,
    id: At<TreatmentId>,
    if_match: IfMatch,
    patch: Patch<TreatmentFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, id.0, if_match, &patch)).await.map(kept)
}

/// Lists the versions of a treatment, oldest first.
#[utoipa::path(tag = "treatments", security(("bearer" = [])), params(("id" = TreatmentId, Path, description = "The treatment"), VersionQuery),
    responses((status = 200, description = "A page of versions", body = Page<TreatmentView>), VersionProblems))]
#[get("/v1/treatments/{id}/versions")]
pub async fn list_treatment_versions(
    app: App,
    permit: Permit<Read>,
    id: At<TreatmentId>,
    query: Params<VersionQuery>,
) -> Outcome {
    let query = query.0;
    let page = query.page_of(id.0)?;
    let slice = app.read(&permit, move |tx| store::versions(tx, id.0, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, TreatmentView::from)))
}
