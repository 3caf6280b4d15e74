//! Batches: many creations in one request, each with a result of its own, for whoever was without signal.
//!
//! The items are made in their order, each in its own transaction, as if each had been sent by itself: a later
//! one may belong to an earlier one by the id the client chose, and one that is refused holds back no other.
//! Each needs the permission that its own address asks for. Sending a batch again makes nothing twice where
//! the items carry ids or the request an `Idempotency-Key`.

pub mod api;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoint.
pub fn register(config: &mut ServiceConfig<'_>) {
    config.service(api::create_batch);
}
