//! Statistics of a fleet: learning from its lives (the job behind `calibrations`), how the dates would move, and the
//! distribution of lives by class, skin, water and site.

pub mod api;
pub mod job;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::previews::read_calibration_preview)
        .service(api::previews::request_calibration_preview)
        .service(api::lifetimes::read_lifetimes);
}
