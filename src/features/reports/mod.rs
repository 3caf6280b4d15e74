//! What leaves the building in a form of its own: the state of the fleet, a hull a row, calendars to subscribe to, and a
//! weekly letter to the members who ask for it.
//!
//! A calendar is an address with a secret in it, one a subscriber, told once and kept as a digest. Whoever has the
//! address reads the due list it was made for, as long as its person is a member and did not end it.

pub mod api;
pub mod job;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::fleet::list_fleet)
        .service(api::feeds::list_calendar_feeds)
        .service(api::feeds::create_calendar_feed)
        .service(api::feeds::read_calendar_feed)
        .service(api::feeds::change_calendar_feed)
        .service(api::calendar::read_calendar)
        .service(api::digest::read_digest)
        .service(api::digest::change_digest)
        .service(api::endings::read_digest_ending)
        .service(api::endings::withdraw_digest);
}
