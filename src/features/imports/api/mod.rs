//! Importing, and its endpoints.

mod coats;
pub mod endpoints;
mod haul_outs;
mod names;
mod places;
mod readings;
mod records;
mod refusal;
pub mod run;
mod upload;
mod vessels;
