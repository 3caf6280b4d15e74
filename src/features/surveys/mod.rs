//! Surveys: what was looked at and found, with the stations, readings and findings that belong to it.
//!
//! A station is a fixed place on a hull; readings taken there again and again can be compared. A survey is a
//! draft until it is signed: a draft bears on no date and takes readings; a signed one is evidence and takes
//! none. A correction opens a new draft with its reason, while the signed version stays in force until the
//! draft is signed. To be signed a survey says how much of the bottom was examined and which blistering was
//! found. One entered in error is withdrawn with its reason, signed or not, and with it what was read and found in
//! it. A visit with meter readings alone is no evidence of either: readings are relative, they bear on no
//! date. A finding does, and every change of one asks for a forecast.
//!
//! Surveys, readings and findings are versions that are inserted and never changed; the highest counts.

pub mod api;
pub mod model;
pub mod store;

use utoipa_actix_web::service_config::ServiceConfig;

/// Registers the endpoints.
pub fn register(config: &mut ServiceConfig<'_>) {
    config
        .service(api::stations::list_stations)
        .service(api::stations::create_station)
        .service(api::stations::read_station)
        .service(api::stations::change_station)
        .service(api::surveys::list_surveys)
        .service(api::surveys::create_survey)
        .service(api::surveys::read_survey)
        .service(api::surveys::change_survey)
        .service(api::surveys::list_survey_versions)
        .service(api::signing::sign_survey)
        .service(api::signing::correct_survey)
        .service(api::signing::withdraw_survey)
        .service(api::appending::append_readings)
        .service(api::readings::list_readings)
        .service(api::appending::create_reading)
        .service(api::readings::read_reading)
        .service(api::readings::change_reading)
        .service(api::readings::list_reading_versions)
        .service(api::findings::list_findings)
        .service(api::findings::create_finding)
        .service(api::findings::read_finding)
        .service(api::findings::change_finding)
        .service(api::findings::list_finding_versions);
}
