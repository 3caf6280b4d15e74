//! Forecasts: each vessel's records made into the facts of [`crate::science::forecast`], its dates and their
//! reasons kept, and computed again whenever a fact changes and once a month besides. Nothing is computed within
//! a request but a hindcast: the forecast as it would have been made on an earlier day.

pub mod api;
pub mod job;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::forecast::read_forecast)
        .service(api::history::list_history)
        .service(api::sensitivity::read_sensitivity)
        .service(api::what_if::calculate_what_if);
}
