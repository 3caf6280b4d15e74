//! Treatments that were done: preventive, a barrier on sound gelcoat, or curative, a blistered or wet hull
//! stripped, dried and built up again. A curative one begins a new life of the hull in the forecasts; a
//! preventive one does not. Versions are inserted and never changed.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::list_treatments)
        .service(api::create_treatment)
        .service(api::read_treatment)
        .service(api::change_treatment)
        .service(api::list_treatment_versions);
}
