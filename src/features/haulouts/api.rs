//! The endpoints of haul-outs.

use actix_web::web::Data;
use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use super::model::{HaulOutFields, HaulOutWarning, overlap};
use super::store::{self, HaulOut, HaulOutFilter};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::vessels;
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems};
use crate::http::{App, At, IfMatch, Kept, New, Outcome, Page, Params, Patch, Permit, RetryKey};
use crate::ids::{HaulOutId, OrgId, VesselId};
use crate::jobs::queue::request_forecast;
use crate::permissions::{Read, RecordWork};

/// A haul-out.
#[derive(Debug, Serialize, ToSchema)]
pub struct HaulOutView {
    /// Its id.
    pub id: HaulOutId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was recorded.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    /// The organisation that recorded it: yours, or another that had a grant. Only it corrects it.
    pub author_org_id: OrgId,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: HaulOutFields,
    /// What to look at about the relaunch; told where one haul-out is recorded, read or changed.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(nullable = false)]
    pub warnings: Option<Vec<HaulOutWarning>>,
}

impl Kept for HaulOutView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<HaulOut> for HaulOutView {
    fn from(haul_out: HaulOut) -> Self {
        Self {
            id: haul_out.id,
            version: haul_out.version,
            created_at: haul_out.created_at,
            updated_at: haul_out.updated_at,
            author_org_id: haul_out.author_org_id,
            fields: haul_out.fields,
            warnings: None,
        }
    }
}

/// Which haul-outs.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HaulOutQuery {
    /// Only those of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// `true`: only those not relaunched yet; `false`: only those relaunched.
    #[param(nullable = false)]
    pub open: Option<bool>,
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
crate::list_query!(HaulOutQuery, "list_haul_outs");

/// The fields, if they agree with each other, with the vessel's launch and with its other haul-outs.
fn checked(tx: &mut Tx<'_>, id: HaulOutId, fields: HaulOutFields) -> Result<HaulOutFields> {
    let vessel = vessels::store::read(tx, fields.vessel_id).map_err(|error| match error.code {
        Code::NotFound => Error::field(
            "/vessel_id",
            "unknown",
            "is not a vessel of your organisation. Enter the vessel or correct the id.",
        ),
        _ => error,
    })?;
    let fields = fields.checked(vessel.fields.launched_on)?;
    match store::overlapping(tx, id, &fields)? {
        None => Ok(fields),
        Some(other) => Err(overlap(other.lifted_on, other.relaunched_on)),
    }
}

/// Records a haul-out within a transaction.
///
/// # Errors
/// Invalid fields; a conflict with another haul-out; those of the database.
pub fn create(tx: &mut Tx<'_>, id: HaulOutId, fields: HaulOutFields) -> Result<HaulOutView> {
    let fields = checked(tx, id, fields)?;
    store::insert(tx, id, &fields)?;
    audit::record(
        tx,
        &Act {
            action: "create_haul_out",
            entity: "haul_out",
            entity_id: id.into(),
            before: None,
            after: Some(&fields),
        },
    )?;
    request_forecast(tx, fields.vessel_id)?;
    read(tx, id)
}

/// Changes a haul-out as it was read within this transaction to these fields.
///
/// # Errors
/// Invalid fields; a conflict with another haul-out or with its surveys; stale; those of the database.
pub fn change(tx: &mut Tx<'_>, before: &HaulOut, after: HaulOutFields) -> Result<HaulOutView> {
    let after = checked(tx, before.id, after.still_of(&before.fields)?)?;
    store::update(tx, before.id, &after, before.version)?;
    audit::record(
        tx,
        &Act {
            action: "change_haul_out",
            entity: "haul_out",
            entity_id: before.id.into(),
            before: Some(&before.fields),
            after: Some(&after),
        },
    )?;
    if after.bears_on_dates_unlike(&before.fields) {
        request_forecast(tx, after.vessel_id)?;
    }
    read(tx, before.id)
}

