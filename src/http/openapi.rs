//! The OpenAPI document: collected from what is registered, completed with what all operations share.

use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa::openapi::{ComponentsBuilder, InfoBuilder, LicenseBuilder, OpenApi};
use utoipa::{PartialSchema, ToSchema};

use crate::http::problem::{Problem, ProblemField};

/// The name of the bearer scheme, in the `security` of each operation.
pub const BEARER: &str = "bearer";

/// What the document says before the operations are collected.
#[must_use]
pub fn foundation() -> OpenApi {
    let info = InfoBuilder::new()
        .title("garboard")
        .version("1")
        .description(Some(
            "Keeps the underwater condition of fibreglass hulls and computes when each is next due for inspection, \
             barrier recoat, antifouling, repair or treatment. It advises; local codes and a qualified surveyor or \
             coating inspector decide. Times are RFC 3339 in UTC, dates plain; numbers carry their unit in their \
             name. Lists are sorted by their last change and paged by cursor; changes need If-Match with the \
             record's ETag; creations take an Idempotency-Key or your own UUIDv7.",
        ))
        .license(Some(LicenseBuilder::new().name("MIT OR Apache-2.0").build()))
        .build();
    let components = ComponentsBuilder::new()
        .schema(Problem::name(), Problem::schema())
        .schema(ProblemField::name(), ProblemField::schema())
        .security_scheme(
            BEARER,
            SecurityScheme::Http(
                HttpBuilder::new().scheme(HttpAuthScheme::Bearer).bearer_format("JWT").build(),
            ),
        )
        .build();
    let mut document = OpenApi::new(info, utoipa::openapi::Paths::new());
    document.components = Some(components);
    document
}
