//! The endpoints of stations, surveys, readings and findings.

pub mod appending;
pub mod findings;
pub mod readings;
pub mod signing;
pub mod stations;
pub mod surveys;
