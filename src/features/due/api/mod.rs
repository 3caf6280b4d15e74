//! The endpoint of the due list, in its three forms.

mod export;
mod lifts;
pub mod list;
