//! The hull dossier: all that is known of one hull in one document, for an owner or an insurer, as JSON and as a page for
//! printing. All its parts are read in one snapshot of the database, so that they agree; the same record gives the same
//! bytes, apart from the time it was printed.
//!
//! The map of a survey shows the skin unfolded, seen from below with the bow to the left: the port side above the
//! centreline, the starboard side below, each station where it lies with what was read there. Its colours are even steps
//! of the eye ([`model::colour`]).

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config.service(api::read_dossier).service(api::page::read_dossier_page);
}
