//! Tokens for programs: OAuth 2.0 client credentials (RFC 6749, section 4.4), and the keys that verify them
//! (RFC 7517). Its refusals are those of RFC 6749, section 5.2, not problem documents.

use std::collections::BTreeMap;

use actix_web::http::StatusCode;
use actix_web::http::header::{AUTHORIZATION, CONTENT_TYPE, WWW_AUTHENTICATE};
use actix_web::{HttpRequest, HttpResponse, HttpResponseBuilder, get, post, web};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use futures_util::StreamExt;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::error::{Code, Error, Result};
use crate::features::accounts::store::programs as store;
use crate::http::problem::status;
use crate::http::state::{AppState, blocking};
use crate::http::tokens::{ACCESS_MINUTES, PublicKey, scope_words, scopes_of};
use crate::http::{App, CallerAddress, Outcome};
use crate::ids::{OrgId, ProgramId};

/// The longest form taken, in bytes.
const MAX_FORM_BYTES: usize = 8 * 1024;

/// What a program sends, as a form.
#[derive(Debug, Deserialize, ToSchema)]
#[allow(
    dead_code,
    reason = "for the document: the form is read field by field, since each may come once only"
)]
pub struct TokenRequest {
    /// Always `client_credentials`.
    pub grant_type: String,
    /// Scopes with spaces between; all of the program's when left out.
    pub scope: Option<String>,
    /// The program's `client_id`, unless it is sent by HTTP Basic.
    pub client_id: Option<String>,
    /// The program's secret, unless it is sent by HTTP Basic.
    pub client_secret: Option<String>,
}

/// An access token (RFC 6749, section 5.1).
#[derive(Debug, Serialize, ToSchema)]
pub struct TokenResponse {
    /// Send it as `Authorization: Bearer`.
    pub access_token: String,
    /// Always `Bearer`.
    pub token_type: &'static str,
    /// Seconds the token holds. (The name is the standard's.)
    pub expires_in: i64,
    /// The scopes granted, with spaces between.
    pub scope: String,
}

/// A refusal (RFC 6749, section 5.2).
#[derive(Debug, Serialize, ToSchema)]
pub struct TokenRefusal {
    /// The word of the standard.
    pub error: String,
    /// What to do.
    pub error_description: String,
}

/// The keys that verify access tokens (RFC 7517, section 5).
#[derive(Debug, Serialize, ToSchema)]
pub struct KeySet {
    /// The one that signs now first.
    pub keys: Vec<PublicKey>,
}

/// A refusal on its way.
struct Refusal {
    status: StatusCode,
    error: &'static str,
    description: String,
    retry_after_s: Option<u64>,
}

fn refusal(error: &'static str, description: &str) -> Refusal {
    let status = if error == "invalid_client" { StatusCode::UNAUTHORIZED } else { StatusCode::BAD_REQUEST };
    Refusal { status, error, description: description.to_owned(), retry_after_s: None }
}

impl From<Error> for Refusal {
    fn from(error: Error) -> Self {
        if error.code == Code::Internal {
            tracing::error!(cause = ?error.cause, "no token could be made");
        }
        // Words for these come from section 4.1.2.1; section 5.2 has none.
        let word = if error.code == Code::Internal { "server_error" } else { "temporarily_unavailable" };
        Self {
            status: status(error.code),
            error: word,
            retry_after_s: error.retry_after_s.or_else(|| (error.code == Code::Unavailable).then_some(2)),
            description: error.detail,
        }
    }
}

impl Refusal {
    fn answer(self) -> HttpResponse {
        let mut answer = HttpResponseBuilder::new(self.status);
        answer.insert_header(("cache-control", "no-store"));
        if self.status == StatusCode::UNAUTHORIZED {
            answer.insert_header((WWW_AUTHENTICATE, "Basic realm=\"garboard\""));
        }
        if let Some(seconds) = self.retry_after_s {
            answer.insert_header(("retry-after", seconds.to_string()));
        }
        answer.json(TokenRefusal { error: self.error.to_owned(), error_description: self.description })
    }
}

