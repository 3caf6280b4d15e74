//! Sessions: signing in, refreshing, signing out.

use actix_web::{HttpResponse, post};
use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::Duration;
use garde::Validate;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use crate::error::{Code, Error, Result};
use crate::features::accounts::store::sessions as store;
use crate::http::problem::OpenDoorProblems;
use crate::http::state::{AppState, blocking};
use crate::http::tokens::ACCESS_MINUTES;
use crate::http::{App, Outcome, Plain};
use crate::ids::{FamilyId, Id, OrgId, PersonId};
use crate::permissions::Role;

/// How long a session lasts without signing in again, in days.
const SESSION_DAYS: i64 = 30;
/// Verified when the account does not exist, so that both answers take the same work.
const NOBODY: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHRzb21lc2FsdA$zKlIMvBVjYxyX3HJMcXTJn1zcTEUyCSTFMLMTbzxR0Y";

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
}

/// Hashes a password with argon2id.
///
/// # Errors
/// Internal.
pub fn hash_password(password: &str) -> Result<String> {
    Argon2::default()
        .hash_password(password.as_bytes())
        .map(|hash| hash.to_string())
        .map_err(|cause| Error::internal(cause.to_string()))
}

fn refused() -> Error {
    Error::new(
        Code::Unauthenticated,
        "Address and password do not match an account. Check both, or ask an administrator of your organisation.",
    )
}

fn session_over() -> Error {
    Error::new(Code::Unauthenticated, "The session is over. Sign in again.")
}

/// A new refresh token and the digest that is kept of it.
fn fresh_refresh_token() -> Result<(String, [u8; 32])> {
    let mut secret = [0_u8; 32];
    getrandom::fill(&mut secret).map_err(|cause| Error::internal(cause.to_string()))?;
    let token = URL_SAFE_NO_PAD.encode(secret);
    let digest = Sha256::digest(token.as_bytes()).into();
    Ok((token, digest))
}

fn session(
    app: &AppState,
    person_id: PersonId,
    org_id: OrgId,
    role: Role,
    refresh_token: String,
) -> Result<SessionView> {
    let access_token = app.keys.sign(person_id, org_id, role, app.clock.now())?;
    Ok(SessionView {
        access_token,
        token_type: "Bearer",
        expires_in_s: ACCESS_MINUTES * 60,
        refresh_token,
        org_id,
        person_id,
        role,
    })
}

fn open(app: &AppState, asked: &SignIn) -> Result<SessionView> {
    let candidate = app.db.sign_in(|conn| store::candidate(conn, &asked.email))?;
    let hash = candidate.as_ref().map_or(NOBODY, |c| c.password_hash.as_str());
    let parsed = PasswordHash::new(hash).map_err(|cause| Error::internal(cause.to_string()))?;
    let matches = Argon2::default().verify_password(asked.password.as_bytes(), &parsed).is_ok();
    let person_id = candidate.filter(|_| matches).map(|c| c.person_id).ok_or_else(refused)?;
    app.db.sign_in(|conn| {
        let memberships = store::memberships(conn, person_id)?;
        let (org_id, _, role) = memberships
            .into_iter()
            .find(|(org_id, ..)| asked.org_id.is_none_or(|asked| asked == *org_id))
            .ok_or_else(refused)?;
        let family_id = FamilyId::fresh();
        let now = app.clock.now();
        store::insert_family(conn, family_id, person_id, org_id, now, now + Duration::days(SESSION_DAYS))?;
        let (token, digest) = fresh_refresh_token()?;
        store::insert_refresh_token(conn, &digest, family_id, now)?;
        session(app, person_id, org_id, role, token)
    })
}

/// What became of a presented refresh token: told apart so that a revocation is committed, not rolled back
/// with the refusal.
enum Presented {
    Good(SessionView),
    Over,
}

fn refresh(app: &AppState, token: &str) -> Result<SessionView> {
    let digest = Sha256::digest(token.as_bytes());
    let outcome = app.db.sign_in(|conn| {
        let now = app.clock.now();
        let Some(found) = store::presented(conn, &digest)? else { return Ok(Presented::Over) };
        if found.used_at.is_some() {
            // Used twice: somebody has a copy. The thief's next one must not work either.
            store::revoke_family(conn, found.family_id, now)?;
            return Ok(Presented::Over);
        }
        let role = store::memberships(conn, found.person_id)?
            .into_iter()
            .find(|(org, ..)| *org == found.org_id)
            .map(|(.., role)| role);
        let (Some(role), None, true) = (role, found.revoked_at, now < found.expires_at) else {
            return Ok(Presented::Over);
        };
        store::use_refresh_token(conn, &digest, now)?;
        let (next, next_digest) = fresh_refresh_token()?;
        store::insert_refresh_token(conn, &next_digest, found.family_id, now)?;
        session(app, found.person_id, found.org_id, role, next).map(Presented::Good)
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
pub async fn sign_in(app: App, body: Plain<SignIn>) -> Outcome {
    let view = blocking(move || open(&app, &body.0)).await?;
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

/// Ends the session of a refresh token.
#[utoipa::path(tag = "accounts", request_body = Refresh,
    responses((status = 204, description = "The session is over"), OpenDoorProblems))]
#[post("/v1/sign-out")]
pub async fn sign_out(app: App, body: Plain<Refresh>) -> Outcome {
    blocking(move || {
        app.db.sign_in(|conn| {
            let now = app.clock.now();
            match store::presented(conn, &Sha256::digest(body.0.refresh_token.as_bytes()))? {
                Some(found) => store::revoke_family(conn, found.family_id, now),
                None => Ok(()),
            }
        })
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}
