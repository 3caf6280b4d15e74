//! The endpoints of attachments.

pub mod content;
pub mod upload;

use actix_web::{HttpResponse, get, patch};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::codes::hex;
use crate::db::Tx;
use crate::error::Result;
use crate::features::attachments::model::{AttachmentFields, AttachmentKind, MediaType};
use crate::features::attachments::store::{self, Attachment, AttachmentFilter};
use crate::features::audit::{self, Act};
use crate::features::surveys::store::withdrawn;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, ListProblems, ReadProblems, VersionProblems};
use crate::http::{App, At, IfMatch, Kept, Outcome, Page, Params, Patch, Permit, VersionQuery};
use crate::ids::{
    AttachmentId, CoatId, FindingId, OrgId, PersonId, StationId, SurveyId, TreatmentId, VesselId,
};
use crate::permissions::{Read, RecordReadings};

/// An attachment: what is said of it, and what its bytes are.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct AttachmentView {
    /// Its id.
    pub id: AttachmentId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When this version was recorded.
    pub updated_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
    /// When it was uploaded.
    pub uploaded_at: DateTime<Utc>,
    /// By whom.
    pub uploaded_by: Option<PersonId>,
    /// What the bytes are.
    pub media_type: MediaType,
    /// How many.
    pub content_bytes: i64,
    /// SHA-256 (hex) of the bytes at `/v1/attachments/{id}/content`.
    pub content_sha256: String,
    /// SHA-256 (hex) of the bytes that were sent: of a picture they are not the same.
    pub sent_sha256: String,
    /// Width of a picture, the right way up.
    pub width_px: Option<i32>,
    /// Its height.
    pub height_px: Option<i32>,
    /// The organisation that uploaded it, whoever the vessel belongs to.
    pub author_org_id: OrgId,
    /// When the bytes were erased; null while they are there.
    pub erased_at: Option<DateTime<Utc>>,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: AttachmentFields,
}

impl Kept for AttachmentView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

impl From<Attachment> for AttachmentView {
    fn from(attachment: Attachment) -> Self {
        let stored = attachment.stored;
        Self {
            id: attachment.id,
            version: attachment.version,
            updated_at: attachment.recorded_at,
            recorded_by: attachment.recorded_by,
            uploaded_at: attachment.created_at,
            uploaded_by: attachment.created_by,
            media_type: stored.media_type,
            content_bytes: stored.content_bytes,
            content_sha256: hex(&stored.content_sha256),
            sent_sha256: hex(&stored.sent_sha256),
            width_px: stored.size_px.map(|(width, _)| width),
            height_px: stored.size_px.map(|(_, height)| height),
            author_org_id: attachment.author_org_id,
            erased_at: attachment.erased_at,
            fields: attachment.fields,
        }
    }
}

/// Which attachments.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AttachmentQuery {
    /// Only those of this vessel.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// Only those of this survey.
    #[param(nullable = false)]
    pub survey_id: Option<SurveyId>,
    /// Only those of this finding.
    #[param(nullable = false)]
    pub finding_id: Option<FindingId>,
    /// Only those of this station.
    #[param(nullable = false)]
    pub station_id: Option<StationId>,
    /// Only those of this coat.
    #[param(nullable = false)]
    pub coat_id: Option<CoatId>,
    /// Only those of this treatment.
    #[param(nullable = false)]
    pub treatment_id: Option<TreatmentId>,
    /// Only those of this kind.
    #[param(nullable = false)]
    pub kind: Option<AttachmentKind>,
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
crate::list_query!(AttachmentQuery, "list_attachments");

impl AttachmentQuery {
    fn filter(&self) -> AttachmentFilter {
        AttachmentFilter {
            vessel_id: self.vessel_id,
            survey_id: self.survey_id,
            finding_id: self.finding_id,
            station_id: self.station_id,
            coat_id: self.coat_id,
            treatment_id: self.treatment_id,
            kind: self.kind,
            updated_since: self.updated_since,
            withdrawn: self.withdrawn.unwrap_or(false),
        }
    }
}

/// Reads an attachment within a transaction.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: AttachmentId) -> Result<AttachmentView> {
    store::read(tx, id).map(AttachmentView::from)
}

/// Changes what is said of an attachment within a transaction. A patch that changes nothing makes no version.
///
/// # Errors
/// Stale; invalid fields; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    id: AttachmentId,
    if_match: IfMatch,
    patch: &Patch<AttachmentFields>,
) -> Result<AttachmentView> {
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
    let after = after.changing(&start, before.stored.media_type, tx.now())?;
    store::insert_version(tx, id, before.version + 1, &after)?;
    settle(tx, "change_attachment", id, Some(&before.fields), &after)
}

fn settle(
    tx: &mut Tx<'_>,
    action: &str,
    id: AttachmentId,
    before: Option<&AttachmentFields>,
    after: &AttachmentFields,
) -> Result<AttachmentView> {
    audit::record(
        tx,
        &Act { action, entity: "attachment", entity_id: id.into(), before, after: Some(after) },
    )?;
    read(tx, id)
}

/// Lists the attachments, each in its current version.
#[utoipa::path(tag = "attachments", security(("bearer" = [])), params(AttachmentQuery),
    responses((status = 200, description = "A page of attachments", body = Page<AttachmentView>), ListProblems))]
#[get("/v1/attachments")]
pub async fn list_attachments(app: App, permit: Permit<Read>, query: Params<AttachmentQuery>) -> Outcome {
    let query = query.0;
    let (page, filter) = (query.page()?, query.filter());
    let slice = app.read(&permit, move |tx| store::list(tx, filter, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, AttachmentView::from)))
}

/// Reads what is said of an attachment.
#[utoipa::path(tag = "attachments", security(("bearer" = [])), params(("id" = AttachmentId, Path, description = "The attachment")),
    responses((status = 200, description = "The attachment", body = AttachmentView), ReadProblems))]
#[get("/v1/attachments/{id}")]
pub async fn read_attachment(app: App, permit: Permit<Read>, id: At<AttachmentId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes what is said of an attachment: its next version. `correction_reason` is required unless the change only adds
/// what was not said before.
#[utoipa::path(tag = "attachments", security(("bearer" = [])), request_body = Patch<AttachmentFields>,
    params(("id" = AttachmentId, Path, description = "The attachment"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = AttachmentView), ChangeProblems))]
#[patch("/v1/attachments/{id}")]
pub async fn change_attachment(
    app: App,
    permit: Permit<RecordReadings>,
    id: At<AttachmentId>,
    if_match: IfMatch,
    patch: Patch<AttachmentFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, id.0, if_match, &patch)).await.map(kept)
}

/// Lists the versions of an attachment, oldest first.
#[utoipa::path(tag = "attachments", security(("bearer" = [])), params(("id" = AttachmentId, Path, description = "The attachment"), VersionQuery),
    responses((status = 200, description = "A page of versions", body = Page<AttachmentView>), VersionProblems))]
#[get("/v1/attachments/{id}/versions")]
pub async fn list_attachment_versions(
    app: App,
    permit: Permit<Read>,
    id: At<AttachmentId>,
    query: Params<VersionQuery>,
) -> Outcome {
    let query = query.0;
    let page = query.page_of(id.0)?;
    let slice = app.read(&permit, move |tx| store::versions(tx, id.0, page)).await?;
    Ok(HttpResponse::from(query.answer(slice, AttachmentView::from)))
}
