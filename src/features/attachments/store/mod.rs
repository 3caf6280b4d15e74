//! Rows of attachments: an identity, its versions, and its erasure.

mod objects;

pub use objects::{content_name, objects, thumbnail_name};

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;

use crate::codes;
use crate::db::Tx;
use crate::db::paging::{PageRequest, Position, Slice};
use crate::db::schema::{attachment_erasures, attachment_versions, attachments, treatment_plans, treatments};
use crate::db::views::current_attachments;
use crate::error::{Code, Error, Result};
use crate::features::attachments::model::{AttachmentFields, AttachmentKind, MediaType};
use crate::ids::{
    AttachmentId, CoatId, FindingId, ObjectId, OrgId, PersonId, StationId, SurveyId, TreatmentId, VesselId,
};

/// The bytes of an attachment, as they were stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stored {
    /// Names the object.
    pub object_id: ObjectId,
    /// What they are.
    pub media_type: MediaType,
    /// How many.
    pub content_bytes: i64,
    /// Their digest.
    pub content_sha256: Vec<u8>,
    /// That of the bytes that were sent.
    pub sent_sha256: Vec<u8>,
    /// Width and height of a picture.
    pub size_px: Option<(i32, i32)>,
}

/// A version of an attachment.
#[derive(Debug, Clone)]
pub struct Attachment {
    /// Its id.
    pub id: AttachmentId,
    /// The version.
    pub version: i32,
    /// Its bytes.
    pub stored: Stored,
    /// What is said of it.
    pub fields: AttachmentFields,
    /// When it was uploaded.
    pub created_at: DateTime<Utc>,
    /// By whom.
    pub created_by: Option<PersonId>,
    /// Whose it is, and in whose objects the bytes are.
    pub author_org_id: OrgId,
    /// When its bytes were erased, if they were.
    pub erased_at: Option<DateTime<Utc>>,
    /// When this version was recorded.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub recorded_by: Option<PersonId>,
}

/// Which attachments.
#[derive(Debug, Clone, Copy, Default)]
pub struct AttachmentFilter {
    /// Of this vessel.
    pub vessel_id: Option<VesselId>,
    /// Of this survey.
    pub survey_id: Option<SurveyId>,
    /// Of this finding.
    pub finding_id: Option<FindingId>,
    /// Of this station.
    pub station_id: Option<StationId>,
    /// Of this coat.
    pub coat_id: Option<CoatId>,
    /// Of this treatment.
    pub treatment_id: Option<TreatmentId>,
    /// Of this kind.
    pub kind: Option<AttachmentKind>,
    /// Changed at or after.
    pub updated_since: Option<DateTime<Utc>>,
    /// Those withdrawn too.
    pub withdrawn: bool,
}

#[derive(Queryable)]
struct AttachmentRow {
    stored: StoredRow,
    created_at: DateTime<Utc>,
    created_by: Option<PersonId>,
    author_org_id: OrgId,
    erased_at: Option<DateTime<Utc>>,
    version: VersionRow,
}

#[derive(Queryable)]
struct StoredRow {
    object_id: ObjectId,
    media_type: String,
    content_bytes: i64,
    content_sha256: Vec<u8>,
    sent_sha256: Vec<u8>,
    width_px: Option<i32>,
    height_px: Option<i32>,
}

#[derive(Queryable)]
struct VersionRow {
    id: AttachmentId,
    version: i32,
    vessel_id: VesselId,
    kind: String,
    survey_id: Option<SurveyId>,
    finding_id: Option<FindingId>,
    station_id: Option<StationId>,
    coat_id: Option<CoatId>,
    treatment_id: Option<TreatmentId>,
    caption: Option<String>,
    taken_on: Option<NaiveDate>,
    taken_by: Option<String>,
    withdrawn: bool,
    correction_reason: Option<String>,
    recorded_at: DateTime<Utc>,
    recorded_by: Option<PersonId>,
}

