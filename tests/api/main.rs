//! The API on the real server, over HTTP; the files mirror the addresses.
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]
#![allow(
    clippy::cloned_ref_to_slice_refs,
    clippy::similar_names,
    reason = "an expectation reads as it is said"
)]

#[path = "../support/mod.rs"]
mod support;

mod accounts;
mod attachment_files;
mod attachments;
mod audit;
mod batches;
mod calculator_refusals;
mod calculators;
mod calendars;
mod calibrations;
mod climate;
mod coat_checks;
mod coat_films;
mod contract;
mod digests;
mod dossier;
mod due;
mod events;
mod events_told;
mod forecast_requests;
mod forecasts;
mod grants;
mod haul_outs;
mod hindcast;
mod hunted;
mod imports;
mod invitations;
mod jobs;
mod jobs_board;
mod jobs_service;
mod limits;
mod lists;
mod objects;
mod page_import;
mod page_organisation;
mod page_session;
mod pages_correcting;
mod pages_exports;
mod pages_grants;
mod pages_hull;
mod pages_me;
mod pages_products;
mod pages_recording;
mod pages_sites;
mod pages_statistics;
mod pages_vessel;
mod pages_yard;
mod passwords;
mod policies;
mod products;
mod programs;
mod readings;
mod record_lists;
mod recording;
mod records;
mod refusals;
mod reports;
mod second_factor;
mod sites;
mod stations;
mod statistics;
mod surveys;
mod tokens;
mod transfers;
mod treatments;
mod treatments_drying;
mod treatments_holds;
mod treatments_life;
mod treatments_overrides;
mod treatments_plan;
mod treatments_proof;
mod vessels;
mod webhooks;
mod wet_readings;
mod what_if;
mod withdrawn_surveys;
