//! Sites: where hulls lie, with the water's temperature and salinity and the air's temperature and humidity
//! month by month. A new site may start from a named climate, which is an approximation to be replaced by
//! the site's own figures.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::list_climates)
        .service(api::list_sites)
        .service(api::create_site)
        .service(api::read_site)
        .service(api::change_site);
}
