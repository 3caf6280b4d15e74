//! Ending the weekly letter from within it: by one POST of the mail program (RFC 8058), or on a page with a button. A GET
//! alone ends nothing: programs that look at links must not.

use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use askama::Template;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::digest::choose;
use crate::db::{Actor, Tx};
use crate::error::{Code, Error, Result};
use crate::features::reports::model::digest::DigestFields;
use crate::features::reports::store::digests as store;
use crate::http::problem::OpenDoorProblems;
use crate::http::state::blocking;
use crate::http::{App, Outcome};
use crate::ids::{DigestLetterId, Id, OrgId, PersonId, RequestId};

#[derive(Template)]
#[template(path = "digest_ending.html")]
struct EndingPage {
    ended: bool,
}

fn page(ended: bool) -> Outcome {
    let html = EndingPage { ended }.render().map_err(Error::internal)?;
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((CACHE_CONTROL, "no-store"))
        .body(html))
}

fn nothing_there() -> Error {
    let detail =
        "This address was used already, or is too old. Choose in your account whether you get the letter.";
    Error::new(Code::NotFound, detail)
}

/// The parts of an address: whose, which letter, and the digest of its secret.
fn parts(address: &str) -> Result<(OrgId, DigestLetterId, Vec<u8>)> {
    let mut parts = address.split('.');
    let (Some(org_id), Some(id), Some(secret), None) =
        (parts.next(), parts.next(), parts.next(), parts.next())
    else {
        return Err(nothing_there());
    };
    let uuid = |text: &str| text.parse::<Uuid>().map_err(|_malformed| nothing_there());
    Ok((uuid(org_id)?.into(), uuid(id)?.into(), Sha256::digest(secret.as_bytes()).to_vec()))
}

/// Whether the body is as RFC 8058, section 3.2, has it.
fn is_form(request: &HttpRequest) -> bool {
    let kind = request
        .headers()
        .get(CONTENT_TYPE)
        .map(|kind| kind.to_str().unwrap_or_default().to_ascii_lowercase());
    kind.is_none_or(|kind| {
        kind.starts_with("application/x-www-form-urlencoded") || kind.starts_with("multipart/form-data")
    })
}

/// The member whose letters an address still ends.
fn addressed(tx: &mut Tx<'_>, id: DigestLetterId, digest: &[u8]) -> Result<PersonId> {
    let (person_id, stored) = store::addressed(tx, id)?.ok_or_else(nothing_there)?;
    // Both are digests of 256 random bits: how long the comparing takes says nothing of the secret.
    if stored == digest { Ok(person_id) } else { Err(nothing_there()) }
}

/// Shows a page with a button that ends the weekly letter; the address stands in each letter.
#[utoipa::path(tag = "reports", params(("address" = String, Path, description = "The secret part of the address")),
    responses((status = 200, description = "A page with a button", content_type = "text/html", body = String),
        (status = 404, description = "The address was used, or never was", body = crate::http::problem::Problem, content_type = "application/problem+json"),
        OpenDoorProblems))]
#[get("/v1/digest-endings/{address}")]
pub async fn read_digest_ending(app: App, address: web::Path<String>) -> Outcome {
    let (org_id, id, digest) = parts(&address)?;
    let db = app.db.clone();
    blocking(move || {
        db.read(&Actor::service(org_id, RequestId::fresh()), |tx| addressed(tx, id, &digest).map(|_| ()))
    })
    .await?;
    page(false)
}

/// Ends the weekly letter of the member to whom the letter with this address went (RFC 8058). It works once: then no
/// address of an earlier letter does anything any more. The body is a form, or none; what it holds does not matter.
#[utoipa::path(tag = "reports", params(("address" = String, Path, description = "The secret part of the address")),
    responses((status = 200, description = "No more letters", content_type = "text/html", body = String),
        (status = 404, description = "The address was used, or never was", body = crate::http::problem::Problem, content_type = "application/problem+json"),
        OpenDoorProblems))]
#[post("/v1/digest-endings/{address}")]
pub async fn withdraw_digest(app: App, request: HttpRequest, address: web::Path<String>) -> Outcome {
    if !is_form(&request) {
        let detail = "Send a form (application/x-www-form-urlencoded or multipart/form-data), or no body.";
        return Err(Error::new(Code::UnsupportedMediaType, detail));
    }
    let (org_id, id, digest) = parts(&address)?;
    let db = app.db.clone();
    blocking(move || {
        db.write(&Actor::service(org_id, RequestId::fresh()), |tx| {
            let person_id = addressed(tx, id, &digest)?;
            let stored = store::chosen(tx, person_id)?;
            let after = DigestFields { wanted: false, ..stored.fields };
            choose(tx, person_id, (stored.version, stored.fields), after, "withdraw_digest")
        })
    })
    .await?;
    page(true)
}
