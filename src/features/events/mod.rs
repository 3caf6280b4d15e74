//! Events for programs elsewhere: listed for those who pull, sent to those who subscribe.
//!
//! Events are written by whoever causes them, through `jobs::outbox`. An event is delivered to each subscription that
//! takes its kind and site at least once, under one `webhook-id` (the event's id) however often it is sent; what is of
//! one vessel in its order. What does not arrive is tried again with growing waits for three days, then given up; a
//! subscription to which nothing arrives for three days, or which answers 410, is switched off, keeps what waits, and
//! goes on where it was when it is switched on again. Signed as the Standard Webhooks specification 1.0.0 says.

pub mod api;
pub mod job;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::list::list_events)
        .service(api::subscriptions::list_subscriptions)
        .service(api::subscriptions::create_subscription)
        .service(api::subscriptions::read_subscription)
        .service(api::subscriptions::change_subscription)
        .service(api::subscriptions::rotate_subscription_secret)
        .service(api::deliveries::list_deliveries)
        .service(api::deliveries::read_delivery)
        .service(api::deliveries::replay_delivery)
        .service(api::deliveries::replay_subscription);
}
