//! Hindcasts: past surveys against the forecasts that were possible before them, from what was known then. Computed for
//! one answer, and not kept.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoint.
pub fn register(config: &mut ServiceConfig<'_>) {
    config.service(api::read_hindcast);
}
