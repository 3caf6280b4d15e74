//! Organisations, their members, and how a person signs in.
//!
//! A person may be a member of several organisations; an access token names one of them and holds ten
//! minutes. A refresh token is good for one use and is replaced by the next of its family; one used twice
//! was copied, so its whole family is revoked. Passwords are kept as argon2id hashes in a table that only
//! the sign-in role reads.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::sign_in::sign_in)
        .service(api::sign_in::refresh_session)
        .service(api::sign_in::sign_out)
        .service(api::organisation::read_organisation)
        .service(api::organisation::change_organisation)
        .service(api::members::list_members)
        .service(api::members::create_member)
        .service(api::members::read_member)
        .service(api::members::change_member);
}
