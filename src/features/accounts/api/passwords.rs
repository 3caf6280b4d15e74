//! Changing a password that is known, and resetting one that is not, by a one-time token.

use std::net::IpAddr;

use actix_web::{HttpResponse, get, post};
use chrono::Duration;
use garde::Validate;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use crate::db::Db;
use crate::error::{Code, Error, Result};
use crate::features::accounts::api::proof::{fresh_secret, hash_password, prove_again, token_bytes};
use crate::features::accounts::api::sign_in::MembershipView;
use crate::features::accounts::store::links::{self, ids_in};
use crate::features::accounts::store::{acts, sessions as store};
use crate::http::problem::{OpenDoorProblems, OwnProblems, ReadProblems};
use crate::http::state::{AppState, blocking};
use crate::http::{App, CallerAddress, Outcome, Permit, Plain};
use crate::ids::{OrgId, PersonId};
use crate::permissions::BeOneself;

/// How long a reset can be used, in minutes.
pub const RESET_MINUTES: i64 = 60;

/// Whose password is lost.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PasswordResetRequest {
    /// The e-mail address of the account.
    #[garde(length(max = 254))]
    #[schema(max_length = 254)]
    pub email: String,
}

/// A new password for a lost one.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PasswordReset {
    /// The token of the letter.
    #[garde(length(max = 200))]
    #[schema(max_length = 200)]
    pub token: String,
    /// The new password, 12 to 200 characters.
    #[garde(length(chars, min = 12, max = 200))]
    #[schema(min_length = 12, max_length = 200)]
    pub password: String,
}

/// A new password for a known one.
#[derive(Debug, Deserialize, Validate, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PasswordChange {
    /// The password so far.
    #[garde(length(max = 800))]
    #[schema(max_length = 800)]
    pub password: String,
    /// The code of the second factor, where the account has one.
    #[garde(inner(length(max = 12)))]
    #[schema(max_length = 12)]
    pub code: Option<String>,
    /// The new password, 12 to 200 characters.
    #[garde(length(chars, min = 12, max = 200))]
    #[schema(min_length = 12, max_length = 200)]
    pub new_password: String,
}

/// Who is signed in.
#[derive(Debug, Serialize, ToSchema)]
pub struct OwnAccountView {
    /// The person.
    pub person_id: PersonId,
    /// The address to sign in with.
    pub email: String,
    /// The organisation of this token.
    pub org_id: OrgId,
    /// Whether signing in asks for a code.
    pub second_factor: bool,
    /// All organisations of the person.
    pub memberships: Vec<MembershipView>,
}

fn person(permit: &Permit<BeOneself>) -> Result<PersonId> {
    permit.actor().person_id.ok_or_else(|| Error::new(Code::Forbidden, "Sign in as a person."))
}

/// Offers a reset to the person of an address, if there is one: the token.
///
/// # Errors
/// Those of the database.
pub fn offer_reset(db: &Db, email: &str) -> Result<Option<String>> {
    let Some(candidate) = db.sign_in(|conn| store::candidate(conn, email))? else { return Ok(None) };
    let (token, digest) = fresh_secret(&[candidate.person_id.into()])?;
    let expires_at = db.clock().now() + Duration::minutes(RESET_MINUTES);
    db.sign_in(|conn| links::offer_reset(conn, candidate.person_id, &digest, expires_at))?;
    Ok(Some(token))
}

fn send_reset(app: &AppState, email: &str) -> Result<()> {
    let (Some(mail), Some(token)) = (&app.guards.mail, offer_reset(&app.db, email)?) else { return Ok(()) };
    let letter = format!(
        "Somebody asked for a new password of your account on garboard.\n\nTo set one, send this token with it to\n\
         {{address}}/v1/password-resets/completion (see {{address}}/docs/) within {RESET_MINUTES} minutes:\n\n{token}\n\n\
         If it was not you, do nothing: your password stays as it is.\n"
    );
    mail.send(email.trim(), "A new password", &letter)
}

/// Asks for a letter to reset a password. The answer is the same whether there is such an account or not.
#[utoipa::path(tag = "accounts", request_body = PasswordResetRequest,
    responses((status = 202, description = "If there is such an account, a letter is on its way"),
        (status = 409, description = "This service sends no mail", body = crate::http::problem::Problem, content_type = "application/problem+json"), OpenDoorProblems))]
