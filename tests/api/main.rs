//! The API on the real server, over HTTP; the files mirror the addresses.
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

#[path = "../support/mod.rs"]
mod support;

mod calculators;
mod contract;
mod due;
mod forecasts;
mod jobs;
mod policies;
