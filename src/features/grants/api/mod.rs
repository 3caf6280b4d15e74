//! The endpoints of grants and transfers.

pub mod given;
pub mod held;
pub mod transfers;
