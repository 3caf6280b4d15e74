//! The capabilities, each in its folder; each may use only those before it in this list:
//! audit, accounts, sites, vessels, grants, products, haulouts, surveys, climate, coats, treatments, policies, forecasts, due, reports,
//! calculators, imports, batches.

pub mod accounts;
pub mod audit;
pub mod batches;
pub mod calculators;
pub mod climate;
pub mod coats;
pub mod due;
pub mod forecasts;
pub mod grants;
pub mod haulouts;
pub mod imports;
pub mod policies;
pub mod products;
pub mod reports;
pub mod sites;
pub mod surveys;
pub mod treatments;
pub mod vessels;