/// Reads a haul-out within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: HaulOutId) -> Result<HaulOutView> {
    store::read(tx, id).map(HaulOutView::from)
}

/// Tells what to look at about the relaunch. Coats and treatments come after haul-outs: `routes` names who tells it.
pub type Relaunch = fn(&mut Tx<'_>, &HaulOut) -> Result<Vec<HaulOutWarning>>;

/// A haul-out with what to look at about the relaunch.
fn warned(tx: &mut Tx<'_>, id: HaulOutId, relaunch: Relaunch) -> Result<HaulOutView> {
    let haul_out = store::read(tx, id)?;
    let warnings = Some(relaunch(tx, &haul_out)?);
    Ok(HaulOutView { warnings, ..HaulOutView::from(haul_out) })
}

/// Lists the haul-outs.
#[utoipa::path(tag = "haul-outs", security(("bearer" = [])), params(HaulOutQuery),
    responses((status = 200, description = "A page of haul-outs", body = Page<HaulOutView>), ListProblems))]
#[get("/v1/haul-outs")]
pub async fn list_haul_outs(app: App, permit: Permit<Read>, query: Params<HaulOutQuery>) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let filter =
        HaulOutFilter { vessel_id: query.vessel_id, open: query.open, updated_since: query.updated_since };
    let slice = app.read(&permit, move |tx| store::list(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, HaulOutView::from)))
}

/// Records a haul-out: open from the lift, closed by its day of relaunch.
#[utoipa::path(tag = "haul-outs", security(("bearer" = [])), request_body = New<HaulOutFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Recorded", body = HaulOutView), (status = 200, description = "The same request had recorded it", body = HaulOutView), CreateProblems))]
#[post("/v1/haul-outs")]
pub async fn create_haul_out(
    app: App,
    permit: Permit<RecordWork>,
    key: RetryKey,
    relaunch: Data<Relaunch>,
    new: New<HaulOutFields>,
) -> Outcome {
    let relaunch = **relaunch;
    let creation = Creation { operation: "create_haul_out", key, new };
    let made = app.write(&permit, move |tx| {
        creation.once(
            tx,
            |tx, id, fields| {
                create(tx, id, fields)?;
                warned(tx, id, relaunch)
            },
            |tx, id| warned(tx, id, relaunch),
        )
    });
    let made = made.await?;
    Ok(made.answer("/v1/haul-outs"))
}

/// Reads a haul-out.
#[utoipa::path(tag = "haul-outs", security(("bearer" = [])), params(("id" = HaulOutId, Path, description = "The haul-out")),
    responses((status = 200, description = "The haul-out", body = HaulOutView), ReadProblems))]
#[get("/v1/haul-outs/{id}")]
pub async fn read_haul_out(
    app: App,
    permit: Permit<Read>,
    id: At<HaulOutId>,
    relaunch: Data<Relaunch>,
) -> Outcome {
    let relaunch = **relaunch;
    app.read(&permit, move |tx| warned(tx, id.0, relaunch)).await.map(kept)
}

/// Changes a haul-out; entering `relaunched_on` closes it. The answer warns of an antifouling that has stood too long before
/// the launch, and of a treatment that is not closed.
#[utoipa::path(tag = "haul-outs", security(("bearer" = [])), request_body = Patch<HaulOutFields>,
    params(("id" = HaulOutId, Path, description = "The haul-out"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = HaulOutView), ChangeProblems))]
#[patch("/v1/haul-outs/{id}")]
pub async fn change_haul_out(
    app: App,
    permit: Permit<RecordWork>,
    id: At<HaulOutId>,
    if_match: IfMatch,
    relaunch: Data<Relaunch>,
    patch: Patch<HaulOutFields>,
) -> Outcome {
    let relaunch = **relaunch;
    let changed = app.write(&permit, move |tx| {
        let before = store::read(tx, id.0)?;
        if_match.check(before.version)?;
        let after = patch.apply(&before.fields)?;
        change(tx, &before, after)?;
        warned(tx, id.0, relaunch)
    });
    changed.await.map(kept)
}
