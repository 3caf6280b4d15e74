//! Policies: the limits the dates follow. The organisation sets its own over the defaults of the forecasts, and
//! overrides them for single vessels; what nobody set stays at its default. The limits, their ranges and their
//! defaults are those of [`crate::science::forecast::policy`].

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::read_policy)
        .service(api::change_policy)
        .service(api::read_vessel_policy)
        .service(api::change_vessel_policy);
}