/// The columns of a row: the identity's, the erasure's and the version's, each from its table or all from the view.
macro_rules! columns {
    ($identity:ident, $erased_at:expr, $version:ident) => {
        (
            (
                $identity::object_id,
                $identity::media_type,
                $identity::content_bytes,
                $identity::content_sha256,
                $identity::sent_sha256,
                $identity::width_px,
                $identity::height_px,
            ),
            $identity::created_at,
            $identity::created_by,
            $identity::author_org_id,
            $erased_at,
            (
                $version::attachment_id,
                $version::version,
                $version::vessel_id,
                $version::kind,
                $version::survey_id,
                $version::finding_id,
                $version::station_id,
                $version::coat_id,
                $version::treatment_id,
                $version::caption,
                $version::taken_on,
                $version::taken_by,
                $version::withdrawn,
                $version::correction_reason,
                $version::recorded_at,
                $version::recorded_by,
            ),
        )
    };
}

impl AttachmentRow {
    fn attachment(self) -> Result<Attachment> {
        let (stored, version) = (self.stored, self.version);
        let fields = AttachmentFields {
            vessel_id: version.vessel_id,
            kind: codes::from_text(&version.kind)?,
            survey_id: version.survey_id,
            finding_id: version.finding_id,
            station_id: version.station_id,
            coat_id: version.coat_id,
            treatment_id: version.treatment_id,
            caption: version.caption,
            taken_on: version.taken_on,
            taken_by: version.taken_by,
            withdrawn: version.withdrawn,
            correction_reason: version.correction_reason,
        };
        Ok(Attachment {
            id: version.id,
            version: version.version,
            stored: Stored {
                object_id: stored.object_id,
                media_type: codes::from_text(&stored.media_type)?,
                content_bytes: stored.content_bytes,
                content_sha256: stored.content_sha256,
                sent_sha256: stored.sent_sha256,
                size_px: stored.width_px.zip(stored.height_px),
            },
            fields,
            created_at: self.created_at,
            created_by: self.created_by,
            author_org_id: self.author_org_id,
            erased_at: self.erased_at,
            recorded_at: version.recorded_at,
            recorded_by: version.recorded_by,
        })
    }
}

/// Makes an attachment: its identity and first version. Its object is there already.
///
/// # Errors
/// A reference that names nothing of the vessel; those of the database.
pub fn insert(tx: &mut Tx<'_>, id: AttachmentId, stored: &Stored, fields: &AttachmentFields) -> Result<()> {
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(attachments::table)
        .values((
            attachments::org_id.eq(org_id),
            attachments::id.eq(id),
            attachments::vessel_id.eq(fields.vessel_id),
            attachments::object_id.eq(stored.object_id),
            attachments::media_type.eq(codes::to_text(&stored.media_type)?),
            attachments::content_bytes.eq(stored.content_bytes),
            attachments::content_sha256.eq(&stored.content_sha256),
            attachments::sent_sha256.eq(&stored.sent_sha256),
            attachments::width_px.eq(stored.size_px.map(|(width, _)| width)),
            attachments::height_px.eq(stored.size_px.map(|(_, height)| height)),
            attachments::created_at.eq(now),
            attachments::created_by.eq(person),
        ))
        .execute(tx.conn())?;
    insert_version(tx, id, 1, fields)
}

/// Adds a version to an attachment.
///
/// # Errors
/// Stale, when the version is there already; a reference that names nothing of the vessel; those of the database.
pub fn insert_version(
    tx: &mut Tx<'_>,
    id: AttachmentId,
    version: i32,
    fields: &AttachmentFields,
) -> Result<()> {
    use attachment_versions as v;
    look_up_treatment(tx, fields)?;
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    diesel::insert_into(v::table)
        .values((
            v::org_id.eq(org_id),
            v::attachment_id.eq(id),
            v::version.eq(version),
            v::vessel_id.eq(fields.vessel_id),
            v::kind.eq(codes::to_text(&fields.kind)?),
            v::survey_id.eq(fields.survey_id),
            v::finding_id.eq(fields.finding_id),
            v::station_id.eq(fields.station_id),
            v::coat_id.eq(fields.coat_id),
            v::treatment_id.eq(fields.treatment_id),
            v::caption.eq(&fields.caption),
            v::taken_on.eq(fields.taken_on),
            v::taken_by.eq(&fields.taken_by),
            v::withdrawn.eq(fields.withdrawn),
            v::correction_reason.eq(&fields.correction_reason),
            v::recorded_at.eq(now),
            v::recorded_by.eq(person),
        ))
        .execute(tx.conn())?;
    Ok(())
}

