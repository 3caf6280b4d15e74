//! Calibrations: what was learned from an organisation's own records, a version a fit, and which of them its dates
//! follow, since when and by whose choice. The fits are made by `statistics`; here they are kept, listed and chosen,
//! and the forecasts ask here what to follow.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::settings::read_learning)
        .service(api::settings::change_learning)
        .service(api::settings::accept_priors)
        .service(api::versions::list_calibrations)
        .service(api::versions::request_calibration)
        .service(api::versions::read_calibration)
        .service(api::versions::accept_calibration);
}
