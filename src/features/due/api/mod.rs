//! The endpoint of the due list, in its three forms.

pub mod export;
mod lifts;
pub mod list;
