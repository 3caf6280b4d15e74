//! The endpoints of forecasts.

pub mod forecast;
pub mod history;
pub mod sensitivity;
pub mod what_if;

use crate::http::gate::Gate;

/// Forecasts that are computed for one answer, at work at once; more are asked to come again.
static PLACES: Gate = Gate::new(2);
