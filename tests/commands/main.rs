//! The built binary as a person runs it: commands, exit codes, and a service from start to stop.
#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

mod calc;
mod client;
mod demo;
mod import;
mod rights;
mod running;
mod secrets;
mod serving;
mod webhooks;
