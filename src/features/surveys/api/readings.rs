//! The endpoints of readings, but for adding them.

use actix_web::{HttpResponse, get, patch};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::Result;
use crate::features::audit::{self, Act};
use crate::features::surveys::model::reading::ReadingFields;
use crate::features::surveys::store::reading::{self as store, NewReadingRow, Reading, ReadingFilter};
use crate::features::surveys::store::withdrawn;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, ListProblems, ReadProblems, VersionProblems};
use crate::http::{App, At, IfMatch, Kept, Outcome, Page, Params, Patch, Permit, VersionQuery};
use crate::ids::{OrgId, PersonId, ReadingId, StationId, SurveyId, VesselId};
use crate::jobs::queue;
use crate::permissions::{Read, RecordReadings};

/// A reading.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReadingView {
    /// Its id.
    pub id: ReadingId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// The vessel: the survey's.
    pub vessel_id: VesselId,
    /// When this version was recorded.
    pub updated_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it: yours, or another that had a grant. Only it corrects it.
    pub author_org_id: OrgId,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: ReadingFields,
}

impl Kept for ReadingView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Reading> for ReadingView {
    fn from(reading: Reading) -> Self {
        Self {
            id: reading.id,
            version: reading.version,
            vessel_id: reading.vessel_id,
            updated_at: reading.recorded_at,
            recorded_by: reading.recorded_by,
            author_org_id: reading.author_org_id,
            fields: reading.fields,
        }
    }
}

/// Which readings.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ReadingQuery {
    /// Only those of this survey.
    #[param(nullable = false)]
    pub survey_id: Option<SurveyId>,
    /// Only those of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// Only those at this station.
    #[param(nullable = false)]
    pub station_id: Option<StationId>,
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
crate::list_query!(ReadingQuery, "list_readings");

impl ReadingQuery {
    fn filter(&self) -> ReadingFilter {
        ReadingFilter {
            survey_id: self.survey_id,
            vessel_id: self.vessel_id,
            station_id: self.station_id,
            updated_since: self.updated_since,
            withdrawn: self.withdrawn.unwrap_or(false),
        }
    }
}

/// Reads a reading within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: ReadingId) -> Result<ReadingView> {
    store::read(tx, id).map(ReadingView::from)
}

/// Corrects a reading within a transaction. A patch that changes nothing makes no version.
///
/// # Errors
/// Stale; a conflict when its survey is withdrawn; invalid fields; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    id: ReadingId,
    if_match: IfMatch,
    patch: &Patch<ReadingFields>,
) -> Result<ReadingView> {
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    withdrawn::refuse_withdrawn(tx, before.fields.survey_id)?;
    let start = before.fields.clone().without_reason();
    let after = patch.apply(&start)?;
    if after.clone().without_reason() == start {
        return Ok(before.into());
    }
    let fields = after.changing(&start)?;
    audit::record(
        tx,
        &Act {
            action: "change_reading",
            entity: "reading",
            entity_id: id.into(),
            before: Some(&before.fields),
            after: Some(&fields),
        },
    )?;
    let row = NewReadingRow { id, vessel_id: before.vessel_id, fields };
    store::insert_version(tx, before.version + 1, row)?;
    queue::request(tx, queue::DRYING, before.vessel_id.into())?;
    queue::request_forecast(tx, before.vessel_id)?;
    read(tx, id)
}

/// Lists the readings, each in its current version.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(ReadingQuery),
    responses((status = 200, description = "A page of readings", body = Page<ReadingView>), ListProblems))]
#[get("/v1/readings")]
pub async fn list_readings(app: App, permit: Permit<Read>, query: Params<ReadingQuery>) -> Outcome {
    let query = query.0;
    let (page, filter) = (query.page()?, query.filter());
    let slice = app.read(&permit, move |tx| store::list(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, ReadingView::from)))
}

/// Reads a reading.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(("id" = ReadingId, Path, description = "The reading")),
    responses((status = 200, description = "The reading", body = ReadingView), ReadProblems))]
#[get("/v1/readings/{id}")]
pub async fn read_reading(app: App, permit: Permit<Read>, id: At<ReadingId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Corrects a reading: its next version. `correction_reason` is required; a signed survey stays signed.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = Patch<ReadingFields>,
    params(("id" = ReadingId, Path, description = "The reading"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = ReadingView), ChangeProblems))]
#[patch("/v1/readings/{id}")]
pub async fn change_reading(
    app: App,
    permit: Permit<RecordReadings>,
    id: At<ReadingId>,
    if_match: IfMatch,
    patch: Patch<ReadingFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, id.0, if_match, &patch)).await.map(kept)
}

/// Lists the versions of a reading, oldest first.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(("id" = ReadingId, Path, description = "The reading"), VersionQuery),
    responses((status = 200, description = "A page of versions", body = Page<ReadingView>), VersionProblems))]
#[get("/v1/readings/{id}/versions")]
pub async fn list_reading_versions(
    app: App,
    permit: Permit<Read>,
    id: At<ReadingId>,
    query: Params<VersionQuery>,
) -> Outcome {
    let query = query.0;
    let page = query.page_of(id.0)?;
    let slice = app.read(&permit, move |tx| store::versions(tx, id.0, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, ReadingView::from)))
}
