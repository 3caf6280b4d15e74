//! The endpoints of forecasts.

pub mod forecast;
pub mod history;
pub mod sensitivity;
pub mod what_if;
