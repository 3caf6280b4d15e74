//! Climate: what air and hull were like while a hull stood ashore, and when a coat may go on.
//!
//! Values are told from one another by haul-out, time and source; sending one twice keeps it once. They are inserted
//! and never changed: a correction is the next version, with its reason, and the old value stays. A coat's climate is
//! judged over its application and its cure by the limits of its product (ISO 8502-4 gives 3 K over the dew point and
//! 85 % where a sheet says nothing), not at one instant; where values are further apart than some hours, the answer is
//! that there are not enough of them.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::list_climate_values)
        .service(api::append_climate_values)
        .service(api::import_climate_values)
        .service(api::coating_windows::calculate_coating_windows);
}
