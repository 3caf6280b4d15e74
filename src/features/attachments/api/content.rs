//! The bytes of an attachment, and the end of them.

use actix_web::http::header::{CACHE_CONTROL, CONTENT_DISPOSITION, CONTENT_TYPE, ETAG, IF_NONE_MATCH};
use actix_web::web::Bytes;
use actix_web::{HttpRequest, HttpResponse, get, post};
use garde::Validate;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use super::{AttachmentView, hex, read};
use crate::db::Tx;
use crate::error::{Code, Error, Result};
use crate::features::attachments::model::MediaType;
use crate::features::attachments::store::{self, Attachment, content_name, thumbnail_name};
use crate::features::audit::{self, Act};
use crate::http::preconditions::kept;
use crate::http::problem::{CreateProblems, ReadProblems};
use crate::http::state::blocking;
use crate::http::{App, At, Outcome, Permit, Plain};
use crate::ids::AttachmentId;
use crate::permissions::{Administer, Read};

/// Why the bytes are erased.
#[derive(Debug, Clone, Serialize, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Erasure {
    /// The reason, kept for ever.
    #[garde(length(chars, min = 1, max = 1000))]
    #[schema(min_length = 1, max_length = 1000)]
    pub reason: String,
}

fn there(attachment: Attachment) -> Result<Attachment> {
    if attachment.erased_at.is_some() {
        return Err(Error::new(
            Code::NotFound,
            "The bytes of this attachment were erased. What was said of it stays.",
        ));
    }
    Ok(attachment)
}

/// Whether the caller has these bytes already (RFC 9110, 13.1.2).
fn is_known(request: &HttpRequest, etag: &str) -> bool {
    let given =
        request.headers().get(IF_NONE_MATCH).and_then(|value| value.to_str().ok()).unwrap_or_default();
    given.split(',').map(str::trim).any(|tag| tag == "*" || tag.trim_start_matches("W/") == etag)
}

fn lost(name: &str, what: &str) -> Error {
    Error::internal(format!("the object {name} {what}"))
}

/// An answer that no browser shows as a page of ours.
fn answer(
    request: &HttpRequest,
    etag: &str,
    file_name: &str,
    media_type: MediaType,
    bytes: Bytes,
) -> HttpResponse {
    let mut answer = if is_known(request, etag) { HttpResponse::NotModified() } else { HttpResponse::Ok() };
    answer
        .insert_header((ETAG, etag.to_owned()))
        .insert_header((CACHE_CONTROL, "private, no-cache"))
        .insert_header((CONTENT_TYPE, media_type.as_str()))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{file_name}\"")))
        .insert_header(("Content-Security-Policy", "default-src 'none'; sandbox"));
    if is_known(request, etag) { answer.finish() } else { answer.body(bytes) }
}

/// Reads the bytes of an attachment, to be saved: as kept, see `upload_attachment`.
#[utoipa::path(tag = "attachments", security(("bearer" = [])),
    params(("id" = AttachmentId, Path, description = "The attachment"),
        ("If-None-Match" = Option<String>, Header, description = "The ETag of the bytes you have", nullable = false)),
    responses(
        (status = 200, description = "The bytes", content((Vec<u8> = "image/jpeg"), (Vec<u8> = "image/png"), (Vec<u8> = "application/pdf"))),
        (status = 304, description = "You have them"), ReadProblems))]
#[get("/v1/attachments/{id}/content")]
pub async fn read_attachment_content(
    app: App,
    permit: Permit<Read>,
    id: At<AttachmentId>,
    request: HttpRequest,
) -> Outcome {
    let attachment = there(app.read(&permit, move |tx| store::read(tx, id.0)).await?)?;
    let stored = attachment.stored;
    let etag = format!("\"{}\"", hex(&stored.content_sha256));
    let file_name = format!("{}.{}", attachment.id, stored.media_type.extension());
    if is_known(&request, &etag) {
        return Ok(answer(&request, &etag, &file_name, stored.media_type, Bytes::new()));
    }
    let name = content_name(attachment.author_org_id, stored.object_id);
    let bytes = app.objects.get(&name).await?.ok_or_else(|| lost(&name, "is missing"))?;
    let (bytes, digest) = blocking(move || {
        let digest = Sha256::digest(&bytes).to_vec();
        Ok((bytes, digest))
    })
    .await?;
    if digest != stored.content_sha256 {
        return Err(lost(&name, "is not what was stored"));
    }
    Ok(answer(&request, &etag, &file_name, stored.media_type, bytes))
}

/// Reads a small JPEG of a picture, its longest edge 480 pixels at most.
#[utoipa::path(tag = "attachments", security(("bearer" = [])),
    params(("id" = AttachmentId, Path, description = "The attachment"),
        ("If-None-Match" = Option<String>, Header, description = "The ETag of the bytes you have", nullable = false)),
    responses(
        (status = 200, description = "The small picture", content((Vec<u8> = "image/jpeg"))),
        (status = 304, description = "You have it"), ReadProblems))]
#[get("/v1/attachments/{id}/thumbnail")]
pub async fn read_attachment_thumbnail(
    app: App,
    permit: Permit<Read>,
    id: At<AttachmentId>,
    request: HttpRequest,
) -> Outcome {
    let attachment = there(app.read(&permit, move |tx| store::read(tx, id.0)).await?)?;
    if attachment.stored.media_type == MediaType::Pdf {
        return Err(Error::new(Code::NotFound, "A PDF has no small picture. Read its content."));
    }
    let etag = format!("\"small-{}\"", hex(&attachment.stored.content_sha256));
    let file_name = format!("{}-small.jpg", attachment.id);
    let bytes = if is_known(&request, &etag) {
        Bytes::new()
    } else {
        let name = thumbnail_name(attachment.author_org_id, attachment.stored.object_id);
        app.objects.get(&name).await?.ok_or_else(|| lost(&name, "is missing"))?
    };
    Ok(answer(&request, &etag, &file_name, MediaType::Jpeg, bytes))
}

fn erase(tx: &mut Tx<'_>, id: AttachmentId, erasure: &Erasure) -> Result<(AttachmentView, Attachment)> {
    let before = store::read(tx, id)?;
    store::erase(tx, id, before.fields.vessel_id, &erasure.reason)?;
    audit::record(
        tx,
        &Act {
            action: "erase_attachment",
            entity: "attachment",
            entity_id: id.into(),
            before: None,
            after: Some(erasure),
        },
    )?;
    Ok((read(tx, id)?, before))
}

/// Erases the bytes of an attachment for good. What was said of it stays, with the reason in the audit.
#[utoipa::path(tag = "attachments", security(("bearer" = [])), request_body = Erasure,
    params(("id" = AttachmentId, Path, description = "The attachment")),
    responses((status = 200, description = "What is left", body = AttachmentView), CreateProblems))]
#[post("/v1/attachments/{id}/erasure")]
pub async fn erase_attachment(
    app: App,
    permit: Permit<Administer>,
    id: At<AttachmentId>,
    erasure: Plain<Erasure>,
) -> Outcome {
    let (view, before) = app.write(&permit, move |tx| erase(tx, id.0, &erasure.0)).await?;
    // Where this fails, the row says erased and nobody reads them: the sweep removes them.
    let (author, object_id) = (before.author_org_id, before.stored.object_id);
    for name in [content_name(author, object_id), thumbnail_name(author, object_id)] {
        if let Err(error) = app.objects.remove(&name).await {
            tracing::warn!(%error, name, "an erased object is left to the sweep");
        }
    }
    Ok(kept(view))
}
