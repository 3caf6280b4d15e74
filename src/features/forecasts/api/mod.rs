//! The endpoints of forecasts.

pub mod forecast;
pub mod history;
