//! Products: what their data sheets say, as the organisation enters it. No product ships with the service.
//!
//! A product serves one role. The times to the next coat belong to a pair: this product, and the role of what goes
//! over it. What a sheet leaves out is a default where one is known (3 K over the dew point and 85 % humidity by the
//! guidance of ISO 8502-4; surfaces from 10 to 35 °C by common practice, no source), and unknown otherwise: then
//! whatever rests on it says so. A coat that names a product keeps its own copy of what bears on a forecast, so a
//! sheet that changes later changes no recorded coat.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::list_products)
        .service(api::create_product)
        .service(api::read_product)
        .service(api::change_product);
}
