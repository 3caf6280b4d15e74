//! Haul-outs: a vessel's time ashore, from lift to relaunch. Open until the relaunch is entered. Two of one
//! vessel never share a day ashore, none begins before the vessel's launch, and none leaves a survey made in
//! it outside; the database holds all three whichever record is written last.

pub mod api;
pub mod model;
pub mod store;

use actix_web::web::Data;
use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints; `relaunch` tells what to look at about a relaunch.
pub fn register(config: &mut ServiceConfig<'_>, relaunch: api::Relaunch) {
    config
        .app_data(Data::new(relaunch))
        .service(api::list_haul_outs)
        .service(api::create_haul_out)
        .service(api::read_haul_out)
        .service(api::change_haul_out);
}
