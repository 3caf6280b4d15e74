//! An attachment on its way in: streamed to a nameless temporary file, made anew, its object written, then its row.

use std::fs::File;
use std::io::{Read as _, Seek, Write};

use actix_web::http::header::CONTENT_LENGTH;
use actix_web::web::Payload;
use actix_web::{HttpRequest, post};
use chrono::NaiveDate;
use futures_util::StreamExt;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::IntoParams;
use uuid::Uuid;

use super::{AttachmentView, read, settle};
use crate::db::Tx;
use crate::error::{Code, Error, FieldError, Result};
use crate::features::attachments::model::picture::{Prepared, prepared};
use crate::features::attachments::model::{AttachmentFields, AttachmentKind};
use crate::features::attachments::store::{self, Stored, content_name, thumbnail_name};
use crate::features::surveys::store::lock_vessel;
use crate::features::vessels;
use crate::http::body::parse;
use crate::http::creation::{Created, Creation};
use crate::http::problem::CreateProblems;
use crate::http::state::blocking;
use crate::http::{App, New, Outcome, Params, Permit, RetryKey};
use crate::ids::{AttachmentId, CoatId, FindingId, Id, ObjectId, StationId, SurveyId, TreatmentId, VesselId};
use crate::permissions::RecordReadings;

/// Bytes gathered before they are written.
const PIECE: usize = 256 * 1024;

/// What is said of the file that is the body.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct UploadQuery {
    /// Your own UUID of version 7 for the record: sending it twice makes one.
    #[param(nullable = false)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<Uuid>,
    /// The vessel. Required.
    #[param(nullable = false)]
    pub vessel_id: Option<VesselId>,
    /// What it is. When left out, a picture is a photograph and a PDF a certificate.
    #[param(nullable = false)]
    pub kind: Option<AttachmentKind>,
    /// The survey it belongs to.
    #[param(nullable = false)]
    pub survey_id: Option<SurveyId>,
    /// The finding it shows.
    #[param(nullable = false)]
    pub finding_id: Option<FindingId>,
    /// The station it shows.
    #[param(nullable = false)]
    pub station_id: Option<StationId>,
    /// The coat it shows.
    #[param(nullable = false)]
    pub coat_id: Option<CoatId>,
    /// The treatment it belongs to, planned or recorded.
    #[param(nullable = false)]
    pub treatment_id: Option<TreatmentId>,
    /// What is to be seen.
    #[param(nullable = false, min_length = 1, max_length = 1000)]
    pub caption: Option<String>,
    /// The day it was taken or made out.
    #[param(nullable = false)]
    pub taken_on: Option<NaiveDate>,
    /// Who took it or made it out.
    #[param(nullable = false, min_length = 1, max_length = 200)]
    pub taken_by: Option<String>,
}

/// Adds an attachment: the body is the file itself, a JPEG, a PNG or a PDF of at most 16 MiB (or as configured); what it is
/// is told from its bytes, whatever `Content-Type` says. A picture is made anew from its pixels, the right way up: where it
/// was taken, and all else in the file, is not kept. The same file with the same words for the same vessel makes one.
#[utoipa::path(tag = "attachments", security(("bearer" = [])),
    params(UploadQuery, ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry answer as the first time", nullable = false)),
    request_body(content((Vec<u8> = "image/jpeg"), (Vec<u8> = "image/png"), (Vec<u8> = "application/pdf"), (Vec<u8> = "application/octet-stream")), description = "The file"),
    responses((status = 201, description = "Made", body = AttachmentView), (status = 200, description = "It was there already", body = AttachmentView), CreateProblems))]
#[post("/v1/attachments")]
pub async fn upload_attachment(
    app: App,
    permit: Permit<RecordReadings>,
    key: RetryKey,
    query: Params<UploadQuery>,
    request: HttpRequest,
    payload: Payload,
) -> Outcome {
    let query = query.0;
    let vessel_id = query.vessel_id.ok_or_else(|| {
        Error::field("vessel_id", "missing", "is required. Name the vessel in the query: ?vessel_id=...")
    })?;
    // A wrong vessel is told before the file is read.
    app.read(&permit, move |tx| vessels::store::read(tx, vessel_id)).await.map_err(|error| {
        match error.code {
            Code::NotFound => {
                Error::field("vessel_id", "unknown", "names no vessel of your organisation. Check the id.")
            }
            _ => error,
        }
    })?;
    let (file, sent_sha256) = received(&request, payload, app.guards.bounds.attachment_bytes).await?;
    let made = app.guards.gates.pictures.run_in_turn(move || prepared(contents(file)?)).await?;
    let new = described(&query, &made, &sent_sha256).map_err(in_query)?;
    let stored = Stored {
        object_id: ObjectId::fresh(),
        media_type: made.media_type,
        content_bytes: i64::try_from(made.content.len()).map_err(Error::internal)?,
        content_sha256: Sha256::digest(&made.content).to_vec(),
        sent_sha256,
        size_px: made
            .size_px
            .map(|(width, height)| Ok::<_, Error>((pixels(width)?, pixels(height)?)))
            .transpose()?,
    };
    let author = permit.actor().org_id;
    let names = (content_name(author, stored.object_id), thumbnail_name(author, stored.object_id));
    app.objects.put(&names.0, made.content).await?;
    if let Some(thumbnail) = made.thumbnail {
        app.objects.put(&names.1, thumbnail).await?;
    }
    let creation = Creation { operation: "upload_attachment", key, new };
    let created = app.write(&permit, move |tx| create_once(tx, creation, &stored)).await;
    let unused = match &created {
        Ok((_, used)) => !used,
        // It may have been committed and the answer lost: the sweep will know.
        Err(error) => !matches!(error.code, Code::Internal | Code::Unavailable),
    };
    if unused {
        for name in [&names.0, &names.1] {
            if let Err(error) = app.objects.remove(name).await {
                tracing::warn!(%error, name, "an object without a row is left to the sweep");
            }
        }
    }
    created.map_err(in_query).map(|(created, _)| created.answer("/v1/attachments"))
}

