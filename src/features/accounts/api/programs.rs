//! Programs that call the API for the caller's organisation, and their secrets.

use actix_web::http::header::ETAG;
use actix_web::{HttpResponse, get, patch, post};
use chrono::{DateTime, Duration, Utc};
use garde::Validate;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use crate::db::Tx;
use crate::error::Result;
use crate::features::accounts::model::ProgramFields;
use crate::features::accounts::store::programs::{self as store, Program};
use crate::features::audit::{self, Act};
use crate::http::creation::etag;
use crate::http::paging::ListQuery;
use crate::http::preconditions::kept;
use crate::http::problem::{ChangeProblems, CreateProblems, ListProblems, ReadProblems};
use crate::http::tokens::{random, scope_words, scopes_of};
use crate::http::{App, At, IfMatch, Kept, Outcome, Page, Params, Patch, Permit, Plain};
use crate::ids::{Id, OrgId, ProgramId};
use crate::permissions::Administer;

/// A program.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProgramView {
    /// Its id.
    pub id: ProgramId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it last changed.
    pub updated_at: DateTime<Utc>,
    /// The `client_id` with which it asks `/oauth/token`.
    pub client_id: String,
    #[serde(flatten)]
    #[allow(missing_docs, reason = "flattened: its own fields are documented")]
    pub fields: ProgramFields,
}

impl Kept for ProgramView {
    fn id(&self) -> Uuid {
        self.id.into()
    }
    fn version(&self) -> i32 {
        self.version
    }
}

/// A program with a secret of it, shown this once.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProgramSecretView {
    /// The program's id.
    pub id: ProgramId,
    /// Its version, also the `ETag`.
    pub version: i32,
    /// The `client_id` with which it asks `/oauth/token`.
    pub client_id: String,
    /// The `client_secret`: kept nowhere, shown this once.
    pub client_secret: String,
}

/// How a new secret follows the earlier ones.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SecretRotation {
    /// Hours for which the earlier secrets go on to hold, at most 720; 0 ends them now.
    #[garde(range(max = 720))]
    #[schema(maximum = 720)]
    pub overlap_h: u32,
}

/// Which programs.
#[derive(Debug, Clone, Serialize, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ProgramQuery {
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
crate::list_query!(ProgramQuery, "list_programs");

fn client_id(org_id: OrgId, id: ProgramId) -> String {
    format!("{org_id}.{id}")
}

fn fields(program: &Program) -> Result<ProgramFields> {
    Ok(ProgramFields {
        name: program.name.clone(),
        scopes: scopes_of(&program.scopes)?,
        expires_at: program.expires_at,
        ended: program.ended,
    })
}

/// A program as it is shown.
///
/// # Errors
/// Internal, for a scope there is not.
pub fn view(org_id: OrgId, program: &Program) -> Result<ProgramView> {
    Ok(ProgramView {
        id: program.id,
        version: program.version,
        created_at: program.created_at,
        updated_at: program.updated_at,
        client_id: client_id(org_id, program.id),
        fields: fields(program)?,
    })
}

fn read(tx: &mut Tx<'_>, id: ProgramId) -> Result<ProgramView> {
    view(tx.org_id(), &store::read_program(tx, id)?)
}

/// A new secret of a program; the earlier ones hold for so many hours more.
fn add_secret(tx: &mut Tx<'_>, id: ProgramId, overlap_h: u32) -> Result<ProgramSecretView> {
    let client_secret = URL_SAFE_NO_PAD.encode(random::<32>()?);
    let until = tx.now() + Duration::hours(i64::from(overlap_h));
    store::insert_secret(tx, id, &Sha256::digest(client_secret.as_bytes()), until)?;
    let version = store::read_program(tx, id)?.version;
    Ok(ProgramSecretView { id, version, client_id: client_id(tx.org_id(), id), client_secret })
}

/// Makes a program with its first secret.
///
/// # Errors
/// Those of the database.
pub fn create(tx: &mut Tx<'_>, fields: ProgramFields) -> Result<ProgramSecretView> {
    let (id, fields) = (ProgramId::fresh(), fields.checked());
    store::insert_program(tx, id, &fields, &scope_words(&fields.scopes)?)?;
    let act = Act {
        action: "create_program",
        entity: "program",
        entity_id: id.into(),
        before: None,
        after: Some(&fields),
    };
    audit::record(tx, &act)?;
    add_secret(tx, id, 0)
}

