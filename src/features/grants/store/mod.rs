//! Rows of grants and transfers.

pub mod grant;
pub mod transfer;

pub use grant::viewers;
