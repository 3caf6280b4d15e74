//! What stands around every page, and how a page is sent.

use actix_web::http::StatusCode;
use actix_web::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, REFERRER_POLICY, RETRY_AFTER,
};
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;

use super::files::address;
use super::form;
use crate::db::Tx;
use crate::error::{Error, Result};
use crate::features::accounts;
use crate::http::Outcome;
use crate::http::auth::request_id;
use crate::http::problem::status;

/// Nothing but what this service serves itself, no script and no style within a page (Content Security Policy 3).
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
     form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// What stands around a page.
#[derive(Debug)]
pub struct Frame {
    /// Its title.
    pub title: String,
    /// The organisation's name; empty while nobody is signed in.
    pub organisation: String,
    /// Which place of the menu it is.
    pub place: &'static str,
    /// The token for its forms.
    pub form: String,
}

impl Frame {
    /// Of a page that nobody needs to sign in for.
    ///
    /// # Errors
    /// Internal.
    pub fn open(request: &HttpRequest, title: impl Into<String>) -> Result<Self> {
        Ok(Self { title: title.into(), organisation: String::new(), place: "", form: form::token(request)? })
    }

    /// Of a page of this organisation.
    ///
    /// # Errors
    /// Internal.
    pub fn of(
        request: &HttpRequest,
        organisation: String,
        place: &'static str,
        title: impl Into<String>,
    ) -> Result<Self> {
        Ok(Self { organisation, place, ..Self::open(request, title)? })
    }

    /// The address of a plain file.
    #[must_use]
    #[allow(clippy::unused_self, reason = "the templates call it")]
    pub fn file(&self, name: &str) -> String {
        address(name)
    }

    /// For a link of the menu: says so where it is the page itself.
    #[must_use]
    pub fn current(&self, place: &str) -> &'static str {
        if self.place == place { "page" } else { "false" }
    }
}

/// The organisation's name.
///
/// # Errors
/// Those of the database.
pub fn organisation_name(tx: &mut Tx<'_>) -> Result<String> {
    Ok(accounts::store::organisation(tx)?.fields.name)
}

/// Sends a page.
///
/// # Errors
/// Internal.
pub fn send(page: &impl Template) -> Outcome {
    send_as(StatusCode::OK, page)
}

/// Sends a page with a status.
///
/// # Errors
/// Internal.
pub fn send_as(status: StatusCode, page: &impl Template) -> Outcome {
    let text = page.render().map_err(Error::internal)?;
    Ok(HttpResponse::build(status)
        .insert_header((CONTENT_TYPE, "text/html; charset=utf-8"))
        .insert_header((CONTENT_SECURITY_POLICY, POLICY))
        // Forms need to say where they come from, to us and to nobody else.
        .insert_header((REFERRER_POLICY, "same-origin"))
        .insert_header((CACHE_CONTROL, "no-store"))
        .body(text))
}

#[derive(Template)]
#[template(path = "refusal.html")]
struct Refusal {
    frame: Frame,
    detail: String,
    request_id: String,
}

/// The page of an error.
#[must_use]
pub fn refusal(request: &HttpRequest, error: &Error) -> HttpResponse {
    let status = status(error.code);
    let title = match status.as_u16() {
        403 => "Not allowed",
        404 => "Not found",
        429 | 503 => "Busy",
        500 => "The service failed",
        _ => "That did not work",
    };
    let page = Frame::open(request, title).and_then(|frame| {
        let request_id = request_id(request).to_string();
        send_as(status, &Refusal { frame, detail: error.detail.clone(), request_id })
    });
    let mut answer = page.unwrap_or_else(|_| HttpResponse::new(status));
    if let Some(seconds) = error.retry_after_s {
        answer.headers_mut().insert(RETRY_AFTER, seconds.into());
    }
    answer
}