/// A treatment is planned, recorded, or both; it is never removed.
fn look_up_treatment(tx: &mut Tx<'_>, fields: &AttachmentFields) -> Result<()> {
    let Some(id) = fields.treatment_id else { return Ok(()) };
    let org_id = tx.org_id();
    let planned = treatment_plans::table.filter(
        treatment_plans::org_id
            .eq(org_id)
            .and(treatment_plans::id.eq(id))
            .and(treatment_plans::vessel_id.eq(fields.vessel_id)),
    );
    let recorded = treatments::table.filter(
        treatments::org_id
            .eq(org_id)
            .and(treatments::id.eq(id))
            .and(treatments::vessel_id.eq(fields.vessel_id)),
    );
    let known: bool = diesel::select(diesel::dsl::exists(planned).or(diesel::dsl::exists(recorded)))
        .get_result(tx.conn())?;
    if known {
        Ok(())
    } else {
        Err(Error::field(
            "/treatment_id",
            "unknown",
            "names nothing of your organisation (or not of this vessel). Check the id.",
        ))
    }
}

/// One attachment, its current version.
///
/// # Errors
/// Not found.
pub fn read(tx: &mut Tx<'_>, id: AttachmentId) -> Result<Attachment> {
    let row: Option<AttachmentRow> = current_attachments::table
        .find((tx.org_id(), id))
        .select(columns!(current_attachments, current_attachments::erased_at, current_attachments))
        .first(tx.conn())
        .optional()?;
    row.ok_or_else(|| Error::not_found("attachment"))?.attachment()
}

/// The attachments of a vessel that were made of these bytes and stand.
///
/// # Errors
/// Those of the database.
pub fn of_bytes(tx: &mut Tx<'_>, vessel_id: VesselId, sent_sha256: &[u8]) -> Result<Vec<Attachment>> {
    use current_attachments as a;
    let rows: Vec<AttachmentRow> = a::table
        .filter(a::org_id.eq(tx.org_id()).and(a::vessel_id.eq(vessel_id)).and(a::sent_sha256.eq(sent_sha256)))
        .filter(a::withdrawn.eq(false).and(a::erased_at.is_null()))
        .order(a::attachment_id)
        .select(columns!(a, a::erased_at, a))
        .load(tx.conn())?;
    rows.into_iter().map(AttachmentRow::attachment).collect()
}

