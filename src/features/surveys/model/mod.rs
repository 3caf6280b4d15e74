//! The rules of stations, surveys, readings and findings, and those every recorded fact keeps.

pub mod fact;
pub mod finding;
pub mod reading;
pub mod station;
pub mod survey;
