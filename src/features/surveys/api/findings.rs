//! The endpoints of findings.

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::audit::{self, Act};
use crate::features::surveys::model::finding::{FindingFields, FindingKind, FindingState};
use crate::features::surveys::store::finding::{self as store, Finding, FindingFilter};
use crate::features::surveys::store::withdrawn;
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems, VersionProblems};
use crate::http::{
    App, At, IfMatch, Kept, New, Outcome, Page, Params, Patch, Permit, RetryKey, VersionQuery,
};
use crate::ids::{FindingId, OrgId, PersonId, SurveyId, VesselId};
use crate::jobs::outbox::{self, EventKind, NewEvent};
use crate::jobs::queue;
use crate::permissions::{Read, RecordReadings};

/// A finding.
#[derive(Debug, Serialize, ToSchema)]
pub struct FindingView {
    /// Its id.
    pub id: FindingId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When this version was recorded.
    pub updated_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it: yours, or another that had a grant. Only it corrects it.
    pub author_org_id: OrgId,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: FindingFields,
}

impl Kept for FindingView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Finding> for FindingView {
    fn from(finding: Finding) -> Self {
        Self {
            id: finding.id,
            version: finding.version,
            updated_at: finding.recorded_at,
            recorded_by: finding.recorded_by,
            author_org_id: finding.author_org_id,
            fields: finding.fields,
        }
    }
}

/// Which findings.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct FindingQuery {
    /// Only those of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// Only those in this state.
    #[param(nullable = false)]
    pub state: Option<FindingState>,
    /// Only those of this kind.
    #[param(nullable = false)]
    pub kind: Option<FindingKind>,
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
crate::list_query!(FindingQuery, "list_findings");

impl FindingQuery {
    fn filter(&self) -> FindingFilter {
        FindingFilter {
            vessel_id: self.vessel_id,
            state: self.state,
            kind: self.kind,
            updated_since: self.updated_since,
            withdrawn: self.withdrawn.unwrap_or(false),
        }
    }
}

/// Makes a finding within a transaction.
///
/// # Errors
/// Invalid fields, a foreign vessel or survey; those of the database.
pub fn create(tx: &mut Tx<'_>, id: FindingId, fields: FindingFields) -> Result<FindingView> {
    let fields = fields.made(tx.now())?;
    if let Some(survey_id) = fields.survey_id
        && withdrawn::is_withdrawn(tx, survey_id)?
    {
        let detail = "names a survey that is withdrawn. Name the one that took its place, or open a correction of it first.";
        return Err(Error::field("/survey_id", "withdrawn", detail));
    }
    store::insert(tx, id, &fields)?;
    settle(tx, "create_finding", id, None, &fields)
}

/// Reads a finding within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: FindingId) -> Result<FindingView> {
    store::read(tx, id).map(FindingView::from)
}

/// Changes a finding within a transaction. A patch that changes nothing makes no version.
///
/// # Errors
/// Stale; a conflict when its survey is withdrawn; invalid fields; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    id: FindingId,
    if_match: IfMatch,
    patch: &Patch<FindingFields>,
) -> Result<FindingView> {
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    if let Some(survey_id) = before.fields.survey_id {
        withdrawn::refuse_withdrawn(tx, survey_id)?;
    }
    let start = before.fields.clone().without_reason();
    let after = patch.apply(&start)?;
    if after.clone().without_reason() == start {
        return Ok(before.into());
    }
    let after = after.changing(&start, tx.now())?;
    store::insert_version(tx, id, before.version + 1, &after)?;
    settle(tx, "change_finding", id, Some(&before.fields), &after)
}

fn settle(
    tx: &mut Tx<'_>,
    action: &str,
    id: FindingId,
    before: Option<&FindingFields>,
    after: &FindingFields,
) -> Result<FindingView> {
    audit::record(tx, &Act { action, entity: "finding", entity_id: id.into(), before, after: Some(after) })?;
    queue::request_forecast(tx, after.vessel_id)?;
    tell(tx, id, before, after)?;
    read(tx, id)
}

