//! The endpoints of the statistics.

pub mod lifetimes;
pub mod previews;
pub mod table;
