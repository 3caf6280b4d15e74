//! The rules of the statistics.

pub mod inputs;
pub mod lifetimes;
pub mod moves;
