//! The endpoints of accounts.

pub mod members;
pub mod organisation;
pub mod sign_in;
