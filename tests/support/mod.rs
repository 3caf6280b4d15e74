//! What the integration tests share. A test binary takes it in with `#[path = "../support/mod.rs"] mod support;`.
#![allow(dead_code, reason = "each test binary uses its own part")]

pub mod app;
pub mod cluster;
pub mod fleet;
pub mod hulls;
pub mod page_paths;
pub mod pictures;
pub mod receiver;
pub mod s3;
pub mod smtp;
pub mod visitor;
