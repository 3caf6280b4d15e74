//! garboard keeps the underwater condition of fibreglass hulls.

pub mod cli;
pub mod clock;
pub mod codes;
pub mod config;
pub mod db;
pub mod error;
pub mod features;
pub mod http;
pub mod ids;
pub mod jobs;
pub mod permissions;
pub mod routes;
pub mod science;
pub mod telemetry;