fn pixels(length: u32) -> Result<i32> {
    i32::try_from(length).map_err(Error::internal)
}

/// The creation, and whether it took up the object.
fn create_once(
    tx: &mut Tx<'_>,
    creation: Creation<AttachmentFields>,
    stored: &Stored,
) -> Result<(Created<AttachmentView>, bool)> {
    let mut used = false;
    let created = creation.once(
        tx,
        |tx, id: AttachmentId, fields| {
            let (view, made) = create(tx, id, fields, stored)?;
            used = made;
            Ok(view)
        },
        read,
    )?;
    Ok(match created {
        Created::Now(view) if !used => (Created::Before(view), false),
        created => (created, used),
    })
}

/// Makes an attachment, or finds the one of the same bytes; and whether it was made.
fn create(
    tx: &mut Tx<'_>,
    id: AttachmentId,
    fields: AttachmentFields,
    stored: &Stored,
) -> Result<(AttachmentView, bool)> {
    let fields = fields.made(stored.media_type, tx.now())?;
    // Whoever sends the same file at the same time ends first.
    lock_vessel(tx, fields.vessel_id)?;
    for there in store::of_bytes(tx, fields.vessel_id, &stored.sent_sha256)? {
        let said = there.fields.clone().without_reason();
        if said == fields {
            return Ok((there.into(), false));
        }
        let bound = |fields: &AttachmentFields| {
            (fields.survey_id, fields.finding_id, fields.station_id, fields.coat_id, fields.treatment_id)
        };
        if bound(&said) == bound(&fields) {
            let mut error = Error::new(
                Code::Duplicate,
                format!(
                    "This file is attachment {} already, with other words. Change those by PATCH, or bind the file to something else.",
                    there.id
                ),
            );
            error.fields = vec![FieldError::new("", "duplicate", "is an attachment of this vessel already.")];
            return Err(error);
        }
    }
    store::insert(tx, id, stored, &fields)?;
    Ok((settle(tx, "upload_attachment", id, None, &fields)?, true))
}

/// What the query says of a file, as a creation; the digest tells another file under the same key.
fn described(query: &UploadQuery, made: &Prepared, sent_sha256: &[u8]) -> Result<New<AttachmentFields>> {
    use crate::features::attachments::model::MediaType;
    let kind = query.kind.unwrap_or(match made.media_type {
        MediaType::Jpeg | MediaType::Png => AttachmentKind::Photograph,
        MediaType::Pdf => AttachmentKind::Certificate,
    });
    let whole = UploadQuery { kind: Some(kind), ..query.clone() };
    let said = parse(&serde_json::to_vec(&whole).map_err(Error::internal)?)?;
    let mut new = New::<AttachmentFields>::from_value(said)?;
    new.sha256 = Sha256::new_with_prefix(new.sha256).chain_update(sent_sha256).finalize().into();
    Ok(new)
}

/// The error with its pointers as names of query parameters.
fn in_query(mut error: Error) -> Error {
    for field in &mut error.fields {
        field.pointer = field.pointer.trim_start_matches('/').to_owned();
    }
    error
}

fn too_large(most: u64) -> Error {
    Error::new(
        Code::TooLarge,
        format!(
            "The file is longer than {most} bytes. Send a smaller one, such as a picture of fewer pixels."
        ),
    )
}

/// The body as a file, at its beginning, and its digest.
async fn received(request: &HttpRequest, mut payload: Payload, most: u64) -> Result<(File, Vec<u8>)> {
    let announced = request
        .headers()
        .get(CONTENT_LENGTH)
        .and_then(|value| value.to_str().ok())
        .and_then(|text| text.parse::<u64>().ok());
    if announced.is_some_and(|bytes| bytes > most) {
        return Err(too_large(most));
    }
    let mut file = blocking(|| tempfile::tempfile().map_err(Error::internal)).await?;
    let mut digest = Sha256::new();
    let mut taken: u64 = 0;
    let mut piece = Vec::new();
    while let Some(chunk) = payload.next().await {
        let chunk = chunk.map_err(|cause| {
            Error::new(Code::Malformed, "The file broke off. Send it again.").because(cause)
        })?;
        taken += u64::try_from(chunk.len()).unwrap_or(u64::MAX);
        if taken > most {
            return Err(too_large(most));
        }
        piece.extend_from_slice(&chunk);
        if piece.len() >= PIECE {
            (file, digest) = written(file, digest, std::mem::take(&mut piece)).await?;
        }
    }
    (file, digest) = written(file, digest, piece).await?;
    Ok((file, digest.finalize().to_vec()))
}

async fn written(mut file: File, mut digest: Sha256, piece: Vec<u8>) -> Result<(File, Sha256)> {
    blocking(move || {
        digest.update(&piece);
        file.write_all(&piece).map_err(Error::internal)?;
        Ok((file, digest))
    })
    .await
}

fn contents(mut file: File) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    file.rewind().map_err(Error::internal)?;
    file.read_to_end(&mut bytes).map_err(Error::internal)?;
    Ok(bytes)
}
