//! Forms. Each carries a token that this server sealed for the browser's own secret, the person and the organisation:
//! a page of another origin can neither read nor make one.

use std::future::Future;
use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::web::Bytes;
use actix_web::{FromRequest, HttpMessage, HttpRequest};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::de::DeserializeOwned;
use serde_json::{Number, Value};

use super::act_form::Typed;
use super::session::{AccessToken, FormSecret};
use crate::error::{Code, Error, Result};
use crate::http::{App, IfMatch, params};

/// The field that holds the token.
const FIELD: &str = "form";

fn app(request: &HttpRequest) -> Result<&App> {
    request.app_data::<App>().ok_or_else(|| Error::internal("no application state"))
}

/// Whom a form is for: this browser, as this person in this organisation, or as nobody yet.
fn owner(request: &HttpRequest) -> Result<Vec<u8>> {
    let app = app(request)?;
    let extensions = request.extensions();
    let secret = extensions.get::<FormSecret>().ok_or_else(|| Error::internal("no secret for forms"))?;
    let session = extensions.get::<AccessToken>().map(|token| app.keys.verify(&token.0, app.clock.now()));
    let who = session.transpose()?.map(|it| format!("{:?} {}", it.subject, it.org_id)).unwrap_or_default();
    Ok(format!("form {} {who}", secret.0).into_bytes())
}

/// The token for the forms of a page.
///
/// # Errors
/// Internal.
pub fn token(request: &HttpRequest) -> Result<String> {
    Ok(URL_SAFE_NO_PAD.encode(app(request)?.guards.sealing.seal(&owner(request)?, FIELD.as_bytes())?))
}

/// Refuses a token that was not made for this browser and session.
///
/// # Errors
/// Forbidden.
pub fn check(request: &HttpRequest, token: &str) -> Result<()> {
    let refused = || {
        Error::new(
            Code::Forbidden,
            "The form is out of date: the session it belonged to is over, or it came from elsewhere. Go back, reload the page and send it again.",
        )
    };
    let sealed = URL_SAFE_NO_PAD.decode(token).map_err(|cause| refused().because(cause))?;
    let opened = app(request)?.guards.sealing.open(&owner(request)?, &sealed);
    opened.map_err(|cause| refused().because(cause)).map(|_| ())
}

/// A form that was sent, its token checked. Fields left empty are left out.
#[derive(Debug)]
pub struct Filled<T>(pub T);

impl<T: DeserializeOwned + 'static> FromRequest for Filled<T> {
    type Error = Error;
    type Future = Pin<Box<dyn Future<Output = Result<Self>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, bytes) = (request.clone(), Bytes::from_request(request, payload));
        Box::pin(async move {
            let bytes = bytes.await.map_err(|cause| {
                Error::new(Code::TooLarge, "The form is too long.").because(cause.to_string())
            })?;
            let given = form_urlencoded::parse(&bytes).find(|(name, _)| name == FIELD);
            check(&request, given.map(|(_, value)| value).as_deref().unwrap_or_default())?;
            Ok(Self(read(&bytes)?))
        })
    }
}

/// The parameters of a page's address, of which a form leaves many empty.
///
/// # Errors
/// Invalid.
pub fn query<T: DeserializeOwned>(request: &HttpRequest) -> Result<T> {
    read(request.query_string().as_bytes())
}

/// The fields of a form as they were sent, but for empty ones, in their order: for forms with a field that comes more
/// than once.
pub type Pairs = Vec<(String, String)>;

/// The first of these fields of that name.
#[must_use]
pub fn field<'a>(pairs: &'a Pairs, name: &str) -> Option<&'a str> {
    pairs.iter().find(|(given, _)| given == name).map(|(_, value)| value.as_str())
}

/// A number as JSON has it, or else the text, which the reader of the fields then refuses in its own words.
#[must_use]
pub fn number_or_text(text: &str) -> Value {
    text.trim().parse::<Number>().map_or_else(|_| Value::from(text), Value::Number)
}

/// The version of a record that a form was made from.
///
/// # Errors
/// Invalid.
pub fn version(pairs: &Pairs) -> Result<IfMatch> {
    let version = field(pairs, "version").and_then(|text| text.parse().ok());
    version.map(IfMatch).ok_or_else(|| Error::field("/version", "missing", "is required. Reload the page."))
}

/// The version of a record that a form was made from, among what was typed.
///
/// # Errors
/// Invalid.
pub fn sent_version(typed: &Typed) -> Result<IfMatch> {
    let version = typed.get("version").and_then(|text| text.parse().ok());
    version.map(IfMatch).ok_or_else(|| Error::field("/version", "missing", "is required. Reload the page."))
}

fn read<T: DeserializeOwned>(pairs: &[u8]) -> Result<T> {
    let mut kept = form_urlencoded::Serializer::new(String::new());
    for (name, value) in form_urlencoded::parse(pairs) {
        if name != FIELD && !value.is_empty() {
            kept.append_pair(&name, &value);
        }
    }
    params::read(&kept.finish())
}
