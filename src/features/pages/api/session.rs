//! The session of a page: the same family of refresh tokens as a sign-in over the API, kept in a cookie that no script
//! can read (RFC 6265; `SameSite` and the `__Host-` prefix as in its revision, RFC 6265bis). When a token is replaced,
//! and what its second use means: see `accounts::api::browser`.

use std::future::{Ready, ready};

use actix_web::body::MessageBody;
use actix_web::cookie::{Cookie, SameSite, time};
use actix_web::dev::{Payload, ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::http::header::{HOST, LOCATION, ORIGIN};
use actix_web::middleware::Next;
use actix_web::{FromRequest, HttpMessage, HttpRequest, HttpResponse};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

use super::frame::refusal;
use crate::error::{Code, Error, Result};
use crate::features::accounts::api::browser::{self, BrowserSession};
use crate::features::accounts::api::sign_in::SESSION_DAYS;
use crate::http::state::{AppState, blocking};
use crate::http::tokens::random;
use crate::http::{App, Permit};
use crate::permissions::Permission;

/// Holds the refresh token.
const REFRESH: &str = "garboard_refresh";
/// Holds what the forms of this browser are bound to.
const FORMS: &str = "garboard_forms";

/// The access token of the session, made for this request once the cookie has been read.
#[derive(Debug, Clone)]
pub struct AccessToken(pub String);

/// What the forms of this browser are bound to.
#[derive(Debug, Clone)]
pub struct FormSecret(pub String);

/// A permit made from the session's cookie: for pages, never for endpoints.
#[derive(Debug)]
pub struct PagePermit<P>(pub Permit<P>);

impl<P: Permission> FromRequest for PagePermit<P> {
    type Error = Error;
    type Future = Ready<Result<Self>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let token = request.extensions().get::<AccessToken>().cloned();
        ready(
            token
                .ok_or_else(|| Error::new(Code::Unauthenticated, "Sign in first."))
                .and_then(|token| Permit::of_token(request, &token.0).map(Self)),
        )
    }
}

/// With TLS the names say to browsers that no other host may set them.
fn name(app: &AppState, name: &str) -> String {
    if is_secure(app) { format!("__Host-{name}") } else { name.to_owned() }
}

/// We end TLS, or a proxy in front does.
fn is_secure(app: &AppState) -> bool {
    app.guards.bounds.tls || app.guards.bounds.behind_proxy
}

fn cookie(app: &AppState, named: &str, value: String, max_age: time::Duration) -> Cookie<'static> {
    Cookie::build(name(app, named), value)
        .path("/")
        .http_only(true)
        .secure(is_secure(app))
        .same_site(SameSite::Lax)
        .max_age(max_age)
        .finish()
}

/// The cookie of a session.
#[must_use]
pub fn session_cookie(app: &AppState, refresh_token: String) -> Cookie<'static> {
    cookie(app, REFRESH, refresh_token, time::Duration::days(SESSION_DAYS))
}

/// The cookie that takes that of a session away.
#[must_use]
pub fn no_session_cookie(app: &AppState) -> Cookie<'static> {
    cookie(app, REFRESH, String::new(), time::Duration::ZERO)
}

/// The refresh token a request brought.
#[must_use]
pub fn refresh_token(app: &AppState, request: &HttpRequest) -> Option<String> {
    request.cookie(&name(app, REFRESH)).map(|cookie| cookie.value().to_owned())
}

/// Reads the session of a request; the cookie to set, where its token was replaced or it is over.
async fn admitted(app: &App, request: &ServiceRequest) -> Result<Option<Cookie<'static>>> {
    let Some(token) = refresh_token(app, request.request()) else { return Ok(None) };
    let state = app.clone();
    match blocking(move || browser::present(&state, &token)).await? {
        Some(BrowserSession { access_token, next_refresh_token }) => {
            request.extensions_mut().insert(AccessToken(access_token));
            Ok(next_refresh_token.map(|token| session_cookie(app, token)))
        }
        None => Ok(Some(no_session_cookie(app))),
    }
}

