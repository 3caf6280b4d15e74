//! The pages in a real browser. See `driver.rs` for what it needs; each test has a server and a browser of its own.
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

#[path = "../contract/seed.rs"]
#[allow(dead_code, reason = "the contract's tests use the rest")]
mod seed;
#[path = "../contract/sql.rs"]
#[allow(dead_code, reason = "the contract's tests use the rest")]
mod sql;
#[path = "../support/mod.rs"]
mod support;

mod axe;
mod driver;
mod entry;
mod every_page;
mod hull;
mod importing;
mod menu;
mod printing;
mod recording;
mod register;
mod signing_in;