/// Attachments by last change.
///
/// # Errors
/// Those of the database.
pub fn list(tx: &mut Tx<'_>, filter: AttachmentFilter, page: PageRequest) -> Result<Slice<Attachment>> {
    use current_attachments as a;
    let mut query = a::table.filter(a::org_id.eq(tx.org_id())).into_boxed();
    if let Some(id) = filter.vessel_id {
        query = query.filter(a::vessel_id.eq(id));
    }
    if let Some(id) = filter.survey_id {
        query = query.filter(a::survey_id.eq(id));
    }
    if let Some(id) = filter.finding_id {
        query = query.filter(a::finding_id.eq(id));
    }
    if let Some(id) = filter.station_id {
        query = query.filter(a::station_id.eq(id));
    }
    if let Some(id) = filter.coat_id {
        query = query.filter(a::coat_id.eq(id));
    }
    if let Some(id) = filter.treatment_id {
        query = query.filter(a::treatment_id.eq(id));
    }
    if let Some(kind) = filter.kind {
        query = query.filter(a::kind.eq(codes::to_text(&kind)?));
    }
    if let Some(since) = filter.updated_since {
        query = query.filter(a::recorded_at.ge(since));
    }
    if !filter.withdrawn {
        query = query.filter(a::withdrawn.eq(false));
    }
    if let Some((time, id)) = page.after_time() {
        let id = AttachmentId::from(id);
        query =
            query.filter(a::recorded_at.gt(time).or(a::recorded_at.eq(time).and(a::attachment_id.gt(id))));
    }
    let rows: Vec<AttachmentRow> = query
        .order((a::recorded_at, a::attachment_id))
        .limit(page.fetch())
        .select(columns!(a, a::erased_at, a))
        .load(tx.conn())?;
    let found = rows.into_iter().map(AttachmentRow::attachment).collect::<Result<Vec<_>>>()?;
    Ok(page.slice(found, |attachment| Position::at(attachment.recorded_at, attachment.id)))
}

/// The versions of an attachment, oldest first.
///
/// # Errors
/// Not found.
pub fn versions(tx: &mut Tx<'_>, id: AttachmentId, page: PageRequest) -> Result<Slice<Attachment>> {
    use {attachment_erasures as e, attachment_versions as v, attachments as a};
    read(tx, id)?;
    let after = page.after.and_then(|after| i32::try_from(after.key).ok()).unwrap_or(0);
    let rows: Vec<AttachmentRow> = v::table
        .inner_join(a::table.on(a::org_id.eq(v::org_id).and(a::id.eq(v::attachment_id))))
        .left_join(e::table.on(e::org_id.eq(v::org_id).and(e::attachment_id.eq(v::attachment_id))))
        .filter(v::org_id.eq(tx.org_id()).and(v::attachment_id.eq(id)).and(v::version.gt(after)))
        .order(v::version)
        .limit(page.fetch())
        .select(columns!(a, e::erased_at.nullable(), v))
        .load(tx.conn())?;
    let found = rows.into_iter().map(AttachmentRow::attachment).collect::<Result<Vec<_>>>()?;
    Ok(page
        .slice(found, |attachment| Position { key: i64::from(attachment.version), id: attachment.id.into() }))
}

/// The attachments of a vessel that stand, the latest first.
///
/// # Errors
/// Those of the database.
pub fn of_vessel(tx: &mut Tx<'_>, vessel_id: VesselId) -> Result<Vec<Attachment>> {
    use current_attachments as a;
    let rows: Vec<AttachmentRow> = a::table
        .filter(a::org_id.eq(tx.org_id()).and(a::vessel_id.eq(vessel_id)).and(a::withdrawn.eq(false)))
        .order((a::taken_on.desc().nulls_last(), a::created_at.desc(), a::attachment_id.desc()))
        .select(columns!(a, a::erased_at, a))
        .load(tx.conn())?;
    rows.into_iter().map(AttachmentRow::attachment).collect()
}

/// Records that the bytes of an attachment are erased.
///
/// # Errors
/// A conflict, when they were already; those of the database.
pub fn erase(tx: &mut Tx<'_>, id: AttachmentId, vessel_id: VesselId, reason: &str) -> Result<()> {
    use attachment_erasures as e;
    let (org_id, now, person) = (tx.org_id(), tx.now(), tx.person_id());
    let erased = diesel::insert_into(e::table)
        .values((
            e::org_id.eq(org_id),
            e::attachment_id.eq(id),
            e::vessel_id.eq(vessel_id),
            e::reason.eq(reason),
            e::erased_at.eq(now),
            e::erased_by.eq(person),
        ))
        .on_conflict_do_nothing()
        .execute(tx.conn())?;
    if erased == 1 {
        Ok(())
    } else {
        Err(Error::new(
            Code::Conflict,
            "The bytes of this attachment were erased before. Nothing is left to erase.",
        ))
    }
}