/// The fields of a form: each once, an empty one as if it were left out (RFC 6749, section 3.2).
fn form(request: &HttpRequest, body: &[u8]) -> Result<BTreeMap<String, String>, Refusal> {
    let essence =
        request.headers().get(CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let essence = essence.split(';').next().unwrap_or_default().trim();
    if !essence.eq_ignore_ascii_case("application/x-www-form-urlencoded") {
        return Err(refusal("invalid_request", "Send a form: application/x-www-form-urlencoded."));
    }
    let mut fields = BTreeMap::new();
    for (name, value) in form_urlencoded::parse(body) {
        if fields.insert(name.to_string(), value.into_owned()).is_some() {
            return Err(refusal("invalid_request", &format!("Send {name} once.")));
        }
    }
    fields.retain(|_, value| !value.is_empty());
    Ok(fields)
}

/// The credentials of HTTP Basic (RFC 7617), each encoded as in a form before (RFC 6749, section 2.3.1).
fn basic(request: &HttpRequest) -> Result<Option<(String, String)>, Refusal> {
    let Some(header) = request.headers().get(AUTHORIZATION) else { return Ok(None) };
    let unreadable =
        || refusal("invalid_client", "The Authorization header is no HTTP Basic that can be read.");
    let text = header.to_str().map_err(|_unreadable| unreadable())?;
    let (scheme, encoded) = text.split_once(' ').ok_or_else(unreadable)?;
    if !scheme.eq_ignore_ascii_case("basic") {
        return Err(unreadable());
    }
    let decoded = STANDARD.decode(encoded.trim()).map_err(|_unreadable| unreadable())?;
    let decoded = String::from_utf8(decoded).map_err(|_unreadable| unreadable())?;
    let (id, secret) = decoded.split_once(':').ok_or_else(unreadable)?;
    let plain = |text: &str| {
        form_urlencoded::parse(text.as_bytes()).next().map(|(name, _)| name.into_owned()).unwrap_or_default()
    };
    Ok(Some((plain(id), plain(secret))))
}

fn credentials(request: &HttpRequest, form: &BTreeMap<String, String>) -> Result<(String, String), Refusal> {
    let in_form = (form.get("client_id").cloned(), form.get("client_secret").cloned());
    match (basic(request)?, in_form) {
        (Some(_), (_, Some(_))) => {
            Err(refusal("invalid_request", "Send the credentials in one way: HTTP Basic or the form."))
        }
        (Some((id, _)), (Some(other), None)) if id != other => {
            Err(refusal("invalid_request", "client_id is another one than that of HTTP Basic."))
        }
        (Some(both), _) => Ok(both),
        (None, (Some(id), Some(secret))) => Ok((id, secret)),
        (None, _) => {
            Err(refusal("invalid_client", "Send client_id and client_secret, by HTTP Basic or in the form."))
        }
    }
}

/// The organisation and the program that a `client_id` names.
fn ids(client_id: &str) -> Option<(OrgId, ProgramId)> {
    let (org_id, id) = client_id.split_once('.')?;
    Some((Uuid::parse_str(org_id).ok()?.into(), Uuid::parse_str(id).ok()?.into()))
}

fn token(
    app: &AppState,
    from: std::net::IpAddr,
    request: &(BTreeMap<String, String>, String, String),
) -> Result<TokenResponse, Refusal> {
    let (form, client_id, secret) = request;
    app.guards.sign_in.admit(client_id, from)?;
    let unknown =
        || refusal("invalid_client", "client_id and client_secret match no program that is in use.");
    let (org_id, id) = ids(client_id).ok_or_else(unknown)?;
    let (digest, now) = (Sha256::digest(secret.as_bytes()), app.clock.now());
    let words = app.db.sign_in(|conn| store::scopes_by_secret(conn, org_id, id, &digest, now))?;
    let given = scopes_of(&words.ok_or_else(unknown)?)?;
    let asked = match form.get("scope") {
        None => given.clone(),
        Some(words) => scopes_of(words)
            .ok()
            .filter(|asked| !asked.is_empty() && asked.iter().all(|scope| given.contains(scope)))
            .ok_or_else(|| refusal("invalid_scope", "The program does not have all of these scopes."))?,
    };
    Ok(TokenResponse {
        access_token: app.keys.sign_program(id, org_id, &asked, now)?,
        token_type: "Bearer",
        expires_in: ACCESS_MINUTES * 60,
        scope: scope_words(&asked)?,
    })
}

async fn issue(
    app: App,
    from: CallerAddress,
    request: HttpRequest,
    body: web::Bytes,
) -> Result<TokenResponse, Refusal> {
    let form = form(&request, &body)?;
    match form.get("grant_type").map(String::as_str) {
        Some("client_credentials") => {}
        None => return Err(refusal("invalid_request", "Send grant_type=client_credentials.")),
        Some(_) => return Err(refusal("unsupported_grant_type", "Only client_credentials is taken.")),
    }
    let (id, secret) = credentials(&request, &form)?;
    let ticket = (form, id, secret);
    blocking(move || Ok(token(&app, from.0, &ticket))).await?
}

/// Gives a program an access token for its credentials (RFC 6749, section 4.4).
#[utoipa::path(tag = "programs", request_body(content = TokenRequest, content_type = "application/x-www-form-urlencoded"),
    responses((status = 200, description = "A token", body = TokenResponse),
        (status = 400, description = "The request breaks RFC 6749", body = TokenRefusal),
        (status = 401, description = "The credentials do not hold", body = TokenRefusal),
        (status = 429, description = "Too often; try again after Retry-After", body = TokenRefusal),
        (status = 503, description = "Busy; try again after Retry-After", body = TokenRefusal)))]
#[post("/oauth/token")]
pub async fn issue_token(
    app: App,
    from: CallerAddress,
    request: HttpRequest,
    mut payload: web::Payload,
) -> Outcome {
    let mut body = web::BytesMut::new();
    while let Some(chunk) = payload.next().await {
        match chunk {
            Ok(chunk) if body.len() + chunk.len() <= MAX_FORM_BYTES => body.extend_from_slice(&chunk),
            _ => return Ok(refusal("invalid_request", "The form is too long or broke off.").answer()),
        }
    }
    Ok(match issue(app, from, request, body.freeze()).await {
        Ok(token) => HttpResponse::Ok()
            .insert_header(("cache-control", "no-store"))
            .insert_header(("pragma", "no-cache"))
            .json(token),
        Err(refusal) => refusal.answer(),
    })
}

/// Reads the public keys that verify access tokens, the one that signs now first.
#[utoipa::path(tag = "programs",
    responses((status = 200, description = "A JSON Web Key Set", body = KeySet)))]
#[get("/.well-known/jwks.json")]
pub async fn read_token_keys(app: App) -> Outcome {
    Ok(HttpResponse::Ok()
        .insert_header(("cache-control", "public, max-age=300"))
        .json(KeySet { keys: app.keys.public() }))
}
