//! Vessels: the register of hulls. Only name, form and length are required; what is left out gets a stated
//! default in the forecasts, named in the evidence of each date. A craft identification number is checked
//! against ISO 10087 (see [`model::hull_id`]). Dates do not contradict each other: no launch before the year
//! before the year built, none after a recorded lift, no retirement before the launch. A retired vessel stays
//! readable and is left out of what is due.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::list_vessels)
        .service(api::create_vessel)
        .service(api::read_vessel)
        .service(api::change_vessel);
}
