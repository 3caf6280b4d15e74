//! The permit: proof that a request's token names a role with a permission. Without one there is no way to
//! the rows.

use std::future::{Ready, ready};
use std::marker::PhantomData;

use actix_web::dev::Payload;
use actix_web::http::header::AUTHORIZATION;
use actix_web::{FromRequest, HttpMessage, HttpRequest};

use crate::db::Actor;
use crate::error::{Code, Error, Result};
use crate::http::state::App;
use crate::ids::{Id, RequestId};
use crate::permissions::{Permission, Role};

/// A verified caller with the permission `P`.
#[derive(Debug, Clone)]
pub struct Permit<P> {
    actor: Actor,
    role: Role,
    permission: PhantomData<fn() -> P>,
}

impl<P: Permission> Permit<P> {
    /// Who acts.
    #[must_use]
    pub fn actor(&self) -> &Actor {
        &self.actor
    }

    /// In which role.
    #[must_use]
    pub fn role(&self) -> Role {
        self.role
    }

    fn of(request: &HttpRequest) -> Result<Self> {
        let app = request.app_data::<App>().ok_or_else(|| Error::internal("no application state"))?;
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
        let claims = app.keys.verify(token, app.clock.now())?;
        if !P::ROLES.contains(&claims.role) {
            return Err(Error::new(
                Code::Forbidden,
                format!(
                    "Your role does not allow you to {}. Ask an administrator of your organisation.",
                    P::TO
                ),
            ));
        }
        let actor =
            Actor { org_id: claims.org, person_id: Some(claims.sub), request_id: request_id(request) };
        Ok(Self { actor, role: claims.role, permission: PhantomData })
    }
}

impl<P: Permission> FromRequest for Permit<P> {
    type Error = Error;
    type Future = Ready<Result<Self>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(Self::of(request))
    }
}

/// The id the server gave this request.
#[must_use]
pub fn request_id(request: &HttpRequest) -> RequestId {
    request.extensions().get::<RequestId>().copied().unwrap_or_else(RequestId::fresh)
}
