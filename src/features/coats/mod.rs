//! Coats: what was put on a hull, layer by layer, zone by zone, with the film where it is known.
//!
//! Gelcoat, sealer, barrier and topcoat make up the skin that slows water; antifouling counts as no skin. What
//! is not entered (film, permeability) is a default of the role in the forecasts, named in their evidence. A
//! coat is versions that are inserted and never changed; taking one off is a version with `removed_on`.
//!
//! What does not fit together (colours that do not alternate, litres against area and film) is told and refuses
//! nothing. A film is measured by a named method and judged by a published rule when it is entered (ISO 19840,
//! SSPC-PA 2, IMO MSC.215(82)). Whether the next coat may go on is told live, from the product's sheet and the hull's
//! logged temperatures.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::list_coats)
        .service(api::read_coat)
        .service(api::change_coat)
        .service(api::list_coat_versions)
        .service(api::films::list_films)
        .service(api::films::create_film)
        .service(api::films::read_film);
}
