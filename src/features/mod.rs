//! The capabilities, each in its folder; each may use only those before it in this list:
//! audit, accounts, sites, vessels, haulouts, surveys, coats, treatments, policies, forecasts, due,
//! calculators, imports, batches.

pub mod accounts;
pub mod audit;
pub mod haulouts;
pub mod sites;
pub mod vessels;
