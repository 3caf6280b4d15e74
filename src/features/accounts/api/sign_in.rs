//! Sessions: signing in, refreshing, signing out.

use std::net::IpAddr;

use actix_web::{HttpResponse, post};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::Duration;
use garde::Validate;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use crate::error::{Code, Error, Result};
use crate::features::accounts::api::proof::{Proof, prove, refused};
use crate::features::accounts::store::{acts, sessions as store};
use crate::http::problem::OpenDoorProblems;
use crate::http::state::{AppState, blocking};
use crate::http::tokens::{ACCESS_MINUTES, random};
use crate::http::{App, CallerAddress, Outcome, Plain};
use crate::ids::{FamilyId, Id, OrgId, PersonId};
use crate::permissions::Role;

/// How long a session lasts without signing in again, in days.
pub const SESSION_DAYS: i64 = 30;
/// Who signs in.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SignIn {
    /// The e-mail address.
    #[garde(length(max = 254))]
    #[schema(max_length = 254)]
    pub email: String,
    /// The password.
    #[garde(length(max = 800))]
    #[schema(max_length = 800)]
    pub password: String,
    /// The code of the second factor, where the account has one.
    #[garde(inner(length(max = 12)))]
    #[schema(max_length = 12)]
    pub code: Option<String>,
    /// In which organisation; the oldest membership when left out.
    #[garde(skip)]
    pub org_id: Option<OrgId>,
}

/// A refresh token to use.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Refresh {
    /// The refresh token; each is good for one use.
    #[garde(length(max = 200))]
    #[schema(max_length = 200)]
    pub refresh_token: String,
}

/// A session to end.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SignOut {
    /// The session's refresh token.
    #[garde(length(max = 200))]
    #[schema(max_length = 200)]
    pub refresh_token: String,
    /// End every session of the person, on all devices.
    #[garde(skip)]
    #[serde(default)]
    pub everywhere: bool,
}

/// An organisation that the person can sign in to.
#[derive(Debug, Serialize, ToSchema)]
pub struct MembershipView {
    /// The organisation.
    pub org_id: OrgId,
    /// Its name.
    pub name: String,
    /// The person's role there.
    pub role: Role,
}

/// A session's tokens.
#[derive(Debug, Serialize, ToSchema)]
pub struct SessionView {
    /// Send it as `Authorization: Bearer`.
    pub access_token: String,
    /// Always `Bearer`.
    pub token_type: &'static str,
    /// Seconds the access token holds.
    pub expires_in_s: i64,
    /// Exchange it at `/v1/sign-in/refresh` for the next pair.
    pub refresh_token: String,
    /// The organisation the session is in.
    pub org_id: OrgId,
    /// The person.
    pub person_id: PersonId,
    /// The role there.
    pub role: Role,
    /// All organisations of the person: sign in with another `org_id` to work there.
    pub memberships: Vec<MembershipView>,
}

fn session_over() -> Error {
    Error::new(Code::Unauthenticated, "The session is over. Sign in again.")
}

/// A new refresh token and the digest that is kept of it.
pub(super) fn fresh_refresh_token() -> Result<(String, [u8; 32])> {
    let token = URL_SAFE_NO_PAD.encode(random::<32>()?);
    let digest = Sha256::digest(token.as_bytes()).into();
    Ok((token, digest))
}

fn session(
    app: &AppState,
    person_id: PersonId,
    memberships: Vec<(OrgId, String, Role)>,
    org_id: OrgId,
    refresh_token: String,
) -> Result<Option<SessionView>> {
    let Some(role) = memberships.iter().find(|(org, ..)| *org == org_id).map(|(.., role)| *role) else {
        return Ok(None);
    };
    let access_token = app.keys.sign(person_id, org_id, role, app.clock.now())?;
    let memberships = memberships.into_iter().map(membership).collect();
    Ok(Some(SessionView {
        access_token,
        token_type: "Bearer",
        expires_in_s: ACCESS_MINUTES * 60,
        refresh_token,
        org_id,
        person_id,
        role,
        memberships,
    }))
}

fn membership((org_id, name, role): (OrgId, String, Role)) -> MembershipView {
    MembershipView { org_id, name, role }
}

/// The organisations a person can sign in to.
///
/// # Errors
/// Those of the database.
pub fn memberships(app: &AppState, person_id: PersonId) -> Result<Vec<MembershipView>> {
    let found = app.db.sign_in(|conn| store::memberships(conn, person_id))?;
    Ok(found.into_iter().map(membership).collect())
}

/// Opens a session for a person, in the organisation asked for or the one longest a member of.
///
/// # Errors
/// Unauthenticated, where the person is no member.
pub fn open_session(app: &AppState, person_id: PersonId, asked: Option<OrgId>) -> Result<SessionView> {
    app.db.sign_in(|conn| {
        let memberships = store::memberships(conn, person_id)?;
        let org_id = memberships
            .iter()
            .map(|(org_id, ..)| *org_id)
            .find(|org_id| asked.is_none_or(|asked| asked == *org_id))
            .ok_or_else(refused)?;
        let family_id = FamilyId::fresh();
        let now = app.clock.now();
        store::insert_family(conn, family_id, person_id, org_id, now, now + Duration::days(SESSION_DAYS))?;
        let (token, digest) = fresh_refresh_token()?;
        store::insert_refresh_token(conn, &digest, family_id, None, now)?;
        session(app, person_id, memberships, org_id, token)?.ok_or_else(refused)
    })
}

