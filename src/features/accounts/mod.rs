//! Organisations, their members, and how a person signs in.
//!
//! A person may be a member of several organisations; an access token names one of them and holds ten
//! minutes. A refresh token is good for one use and is replaced by the next of its family; one used twice
//! was copied, so its whole family is revoked. Passwords are kept as argon2id hashes in a table that only
//! the sign-in role reads. A person joins by accepting an invitation, with a one-time token; a lost password is
//! reset by another. Who wants one has a second factor (RFC 6238). Programs get their tokens by OAuth 2.0 client
//! credentials (RFC 6749, section 4.4), with scopes instead of a role.

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
        .service(api::export::read_organisation_export)
        .service(api::members::list_members)
        .service(api::members::read_member)
        .service(api::members::change_member)
        .service(api::invitations::list_invitations)
        .service(api::invitations::create_invitation)
        .service(api::invitations::accept_invitation)
        .service(api::invitations::read_invitation)
        .service(api::invitations::withdraw_invitation)
        .service(api::passwords::read_own_account)
        .service(api::passwords::change_password)
        .service(api::passwords::request_password_reset)
        .service(api::passwords::complete_password_reset)
        .service(api::second_factor::request_second_factor)
        .service(api::second_factor::confirm_second_factor)
        .service(api::second_factor::remove_second_factor)
        .service(api::programs::list_programs)
        .service(api::programs::create_program)
        .service(api::programs::read_program)
        .service(api::programs::change_program)
        .service(api::programs::rotate_secret)
        .service(api::oauth::issue_token)
        .service(api::oauth::read_token_keys);
}
