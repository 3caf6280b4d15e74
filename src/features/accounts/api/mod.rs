//! The endpoints of accounts.

pub mod browser;
pub mod export;
pub mod invitations;
pub mod members;
pub mod oauth;
pub mod organisation;
pub mod passwords;
pub mod programs;
pub mod proof;
pub mod second_factor;
pub mod sign_in;