fn open(fields: &FindingFields) -> bool {
    !fields.withdrawn && fields.state != FindingState::Repaired
}

/// Tells of the findings of a survey that is withdrawn or counts again: to be asked while they count.
///
/// # Errors
/// Those of the database.
pub(super) fn tell_all(tx: &mut Tx<'_>, survey_id: SurveyId, withdrawn: bool) -> Result<()> {
    let kind = if withdrawn { EventKind::FindingClosed } else { EventKind::FindingOpened };
    let events: Vec<NewEvent> = store::of_survey(tx, survey_id)?
        .into_iter()
        .filter(|finding| open(&finding.fields))
        .map(|finding| event(kind, finding.id, &FindingFields { withdrawn, ..finding.fields }))
        .collect();
    outbox::append(tx, &events)
}

fn event(kind: EventKind, id: FindingId, after: &FindingFields) -> NewEvent {
    let content = json!({
        "finding_id": id, "kind": after.kind, "zone": after.zone, "state": after.state, "found_on": after.found_on,
        "repaired_on": after.repaired_on, "withdrawn": after.withdrawn,
    });
    NewEvent::of_vessel(kind, after.vessel_id, content)
}

/// Opened and closed, for programs elsewhere.
fn tell(tx: &mut Tx<'_>, id: FindingId, before: Option<&FindingFields>, after: &FindingFields) -> Result<()> {
    let kind = match (before.is_some_and(open), open(after)) {
        (false, true) => EventKind::FindingOpened,
        (true, false) => EventKind::FindingClosed,
        _ => return Ok(()),
    };
    outbox::append(tx, &[event(kind, id, after)])
}

/// Lists the findings, each in its current version.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(FindingQuery),
    responses((status = 200, description = "A page of findings", body = Page<FindingView>), ListProblems))]
#[get("/v1/findings")]
pub async fn list_findings(app: App, permit: Permit<Read>, query: Params<FindingQuery>) -> Outcome {
    let query = query.0;
    let (page, filter) = (query.page()?, query.filter());
    let slice = app.read(&permit, move |tx| store::list(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, FindingView::from)))
}

/// Records a finding.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = New<FindingFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Made", body = FindingView), (status = 200, description = "The same request had made it", body = FindingView), CreateProblems))]
#[post("/v1/findings")]
pub async fn create_finding(
    app: App,
    permit: Permit<RecordReadings>,
    key: RetryKey,
    new: New<FindingFields>,
) -> Outcome {
    let creation = Creation { operation: "create_finding", key, new };
    let made = app.write(&permit, move |tx| creation.once(tx, create, read)).await?;
    Ok(made.answer("/v1/findings"))
}

/// Reads a finding.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(("id" = FindingId, Path, description = "The finding")),
    responses((status = 200, description = "The finding", body = FindingView), ReadProblems))]
#[get("/v1/findings/{id}")]
pub async fn read_finding(app: App, permit: Permit<Read>, id: At<FindingId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes a finding: its next version. `correction_reason` is required unless only its state, follow-up or
/// repair moves on.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = Patch<FindingFields>,
    params(("id" = FindingId, Path, description = "The finding"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = FindingView), ChangeProblems))]
#[patch("/v1/findings/{id}")]
pub async fn change_finding(
    app: App,
    permit: Permit<RecordReadings>,
    id: At<FindingId>,
    if_match: IfMatch,
    patch: Patch<FindingFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, id.0, if_match, &patch)).await.map(kept)
}

/// Lists the versions of a finding, oldest first.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(("id" = FindingId, Path, description = "The finding"), VersionQuery),
    responses((status = 200, description = "A page of versions", body = Page<FindingView>), VersionProblems))]
#[get("/v1/findings/{id}/versions")]
pub async fn list_finding_versions(
    app: App,
    permit: Permit<Read>,
    id: At<FindingId>,
    query: Params<VersionQuery>,
) -> Outcome {
    let query = query.0;
    let page = query.page_of(id.0)?;
    let slice = app.read(&permit, move |tx| store::versions(tx, id.0, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, FindingView::from)))
}
