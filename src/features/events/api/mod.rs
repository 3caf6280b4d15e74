//! The endpoints.

pub mod deliveries;
pub mod list;
pub mod subscriptions;
