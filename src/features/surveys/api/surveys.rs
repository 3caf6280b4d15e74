//! The endpoints of surveys, but for signing.

use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::audit::{self, Act};
use crate::features::surveys::model::survey::{SurveyFields, SurveyState};
use crate::features::surveys::store::lock_vessel;
use crate::features::surveys::store::survey::{self as store, Standing, Survey, SurveyFilter};
use crate::http::creation::Creation;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems, VersionProblems};
use crate::http::{
    App, At, IfMatch, Kept, New, Outcome, Page, Params, Patch, Permit, RetryKey, VersionQuery,
};
use crate::ids::{OrgId, PersonId, SurveyId, VesselId};
use crate::permissions::{self, Read};

/// A survey.
#[derive(Debug, Serialize, ToSchema)]
pub struct SurveyView {
    /// Its id.
    pub id: SurveyId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// Whether this version is a draft, signed or withdrawn.
    pub state: SurveyState,
    /// When this version was signed.
    pub signed_at: Option<DateTime<Utc>>,
    /// By whom.
    pub signed_by: Option<PersonId>,
    /// The version that counts as evidence: the latest signed one, while a correction is being written too.
    pub signed_version: Option<i32>,
    /// Entered in error: it stays in the history and counts for nothing, nor does what was read and found in it.
    pub withdrawn: bool,
    /// Why it was opened again after a signature, or withdrawn.
    pub correction_reason: Option<String>,
    /// When this version was recorded.
    pub updated_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// The organisation that recorded it: yours, or another that had a grant. Only it corrects it.
    pub author_org_id: OrgId,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: SurveyFields,
}

impl Kept for SurveyView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Survey> for SurveyView {
    fn from(survey: Survey) -> Self {
        Self {
            id: survey.id,
            version: survey.version,
            state: survey.state(),
            signed_at: survey.signed_at,
            signed_by: survey.signed_by,
            signed_version: survey.signed_version,
            withdrawn: survey.withdrawn,
            correction_reason: survey.correction_reason,
            updated_at: survey.recorded_at,
            recorded_by: survey.recorded_by,
            author_org_id: survey.author_org_id,
            fields: survey.fields,
        }
    }
}

/// Which surveys.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SurveyQuery {
    /// Only those of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
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
crate::list_query!(SurveyQuery, "list_surveys");

/// Makes a survey, a draft, within a transaction.
///
/// # Errors
/// Invalid fields, a day outside its haul-out; those of the database.
pub fn create(tx: &mut Tx<'_>, id: SurveyId, fields: SurveyFields) -> Result<SurveyView> {
    let launched_on = lock_vessel(tx, fields.vessel_id)?;
    let fields = fields.checked(launched_on, tx.now())?;
    store::insert(tx, id, &fields)?;
    audit::record(
        tx,
        &Act {
            action: "create_survey",
            entity: "survey",
            entity_id: id.into(),
            before: None,
            after: Some(&fields),
        },
    )?;
    read(tx, id)
}

/// Reads a survey within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: SurveyId) -> Result<SurveyView> {
    store::read(tx, id).map(SurveyView::from)
}

/// Changes a draft within a transaction.
///
/// # Errors
/// Stale; a conflict when it is signed or withdrawn; invalid fields; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    id: SurveyId,
    if_match: IfMatch,
    patch: &Patch<SurveyFields>,
) -> Result<SurveyView> {
    let before = store::read(tx, id)?;
    if_match.check(before.version)?;
    if before.state() != SurveyState::Draft {
        return Err(Error::new(
            Code::Conflict,
            format!(
                "The survey is {}. To correct it, open a correction first: POST /v1/surveys/{id}/correction with the reason.",
                before.state().word()
            ),
        ));
    }
    let after = patch.apply(&before.fields)?;
    if after == before.fields {
        return Ok(before.into());
    }
    let launched_on = lock_vessel(tx, before.fields.vessel_id)?;
    let after = after.changing(&before.fields)?.checked(launched_on, tx.now())?;
    let standing = Standing { correction_reason: before.correction_reason.as_deref(), ..Standing::default() };
    store::insert_version(tx, id, before.version + 1, &after, standing)?;
    audit::record(
        tx,
        &Act {
            action: "change_survey",
            entity: "survey",
            entity_id: id.into(),
            before: Some(&before.fields),
            after: Some(&after),
        },
    )?;
    read(tx, id)
}

/// Lists the surveys, each in its current version.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(SurveyQuery),
    responses((status = 200, description = "A page of surveys", body = Page<SurveyView>), ListProblems))]
#[get("/v1/surveys")]
pub async fn list_surveys(app: App, permit: Permit<Read>, query: Params<SurveyQuery>) -> Outcome {
    let query = query.0;
    let page = query.page()?;
    let filter = SurveyFilter {
        vessel_id: query.vessel_id,
        updated_since: query.updated_since,
        withdrawn: query.withdrawn.unwrap_or(false),
    };
    let slice = app.read(&permit, move |tx| store::list(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, SurveyView::from)))
}

/// Makes a survey. It is a draft until it is signed, and bears on no date before.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = New<SurveyFields>,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    responses((status = 201, description = "Made", body = SurveyView), (status = 200, description = "The same request had made it", body = SurveyView), CreateProblems))]
#[post("/v1/surveys")]
pub async fn create_survey(
    app: App,
    permit: Permit<permissions::Survey>,
    key: RetryKey,
    new: New<SurveyFields>,
) -> Outcome {
    let creation = Creation { operation: "create_survey", key, new };
    let made = app.write(&permit, move |tx| creation.once(tx, create, read)).await?;
    Ok(made.answer("/v1/surveys"))
}

/// Reads a survey.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(("id" = SurveyId, Path, description = "The survey")),
    responses((status = 200, description = "The survey", body = SurveyView), ReadProblems))]
#[get("/v1/surveys/{id}")]
pub async fn read_survey(app: App, permit: Permit<Read>, id: At<SurveyId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes a draft. A signed survey is corrected by opening a correction first.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), request_body = Patch<SurveyFields>,
    params(("id" = SurveyId, Path, description = "The survey"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = SurveyView), ChangeProblems))]
#[patch("/v1/surveys/{id}")]
pub async fn change_survey(
    app: App,
    permit: Permit<permissions::Survey>,
    id: At<SurveyId>,
    if_match: IfMatch,
    patch: Patch<SurveyFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, id.0, if_match, &patch)).await.map(kept)
}

/// Lists the versions of a survey, oldest first.
#[utoipa::path(tag = "surveys", security(("bearer" = [])), params(("id" = SurveyId, Path, description = "The survey"), VersionQuery),
    responses((status = 200, description = "A page of versions", body = Page<SurveyView>), VersionProblems))]
#[get("/v1/surveys/{id}/versions")]
pub async fn list_survey_versions(
    app: App,
    permit: Permit<Read>,
    id: At<SurveyId>,
    query: Params<VersionQuery>,
) -> Outcome {
    let query = query.0;
    let page = query.page_of(id.0)?;
    let slice = app.read(&permit, move |tx| store::versions(tx, id.0, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, SurveyView::from)))
}
