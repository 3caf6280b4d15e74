//! The permit: proof that a request's token names a role with a permission. Without one there is no way to
//! the rows.

use std::future::{Ready, ready};
use std::marker::PhantomData;
use std::net::IpAddr;

use actix_web::dev::Payload;
use actix_web::http::header::AUTHORIZATION;
use actix_web::{FromRequest, HttpMessage, HttpRequest};
use uuid::Uuid;

use crate::db::Actor;
use crate::db::ground::About;
use crate::error::{Code, Error, Result};
use crate::http::state::App;
use crate::http::tokens::Subject;
use crate::ids::{Id, RequestId};
use crate::permissions::{Permission, Powers};

/// A verified caller with the permission `P`.
#[derive(Debug, Clone)]
pub struct Permit<P> {
    actor: Actor,
    powers: Powers,
    permission: PhantomData<fn() -> P>,
}

impl<P: Permission> Permit<P> {
    /// Who acts.
    #[must_use]
    pub fn actor(&self) -> &Actor {
        &self.actor
    }

    /// From where.
    #[must_use]
    pub fn address(&self) -> IpAddr {
        self.actor.address.unwrap_or(IpAddr::from([0, 0, 0, 0]))
    }

    /// With which powers.
    #[must_use]
    pub fn powers(&self) -> &Powers {
        &self.powers
    }

    fn of(request: &HttpRequest) -> Result<Self> {
        let token = request
            .headers()
            .get(AUTHORIZATION)
            .and_then(|value| value.to_str().ok())
            .and_then(|value| value.split_once(' '))
            .filter(|(scheme, _)| scheme.eq_ignore_ascii_case("bearer"))
            .map(|(_, token)| token.trim())
            .ok_or_else(|| {
                Error::new(
                    Code::Unauthenticated,
                    "Sign in at /v1/sign-in and send the token as Authorization: Bearer.",
                )
            })?;
        Self::of_token(request, token)
    }

    /// The permit of an access token that the request brought otherwise than in its header: in the cookie of a
    /// page. Endpoints of the API take the header only.
    ///
    /// # Errors
    /// Unauthenticated; forbidden; too many.
    pub fn of_token(request: &HttpRequest, token: &str) -> Result<Self> {
        let app = request.app_data::<App>().ok_or_else(|| Error::internal("no application state"))?;
        let verified = app.keys.verify(token, app.clock.now())?;
        let (person_id, program_id) = match verified.subject {
            Subject::Person(id) => (Some(id), None),
            Subject::Program(id) => (None, Some(id)),
        };
        app.guards.admit_caller(
            person_id.map_or_else(|| program_id.map_or_else(Default::default, Into::into), Into::into),
        )?;
        verified.powers.require::<P>()?;
        let actor = Actor {
            org_id: verified.org_id,
            person_id,
            program_id,
            address: Some(app.guards.address(request)),
            request_id: request_id(request),
            about: about(request),
            deed: P::deed(),
        };
        Ok(Self { actor, powers: verified.powers, permission: PhantomData })
    }
}

impl<P: Permission> FromRequest for Permit<P> {
    type Error = Error;
    type Future = Ready<Result<Self>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(Self::of(request))
    }
}

/// The record under a vessel that the address names: by the id in its path, or else in a filter.
fn about(request: &HttpRequest) -> Option<About> {
    let pattern = request.match_pattern().unwrap_or_default();
    if let Some((before, _)) = pattern.split_once("/{id}") {
        let id = Uuid::parse_str(request.match_info().get("id")?).ok()?;
        return About::in_collection(before.rsplit('/').next()?, id);
    }
    let pairs: Vec<_> = form_urlencoded::parse(request.query_string().as_bytes()).collect();
    let about = About::among(|field| {
        let (_, value) = pairs.iter().find(|(name, _)| name == field)?;
        Uuid::parse_str(value).ok()
    })?;
    Some(about.into_collection(pattern.rsplit('/').next()?))
}

/// The id the server gave this request.
#[must_use]
pub fn request_id(request: &HttpRequest) -> RequestId {
    request.extensions().get::<RequestId>().copied().unwrap_or_else(RequestId::fresh)
}

/// Where a request comes from, for the doors without a permit.
#[derive(Debug, Clone, Copy)]
pub struct CallerAddress(pub IpAddr);

impl FromRequest for CallerAddress {
    type Error = Error;
    type Future = Ready<Result<Self>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let app = request.app_data::<App>().ok_or_else(|| Error::internal("no application state"));
        ready(app.map(|app| Self(app.guards.address(request))))
    }
}
