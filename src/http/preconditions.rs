//! Stale writes: a change names the version it was made on.

use actix_web::http::header::{ETAG, IF_MATCH};
use actix_web::{FromRequest, HttpRequest, HttpResponse};

use crate::error::{Code, Error, Result};
use crate::http::creation::{Kept, etag};

/// The version in `If-Match`.
#[derive(Debug, Clone, Copy)]
pub struct IfMatch(pub i32);

impl IfMatch {
    /// Refuses when the record has moved on.
    ///
    /// # Errors
    /// Stale.
    pub fn check(self, version: i32) -> Result<()> {
        if self.0 == version {
            Ok(())
        } else {
            Err(Error::new(
                Code::Stale,
                format!(
                    "The record is at version {version} now, you named {}. Read it again and repeat your change.",
                    self.0
                ),
            ))
        }
    }
}

impl FromRequest for IfMatch {
    type Error = Error;
    type Future = std::future::Ready<Result<Self>>;

    fn from_request(request: &HttpRequest, _: &mut actix_web::dev::Payload) -> Self::Future {
        let read = match request.headers().get(IF_MATCH).map(|value| value.to_str()) {
            None => Err(Error::new(
                Code::VersionRequired,
                "Send the record's ETag as If-Match, so that nobody's change is lost.",
            )),
            Some(Ok(text)) => text
                .trim()
                .strip_prefix('"')
                .and_then(|rest| rest.strip_suffix('"'))
                .and_then(|digits| digits.parse().ok())
                .map(Self)
                .ok_or_else(|| {
                    Error::new(
                        Code::Stale,
                        "If-Match is not an ETag of this record. Read the record and send its ETag.",
                    )
                }),
            Some(Err(_)) => Err(Error::new(
                Code::Stale,
                "If-Match is not an ETag of this record. Read the record and send its ETag.",
            )),
        };
        std::future::ready(read)
    }
}

/// 200 with the record and its `ETag`.
#[must_use]
pub fn kept<V: Kept>(view: V) -> HttpResponse {
    HttpResponse::Ok().insert_header((ETAG, etag(view.version()))).json(view)
}
