//! The endpoints of the reports.

pub mod calendar;
pub mod digest;
pub mod endings;
pub mod feeds;
pub mod fleet;