#[post("/v1/password-resets")]
pub async fn request_password_reset(
    app: App,
    from: CallerAddress,
    body: Plain<PasswordResetRequest>,
) -> Outcome {
    if app.guards.mail.is_none() {
        return Err(Error::new(
            Code::Conflict,
            "This service sends no mail. Whoever runs it resets with: garboard reset-password --email ADDRESS",
        ));
    }
    app.guards.sign_in.admit(&body.0.email, from.0)?;
    // After the answer, so that its time does not tell whether there is such an account.
    actix_web::rt::spawn(async move {
        if let Err(error) = blocking(move || send_reset(&app, &body.0.email)).await {
            tracing::error!(%error, cause = ?error.cause, "a letter was not sent");
        }
    });
    Ok(HttpResponse::Accepted().finish())
}

/// Sets a new password with the token of the letter. All sessions end.
#[utoipa::path(tag = "accounts", request_body = PasswordReset,
    responses((status = 204, description = "Sign in with the new password"), OpenDoorProblems))]
#[post("/v1/password-resets/completion")]
pub async fn complete_password_reset(app: App, from: CallerAddress, body: Plain<PasswordReset>) -> Outcome {
    // Hashing is work that nobody may ask for without end.
    app.guards.sign_in.admit("a password reset", from.0)?;
    let unknown = || {
        Error::field(
            "/token",
            "unknown",
            "opens no reset: it was used or ran out, or is not whole. Ask for another one.",
        )
    };
    blocking(move || {
        let bytes = token_bytes(&body.0.token).ok_or_else(unknown)?;
        let (person_id, secret) = ids_in(&bytes).ok_or_else(unknown)?;
        let person_id = PersonId::from(person_id);
        let (hash, digest) = (hash_password(&body.0.password)?, Sha256::digest(secret));
        app.db.sign_in(|conn| {
            let now = app.clock.now();
            if !links::reset_password(conn, person_id, &digest, &hash, now)? {
                return Err(unknown());
            }
            store::revoke_all(conn, person_id, now)?;
            acts::record(conn, person_id, None, "reset_password", from.0, now)
        })
    })
    .await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Changes your password. All sessions end.
#[utoipa::path(tag = "accounts", security(("bearer" = [])), request_body = PasswordChange,
    responses((status = 204, description = "Sign in with the new password"), OwnProblems))]
#[post("/v1/me/password")]
pub async fn change_password(app: App, permit: Permit<BeOneself>, body: Plain<PasswordChange>) -> Outcome {
    let (person_id, from) = (person(&permit)?, permit.address());
    blocking(move || change(&app, from, person_id, &body.0)).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Changes a password; all sessions of the person end.
///
/// # Errors
/// Those of [`prove_again`] and of the database.
pub fn change(app: &AppState, from: IpAddr, person_id: PersonId, asked: &PasswordChange) -> Result<()> {
    prove_again(app, from, person_id, &asked.password, asked.code.as_deref())?;
    let hash = hash_password(&asked.new_password)?;
    app.db.sign_in(|conn| {
        let now = app.clock.now();
        links::change_password(conn, person_id, &hash, now)?;
        store::revoke_all(conn, person_id, now)?;
        acts::record(conn, person_id, None, "change_password", from, now)
    })
}

/// Reads who you are, and the organisations you can sign in to.
#[utoipa::path(tag = "accounts", security(("bearer" = [])),
    responses((status = 200, description = "Your account", body = OwnAccountView), ReadProblems))]
#[get("/v1/me")]
pub async fn read_own_account(app: App, permit: Permit<BeOneself>) -> Outcome {
    let (person_id, org_id) = (person(&permit)?, permit.actor().org_id);
    let view = blocking(move || own_account(&app, person_id, org_id));
    Ok(HttpResponse::Ok().insert_header(("cache-control", "no-store")).json(view.await?))
}

/// Who a person is, and the organisations they can sign in to.
///
/// # Errors
/// Those of the database.
pub fn own_account(app: &AppState, person_id: PersonId, org_id: OrgId) -> Result<OwnAccountView> {
    app.db.sign_in(|conn| {
        let email = store::address_of(conn, person_id)?;
        let candidate = store::candidate(conn, &email)?;
        let memberships = store::memberships(conn, person_id)?
            .into_iter()
            .map(|(org_id, name, role)| MembershipView { org_id, name, role })
            .collect();
        let second_factor = candidate.is_some_and(|c| c.second_factor_confirmed);
        Ok(OwnAccountView { person_id, email, org_id, second_factor, memberships })
    })
}
