//! Rows of events, subscriptions and deliveries.

pub mod deliveries;
pub mod events;
pub mod subscriptions;
