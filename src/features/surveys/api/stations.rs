//! The endpoints of stations.

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::Result;
use crate::features::audit::{self, Act};
use crate::features::surveys::model::station::StationFields;
use crate::features::surveys::store::station::{self as store, Station};
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems};
use crate::http::{App, At, IfMatch, Kept, New, Outcome, Page, Params, Patch, Permit, RetryKey};
use crate::ids::{OrgId, StationId, VesselId};
use crate::permissions::{Read, RecordReadings};

/// A station.
#[derive(Debug, Serialize, ToSchema)]
pub struct StationView {
    /// Its id.
    pub id: StationId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    /// The organisation that recorded it: yours, or another that had a grant. Only it corrects it.
    pub author_org_id: OrgId,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: StationFields,
}

impl Kept for StationView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Station> for StationView {
    fn from(station: Station) -> Self {
        Self {
            id: station.id,
            version: station.version,
            created_at: station.created_at,
            updated_at: station.updated_at,
            author_org_id: station.author_org_id,
            fields: station.fields,
        }
    }
}

/// Which stations.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct StationQuery {
    /// Only those of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
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
crate::list_query!(StationQuery, "list_stations");

/// Makes a station within a transaction.
///
/// # Errors
/// A foreign vessel, a code that is taken; those of the database.
pub fn create(tx: &mut Tx<'_>, id: StationId, fields: StationFields) -> Result<StationView> {
    store::insert(tx, id, &fields)?;
    audit::record(
        tx,
        &Act {
            action: "create_station",
            entity: "station",
            entity_id: id.into(),
            before: None,
            after: Some(&fields),
        },
    )?;
    read(tx, id)
}

/// Reads a station within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: StationId) -> Result<StationView> {
    store::read(tx, id).map(StationView::from)
}

/// Lists the stations.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(StationQuery),
    responses((status = 200, description = "A page of stations", body = Page<StationView>), ListProblems))]
#[get("/v1/stations")]
pub async fn list_stations(app: App, permit: Permit<Read>, query: Params<StationQuery>) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let (vessel_id, since) = (query.vessel_id, query.updated_since);
    let slice = app.read(&permit, move |tx| store::list(tx, vessel_id, since, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, StationView::from)))
}

/// Makes a station.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = New<StationFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Made", body = StationView), (status = 200, description = "The same request had made it", body = StationView), CreateProblems))]
#[post("/v1/stations")]
pub async fn create_station(
    app: App,
    permit: Permit<RecordReadings>,
    key: RetryKey,
    new: New<StationFields>,
) -> Outcome {
    let creation = Creation { operation: "create_station", key, new };
    let made = app.write(&permit, move |tx| creation.once(tx, create, read)).await?;
    Ok(made.answer("/v1/stations"))
}

/// Reads a station.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(("id" = StationId, Path, description = "The station")),
    responses((status = 200, description = "The station", body = StationView), ReadProblems))]
#[get("/v1/stations/{id}")]
pub async fn read_station(app: App, permit: Permit<Read>, id: At<StationId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes a station.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = Patch<StationFields>,
    params(("id" = StationId, Path, description = "The station"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = StationView), ChangeProblems))]
#[patch("/v1/stations/{id}")]
pub async fn change_station(
    app: App,
    permit: Permit<RecordReadings>,
    id: At<StationId>,
    if_match: IfMatch,
    patch: Patch<StationFields>,
) -> Outcome {
    let changed = app.write(&permit, move |tx| {
        let before = store::read(tx, id.0)?;
        if_match.check(before.version)?;
        let after = patch.apply(&before.fields)?.changing(&before.fields)?;
        store::update(tx, id.0, &after, before.version)?;
        audit::record(
            tx,
            &Act {
                action: "change_station",
                entity: "station",
                entity_id: id.0.into(),
                before: Some(&before.fields),
                after: Some(&after),
            },
        )?;
        read(tx, id.0)
    });
    changed.await.map(kept)
}
