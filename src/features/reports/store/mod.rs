//! Statements of the reports.

pub mod feeds;
pub mod fleet;