/// Opens a session for who proves to be the person.
///
/// # Errors
/// Of [`prove`] and [`open_session`].
pub fn open(app: &AppState, from: IpAddr, asked: &SignIn) -> Result<SessionView> {
    let proof = Proof { email: &asked.email, password: &asked.password, code: asked.code.as_deref() };
    let person_id = prove(app, from, proof)?;
    let view = open_session(app, person_id, asked.org_id)?;
    let now = app.clock.now();
    app.db.sign_in(|conn| acts::record(conn, person_id, Some(view.org_id), "sign_in", from, now))?;
    Ok(view)
}

/// Puts a refused sign-in into the audit, after the answer: its time must not tell whether there is such an account.
fn record_refusal(app: App, from: IpAddr, email: String) {
    actix_web::rt::spawn(async move {
        let recorded = blocking(move || {
            app.db.sign_in(|conn| acts::record_refusal(conn, &email, from, app.clock.now()))
        });
        if let Err(error) = recorded.await {
            tracing::error!(%error, cause = ?error.cause, "a refused sign-in was not recorded");
        }
    });
}

/// What became of a presented refresh token: told apart so that a revocation is committed, not rolled back
/// with the refusal.
enum Presented {
    Good(SessionView),
    Over,
}

/// Exchanges a refresh token for the next of its family.
///
/// # Errors
/// Unauthenticated, when the session is over.
pub fn refresh(app: &AppState, token: &str) -> Result<SessionView> {
    let digest = Sha256::digest(token.as_bytes());
    let outcome = app.db.sign_in(|conn| {
        let now = app.clock.now();
        let Some(found) = store::presented(conn, &digest)? else { return Ok(Presented::Over) };
        if found.used_at.is_some() {
            // Used twice: somebody has a copy. The thief's next one must not work either.
            store::revoke_family(conn, found.family_id, now)?;
            return Ok(Presented::Over);
        }
        let memberships = store::memberships(conn, found.person_id)?;
        let member = memberships.iter().any(|(org, ..)| *org == found.org_id);
        if !member || found.revoked_at.is_some() || now >= found.expires_at {
            return Ok(Presented::Over);
        }
        store::use_refresh_token(conn, &digest, now)?;
        let (next, next_digest) = fresh_refresh_token()?;
        store::insert_refresh_token(conn, &next_digest, found.family_id, Some(digest.as_slice()), now)?;
        let view = session(app, found.person_id, memberships, found.org_id, next)?;
        Ok(view.map_or(Presented::Over, Presented::Good))
    })?;
    match outcome {
        Presented::Good(view) => Ok(view),
        Presented::Over => Err(session_over()),
    }
}

/// Signs in with address and password.
#[utoipa::path(tag = "accounts", request_body = SignIn,
    responses((status = 200, description = "A session", body = SessionView), OpenDoorProblems))]
#[post("/v1/sign-in")]
pub async fn sign_in(app: App, from: CallerAddress, body: Plain<SignIn>) -> Outcome {
    let (state, email) = (app.clone(), body.0.email.clone());
    let opened = blocking(move || open(&app, from.0, &body.0)).await;
    if let Err(error) = &opened
        && matches!(error.code, Code::Unauthenticated | Code::CodeRequired)
    {
        tracing::info!(address = %from.0, code = error.code.as_str(), "a sign-in was refused");
        record_refusal(state, from.0, email);
    }
    let view = opened?;
    Ok(HttpResponse::Ok().insert_header(("cache-control", "no-store")).json(view))
}

/// Exchanges a refresh token for the next pair of tokens. One used twice ends its session.
#[utoipa::path(tag = "accounts", request_body = Refresh,
    responses((status = 200, description = "The session goes on", body = SessionView), OpenDoorProblems))]
#[post("/v1/sign-in/refresh")]
pub async fn refresh_session(app: App, body: Plain<Refresh>) -> Outcome {
    let view = blocking(move || refresh(&app, &body.0.refresh_token)).await?;
    Ok(HttpResponse::Ok().insert_header(("cache-control", "no-store")).json(view))
}

/// Ends the session of a refresh token; `everywhere`, every one of its person.
///
/// # Errors
/// Those of the database.
pub fn end(app: &AppState, from: IpAddr, token: &str, everywhere: bool) -> Result<()> {
    app.db.sign_in(|conn| {
        let now = app.clock.now();
        match store::presented(conn, &Sha256::digest(token.as_bytes()))? {
            // A token that is over ends nothing more than its own session.
            Some(found) if everywhere && found.used_at.is_none() && found.revoked_at.is_none() => {
                store::revoke_all(conn, found.person_id, now)?;
                acts::record(conn, found.person_id, None, "sign_out_everywhere", from, now)
            }
            Some(found) => store::revoke_family(conn, found.family_id, now),
            None => Ok(()),
        }
    })
}

/// Ends every session of a person.
///
/// # Errors
/// Those of the database.
pub fn end_all(app: &AppState, from: IpAddr, person_id: PersonId) -> Result<()> {
    app.db.sign_in(|conn| {
        let now = app.clock.now();
        store::revoke_all(conn, person_id, now)?;
        acts::record(conn, person_id, None, "sign_out_everywhere", from, now)
    })
}

/// Ends the session of a refresh token, or every session of its person.
#[utoipa::path(tag = "accounts", request_body = SignOut,
    responses((status = 204, description = "The session is over"), OpenDoorProblems))]
#[post("/v1/sign-out")]
pub async fn sign_out(app: App, from: CallerAddress, body: Plain<SignOut>) -> Outcome {
    blocking(move || end(&app, from.0, &body.0.refresh_token, body.0.everywhere)).await?;
    Ok(HttpResponse::NoContent().finish())
}
