//! The capabilities, each in its folder; each may use only those before it in this list:
//! audit, jobs, accounts, sites, vessels, grants, products, haulouts, surveys, climate, coats, treatments, policies,
//! calibrations, forecasts, due, statistics, hindcasts, events, attachments, reports, dossier, calculators, imports, batches,
//! pages.

pub mod accounts;
pub mod attachments;
pub mod audit;
pub mod batches;
pub mod calculators;
pub mod calibrations;
pub mod climate;
pub mod coats;
pub mod dossier;
pub mod due;
pub mod events;
pub mod forecasts;
pub mod grants;
pub mod haulouts;
pub mod hindcasts;
pub mod imports;
pub mod jobs;
pub mod pages;
pub mod policies;
pub mod products;
pub mod reports;
pub mod sites;
pub mod statistics;
pub mod surveys;
pub mod treatments;
pub mod vessels;
