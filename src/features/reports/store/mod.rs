//! Statements of the reports.

pub mod digests;
pub mod feeds;
pub mod fleet;
