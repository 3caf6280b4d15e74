//! What holds for the whole: the walls between modules, the catalog, the tenants, the published contract.
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

#[path = "../support/mod.rs"]
mod support;

mod architecture;
mod catalog;
mod catalog_tables;
mod copies;
mod guests;
mod licences;
mod migrations;
mod openapi;
mod page_times;
mod page_weight;
mod pages;
mod rights;
mod rust_paths;
mod seed;
mod sql;
mod table_owners;
mod tenancy;
mod transfers;
mod units;
mod walk;
