//! The due list: which hulls are due for what, when and why, over the whole organisation. Rows come from the
//! forecasts; one whose facts have changed since says that it is stale. By row, by lift (what one haul-out of a
//! vessel can serve), or as CSV.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config.service(api::list::list_due);
}
