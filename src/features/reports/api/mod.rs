//! The endpoints of the reports.

pub mod calendar;
pub mod feeds;
pub mod fleet;