/// Changes a program, or ends it.
///
/// # Errors
/// Not found; stale; invalid; those of the database.
pub fn change(
    tx: &mut Tx<'_>,
    id: ProgramId,
    if_match: IfMatch,
    patch: &Patch<ProgramFields>,
) -> Result<ProgramView> {
    let stored = store::read_program(tx, id)?;
    if_match.check(stored.version)?;
    let before = fields(&stored)?;
    let after = patch.apply(&before)?.checked();
    store::update_program(tx, id, &after, &scope_words(&after.scopes)?, stored.version)?;
    let act = Act {
        action: "change_program",
        entity: "program",
        entity_id: id.into(),
        before: Some(&before),
        after: Some(&after),
    };
    audit::record(tx, &act)?;
    read(tx, id)
}

/// Makes another secret; the earlier ones hold for so many hours more.
///
/// # Errors
/// Not found; those of the database.
pub fn rotate(tx: &mut Tx<'_>, id: ProgramId, overlap_h: u32) -> Result<ProgramSecretView> {
    store::read_program(tx, id)?;
    let act = Act {
        action: "rotate_secret",
        entity: "program",
        entity_id: id.into(),
        before: None,
        after: Some(&serde_json::json!({ "overlap_h": overlap_h })),
    };
    audit::record(tx, &act)?;
    add_secret(tx, id, overlap_h)
}

fn shown_once(status: &mut actix_web::HttpResponseBuilder, view: &ProgramSecretView) -> HttpResponse {
    status
        .insert_header(("cache-control", "no-store"))
        .insert_header((ETAG, etag(view.version)))
        .insert_header(("location", format!("/v1/programs/{}", view.id)))
        .json(view)
}

/// Lists the programs.
#[utoipa::path(tag = "programs", security(("bearer" = [])), params(ProgramQuery),
    responses((status = 200, description = "A page of programs", body = Page<ProgramView>), ListProblems))]
#[get("/v1/programs")]
pub async fn list_programs(app: App, permit: Permit<Administer>, query: Params<ProgramQuery>) -> Outcome {
    let query = query.0;
    let (page, since, org_id) = (query.page()?, query.updated_since, permit.actor().org_id);
    let slice = app
        .read(&permit, move |tx| {
            let slice = store::list_programs(tx, since, page)?;
            let items =
                slice.items.iter().map(|program| view(org_id, program)).collect::<Result<Vec<_>>>()?;
            Ok(crate::db::paging::Slice { items, next: slice.next })
        })
        .await?;
    Ok(HttpResponse::from(query.answer(slice, |view| view)))
}

/// Makes a program. Its first secret is in the answer, and nowhere else.
#[utoipa::path(tag = "programs", security(("bearer" = [])), request_body = ProgramFields,
    responses((status = 201, description = "Made; the secret is shown this once", body = ProgramSecretView), CreateProblems))]
#[post("/v1/programs")]
pub async fn create_program(app: App, permit: Permit<Administer>, body: Plain<ProgramFields>) -> Outcome {
    let made = app.write(&permit, move |tx| create(tx, body.0)).await?;
    Ok(shown_once(&mut HttpResponse::Created(), &made))
}

/// Reads a program.
#[utoipa::path(tag = "programs", security(("bearer" = [])), params(("id" = ProgramId, Path, description = "The program")),
    responses((status = 200, description = "The program", body = ProgramView), ReadProblems))]
#[get("/v1/programs/{id}")]
pub async fn read_program(app: App, permit: Permit<Administer>, id: At<ProgramId>) -> Outcome {
    app.read(&permit, move |tx| read(tx, id.0)).await.map(kept)
}

/// Changes a program, or ends it.
#[utoipa::path(tag = "programs", security(("bearer" = [])), request_body = Patch<ProgramFields>,
    params(("id" = ProgramId, Path, description = "The program"), ("If-Match" = String, Header, description = "The ETag the change is made on")),
    responses((status = 200, description = "As it stands now", body = ProgramView), ChangeProblems))]
#[patch("/v1/programs/{id}")]
pub async fn change_program(
    app: App,
    permit: Permit<Administer>,
    id: At<ProgramId>,
    if_match: IfMatch,
    patch: Patch<ProgramFields>,
) -> Outcome {
    app.write(&permit, move |tx| change(tx, id.0, if_match, &patch)).await.map(kept)
}

/// Makes another secret of a program; the earlier ones hold for the overlap asked for.
#[utoipa::path(tag = "programs", security(("bearer" = [])), request_body = SecretRotation,
    params(("id" = ProgramId, Path, description = "The program")),
    responses((status = 201, description = "The secret, shown this once", body = ProgramSecretView), CreateProblems))]
#[post("/v1/programs/{id}/secrets")]
pub async fn rotate_secret(
    app: App,
    permit: Permit<Administer>,
    id: At<ProgramId>,
    body: Plain<SecretRotation>,
) -> Outcome {
    let made = app.write(&permit, move |tx| rotate(tx, id.0, body.0.overlap_h)).await?;
    Ok(shown_once(&mut HttpResponse::Created(), &made))
}