/// Whether a browser says that a form was sent from a page of ours (Fetch Metadata, W3C; the `Origin` header of
/// RFC 6454 where there is none). What is no browser says neither, and has no cookie to misuse.
fn is_from_here(request: &ServiceRequest) -> bool {
    let header = |name: &str| request.headers().get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = header("sec-fetch-site") {
        return site == "same-origin";
    }
    match header(ORIGIN.as_str()) {
        Some(origin) => {
            let host = origin.split_once("://").map(|(_, host)| host);
            host.is_some() && host == header(HOST.as_str())
        }
        None => true,
    }
}

/// Around every page: reads the session, refuses forms from elsewhere, shows errors as pages, sets the headers.
///
/// # Errors
/// Internal.
pub async fn page(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let app = request.app_data::<App>().cloned().ok_or_else(|| Error::internal("no application state"))?;
    let forms = name(&app, FORMS);
    let held = request.cookie(&forms).map(|cookie| cookie.value().to_owned()).filter(|held| held.len() == 43);
    let mut set = Vec::new();
    let secret = if let Some(held) = held {
        held
    } else {
        let fresh = URL_SAFE_NO_PAD.encode(random::<32>()?);
        set.push(cookie(&app, FORMS, fresh.clone(), time::Duration::days(SESSION_DAYS)));
        fresh
    };
    request.extensions_mut().insert(FormSecret(secret));
    match admitted(&app, &request).await {
        Ok(cookie) => set.extend(cookie),
        Err(error) => return Ok(refused(request.into_parts().0, &error).map_into_right_body()),
    }
    if request.method() != Method::GET && !is_from_here(&request) {
        let error = Error::new(Code::Forbidden, "The form was not sent from a page of this service.");
        return Ok(refused(request.into_parts().0, &error).map_into_right_body());
    }
    let response = next.call(request).await?;
    let failed = response.response().error().is_some();
    let mut response = if failed {
        let (request, answer) = response.into_parts();
        let error = answer.error().map(|error| match error.as_error::<Error>() {
            Some(ours) => Error::new(ours.code, ours.detail.clone()).because(cause_of(ours)),
            None => Error::new(Code::Malformed, "The request cannot be read."),
        });
        let error = error.unwrap_or_else(|| Error::internal("a failure without an error"));
        refused(request, &error).map_into_right_body()
    } else {
        response.map_into_left_body()
    };
    let answer = response.response_mut();
    for cookie in &set {
        // What a handler set itself, by signing in or out, holds.
        if !answer.cookies().any(|other| other.name() == cookie.name()) {
            answer.add_cookie(cookie).map_err(Error::internal)?;
        }
    }
    Ok(response)
}

fn cause_of(error: &Error) -> String {
    error.cause.as_ref().map(ToString::to_string).unwrap_or_default()
}

/// The page of an error; the way to the sign-in, where that is what is missing.
fn refused(request: HttpRequest, error: &Error) -> ServiceResponse {
    if error.code == Code::Internal {
        tracing::error!(path = request.path(), cause = cause_of(error), "failed");
    }
    let answer = if error.code == Code::Unauthenticated {
        let back = request.uri().path_and_query().map_or("/", |path| path.as_str());
        let next = if request.method() == Method::GET { back } else { "/" };
        let query = form_urlencoded::Serializer::new(String::new()).append_pair("next", next).finish();
        HttpResponse::SeeOther().insert_header((LOCATION, format!("/sign-in?{query}"))).finish()
    } else {
        refusal(&request, error)
    };
    ServiceResponse::new(request, answer)
}

/// Sends the browser on to another page after a form.
#[must_use]
pub fn see(path: &str) -> HttpResponse {
    HttpResponse::SeeOther().insert_header((LOCATION, path.to_owned())).finish()
}
